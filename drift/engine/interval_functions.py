"""Quantiles and tail probabilities of intervals: monotone, hence known at their ends.

A function whose freedom or level is not one number returns its whole range: that is true, and says nothing.
`scipy.special` gives the values; its relative error is below 1e-9 here, and each result is widened by that.

References
----------
Johnson NL, Kotz S, Balakrishnan N (1995). Continuous Univariate Distributions, volume 2, chapters 27 and 28.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from math import inf

from drift.engine.intervals import Interval, is_point, middle, widened

ERROR = 1e-9
SMALLEST_GAMMA = (1.4616321449683623, 0.8856031944108886)


@lru_cache(maxsize=8192)
def f_quantile(level: float, df1: float, df2: float) -> float:
    """Return the F quantile that a two-sided interval of that level uses."""
    from scipy.special import fdtri

    return float(fdtri(df1, df2, 0.5 + 0.5 * level))


@lru_cache(maxsize=8192)
def t_quantile(level: float, df: float) -> float:
    """Return the two-sided t factor of a level."""
    if df == inf:
        return z_quantile(level)
    if df <= 0:
        return inf
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + 0.5 * level))


@lru_cache(maxsize=8192)
def z_quantile(level: float) -> float:
    """Return the two-sided normal factor of a level."""
    if level >= 1.0:
        return inf
    from scipy.special import ndtri

    return float(ndtri(0.5 + 0.5 * level))


@lru_cache(maxsize=8192)
def chi_square_quantile(share: float, df: float) -> float:
    """Return the chi-square quantile at a share."""
    if df == inf:
        return inf
    from scipy.special import chdtri

    return float(chdtri(df, 1.0 - share))


@lru_cache(maxsize=8192)
def f_tail(f: float, df1: float, df2: float) -> float:
    """Return P(F > f)."""
    from scipy.special import fdtrc

    return 1.0 if f <= 0 else 0.0 if f == inf else float(fdtrc(df1, df2, f))


@lru_cache(maxsize=8192)
def t_tails(t: float, df: float) -> float:
    """Return the two-sided tail probability of t."""
    from scipy.special import ndtr, stdtr

    t = abs(t)
    if t == inf:
        return 0.0
    return float(2.0 * ndtr(-t)) if df == inf else float(2.0 * stdtr(df, -t))


@lru_cache(maxsize=8192)
def normal_share(x: float) -> float:
    """Return the standard normal distribution function."""
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def _wide(low: float, high: float) -> Interval:
    return widened(low, high, relative=ERROR)


def _as_tabled(low: float, high: float, decimals: tuple[int, ...]) -> Interval:
    """Return a range of factors with the values that tables print for its ends: 1.96, 1.645 or 1.64, 2.776."""
    ends = [round(x, d) for x in (low, high) for d in decimals if math.isfinite(x)]
    return _wide(min(low, *ends), max(high, *ends)) if ends else _wide(low, high)


def fq(level: Interval, df1: Interval, df2: Interval) -> Interval:
    """F quantile of a two-sided interval; needs one level and one pair of degrees of freedom."""
    if not (is_point(level) and is_point(df1) and is_point(df2)) or df1[0] <= 0 or df2[0] <= 0 or not 0 < level[0] < 1:
        return (0.0, inf)
    value = f_quantile(_neat(level), _neat(df1), _neat(df2))
    return _wide(value, value)


def _neat(a: Interval) -> float:
    # Degrees of freedom are whole numbers that outward rounding has blurred.
    x = middle(a)
    return float(round(x)) if abs(x - round(x)) < 1e-9 * max(1.0, abs(x)) and round(x) else x


def tq(level: Interval, df: Interval) -> Interval:
    """Two-sided t factor: grows with the level, falls with the degrees of freedom."""
    if df[1] <= 0 or level[0] <= 0 or level[1] >= 1:
        return (0.0, inf)
    return _as_tabled(t_quantile(level[0], df[1]), t_quantile(level[1], max(df[0], 0.0)), (3,))


def zq(level: Interval) -> Interval:
    """Two-sided normal factor."""
    if level[0] <= 0 or level[1] >= 1:
        return (0.0, inf)
    return _as_tabled(z_quantile(level[0]), z_quantile(level[1]), (2, 3))


def chi_upper(level: Interval, df: Interval) -> Interval:
    """Upper chi-square quantile of a two-sided interval."""
    if df[0] <= 0 or not 0 < level[0] <= level[1] < 1:
        return (0.0, inf)
    return _wide(chi_square_quantile(0.5 + 0.5 * level[0], df[0]), chi_square_quantile(0.5 + 0.5 * level[1], df[1]))


def chi_lower(level: Interval, df: Interval) -> Interval:
    """Lower chi-square quantile of a two-sided interval."""
    if df[0] <= 0 or not 0 < level[0] <= level[1] < 1:
        return (0.0, inf)
    return _wide(chi_square_quantile(0.5 - 0.5 * level[1], df[0]), chi_square_quantile(0.5 - 0.5 * level[0], df[1]))


def pf(f: Interval, df1: Interval, df2: Interval) -> Interval:
    """Tail probability of F; needs one pair of degrees of freedom."""
    if not (is_point(df1) and is_point(df2)) or df1[0] <= 0 or df2[0] <= 0:
        return (0.0, 1.0)
    a, b = _neat(df1), _neat(df2)
    return _wide(f_tail(f[1], a, b), f_tail(f[0], a, b))


def pt(t: Interval, df: Interval) -> Interval:
    """Two-sided tail probability of t: falls with its size and with the degrees of freedom."""
    from drift.engine.intervals import magnitude

    if df[1] <= 0:
        return (0.0, 1.0)
    small, large = magnitude(t)
    return _wide(t_tails(large, df[1]), t_tails(small, max(df[0], 1e-3)))


def phi(x: Interval) -> Interval:
    """Return the standard normal distribution function."""
    return _wide(normal_share(x[0]), normal_share(x[1]))


def atanh(r: Interval) -> Interval:
    """Fisher's z of a correlation."""
    def at(x: float) -> float:
        return inf if x >= 1 else -inf if x <= -1 else math.atanh(x)

    return widened(at(r[0]), at(r[1]))


def gamma_of_shape(b: Interval) -> Interval:
    """Return Gamma(1 + 1/b) of a Weibull shape; falls to its smallest value at b = 2.166, then rises to 1."""
    if b[1] <= 0:
        return (0.0, inf)
    ends = [_gamma(1.0 + 1.0 / x) if x > 0 else inf for x in (max(b[0], 0.0), b[1])]
    turn = 1.0 / (SMALLEST_GAMMA[0] - 1.0)
    low = SMALLEST_GAMMA[1] if b[0] <= turn <= b[1] else min(ends)
    return _wide(low, max(ends))


def _gamma(x: float) -> float:
    try:
        return math.gamma(x)
    except OverflowError:
        return inf


# Name in an equation: function, and how it moves with each argument (0: not monotone, or only for one number).
FUNCTIONS: dict[str, tuple[Callable[..., Interval], tuple[int, ...]]] = {
    "Fq": (fq, (0, 0, 0)), "tq": (tq, (1, -1)), "zq": (zq, (1,)), "chi_upper": (chi_upper, (1, 1)),
    "chi_lower": (chi_lower, (-1, 1)), "pF": (pf, (-1, 0, 0)), "pt": (pt, (0, -1)), "Phi": (phi, (1,)),
    "atanh": (atanh, (1,)), "gamma_of_shape": (gamma_of_shape, (0,)),
}
