"""Make the table of joint limits of individuals, EWMA and CUSUM: ``python -m tests.references.joint_limits``.

Prints the rows of ``drift/engine/joint_limits.py``. Runs of a good rig are drawn after baselines of n occasions; each
chart gets the limit that the same share of occasions is past, and that share is such that the share past any of the
three is the one stated.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from drift.engine.control_charts import CUSUM_SLACK, EWMA_WEIGHT

SIZES = (3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 25, 30, 40, 50, 75, 100, 200, None)
RATES = (0.0075, 0.01, 0.015, 0.02)
OCCASIONS, RUNS, SEED = 50, 120_000, 20261126
Floats = NDArray[np.float32]


def statistics(n: int | None, *, runs: int, rng: np.random.Generator, occasions: int = OCCASIONS) -> Floats:
    """Return |z|, |EWMA| in its SDs and the larger CUSUM of every occasion, shape (3, occasions * runs)."""
    centre, sd = np.zeros(runs), np.ones(runs)
    if n is not None:
        centre, sd = rng.standard_normal(runs) / np.sqrt(n), np.sqrt(rng.chisquare(n - 1, runs) / (n - 1))
    made = np.empty((3, occasions, runs), dtype=np.float32)
    smooth, up, down = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    for t in range(1, occasions + 1):
        z = (rng.standard_normal(runs) - centre) / sd
        smooth = EWMA_WEIGHT * z + (1 - EWMA_WEIGHT) * smooth
        up, down = np.maximum(0.0, up + z - CUSUM_SLACK), np.maximum(0.0, down - z - CUSUM_SLACK)
        spread = np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT) * (1 - (1 - EWMA_WEIGHT) ** (2 * t)))
        made[:, t - 1] = np.abs(z), np.abs(smooth) / spread, np.maximum(up, down)
    return made.reshape(3, -1)


def limits(found: Floats, rate: float) -> tuple[float, float, float]:
    """Return the limits of which any is passed at this share of occasions, each at one share."""
    size = found.shape[1]
    top = int(size * rate * 1.05)
    ordered = [np.sort(np.partition(x, size - top)[size - top:])[::-1] for x in found]
    low, high = rate / 3, rate
    for _ in range(20):
        each = (low + high) / 2
        edge = [float(x[int(each * size)]) for x in ordered]
        share = float(np.mean((found[0] > edge[0]) | (found[1] > edge[1]) | (found[2] > edge[2])))
        low, high = (each, high) if share < rate else (low, each)
    return edge[0], edge[1], edge[2]


def main() -> None:
    """Print the rows."""
    rng = np.random.default_rng(SEED)
    for n in SIZES:
        found = statistics(n, runs=RUNS, rng=rng)
        cells = ", ".join("({:.3f}, {:.3f}, {:.2f})".format(*limits(found, rate)) for rate in RATES)
        print(f"    ({n or 'math.inf'}, {cells}),")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
