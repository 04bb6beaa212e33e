"""Speed of the cluster bootstrap against peers in the same process: ``python -m tests.speed.bench_clusters``.

10,000 replicates of bias, SD and limits of agreement on 85 targets x 3 readings x 2 methods (the design of the blood
pressures of Bland & Altman 1999), whole targets resampled. Peers: ``scipy.stats.bootstrap``, vectorised, of one limit
from the three differences of each target, and a loop that resamples the table with pandas, timed on few replicates
and scaled. Target: under 0.1 s.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from drift.engine.clusters import cluster_bootstrap, cluster_intervals, linked_sums, resampled, weighted_quantiles
from tests.speed.stopwatch import best

REPLICATES = 10_000


def upper_limit(*readings: np.ndarray, axis: int = -1) -> np.ndarray:
    """Upper limit of balanced linked readings, one array of targets a replicate."""
    d = np.stack(readings)
    means, within = d.mean(axis=0), d.var(axis=0, ddof=1).mean(axis=axis)
    return means.mean(axis=axis) + 1.96 * np.sqrt(means.var(axis=axis, ddof=1) + (1 - 1 / len(d)) * within)


def pandas_loop(frame: pd.DataFrame, few: int) -> None:
    """Resample whole targets of a table and compute the limit anew, a few times."""
    rng = np.random.default_rng(1)
    parts = dict(list(frame.groupby("target")))
    for _ in range(few):
        drawn = rng.integers(0, len(parts), len(parts))
        made = pd.concat([parts[t].assign(copy=i) for i, t in enumerate(drawn)])
        wide = made.pivot_table(index=["copy", "replicate"], columns="method", values="reading")
        upper_limit(*(wide.a - wide.b).unstack("replicate").to_numpy().T)


def main() -> None:
    """Time the jobs."""
    rng = np.random.default_rng(0)
    d = rng.normal(size=(85, 1)) + rng.normal(size=(85, 3))
    target = np.repeat(np.arange(85), 3)
    sums = linked_sums(d.ravel(), target)
    ours = best(lambda: cluster_bootstrap(sums, n=REPLICATES, rng=np.random.default_rng(1)), 7)
    scipys = best(lambda: stats.bootstrap(tuple(d.T), upper_limit, paired=True, vectorized=True,
                                          n_resamples=REPLICATES, method="percentile",
                                          rng=np.random.default_rng(1)), 5)
    frame = pd.DataFrame({"target": np.tile(target, 2), "replicate": np.tile(np.arange(3), 170),
                          "method": np.repeat(["a", "b"], 255), "reading": np.concatenate([d.ravel(), 0 * d.ravel()])})
    few = 10
    loop = best(lambda: pandas_loop(frame, few), 2) * REPLICATES / few
    print(f"cluster bootstrap of bias, SD and limits, 85 x 3 x 2, {REPLICATES} replicates: ours {1e3 * ours:.0f} ms, "
          f"scipy (one limit) {1e3 * scipys:.0f} ms ({scipys / ours:.1f} x), pandas loop {loop:.0f} s "
          f"({loop / ours:.0f} x)")
    both = best(lambda: cluster_intervals(sums, 0.95, n=REPLICATES, rng=np.random.default_rng(1)), 5)
    quantiles = best(lambda: resampled(85, lambda w: weighted_quantiles(d.ravel(), target, (0.025, 0.975), w),
                                       n=REPLICATES, rng=np.random.default_rng(1)), 3)
    print(f"with BCa intervals of all four: {1e3 * both:.0f} ms; of two quantiles: {1e3 * quantiles:.0f} ms")


if __name__ == "__main__":
    main()
