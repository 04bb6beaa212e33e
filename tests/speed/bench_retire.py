"""Retire-after counts of 2,000 simulated studies against a loop over scipy.stats, processor time; run by hand.

Usage: ``python -m tests.speed.bench_retire``. Target: 2,000 studies of 12 sensors with lines, bound and companion in
under 2 s. The peer does the same sums study by study, with ``scipy.stats.linregress`` for each line,
``scipy.stats.nct.ppf`` for the factor and ``scipy.optimize.brentq`` for the crossing, in the same process.
"""

from __future__ import annotations

import math
import time

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.engine.sparse_lines import sparse_bounds, summarise_checks
from drift.retirement.bound import retire_arrays
from tests.coverage.retirement_worlds import CHECK_SD, CHECKS, LIMIT, START_SD, World, slopes

Floats = NDArray[np.float64]
N_STUDIES, N_BATCHES, PER_BATCH = 2000, 6, 2


def readings(rng: np.random.Generator) -> Floats:
    """Occasion values, shape (n_studies, n_sensors, n_checks)."""
    b = slopes(World(), rng, N_STUDIES, N_BATCHES, PER_BATCH)
    a = rng.normal(0, START_SD, b.shape)
    return np.asarray(a[..., None] + b[..., None] * CHECKS + rng.normal(0, CHECK_SD, (*b.shape, len(CHECKS))))


def ours(y: Floats, batch: NDArray[np.int64] | None = None) -> Floats:
    """Counts of all studies."""
    lines = fit_lines(CHECKS, y)
    return retire_arrays(lines.intercept, lines.slope, LIMIT, batch=batch, cap=1.25 * CHECKS[-1]).count


def peer(y: Floats) -> Floats:
    """The same, one study at a time, with scipy."""
    from scipy import optimize, stats

    counts = []
    for study in y:
        fits = [stats.linregress(CHECKS, row) for row in study]
        a, b = np.array([f.intercept for f in fits]), np.array([f.slope for f in fits])
        n = len(a)
        k = stats.nct.ppf(0.95, n - 1, stats.norm.ppf(0.90) * np.sqrt(n)) / np.sqrt(n)

        def excess(at: float, a: Floats = a, b: Floats = b, k: float = k) -> float:
            values = a + b * at
            return float(values.mean() + k * values.std(ddof=1) - LIMIT)

        line = optimize.brentq(excess, 0, 100)
        logs = np.log((LIMIT - a) / b)
        companion = np.exp(logs.mean() - k * logs.std(ddof=1))
        counts.append(min(np.floor(line), np.floor(companion), np.floor(1.25 * CHECKS[-1])))
    return np.array(counts)


def main() -> None:
    """Print times and ratio."""
    y = readings(np.random.default_rng(1))
    ours(y[:2])
    start = time.process_time()
    mine = ours(y)
    one = time.process_time() - start
    n_peer = 200
    start = time.process_time()
    theirs = peer(y[:n_peer])
    other = (time.process_time() - start) * N_STUDIES / n_peer
    assert np.array_equal(mine[:n_peer], theirs), "counts differ"
    batches = np.repeat(np.arange(N_BATCHES), PER_BATCH)
    ours(y[:2], batches)
    two = math.inf
    for _ in range(3):
        start = time.process_time()
        ours(y, batches)
        two = min(two, time.process_time() - start)
    print(f"{N_STUDIES} studies of {N_BATCHES * PER_BATCH} sensors, same counts")
    print(f"line bound and companion: {one:.3f} s (target 2 s); loop over scipy: {other:.1f} s; "
          f"ratio {other / one:.0f}")
    print(f"two-level bound and companion for new batches: {two:.2f} s (target 2 s); the loop takes {other / two:.0f} "
          "times as long for the one-level bound alone")
    for n in (12, 40):
        print(f"1,000 bootstrap refits of {n} sensors with drop-out: {refits(n):.2f} s (target 5 s)")


def refits(n: int) -> float:
    """Seconds of 1,000 refits of a study of which a third has left after two checks."""
    rng = np.random.default_rng(2)
    x = np.tile(CHECKS, (n, 1))
    x[:n // 3, 2:] = np.nan
    y = rng.normal(0, 0.03, n)[:, None] + rng.normal(0.02, 0.004, n)[:, None] * x + rng.normal(0, 0.03, x.shape)
    checks = summarise_checks(x, y[None])
    start = time.process_time()
    sparse_bounds(checks, content=0.90, confidence=0.95, relative=False, rng=rng, n_sets=1000)
    return time.process_time() - start


if __name__ == "__main__":
    main()
