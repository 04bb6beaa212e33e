"""Speed of reliability against peers in the same process. Run by hand: ``python -m tests.speed.bench_icc``.

Prints, for each job, our time, the peer's and their ratio; the pingouin loop is timed on few replicates and
scaled, the others run whole. Targets: 10,000 bootstrap replicates of ICC(A,1) on 60 x 4 at least twice as fast
as scipy's vectorised bootstrap and 1,000 times faster than a loop over pingouin; a crossed REML fit of 200 x 5
with a tenth of the cells missing at least 50 times faster than statsmodels; 10,000 pivotal draws under 0.1 s.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from drift.engine.crossed import CrossedDesign, fit_crossed, parametric_bootstrap
from drift.engine.pivotal import agreement_pivotal, build_pivots
from drift.engine.resampling import bootstrap_icc
from tests.speed.stopwatch import best


def agreement(*columns: np.ndarray, axis: int = -1) -> np.ndarray:
    """ICC(A,1) of paired columns, vectorised over leading axes, for scipy.stats.bootstrap."""
    y = np.stack(columns, axis=-1)
    y = np.moveaxis(y, axis - 1 if axis < 0 else axis, -2)
    n, k = y.shape[-2:]
    grand, rows, cols = y.mean((-1, -2), keepdims=True), y.mean(-1, keepdims=True), y.mean(-2, keepdims=True)
    msr = k * ((rows - grand) ** 2).sum((-1, -2)) / (n - 1)
    msc = n * ((cols - grand) ** 2).sum((-1, -2)) / (k - 1)
    mse = ((y - rows - cols + grand) ** 2).sum((-1, -2)) / ((n - 1) * (k - 1))
    return (msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n)


def bootstrap_jobs(table: np.ndarray, n: int) -> None:
    """Time 10,000 bootstrap replicates of ICC(A,1)."""
    import pingouin
    from scipy import stats

    ours = best(lambda: bootstrap_icc(table, n=n, rng=np.random.default_rng(1)))
    scipys = best(lambda: stats.bootstrap(tuple(table.T), agreement, paired=True, vectorized=True, n_resamples=n,
                                          method="percentile", rng=np.random.default_rng(1)), 3)
    rng, few = np.random.default_rng(1), 10
    rows, cols = table.shape

    def loop() -> None:
        for _ in range(few):
            made = table[rng.integers(0, rows, rows)]
            frame = pd.DataFrame({"target": np.repeat(np.arange(rows), cols), "facet": np.tile(np.arange(cols), rows),
                                  "reading": made.ravel()})
            pingouin.intraclass_corr(frame, targets="target", raters="facet", ratings="reading")

    pingouins = best(loop, 2) * n / few
    print(f"bootstrap, {n} replicates of 60 x 4: ours {1e3 * ours:.1f} ms, scipy {1e3 * scipys:.0f} ms "
          f"({scipys / ours:.1f} x), pingouin loop {pingouins:.0f} s ({pingouins / ours:.0f} x)")


def crossed_jobs() -> None:
    """Time a crossed REML fit with missing cells, and a thousand refits."""
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(2)
    y = 2 * rng.normal(size=(200, 1)) + rng.normal(size=(1, 5)) + rng.normal(size=(200, 5))
    i, j = np.nonzero(rng.random((200, 5)) > 0.1)
    design = CrossedDesign.build(y[i, j], i, j)
    ours = best(lambda: fit_crossed(CrossedDesign.build(y[i, j], i, j)))
    frame = pd.DataFrame({"reading": y[i, j], "target": i, "facet": j, "one": 1})
    theirs = best(lambda: smf.mixedlm("reading ~ 1", frame, groups="one", vc_formula={
        "target": "0 + C(target)", "facet": "0 + C(facet)"}).fit(reml=True), 1)
    print(f"crossed REML, 200 x 5 less a tenth: ours {1e3 * ours:.1f} ms, statsmodels {theirs:.1f} s "
          f"({theirs / ours:.0f} x)")
    variances = fit_crossed(design).variances
    refits = best(lambda: parametric_bootstrap(design, variances, 1000, np.random.default_rng(3)), 2)
    print(f"1,000 parametric-bootstrap refits of it: {refits:.2f} s")


def pivotal_job(table: np.ndarray) -> None:
    """Time the pivotal interval of one table (2,048 lattice points, facet integrated analytically)."""
    i, j = np.indices(table.shape)
    design = CrossedDesign.build(table.ravel(), i.ravel(), j.ravel())
    ours = best(lambda: agreement_pivotal(build_pivots(design), 0.95))
    print(f"pivotal interval of ICC(A,1), 60 x 4: {1e3 * ours:.1f} ms")


def main() -> None:
    """Run all jobs."""
    rng = np.random.default_rng(0)
    table = 50 + 3 * rng.normal(size=(60, 1)) + rng.normal(size=(1, 4)) + rng.normal(size=(60, 4))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # peers warn about deprecations and boundaries of their own
        bootstrap_jobs(table, 10_000)
        pivotal_job(table)
        crossed_jobs()


if __name__ == "__main__":
    main()
