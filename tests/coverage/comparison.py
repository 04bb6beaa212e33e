"""How often the intervals of compared reliabilities hold the truth: ``python -m tests.coverage.comparison``.

Two levels (two constructions, say) of normal targets x facet readings; effects of the same target, facet level and
cell are correlated between the levels. Intervals come from the function that fills the printed estimates. Beside them:
the same intervals with the two levels taken as independent, and the percentile bootstrap over targets, facet levels
kept or resampled too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossed import CrossedDesign
from drift.engine.meansquares import one_way
from drift.engine.paired_reliability import Links, interval_and_p, joint_draws
from drift.engine.pivotal import build_pivots
from drift.engine.resampling import multiplicities
from drift.records import TrialTable
from drift.reliability.comparison import compare_pairs
from drift.reliability.components import Components
from drift.reliability.rows import Group
from drift.reliability.words import declared
from drift.study import ReliabilityQuestion
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "comparison.csv", 20261126
VALUE = ReliabilityQuestion(name="q", target="target", facet="facet", compare="level")
ORDER = VALUE.model_copy(update={"agree": "order"})
NO_TRIALS = TrialTable({}, np.zeros(0, dtype=np.int64), "none")
RESAMPLES, DRAWS = 500, 2500  # fewer than a printed answer draws: what that adds to a row is below its own error


@dataclass(frozen=True)
class Design:
    """Targets and facet levels; SDs of target, facet, residual in both levels; their correlations.

    ``shared_facets`` says whether both levels have the same facet levels; ``shared_targets`` how many targets are in
    both (of ``n`` each).
    """

    n: int
    k: int
    target: tuple[float, float] = (2.0, 2.0)
    facet: tuple[float, float] = (0.5, 0.3)
    residual: tuple[float, float] = (1.0, 0.7)
    together: tuple[float, float, float] = (0.95, 0.9, 0.5)
    shared_facets: bool = True
    shared_targets: int | None = None
    missing: float = 0.0


DESIGNS = {
    "8 targets x 3 levels, all shared": Design(8, 3),
    "20 targets x 2 levels, not shared": Design(20, 2, together=(0.95, 0.0, 0.0), shared_facets=False),
    "20 targets x 3 levels that differ much, not shared": Design(20, 3, facet=(1.5, 0.5), together=(0.95, 0.0, 0.0),
                                                                 shared_facets=False),
    "20 targets x 6 levels, all shared": Design(20, 6),
    "20 targets x 6 levels, 10 % of cells missing": Design(20, 6, missing=0.1),
    "20 targets x 4 levels, half of the targets shared": Design(20, 4, shared_targets=10),
    "20 targets x 4 levels, no target shared": Design(20, 4, together=(0.0, 0.0, 0.0), shared_facets=False,
                                                      shared_targets=0),
}


def truths(d: Design) -> dict[str, float]:
    """Return true differences of ICC and ratios of SEM, first level against second."""
    out = {}
    for kind, agreement in (("A", True), ("C", False)):
        error = [(f**2 if agreement else 0.0) + e**2 for f, e in zip(d.facet, d.residual, strict=True)]
        icc = [t**2 / (t**2 + x) for t, x in zip(d.target, error, strict=True)]
        out[f"difference of ICC({kind},1)"] = icc[0] - icc[1]
        word = "agreement" if agreement else "consistency"
        out[f"ratio of SEM ({word})"] = math.sqrt(error[0] / error[1])
    return out


def _pairs(sd: tuple[float, float], r: float, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float64]:
    z = rng.normal(size=(2, *shape))
    return np.stack([sd[0] * z[0], sd[1] * (r * z[0] + math.sqrt(1 - r * r) * z[1])])


def simulate(d: Design, rng: np.random.Generator) -> tuple[Group, Group, NDArray[np.float64]]:
    """Simulate both levels; targets that are shared come first. Also the two tables, shape (2, n, k)."""
    shared = d.n if d.shared_targets is None else d.shared_targets
    target = _pairs(d.target, d.together[0], (d.n, 1), rng)
    residual = _pairs(d.residual, d.together[2], (d.n, d.k), rng)
    # The others of the second level are people of their own.
    target[1, shared:] = d.target[1] * rng.normal(size=(d.n - shared, 1))
    residual[1, shared:] = d.residual[1] * rng.normal(size=(d.n - shared, d.k))
    y = target + residual + _pairs(d.facet, d.together[1], (1, d.k), rng)
    groups = []
    for g in range(2):
        here = rng.permutation(d.n * d.k) >= round(d.missing * d.n * d.k)
        here |= np.arange(d.n * d.k) % d.k < 2
        rows, columns = (x.ravel()[here] for x in np.indices((d.n, d.k)))
        nothing = np.full(len(rows), np.nan)
        people = tuple(f"P{i}" if i < shared else f"P{i}{'ab'[g]}" for i in range(d.n))
        levels = tuple(f"S{j}" if d.shared_facets else f"S{j}{'ab'[g]}" for j in range(d.k))
        groups.append(Group(labels={"level": "ab"[g]}, values=y[g].ravel()[here], targets=rows, facets=columns,
                            target_names=people, facet_names=levels, reading_sd=nothing, reading_n=nothing, unit=""))
    return groups[0], groups[1], y


def analysed(group: Group) -> Any:
    """Lay out a group as ``analyse`` does, with the estimates a comparison starts from and no interval of its own."""
    design = CrossedDesign.build(group.values, group.targets, group.facets)
    pivots, flat = build_pivots(design), one_way(group.values, group.targets)
    inner = pivots.ss_inner / pivots.df_inner
    found = {"target": _moment(pivots.target_squares, pivots.target_weights, pivots.df_target, inner),
             "facet": _moment(pivots.facet_squares, pivots.facet_weights, pivots.df_facet, inner),
             "interaction": 0.0, "residual": inner}
    parts = Components(design=design, flat=flat, squares=None, fit=None, pivots=pivots, variances=found, intervals={},
                       zero=(), mean=flat.mean, method="moments")
    noise = {"agreement": found["facet"] + inner, "consistency": inner}
    cases = [SimpleNamespace(name=f"ICC({c},1)", model="two-way random", value=found["target"] / (found["target"] + s))
             for c, s in (("A", noise["agreement"]), ("C", noise["consistency"]))]
    errors = [SimpleNamespace(name=f"SEM ({kind})", value=math.sqrt(s)) for kind, s in noise.items()]
    return SimpleNamespace(group=group, parts=parts, cases=tuple(cases), errors=tuple(errors))


def _moment(squares: NDArray[np.float64], weights: NDArray[np.float64], df: int, inner: float) -> float:
    expected = float(weights[0]) * df if len(weights) == 1 else float(weights.sum())
    return max((float(squares.sum()) - df * inner) / expected, 0.0)


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its printed intervals held."""
    d = DESIGNS[name]
    one, two, tables = simulate(d, rng)
    true = truths(d)
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, low: float, high: float) -> None:
        if math.isfinite(low) and math.isfinite(high):
            held[quantity, method] = (low - 1e-12 <= true[quantity] <= high + 1e-12, high - low)

    done = [analysed(one), analysed(two)]
    seed = int(rng.integers(2**31))
    for question, kind in ((VALUE, "A"), (ORDER, "C")):
        pair = compare_pairs(done, NO_TRIALS, question, "level", declared(question, "facet"), level=LEVEL, seed=seed,
                             draws=DRAWS)[0]
        c, sem = pair.coefficient, pair.sem
        put(f"difference of ICC({kind},1)", c.method, c.low, c.high)
        word = "agreement" if kind == "A" else "consistency"
        put(f"ratio of SEM ({word})", sem.method.split(", ")[-1], sem.low, sem.high)
    sides = joint_draws(done[0].parts.pivots, done[1].parts.pivots, Links(), rng=rng, n=DRAWS)
    for kind, agreement in (("A", True), ("C", False)):
        a, b = (s.coefficient(agreement=agreement) for s in sides)
        put(f"difference of ICC({kind},1)", "naive: levels taken as independent", *interval_and_p(a - b, 0.0, LEVEL)[0])
    if d.missing == 0 and d.shared_targets is None:
        _bootstrap(tables, d, rng, put)
    return held


def _bootstrap(tables: NDArray[np.float64], d: Design, rng: np.random.Generator, put: Any) -> None:
    """Percentile bootstrap over targets (both levels together), facet levels kept or resampled."""
    for both in (False, True):
        drawn = [statistics(tables[g], w, u) for g, (w, u) in enumerate(_weights(d, both, rng))]
        name = f"percentile bootstrap over targets{' and facet levels' if both else ''}"
        for kind in ("A", "C"):
            low, high = np.nanquantile(drawn[0][kind] - drawn[1][kind], [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
            put(f"difference of ICC({kind},1)", name, float(low), float(high))


def _weights(d: Design, both: bool, rng: np.random.Generator) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    w = multiplicities(d.n, RESAMPLES, rng)
    us = [multiplicities(d.k, RESAMPLES, rng) if both else np.ones((RESAMPLES, d.k)) for _ in range(2)]
    return [(w, us[0]), (w, us[0] if d.shared_facets else us[1])]


def statistics(y: NDArray[np.float64], w: NDArray[np.float64],
               u: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """ICC(A,1) and ICC(C,1) of tables resampled by multiplicities of rows ``w`` and columns ``u``."""
    n, k = y.shape
    rows, cols = (u @ y.T) / k, (w @ y) / n
    grand = np.einsum("bn,bn->b", w, rows) / n
    total = np.einsum("bn,nk,bk->b", w, (y - y.mean()) ** 2, u) - n * k * (grand - y.mean()) ** 2
    ss_r = k * np.einsum("bn,bn->b", w, (rows - grand[:, None]) ** 2)
    ss_c = n * np.einsum("bk,bk->b", u, (cols - grand[:, None]) ** 2)
    mse = np.maximum(total - ss_r - ss_c, 0.0) / ((n - 1) * (k - 1))
    msr, msc = ss_r / (n - 1), ss_c / (k - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return {"A": (msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n),
                "C": (msr - mse) / (msr + (k - 1) * mse)}


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
