"""Tests of what limits of agreement assume of the differences: equal spread, normality, no outlying value."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import t_quantile

FloatArray = NDArray[np.float64]

# Royston (1995), Applied Statistics 44:547-551, algorithm AS R94: weights of the two extreme order statistics as
# polynomials in 1/sqrt(n); mean and log SD of the transformed W in n (to 11) or log n (from 12), lowest power first.
_LAST = 0.0, 0.221157, -0.147981, -2.071190, 4.434685, -2.706056
_NEXT = 0.0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633
_SMALL = (-2.273, 0.459), (0.5440, -0.39978, 0.025054, -6.714e-4), (1.3822, -0.77857, 0.062767, -0.0020322)
_LARGE = (-1.5861, -0.31082, -0.083751, 0.0038915), (-0.4803, -0.082676, 0.0030302)


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


def shapiro_wilk(values: ArrayLike) -> tuple[float, float]:
    """Shapiro-Wilk W and its p-value (Royston 1995, AS R94) of 4 to 5,000 values that are not all the same.

    Written out because the library that has it takes longer to load than a whole answer to compute.

    Parameters
    ----------
    values : array, shape (n,)
    """
    from scipy import special

    x = np.sort(np.asarray(values, float))
    n = len(x)
    x = (x - x.mean()) / x.std()
    m = special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    root = float(np.sqrt(m @ m))
    poly = np.polynomial.polynomial.polyval
    ends = [m[-1] / root + poly(n**-0.5, _LAST)]
    if n > 5:
        ends.append(m[-2] / root + poly(n**-0.5, _NEXT))
    k = len(ends)
    upper = np.array(ends)
    a = m * np.sqrt((1 - 2 * upper @ upper) / (m @ m - 2 * m[-k:] @ m[-k:]))
    a[-k:], a[:k] = upper[::-1], -upper
    w = min(float(a @ x) ** 2 / n, 1.0)  # x has mean 0 and mean square 1
    rest = np.log(max(1 - w, 1e-300))
    if n < 12:
        most = poly(n, _SMALL[0])
        if rest >= most:
            return w, 0.0
        rest, mean, sd = -np.log(most - rest), poly(n, _SMALL[1]), np.exp(poly(n, _SMALL[2]))
    else:
        mean, sd = poly(np.log(n), _LARGE[0]), np.exp(poly(np.log(n), _LARGE[1]))
    return w, float(special.ndtr(-(rest - mean) / sd))


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
