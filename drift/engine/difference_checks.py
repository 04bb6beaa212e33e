"""Tests of what limits of agreement assume of the differences: equal spread, no outlying value."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import t_quantile

FloatArray = NDArray[np.float64]


def breusch_pagan(x: ArrayLike, residuals: ArrayLike) -> tuple[float, float]:
    """Studentised Breusch-Pagan statistic n R^2 and its chi-square(1) p-value (Koenker 1981).

    Parameters
    ----------
    x, residuals : arrays, shape (n,)
    """
    from scipy import special

    u, e2 = np.asarray(x, float), np.asarray(residuals, float) ** 2
    u, e2 = u - u.mean(), e2 - e2.mean()
    denominator = float(u @ u) * float(e2 @ e2)
    statistic = len(u) * float(u @ e2) ** 2 / denominator if denominator > 0 else 0.0
    return statistic, float(special.chdtrc(1, statistic))


def deleted_residuals(differences: ArrayLike) -> tuple[FloatArray, float]:
    """Externally studentised deviations from the mean and their Bonferroni limit at 5 %.

    Each deviation is divided by the SD of the others (a Grubbs test in t form). With fewer than four values
    or no spread all are zero.
    """
    d = np.asarray(differences, float)
    n = len(d)
    dev = d - d.mean()
    ss = float(dev @ dev)
    if n < 4 or ss <= 0:
        return np.zeros(n), np.inf
    scaled = dev**2 * n / (n - 1)
    # What is left beside one far value is known no better than to the rounding of the sum.
    rest = np.maximum(ss - scaled, np.finfo(float).eps * ss) / (n - 2)
    return np.sign(dev) * np.sqrt(scaled / rest), t_quantile(1 - 0.05 / (2 * n), n - 2.0)
