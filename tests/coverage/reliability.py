"""How often the intervals of reliability hold the truth: ``python -m tests.coverage.reliability``.

Normal people x sessions, true ICC(A,1) 0.8: complete tables, a tenth of the cells missing, and two readings a cell.
Intervals and their names come from the functions that fill the printed tables; an MDC is a multiple of its SEM and
is held exactly as often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossed import CrossedDesign
from drift.engine.meansquares import one_way, two_way
from drift.engine.pivotal import build_pivots
from drift.reliability.components import Components, Refusal, analyse
from drift.reliability.icc import PIVOTAL, coefficients
from drift.reliability.measurement_error import CHANGE, error_sizes
from drift.reliability.rows import Group
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "reliability.csv", 20260318
ICC = 0.8


@dataclass(frozen=True)
class Design:
    """People, levels, share of the facet in the total variance, share of cells missing, readings a cell.

    ``spreads`` asks for the variance components too, which cost more than all the rest.
    """

    n: int
    k: int
    share: float
    missing: float = 0.0
    replicates: int = 1
    spreads: bool = False


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    grid = {f"{n} x {k}, facet share {share:g}": Design(n, k, share, spreads=(n, k, share) == (20, 3, 0.04))
            for n, k in ((20, 2), (20, 3), (30, 3), (30, 5), (60, 4)) for share in (0.0, 0.04, 0.16)}
    grid |= {f"{n} x 3, facet share 0.04, 10 % of cells missing": Design(n, 3, 0.04, missing=0.1, spreads=True)
             for n in (20, 30)}
    grid["20 x 3, facet share 0.04, 2 readings a cell"] = Design(20, 3, 0.04, replicates=2, spreads=True)
    return grid


DESIGNS = named()


def truths(d: Design) -> dict[str, float]:
    """Return the true value of every quantity; the variance of single readings is one."""
    noise = 1 - ICC - d.share
    # With replicates half of what neither people nor sessions explain stays with the cell.
    interaction = noise / 2 if d.replicates > 1 else 0.0
    repeated = noise - interaction if d.replicates > 1 else d.share + noise
    return {"ICC(A,1)": ICC, "ICC(C,1)": ICC / (ICC + noise), "SEM (agreement)": math.sqrt(d.share + noise),
            "SEM (consistency)": math.sqrt(noise), "repeatability coefficient": CHANGE * math.sqrt(repeated),
            "target": ICC, "facet": d.share, "interaction": interaction, "residual": noise - interaction}


def simulate(d: Design, rng: np.random.Generator) -> Group:
    """Simulate the readings of one study; people and sessions without a reading leave no code behind."""
    true, shape = truths(d), (d.n, d.k, d.replicates)
    y = (math.sqrt(ICC) * rng.normal(size=(d.n, 1, 1)) + math.sqrt(d.share) * rng.normal(size=(1, d.k, 1))
         + math.sqrt(true["residual"]) * rng.normal(size=shape))
    if true["interaction"]:
        y = y + math.sqrt(true["interaction"]) * rng.normal(size=(d.n, d.k, 1))
    # A fixed number of empty cells: by chance alone some tables would be complete, and analysed otherwise.
    here = np.arange(d.n * d.k) >= round(d.missing * d.n * d.k)
    rows, columns = np.nonzero((rng.permutation(here) if d.missing else here).reshape(d.n, d.k))
    values = y[rows, columns].ravel()
    targets, facets = (np.unique(np.repeat(code, d.replicates), return_inverse=True)[1] for code in (rows, columns))
    nothing = np.full(len(values), np.nan)
    return Group(labels={}, values=values, targets=targets, facets=facets, target_names=_names(targets),
                 facet_names=_names(facets), reading_sd=nothing, reading_n=nothing, unit="")


def _names(codes: NDArray[np.intp]) -> tuple[str, ...]:
    return tuple(str(i) for i in range(int(codes.max()) + 1))


def without_spreads(group: Group) -> Components:
    """Lay out a complete table of single readings as ``analyse`` does, without the intervals of its components."""
    design = CrossedDesign.build(group.values, group.targets, group.facets)
    flat, squares = one_way(group.values, group.targets), two_way(group.values.reshape(*design.counts.shape, 1))
    found = {name: 0.0 if math.isnan(x) else max(x, 0.0) for name, x in squares.components().items()}
    return Components(design=design, flat=flat, squares=squares, fit=None, pivots=build_pivots(design),
                      variances=found, intervals={}, zero=(), mean=flat.mean, method="ANOVA")


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its printed intervals held."""
    d = DESIGNS[name]
    true, group = truths(d), simulate(d, rng)
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, low: float, high: float) -> None:
        if math.isfinite(low) and math.isfinite(high):
            held[quantity, method] = (low - 1e-12 <= true[quantity] <= high + 1e-12, high - low)

    parts = (analyse(group, level=LEVEL, average=False, target="person", facet="session") if d.spreads
             else without_spreads(group))
    if isinstance(parts, Refusal):
        return held
    for c in coefficients(parts, level=LEVEL):
        if c.name in true and c.model == "two-way random":
            put(c.name, c.method, c.low, c.high)
            if PIVOTAL not in c.method:
                put(c.name, PIVOTAL, *c.pivotal)
    for e in error_sizes(parts, group, level=LEVEL):
        if e.name in true:
            put(e.name, e.method, e.low, e.high)
    for component, (low, high) in parts.intervals.items():
        put(component, "exact chi-square interval" if component == "residual" else PIVOTAL, low, high)
    # Names of the table: a component stands as its variance.
    return {(f"variance, {q}" if q in parts.variances else q, m): found for (q, m), found in held.items()}


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
