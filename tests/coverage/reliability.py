"""How often the intervals of reliability hold the truth: ``python -m tests.coverage.reliability``.

Normal people x sessions, true ICC(A,1) 0.8: complete tables, 5 to 25 % of the cells missing, two readings a cell, and
sessions that are the only ones of interest (fixed levels).
Intervals and their names come from the functions that fill the printed tables; an MDC is a multiple of its SEM and
is held exactly as often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.reliability.components import Refusal, analyse
from drift.reliability.icc import PIVOTAL, coefficients
from drift.reliability.measurement_error import CHANGE, error_sizes
from drift.reliability.rows import Group
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "reliability.csv", 20260318
ICC = 0.8


@dataclass(frozen=True)
class Design:
    """People, levels, share of the facet in the total variance, share of cells missing, readings a cell.

    ``spreads`` asks for the variance components too, which cost more than all the rest; ``fixed`` keeps the levels'
    offsets the same in every study.
    """

    n: int
    k: int
    share: float
    missing: float = 0.0
    replicates: int = 1
    spreads: bool = False
    fixed: bool = False


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    grid = {f"{n} x {k}, facet share {share:g}": Design(n, k, share)
            for n, k in ((20, 3), (30, 5)) for share in (0.0, 0.16)}
    grid |= {f"{n} x 3, facet share 0.04, 10 % of cells missing": Design(n, 3, 0.04, missing=0.1, spreads=True)
             for n in (20, 30)}
    grid |= {f"{n} x {k}, facet share {share:g}, {100 * missing:g} % of cells missing": Design(n, k, share, missing)
             for n, k, share, missing in ((30, 2, 0.1, 0.05), (30, 3, 0.1, 0.05), (8, 3, 0.1, 0.1),
                                          (15, 3, 0.0, 0.25), (30, 3, 0.1, 0.25), (30, 5, 0.1, 0.25))}
    grid |= {f"{n} x {k}, facet share {share:g}, 2 readings a cell":
             Design(n, k, share, replicates=2, spreads=(n, k) == (20, 3))
             for n, k, share in ((20, 3, 0.04), (15, 2, 0.1), (30, 3, 0.0), (30, 5, 0.1))}
    grid |= {f"{n} x {k}, facet share {share:g}, fixed levels": Design(n, k, share, fixed=True)
             for n, k, share in ((20, 2, 0.1), (30, 3, 0.1), (30, 5, 0.1))}
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
    offsets = np.linspace(-1, 1, d.k) if d.fixed else rng.normal(size=d.k)
    if d.fixed:
        offsets /= np.std(offsets, ddof=1)  # theta^2 = sum (b - mean b)^2 / (k - 1) is one
    y = (math.sqrt(ICC) * rng.normal(size=(d.n, 1, 1)) + math.sqrt(d.share) * offsets[None, :, None]
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


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its printed intervals held."""
    d = DESIGNS[name]
    true, group = truths(d), simulate(d, rng)
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, low: float, high: float) -> None:
        if math.isfinite(low) and math.isfinite(high):
            held[quantity, method] = (low - 1e-12 <= true[quantity] <= high + 1e-12, high - low)

    parts = analyse(group, level=LEVEL, average=False, target="person", facet="session", spreads=d.spreads,
                    fixed=d.fixed)
    if isinstance(parts, Refusal):
        return held
    for c in coefficients(parts, level=LEVEL):
        if c.name in true and c.model == ("two-way mixed" if d.fixed else "two-way random"):
            put(c.name, c.method, c.low, c.high)
            if PIVOTAL not in c.method and not d.fixed:
                put(c.name, PIVOTAL, *c.pivotal)
    for e in error_sizes(parts, group, level=LEVEL):
        if e.name in true and e.reading == "one":
            put(e.name, e.method, e.low, e.high)
    for component, (low, high) in parts.intervals.items():
        put(component, "exact chi-square interval" if component == "residual" else PIVOTAL, low, high)
    # Names of the table: a component stands as its variance.
    return {(f"variance, {q}" if q in parts.variances else q, m): found for (q, m), found in held.items()}


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
