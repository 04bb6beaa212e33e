"""Published formulas for the size of a study, and the exact calculations behind them.

Each function answers for one textbook question on numbers alone. The planner shows them beside the size it found by
simulating the analysis itself; none of them decides.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.tolerance import check_shares

Floats = NDArray[np.float64]
MOST = 1_000_000  # a study larger than this is no answer


def _z(probability: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(probability))


def targets_for_icc_width(icc: float, k: int, width: float, *, level: float = 0.95) -> float:
    """Targets for a given full width of the interval of a single-reading ICC, before rounding up.

    Parameters
    ----------
    icc : float
        Planned coefficient, 0 <= icc < 1.
    k : int
        Readings a target, 2 or more.
    width : float
        Wanted full width of the interval.
    level : float
        Confidence level.

    Returns
    -------
    float
        n = 8 z^2 (1 - rho)^2 (1 + (k - 1) rho)^2 / (k (k - 1) w^2) + 1; with k = 2 and rho >= 0.7 plus 5 rho.

    Raises
    ------
    ValueError
        For a coefficient outside [0, 1), fewer than two readings or a width that is not positive.

    References
    ----------
    Bonett, D. G. (2002), Sample size requirements for estimating intraclass correlations with desired precision,
    Statistics in Medicine 21, 1331-1335 (and its correction for two readings).

    Examples
    --------
    >>> round(targets_for_icc_width(0.8, 2, 0.2), 2)
    54.79
    """
    check_shares(level)
    if not 0 <= icc < 1 or k < 2 or not width > 0:
        raise ValueError(f"cannot size a study for ICC {icc!r}, {k!r} readings and width {width!r}")
    z = _z(0.5 + level / 2)
    n = 8 * z**2 * (1 - icc) ** 2 * (1 + (k - 1) * icc) ** 2 / (k * (k - 1) * width**2) + 1
    return n + (5 * icc if k == 2 and icc >= 0.7 else 0.0)


def targets_for_icc_test(least: float, icc: float, k: int, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Targets to show that a single-reading ICC is above ``least`` where it is ``icc``, by the published approximation.

    Parameters
    ----------
    least, icc : float
        Coefficient under the null hypothesis and planned coefficient, 0 <= least < icc < 1.
    k : int
        Readings a target.
    power, alpha : float
        Power, and size of the one-sided test.

    Returns
    -------
    float
        1 + 2 (z_alpha + z_power)^2 k / ((ln C0)^2 (k - 1)) with C0 = (1 + k t0) / (1 + k t1), t = rho / (1 - rho).

    References
    ----------
    Walter, S. D., Eliasziw, M. and Donner, A. (1998), Sample size and optimal designs for reliability studies,
    Statistics in Medicine 17, 101-110 (their n is our k).

    Examples
    --------
    >>> round(targets_for_icc_test(0.6, 0.8, 2), 1)
    38.6
    """
    _check_test(least, icc, k, power, alpha)
    c0 = (1 + k * least / (1 - least)) / (1 + k * icc / (1 - icc))
    return 1 + 2 * (_z(1 - alpha) + _z(power)) ** 2 * k / (math.log(c0) ** 2 * (k - 1))


def icc_test_power(least: float, icc: float, n: ArrayLike, k: int, *, alpha: float = 0.05) -> Floats:
    """Exact power of the one-sided F test that a one-way ICC is above ``least``, for ``n`` targets of ``k`` readings.

    The one-way F ratio is (1 + k rho / (1 - rho)) times a central F of n - 1 and n (k - 1) degrees of freedom.

    References
    ----------
    Donner, A. and Eliasziw, M. (1987), Sample size requirements for reliability studies, Statistics in Medicine 6,
    441-448.
    """
    from scipy.special import fdtrc, fdtri

    _check_test(least, icc, k, 0.5, alpha)
    targets = np.asarray(n, dtype=np.float64)
    df1, df2 = targets - 1, targets * (k - 1)
    critical = (1 + k * least / (1 - least)) * fdtri(df1, df2, 1 - alpha)
    return np.asarray(fdtrc(df1, df2, critical / (1 + k * icc / (1 - icc))))


def _check_test(least: float, icc: float, k: int, power: float, alpha: float) -> None:
    check_shares(power, alpha)
    if not 0 <= least < icc < 1 or k < 2:
        raise ValueError(f"cannot size a test of ICC {icc!r} against {least!r} with {k!r} readings")


def limits_inside_power(n: ArrayLike, mean: float, sd: float, harmless: float, *, level: float = 0.95) -> Floats:
    """Chance that the intervals of both limits of agreement lie within +/- ``harmless``, by a published formula.

    Parameters
    ----------
    n : array_like
        Pairs.
    mean, sd : float
        Planned bias and SD of differences, in the unit of ``harmless``.
    harmless : float
        Largest difference that would not matter.
    level : float
        Level of the two-sided intervals of the limits.

    Returns
    -------
    ndarray
        1 - F(t; n - 1, (d - m - z s)/SE) - F(t; n - 1, (d + m - z s)/SE), F of the noncentral t distribution, with
        SE = s sqrt(1/n + z^2/(2 (n - 1))) and z the quantile that limits of 95 % agreement take.

    References
    ----------
    Lu, M. J. et al. (2016), Sample size for assessing agreement between two methods of measurement by Bland-Altman
    method, International Journal of Biostatistics 12(2), 20150039.

    Examples
    --------
    >>> round(float(limits_inside_power(59, 0.5, 2.5, 7.0)), 3)
    0.799
    """
    from scipy.special import nctdtr, stdtrit

    check_shares(level)
    if not sd > 0 or not harmless > 0:
        raise ValueError("the SD and the harmless difference must be positive")
    pairs, z = np.asarray(n, dtype=np.float64), _z(0.975)
    error = sd * np.sqrt(1 / pairs + z**2 / (2 * (pairs - 1)))
    t = stdtrit(pairs - 1, 0.5 + level / 2)
    missed = sum(nctdtr(pairs - 1, (harmless + side * mean - z * sd) / error, t) for side in (-1, 1))
    return np.asarray(np.maximum(1 - missed, 0.0))


def units_for_slope_difference(difference: float, times: ArrayLike, *, variance: float, correlation: float,
                               power: float = 0.8, alpha: float = 0.05) -> float:
    """Units in each of two groups to show a difference of slopes where all units of a group share one slope.

    Parameters
    ----------
    difference : float
        Difference of slopes that matters.
    times : array_like, shape (n_times,)
        Exposures at which every unit is read.
    variance, correlation : float
        Variance of a reading, and correlation of two readings of one unit (the same for every two).
    power, alpha : float
        Power, and size of the one-sided test.

    Returns
    -------
    float
        2 (z_alpha + z_power)^2 variance (1 - correlation) / (n s_x^2 d^2), before rounding up.

    Notes
    -----
    Optimistic for sensors, which wear at rates of their own.

    References
    ----------
    Diggle, P. J., Liang, K.-Y. and Zeger, S. L. (1994), Analysis of Longitudinal Data, Oxford, section 2.4.

    Examples
    --------
    >>> math.ceil(units_for_slope_difference(0.5, [0, 2, 5], variance=100, correlation=0.2))
    313
    """
    check_shares(power, alpha)
    x = np.asarray(times, dtype=np.float64)
    spread = float(np.sum((x - x.mean()) ** 2))
    if not spread > 0 or difference == 0 or not 0 <= correlation < 1 or not variance > 0:
        raise ValueError("needed: two different times, a difference, a positive variance and a correlation below 1")
    return 2 * (_z(1 - alpha) + _z(power)) ** 2 * variance * (1 - correlation) / (spread * difference**2)


def slope_variance(times: ArrayLike, *, slope_sd: float, occasion_sd: float, mounting_sd: float, mountings: int,
                   sensors: int) -> float:
    """Variance of the mean slope of complete sensors: (D11 + (tau^2 + sigma^2 / K) / Sxx) / n.

    Parameters
    ----------
    times : array_like, shape (n_times,)
        Uses at which every sensor is checked.
    slope_sd, occasion_sd, mounting_sd : float
        SD of the sensors' slopes, of a check occasion, and of one mounting.
    mountings, sensors : int
        Mountings a check, and sensors.

    References
    ----------
    Fitzmaurice, G. M., Laird, N. M. and Ware, J. H. (2011), Applied Longitudinal Analysis, Wiley, chapter 20
    (cited from memory).
    """
    x = np.asarray(times, dtype=np.float64)
    spread = float(np.sum((x - x.mean()) ** 2))
    if not spread > 0:
        return math.inf
    return (slope_sd**2 + (occasion_sd**2 + mounting_sd**2 / mountings) / spread) / sensors
