"""Tolerance factors and bounds: normal (exact), binomial (exact), free of a distribution.

A one-sided tolerance bound with content P and confidence C is computed from a sample so that, with
probability C over samples, at least the share P of the population lies on its safe side.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@lru_cache(maxsize=4096)
def _k1(n: float, content: float, confidence: float) -> float:
    from scipy.special import nctdtrit, ndtri

    root = math.sqrt(n)
    return float(nctdtrit(n - 1.0, float(ndtri(content)) * root, confidence)) / root


def _over_grid(factor: Callable[[float, float, float], float], n: ArrayLike, content: ArrayLike,
               confidence: ArrayLike) -> Floats:
    """Apply a factor of (n, content, confidence) elementwise; NaN for fewer than two values."""
    check_shares(content, confidence)
    grid = np.broadcast_arrays(np.asarray(n, float), np.asarray(content, float), np.asarray(confidence, float))
    flat = [factor(float(a), float(p), float(c)) if a >= 2 else math.nan
            for a, p, c in zip(*(g.ravel() for g in grid), strict=True)]
    return np.array(flat).reshape(grid[0].shape)


def one_sided_factor(n: ArrayLike, content: ArrayLike, confidence: ArrayLike) -> Floats:
    """Exact one-sided normal tolerance factor k1, so that mean + k1 sd covers the share ``content``.

    Parameters
    ----------
    n : array_like
        Number of independent values, 2 or more; smaller gives NaN.
    content, confidence : array_like
        Shares strictly between 0 and 1; broadcast against ``n``.

    Returns
    -------
    ndarray
        k1 = t(C; n - 1, z_P sqrt(n)) / sqrt(n), with t the quantile of the noncentral t distribution.

    Raises
    ------
    ValueError
        If a share lies outside (0, 1).

    References
    ----------
    Owen, D. B. (1963), Factors for one-sided tolerance limits, Sandia SCR-607, equation 1.4.
    NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3.

    Examples
    --------
    >>> round(float(one_sided_factor(43, 0.90, 0.99)), 4)
    1.874
    """
    return _over_grid(_k1, n, content, confidence)


@lru_cache(maxsize=1024)
def _k2(n: float, content: float, confidence: float) -> float:
    from scipy.optimize import brentq
    from scipy.special import chdtrc, ndtri

    # Gauss-Legendre on z in [0, 8.5] standard errors of the mean: the integrand is smooth and even.
    nodes, weights = np.polynomial.legendre.leggauss(96)
    z = 8.5 * (nodes + 1) / 2
    density = 2 * weights * 8.5 / 2 * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    half_width = _half_widths(z / math.sqrt(n), content)

    def confidence_of(k: float) -> float:
        return float(density @ chdtrc(n - 1.0, (n - 1.0) * (half_width / k) ** 2)) - confidence

    low = 0.2 * float(ndtri((1 + content) / 2))
    high = 4 * low / 0.2
    while confidence_of(high) < 0:
        high *= 2
    while confidence_of(low) > 0:
        low /= 2
    return float(brentq(confidence_of, low, high, xtol=1e-13, rtol=1e-14))


def _half_widths(shift: Floats, content: float) -> Floats:
    """Half width r of the interval about ``shift`` that holds the share ``content`` of a standard normal."""
    from scipy.special import ndtr, ndtri

    r = np.full_like(shift, float(ndtri((1 + content) / 2))) + shift
    for _ in range(60):
        excess = ndtr(shift + r) - ndtr(shift - r) - content
        slope = (np.exp(-(shift + r) ** 2 / 2) + np.exp(-(shift - r) ** 2 / 2)) / math.sqrt(2 * math.pi)
        step = excess / slope
        r = np.maximum(r - step, r / 2)
        if np.max(np.abs(step)) < 1e-14 * float(np.max(r)):
            break
    return r


def two_sided_factor(n: ArrayLike, content: ArrayLike, confidence: ArrayLike) -> Floats:
    """Exact two-sided normal tolerance factor k2, so that mean +/- k2 sd covers the share ``content``.

    Parameters
    ----------
    n, content, confidence : array_like
        As for :func:`one_sided_factor`.

    Returns
    -------
    ndarray
        Root in k of E[P(chi2_{n-1} > (n - 1) r(Z)^2 / k^2)] = C, where Z is normal with variance 1/n and
        r(Z) solves Phi(Z + r) - Phi(Z - r) = P.

    Raises
    ------
    ValueError
        If a share lies outside (0, 1).

    References
    ----------
    Krishnamoorthy, K. and Mathew, T. (2009), Statistical Tolerance Regions, Wiley, equation 2.3.4;
    ISO 16269-6:2014.

    Examples
    --------
    >>> round(float(two_sided_factor(10, 0.95, 0.95)), 3)
    3.393
    """
    return _over_grid(_k2, n, content, confidence)


def share_beyond(distance: ArrayLike, n: int, *, level: float) -> tuple[Floats, Floats, Floats]:
    """Share of a normal population beyond a limit that lies ``distance`` sample SDs above the mean.

    Parameters
    ----------
    distance : array_like
        (limit - mean) / sd of ``n`` independent values.
    n : int
        Number of values, 2 or more.
    level : float
        Confidence level of the two-sided interval.

    Returns
    -------
    share, low, high : ndarray
        Median-unbiased share and the ends of its exact interval, by inverting the noncentral t distribution of
        distance * sqrt(n) at probabilities 1/2 and (1 -/+ level)/2.

    References
    ----------
    Owen, D. B. and Hua, T. A. (1977), Tables of confidence limits on the tail area of the normal
    distribution, Communications in Statistics B6, 285-311.
    """
    check_shares(level)
    from scipy.special import nctdtrinc, ndtr

    root = math.sqrt(n)
    t = np.clip(np.asarray(distance, dtype=np.float64) * root, -1e3, 1e3)
    tail = (1 - level) / 2
    # P(T <= t | delta) falls as delta grows, and so does the share ndtr(-delta / root).
    share, low, high = (np.asarray(ndtr(-nctdtrinc(float(n - 1), p, t) / root)) for p in (0.5, tail, 1 - tail))
    return share, low, high


def binomial_interval(x: ArrayLike, n: ArrayLike, *, level: float) -> tuple[Floats, Floats]:
    """Exact (Clopper-Pearson) two-sided interval for a share.

    Parameters
    ----------
    x, n : array_like
        Counts, 0 <= x <= n; n = 0 gives (0, 1).
    level : float
        Confidence level.

    Returns
    -------
    low, high : ndarray

    References
    ----------
    Clopper, C. J. and Pearson, E. S. (1934), Biometrika 26, 404-413.
    """
    check_shares(level)
    from scipy.special import betaincinv

    k, size = np.broadcast_arrays(np.asarray(x, float), np.asarray(n, float))
    if np.any((k < 0) | (k > size)):
        raise ValueError("counts must satisfy 0 <= x <= n")
    tail = (1 - level) / 2
    low = np.where(k > 0, betaincinv(np.maximum(k, 1), size - k + 1, tail), 0.0)
    high = np.where(k < size, betaincinv(k + 1, np.maximum(size - k, 1), 1 - tail), 1.0)
    return low, high


def binomial_upper(x: ArrayLike, n: ArrayLike, *, confidence: float) -> Floats:
    """Exact one-sided upper bound of a share, the share whose chance of ``x`` or fewer is 1 - confidence."""
    check_shares(confidence)
    from scipy.special import betaincinv

    k, size = np.broadcast_arrays(np.asarray(x, float), np.asarray(n, float))
    if np.any((k < 0) | (k > size)):
        raise ValueError("counts must satisfy 0 <= x <= n")
    return np.where(k < size, betaincinv(k + 1, np.maximum(size - k, 1), confidence), 1.0)


def nonparametric_minimum_n(content: float, confidence: float) -> int:
    """Smallest n for which the sample maximum bounds the share ``content`` with ``confidence``.

    Solves 1 - P^n >= C.

    References
    ----------
    Wilks, S. S. (1941), Annals of Mathematical Statistics 12, 91-96.

    Examples
    --------
    >>> nonparametric_minimum_n(0.90, 0.95)
    29
    """
    check_shares(content, confidence)
    return math.ceil(math.log1p(-confidence) / math.log(content) - 1e-9)


def check_shares(*shares: ArrayLike) -> None:
    """Raise ValueError unless every share lies strictly between 0 and 1."""
    for s in shares:
        a = np.asarray(s, dtype=float)
        if not np.all((a > 0) & (a < 1)):
            raise ValueError(f"shares must lie strictly between 0 and 1, not {s!r}")
