"""Tails of the normal and t distributions for commands that must answer at once.

Importing ``scipy.special`` takes a third of a second of processor time, a third of what ``drift today`` takes from a
cold start, for a few hundred values. These give the same values to rounding error (tests hold them to scipy's); where
scipy is loaded already, or very many values are asked for, it is used.
"""

from __future__ import annotations

import math
import sys
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
FEW = 100_000
_ROOT_HALF = math.sqrt(0.5)
_erfc = np.frompyfunc(math.erfc, 1, 1)


def ndtr(values: ArrayLike) -> Any:
    """Return the standard normal distribution function, of an array or of one number."""
    x = np.asarray(values, dtype=np.float64)
    if "scipy.special" in sys.modules or x.size > FEW:
        from scipy.special import ndtr as quick

        return quick(x)
    return np.asarray(_erfc(-_ROOT_HALF * x), dtype=np.float64) / 2


def ndtri(p: float) -> float:
    """Return the standard normal quantile of one probability."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(p) if 0 < p < 1 else math.copysign(math.inf, p - 0.5)


def t_tail(df: float, t: float) -> float:
    """Return the probability that a t variable exceeds ``t``; accurate relative to itself however small.

    References
    ----------
    NIST Digital Library of Mathematical Functions, 8.17.22 (continued fraction of the incomplete beta function).
    """
    if not (math.isfinite(t) and math.isfinite(df)):
        return 0.5 * math.erfc(t * _ROOT_HALF) if math.isfinite(t) else 0.0 if t > 0 else 1.0
    x = df / (df + t * t)
    half = 0.5 * _beta_share(df / 2, 0.5, x)
    return half if t >= 0 else 1 - half


def _beta_share(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta_share(b, a, 1 - x)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)) / a
    # Convergents from the front, each fraction kept away from zero (Lentz's way).
    tiny = 1e-300
    c, d = 1.0, 1 / max(1 - (a + b) * x / (a + 1), tiny)
    value = d
    for m in range(1, 1000):
        for up in (m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
                   -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))):
            d, c = 1 + up * d, 1 + up / c
            d = 1 / (d if abs(d) > tiny else tiny)
            c = c if abs(c) > tiny else tiny
            value *= c * d
        if abs(c * d - 1) < 1e-16:
            break
    return front * value


@cache
def t_quantile_above(df: float, tail: float) -> float:
    """Return the t value that is exceeded with probability ``tail``, below one half."""
    low, high = 0.0, 1.0
    while t_tail(df, high) > tail:
        low, high = high, 2 * high
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if t_tail(df, middle) > tail else (low, middle)
        if high - low <= 1e-14 * high:
            break
    return (low + high) / 2
