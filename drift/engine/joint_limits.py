"""Limits of individuals, EWMA and CUSUM that hold together, after a baseline of few occasions."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from drift.engine.control_charts import ANY_RATE, PRECISION_LEVEL, ChartLimits

# (occasions of the baseline, limits at each of RATES), simulated by tests/references/joint_limits.py; n = 3 on.
RATES = (0.0075, 0.01, 0.015, 0.02)
_TABLE: tuple[tuple[float, tuple[float, float, float], tuple[float, float, float], tuple[float, float, float],
                    tuple[float, float, float]], ...] = (
    (3, (17.990, 29.823, 263.69), (15.547, 25.830, 225.50), (12.671, 21.033, 179.47), (10.919, 18.171, 152.12)),
    (4, (9.190, 14.259, 120.23), (8.312, 12.887, 106.62), (7.210, 11.192, 89.19), (6.496, 10.103, 78.43)),
    (5, (6.723, 9.884, 77.94), (6.214, 9.132, 70.23), (5.538, 8.171, 60.38), (5.094, 7.529, 53.86)),
    (6, (5.657, 8.012, 58.52), (5.288, 7.496, 53.38), (4.796, 6.800, 46.48), (4.457, 6.327, 41.68)),
    (7, (5.068, 6.948, 47.49), (4.773, 6.536, 43.40), (4.361, 5.982, 37.86), (4.084, 5.599, 34.09)),
    (8, (4.653, 6.226, 39.97), (4.398, 5.891, 36.79), (4.049, 5.427, 32.24), (3.809, 5.104, 29.07)),
    (9, (4.396, 5.739, 35.15), (4.169, 5.448, 32.30), (3.859, 5.045, 28.29), (3.645, 4.767, 25.54)),
    (10, (4.206, 5.430, 31.45), (4.005, 5.160, 28.90), (3.724, 4.794, 25.41), (3.527, 4.533, 22.95)),
    (12, (3.928, 4.909, 25.63), (3.756, 4.687, 23.49), (3.510, 4.376, 20.62), (3.334, 4.157, 18.73)),
    (14, (3.780, 4.595, 21.84), (3.619, 4.395, 20.08), (3.393, 4.116, 17.69), (3.229, 3.919, 16.05)),
    (16, (3.647, 4.339, 19.11), (3.496, 4.165, 17.57), (3.285, 3.915, 15.41), (3.134, 3.734, 13.95)),
    (18, (3.574, 4.197, 17.11), (3.431, 4.028, 15.83), (3.229, 3.789, 14.01), (3.084, 3.620, 12.75)),
    (20, (3.498, 4.050, 15.51), (3.362, 3.891, 14.33), (3.172, 3.667, 12.72), (3.033, 3.507, 11.56)),
    (25, (3.383, 3.813, 12.89), (3.258, 3.672, 11.89), (3.077, 3.471, 10.54), (2.945, 3.322, 9.61)),
    (30, (3.315, 3.676, 11.52), (3.193, 3.539, 10.63), (3.022, 3.345, 9.41), (2.897, 3.204, 8.58)),
    (40, (3.223, 3.491, 9.51), (3.112, 3.369, 8.86), (2.952, 3.192, 7.95), (2.833, 3.062, 7.32)),
    (50, (3.168, 3.380, 8.54), (3.059, 3.263, 7.97), (2.903, 3.096, 7.18), (2.785, 2.974, 6.64)),
    (75, (3.102, 3.238, 7.38), (2.996, 3.131, 6.92), (2.844, 2.974, 6.30), (2.733, 2.857, 5.85)),
    (100, (3.064, 3.166, 6.85), (2.962, 3.061, 6.45), (2.814, 2.909, 5.89), (2.706, 2.798, 5.50)),
    (200, (3.009, 3.062, 6.18), (2.911, 2.963, 5.85), (2.769, 2.817, 5.37), (2.664, 2.710, 5.04)),
    (math.inf, (2.966, 2.967, 5.65), (2.870, 2.871, 5.36), (2.732, 2.733, 4.96), (2.630, 2.631, 4.67)),
)


@cache
def joint_limits(n: int | None, *, rate: float = ANY_RATE, two_sided: bool = True) -> ChartLimits:
    """Limits such that a good rig is past any of them on a stated share of occasions.

    Parameters
    ----------
    n : int or None
        Occasions of the baseline, 3 or more; None for a process known exactly, and for scores of occasions that are
        predicted by those before them.
    rate : float
        Share of occasions, averaged over the 50 after the baseline and over baselines.
    two_sided : bool
        Both sides count, else one of them.

    Returns
    -------
    ChartLimits
        In SDs of the baseline; each chart by itself is past its limit on the same share of occasions.

    Raises
    ------
    ValueError
        For fewer than three occasions, or a rate outside the table.

    Notes
    -----
    Simulated for weight 0.2 and slack 0.5 (120,000 runs of 50 normal occasions a row), interpolated in 1/n. One side
    has half the alarms of both. Limits of single charts with estimated parameters, taken as if known, would be passed
    on far more occasions (Jensen et al. 2006, Journal of Quality Technology 38, 349-364).
    """
    wanted = rate if two_sided else 2 * rate
    column = next((i for i, r in enumerate(RATES) if math.isclose(r, wanted)), None)
    if column is None:
        raise ValueError(f"limits are tabled for the rates {RATES}, half of them for one side")
    if n is not None and n < 3:
        raise ValueError("limits need three occasions or more")
    at = np.array([1 / row[0] for row in _TABLE])[::-1]
    values = np.log([row[column + 1] for row in _TABLE])[::-1]
    x = 0.0 if n is None else 1 / n
    found = [float(np.exp(np.interp(x, at, values[:, k]))) for k in range(3)]
    return ChartLimits(*found)


def mean_rate(*, within: bool) -> float:
    """Share of occasions left to the three charts of means; the rest is that of the scatter inside occasions."""
    return ANY_RATE - (1 - PRECISION_LEVEL) if within else ANY_RATE


def prediction_tail(limits: ChartLimits) -> float:
    """Probability beyond one side of the limit of individuals, while nothing is estimated."""
    return 0.5 * math.erfc(limits.individuals * math.sqrt(0.5))
