"""How often the intervals of reliability hold the truth: ``python -m tests.coverage.reliability``.

Normal people x sessions, true ICC(A,1) 0.8, complete tables; analysed by the engine functions whose intervals the
results print.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.engine.crossed import CrossedDesign
from drift.engine.meansquares import agreement_interval, chi_square_sd, classical_intervals, mls_sum, two_way
from drift.engine.pivotal import agreement_pivotal, build_pivots, consistency_pivotal, noise_pivotal
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "reliability.csv", 20260318
ICC = 0.8


@dataclass(frozen=True)
class Design:
    """People, levels, share of the facet in the total variance."""

    n: int
    k: int
    share: float


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    return {f"{n} x {k}, facet share {share:g}": Design(n, k, share)
            for n, k in ((20, 2), (20, 3), (30, 3), (30, 5), (60, 4)) for share in (0.0, 0.04, 0.16)}


DESIGNS = named()


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one table of total variance one and report what its intervals held."""
    d = DESIGNS[name]
    noise = 1 - ICC - d.share
    y = (math.sqrt(ICC) * rng.normal(size=(d.n, 1)) + math.sqrt(d.share) * rng.normal(size=(1, d.k))
         + math.sqrt(noise) * rng.normal(size=(d.n, d.k)))
    agreement, consistency = ICC, ICC / (ICC + noise)
    sem_a, sem_c = math.sqrt(d.share + noise), math.sqrt(noise)
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, ends: tuple[float, float], truth: float) -> None:
        low, high = float(ends[0]), float(ends[1])
        if math.isfinite(low) and math.isfinite(high):
            held[quantity, method] = (low - 1e-12 <= truth <= high + 1e-12, high - low)

    squares = two_way(y)
    put("ICC(A,1)", "F and Satterthwaite (McGraw and Wong)", agreement_interval(squares, LEVEL), agreement)
    put("ICC(C,1)", "exact F", classical_intervals(squares, LEVEL)["ICC(C,1)"], consistency)
    ms_e, df_e = squares.ms_residual, squares.df[2]
    put("SEM (consistency)", "exact chi-square", chi_square_sd(ms_e, df_e, LEVEL), sem_c)
    low, high = mls_sum((squares.ms_facet, ms_e), (d.k - 1, df_e), (1 / d.n, 1 - 1 / d.n), LEVEL)
    put("SEM (agreement)", "modified large sample", root((low, high)), sem_a)
    rows, columns = np.indices(y.shape)
    design = CrossedDesign.build(y.ravel(), rows.ravel(), columns.ravel())
    pivots = build_pivots(design)
    put("ICC(A,1)", "generalised pivotal", agreement_pivotal(pivots, LEVEL), agreement)
    put("ICC(C,1)", "generalised pivotal", consistency_pivotal(pivots, LEVEL), consistency)
    put("SEM (agreement)", "generalised pivotal", root(noise_pivotal(pivots, LEVEL)), sem_a)
    return held


def root(ends: tuple[float, float]) -> tuple[float, float]:
    """Return the interval of an SD from that of its variance."""
    return math.sqrt(max(ends[0], 0.0)), math.sqrt(max(ends[1], 0.0))


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
