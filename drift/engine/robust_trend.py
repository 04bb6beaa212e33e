"""Trend by ranks: Kendall's S of one series and of many, with exact chances, and the centre of many slopes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.comparison.pairwise import inversions_below

Floats = NDArray[np.float64]

#: Up to so many points without ties the chances of S are exact.
MOST_EXACT = 10


@dataclass(frozen=True)
class Kendall:
    """Kendall's S of a series against time.

    Parameters
    ----------
    s : int
        Pairs that rise less pairs that fall.
    variance : float
        Of S without a trend, corrected for ties.
    z : float
        With continuity correction; NaN where nothing varies.
    p, least_p : float
        Two-sided; ``least_p`` is the smallest that so many points can give at all.
    tau : float
        S over the number of pairs.
    exact : bool
    n : int
    """

    s: int
    variance: float
    z: float
    p: float
    least_p: float
    tau: float
    exact: bool
    n: int


def mann_kendall(x: ArrayLike, y: ArrayLike, *, most_exact: int = MOST_EXACT) -> Kendall:
    """Test whether y has a trend along x by Kendall's S.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    most_exact : int
        Largest n for which chances are exact; with ties, or beyond it, they are normal with the variance corrected.

    Returns
    -------
    Kendall
        p is 1 for fewer than two points, or where nothing varies.

    Notes
    -----
    S = sum sign((y_j - y_k)(x_j - x_k)); Var S = [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18 over the ties t of y, and the
    longer form where x is tied too; Z = (S - sign S)/sqrt(Var S).

    References
    ----------
    Mann HB (1945), Econometrica 13:245-259. Kendall MG (1975), Rank Correlation Methods, 4th ed., equation 4.5.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = len(x)
    first, second = np.triu_indices(n, 1)
    s = int(np.sum(np.sign(y[second] - y[first]) * np.sign(x[second] - x[first])))
    ties_x, ties_y = (np.unique(v, return_counts=True)[1].astype(float) for v in (x, y))
    variance = _variance(n, ties_x, ties_y)
    pairs = n * (n - 1) / 2
    tied = bool((ties_x > 1).any() or (ties_y > 1).any())
    if n < 2 or variance <= 0:
        return Kendall(s, 0.0, math.nan, 1.0, 1.0, math.nan if n < 2 else s / pairs, True, n)
    z = (s - math.copysign(1.0, s)) / math.sqrt(variance) if s else 0.0
    exact = n <= most_exact and not tied
    p = _exact_p(n, abs(s)) if exact else _normal_p(z)
    return Kendall(s, variance, z, p, least_p(n) if exact else _normal_p((pairs - 1) / math.sqrt(variance)), s / pairs,
                   exact, n)


def _variance(n: int, tx: Floats, ty: Floats) -> float:
    """Variance of S under exchangeability with ties in either variable (Kendall 1975, equation 4.5)."""
    if n < 2:
        return 0.0
    v0 = n * (n - 1) * (2 * n + 5)
    vx, vy = (float(np.sum(t * (t - 1) * (2 * t + 5))) for t in (tx, ty))
    v1 = float(np.sum(tx * (tx - 1))) * float(np.sum(ty * (ty - 1))) / (2 * n * (n - 1))
    v2 = 0.0
    if n > 2:
        v2 = (float(np.sum(tx * (tx - 1) * (tx - 2))) * float(np.sum(ty * (ty - 1) * (ty - 2)))
              / (9 * n * (n - 1) * (n - 2)))
    return (v0 - vx - vy) / 18 + v1 + v2


def least_p(n: int) -> float:
    """Return the smallest two-sided p that n points without ties can give: 2/n!."""
    return min(1.0, 2 / math.factorial(n)) if n < 160 else 0.0


def _exact_p(n: int, s: int) -> float:
    """P(|S| >= s) without ties."""
    q = (n * (n - 1) // 2 - s) // 2  # inversions at which S is s
    return min(1.0, 2 * float(inversions_below(n)[q]))


def _normal_p(z: float) -> float:
    return math.erfc(abs(z) / math.sqrt(2))


def pooled_kendall(series: Sequence[Kendall]) -> Kendall:
    """Add S over independent series: the test that none of them has a trend.

    Exact, by the convolution of the single distributions, where all are exact; else normal.

    References
    ----------
    Hirsch RM, Slack JR, Smith RA (1982), Water Resources Research 18:107-121, equations 7 to 10.
    """
    series = [k for k in series if k.n >= 2 and k.variance > 0]
    if not series:
        return Kendall(0, 0.0, math.nan, 1.0, 1.0, math.nan, True, 0)
    s, variance = sum(k.s for k in series), sum(k.variance for k in series)
    pairs = sum(k.n * (k.n - 1) / 2 for k in series)
    exact = all(k.exact for k in series)
    z = (s - math.copysign(1.0, s)) / math.sqrt(variance) if s else 0.0
    n = sum(k.n for k in series)
    if not exact:
        return Kendall(s, variance, z, _normal_p(z), _normal_p((pairs - 1) / math.sqrt(variance)), s / pairs, False, n)
    chances = np.ones(1)
    for k in series:
        chances = np.convolve(chances, np.diff(inversions_below(k.n), prepend=0.0))
    q = int((pairs - abs(s)) / 2)
    p = min(1.0, 2 * float(chances[: q + 1].sum()))
    return Kendall(s, variance, z, p, min(1.0, 2 * float(chances[0])), s / pairs, True, n)


def gilbert_interval(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> tuple[float, float]:
    """Interval of the median slope from the normal approximation of S, ranks interpolated.

    The form printed in guidance on environmental data; with few points the exact ranks of ``theil_sen`` hold better.

    References
    ----------
    Gilbert RO (1987), Statistical Methods for Environmental Pollution Monitoring, section 16.5.
    """
    from scipy.special import ndtri

    x, y = np.asarray(x, float), np.asarray(y, float)
    first, second = np.triu_indices(len(x), 1)
    dx = x[second] - x[first]
    slopes = np.sort((y[second] - y[first])[dx != 0] / dx[dx != 0])
    half = float(ndtri(0.5 + level / 2)) * math.sqrt(mann_kendall(x, y).variance)
    ranks = np.array([(len(slopes) - half) / 2, (len(slopes) + half) / 2 + 1])
    low, high = np.interp(ranks, np.arange(1, len(slopes) + 1), slopes, left=math.nan, right=math.nan)
    return float(low), float(high)


def sign_test(values: ArrayLike) -> tuple[int, int, float]:
    """Return how many values are negative, how many are not zero, and the exact two-sided p of equal chances."""
    from scipy.special import bdtr

    v = np.asarray(values, float)
    n, below = int(np.sum(v != 0)), int(np.sum(v < 0))
    return below, n, min(1.0, 2 * float(bdtr(min(below, n - below), n, 0.5))) if n else 1.0


def walsh_centre(values: ArrayLike, *, level: float = 0.95) -> tuple[float, float, float]:
    """Centre of a symmetric distribution: median of the means of pairs, with the interval of the signed ranks.

    Parameters
    ----------
    values : array_like, shape (n,)
    level : float

    Returns
    -------
    centre, low, high : float
        NaN ends where n is too small for the level (fewer than 6 values at 95 %).

    References
    ----------
    Hodges JL, Lehmann EL (1963), Ann Math Stat 34:598-611, equations 1.3 and 4.4.
    """
    v = np.asarray(values, float)
    n = len(v)
    first, second = np.triu_indices(n)
    walsh = np.sort((v[first] + v[second]) / 2)
    rank = _signed_rank(n, level)
    inside = rank >= 1
    return (float(np.median(walsh)), float(walsh[rank - 1]) if inside else math.nan,
            float(walsh[-rank]) if inside else math.nan)


def _signed_rank(n: int, level: float) -> int:
    """Largest rank whose Walsh averages hold the centre with at least ``level``: exact to n = 60, normal beyond."""
    if n > 60:
        from scipy.special import ndtri

        spread = float(ndtri(0.5 + level / 2)) * math.sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return math.floor(n * (n + 1) / 4 - spread)
    chances = np.ones(1)
    for k in range(1, n + 1):
        grown = np.concatenate([chances, np.zeros(k)])
        grown[k:] += chances
        chances = grown / 2
    return int(np.searchsorted(np.cumsum(chances), (1 - level) / 2 * (1 + 1e-12), side="right"))
