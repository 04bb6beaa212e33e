"""How often the intervals of generalizability studies hold the truth: ``python -m tests.coverage.generalizability``.

Normal targets over two or three facets, crossed and nested, complete and with readings missing at random. Intervals
come from the functions that fill the printed tables; an MDC is a multiple of its SEM and is held exactly as often.
"Of one" is one reading, "of the mean" the mean over all that a target met.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from drift.engine.factorial import effects_of
from drift.reliability.d_study import as_studied, decide, one_reading, weights
from drift.reliability.g_design import FacetGroup
from drift.reliability.g_study import GStudy, g_study
from drift.study import ReliabilityQuestion
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "generalizability.csv", 20261125
TARGET_VARIANCE, RESIDUAL = 1.0, 0.2


@dataclass(frozen=True)
class Design:
    """Numbers of levels (of a nested facet in each level of its parents), parents, replicates, share missing.

    ``variances`` are those of effects by the sorted indices of their factors; an effect not named has 0.05.
    """

    sizes: tuple[int, ...]
    parents: tuple[frozenset[int], ...]
    factors: tuple[str, ...]
    replicates: int = 1
    missing: float = 0.0
    variances: dict[tuple[int, ...], float] = field(default_factory=dict)

    def variance(self, effect: frozenset[int]) -> float:
        """Return the true variance of an effect."""
        if effect == frozenset({0}):
            return TARGET_VARIANCE
        return self.variances.get(tuple(sorted(effect)), 0.05)


NONE: frozenset[int] = frozenset()
TWO = ("target", "sensor", "session")
OFFSETS = {(1,): 0.10, (2,): 0.05, (0, 1): 0.10, (0, 2): 0.15, (1, 2): 0.02}
ALIKE = {(1,): 0.0, (2,): 0.0, (0, 1): 0.10, (0, 2): 0.15, (1, 2): 0.0, (0, 1, 2): 0.0}
INSIDE = ("target", "sensor", "construction")
NESTED = {(2,): 0.10, (1, 2): 0.10, (0, 2): 0.10}


def _crossed(n: int, i: int, o: int, m: int = 1, missing: float = 0.0, *, alike: bool = False) -> Design:
    return Design((n, i, o), (NONE, NONE, NONE), TWO, m, missing, ALIKE if alike else OFFSETS)


def _nested(n: int, i: int, h: int, m: int = 1, missing: float = 0.0) -> Design:
    return Design((n, i, h), (NONE, frozenset({2}), NONE), INSIDE, m, missing, NESTED)


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    grid = {f"{n} targets x {i} sensors x {o} sessions": _crossed(n, i, o)
            for n, i, o in ((8, 5, 5), (20, 3, 2), (30, 5, 3), (60, 5, 5))}
    grid["20 targets x 3 sensors x 2 sessions x 2 replicates"] = _crossed(20, 3, 2, 2)
    grid["20 targets x 3 sensors x 2 sessions x 2 replicates, levels alike"] = _crossed(20, 3, 2, 2, alike=True)
    grid["20 targets x 5 sensors x 5 sessions, levels alike"] = _crossed(20, 5, 5, alike=True)
    grid["20 targets x (3 sensors in 2 constructions)"] = _nested(20, 3, 2)
    grid["12 targets x (3 sensors in 5 constructions) x 2 replicates"] = _nested(12, 3, 5, 2)
    grid["20 targets, 5 sensors in each target"] = Design((20, 5), (NONE, frozenset({0})), ("target", "sensor"))
    grid["20 targets, 2 sensors in each of 3 sessions in each target"] = Design(
        (20, 2, 3), (NONE, frozenset({0, 2}), frozenset({0})), TWO, variances={(0, 2): 0.15})
    grid["15 targets x (2 sensors in 5 constructions) x 2 sessions"] = Design(
        (15, 2, 5, 2), (NONE, frozenset({2}), NONE, NONE), (*INSIDE, "session"), variances={(0, 3): 0.15})
    grid["15 targets x 3 sensors x 3 sessions x 2 operators"] = Design(
        (15, 3, 3, 2), (NONE, NONE, NONE, NONE), (*TWO, "operator"), variances={(0, 2): 0.15})
    for text, design in (("20 targets x 5 sensors x 5 sessions, 10 % of readings missing", _crossed(20, 5, 5, 1, 0.10)),
                         ("30 targets x 3 sensors x 3 sessions, 25 % of readings missing", _crossed(30, 3, 3, 1, 0.25)),
                         ("20 targets x 3 sensors x 2 sessions x 2 replicates, 5 % of readings missing",
                          _crossed(20, 3, 2, 2, 0.05)),
                         ("20 targets x (3 sensors in 5 constructions), 10 % of readings missing",
                          _nested(20, 3, 5, 1, 0.10))):
        grid[text] = design
    return grid


DESIGNS = named()
QUESTION = ReliabilityQuestion(name="q", target="target", facet=("sensor", "session"))


def simulate(d: Design, rng: np.random.Generator) -> FacetGroup:
    """Simulate the readings of one study."""
    shape = (*d.sizes, d.replicates)
    y = math.sqrt(RESIDUAL) * rng.normal(size=shape)
    effects = effects_of(d.parents)
    for effect in effects if d.replicates > 1 else effects[:-1]:
        own = [n if f in effect else 1 for f, n in enumerate(d.sizes)]
        y = y + math.sqrt(d.variance(effect)) * rng.normal(size=(*own, 1))
    here = np.arange(y.size) >= round(d.missing * y.size)
    keep = rng.permutation(here) if d.missing else here
    grid = [g.ravel()[keep] for g in np.meshgrid(*(np.arange(n) for n in shape), indexing="ij")][:len(d.sizes)]
    codes = tuple(np.unique(g, return_inverse=True)[1].astype(np.intp) for g in grid)
    names = tuple(tuple(str(j) for j in range(int(c.max()) + 1)) for c in codes)
    return FacetGroup(labels={}, values=y.ravel()[keep], factors=d.factors, codes=codes, names=names, unit="",
                      parents=d.parents)


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its printed intervals held."""
    d = DESIGNS[name]
    made = g_study(simulate(d, rng), QUESTION, level=LEVEL)
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    if not isinstance(made, GStudy):
        return held

    def put(quantity: str, truth: float, low: float, high: float) -> None:
        held[quantity, made.method] = (low - 1e-12 <= truth <= high + 1e-12, high - low)

    true = np.array([*(d.variance(e) for e in made.effects), RESIDUAL])
    for j, (low, high) in enumerate(made.intervals):
        put(f"SD, {made.name(j)}" if j < len(made.effects) else "SD, residual", math.sqrt(true[j]), math.sqrt(low),
            math.sqrt(high))
    designs = [one_reading(made), as_studied(made)]
    for of, decision in zip(("", ", of the mean"), decide(made, designs, level=LEVEL), strict=True):
        universe, relative, absolute = weights(made.effects, made.layout.replicated, len(d.sizes), NONE,
                                               decision.design)
        for error, coefficient, c, sem, word in ((absolute, "Phi", decision.phi, decision.sem_absolute, "absolute"),
                                                 (relative, "G", decision.g, decision.sem_relative, "relative")):
            top, size = float(universe @ true), float(error @ true)
            put(f"{coefficient} coefficient{of}", top / (top + size), c.low, c.high)
            put(f"SEM ({word}){of}", math.sqrt(size), sem.low, sem.high)
    return held


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
