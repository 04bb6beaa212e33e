"""Trend by ranks: Kendall's S of one series, of strata and of many, with exact chances, and the centre of slopes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.comparison.theil_sen import theil_sen
from drift.engine.order_chances import order_chances, rank_inside, together, two_sided

Floats = NDArray[np.float64]

#: Up to so many points the chances of S are exact, with ties of the values or without.
MOST_EXACT = 40
#: Up to so many pairs the chances of S added up over series are exact.
MOST_PAIRS = 20_000


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
        Two-sided; ``least_p`` is the smallest that so many points, tied like these, can give at all.
    tau : float
        S over the number of pairs.
    exact : bool
    n : int
    pairs : float
        Compared, ties included.
    chances : array or None
        Of inversions, where exact: S is the last index less twice the index.
    """

    s: int
    variance: float
    z: float
    p: float
    least_p: float
    tau: float
    exact: bool
    n: int
    pairs: float = 0.0
    chances: Floats | None = field(default=None, repr=False, compare=False)


def mann_kendall(x: ArrayLike, y: ArrayLike, *, most_exact: int = MOST_EXACT) -> Kendall:
    """Test whether y has a trend along x by Kendall's S.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    most_exact : int
        Largest n for which chances are exact: those of all orders of these values, ties kept. Beyond it, and where x
        is tied as well, they are normal with the variance corrected.

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
    if n < 2 or variance <= 0:
        return Kendall(s, 0.0, math.nan, 1.0, 1.0, math.nan if n < 2 else s / pairs, True, n, pairs)
    if n <= most_exact and not bool((ties_x > 1).any()):
        chances = order_chances(tuple(sorted(int(t) for t in ties_y)))
        return _exact(s, variance, chances, pairs, n)
    most = _untied(pairs, ties_x, ties_y)
    return Kendall(s, variance, _z(s, variance), _normal_p(_z(s, variance)), _normal_p(_z(most, variance)), s / pairs,
                   False, n, pairs)


def _exact(s: int, variance: float, chances: Floats, pairs: float, n: int) -> Kendall:
    return Kendall(s, variance, _z(s, variance), two_sided(chances, s), two_sided(chances, len(chances) - 1),
                   s / pairs, True, n, pairs, chances)


def _z(s: float, variance: float) -> float:
    return (s - math.copysign(1.0, s)) / math.sqrt(variance) if s else 0.0


def _untied(pairs: float, tx: Floats, ty: Floats) -> float:
    """Return the most that S can be, or a little more where both are tied."""
    return pairs - max(float(np.sum(t * (t - 1) / 2)) for t in (tx, ty))


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
    pairs = sum(k.pairs for k in series)
    n = sum(k.n for k in series)
    each = [k.chances for k in series if k.chances is not None]
    if len(each) == len(series) and sum(len(c) for c in each) <= MOST_PAIRS:
        return _exact(s, variance, together(each), pairs, n)
    return Kendall(s, variance, _z(s, variance), _normal_p(_z(s, variance)), _normal_p(_z(pairs, variance)), s / pairs,
                   False, n, pairs)


@dataclass(frozen=True)
class StratifiedTrend:
    """Median slope of pairs within strata, its interval, and Kendall's S of the same pairs.

    Parameters
    ----------
    slope, low, high : float
        NaN where no pair differs in x, or no finite interval reaches the level.
    pairs : int
    kendall : Kendall
    """

    slope: float
    low: float
    high: float
    pairs: int
    kendall: Kendall


def stratified_trend(x: ArrayLike, y: ArrayLike, stratum: ArrayLike, *, level: float = 0.95) -> StratifiedTrend:
    """Trend of one series whose strata have offsets of their own: only pairs within a stratum are compared.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    stratum : array_like, shape (n,)
        Such as the calibration under which each value was displayed. An offset of a stratum cancels in each pair, so
        that nothing has to be estimated, and orders are exchangeable within strata.
    level : float

    Returns
    -------
    StratifiedTrend
        With one stratum the Theil-Sen slope and Kendall's test.

    Notes
    -----
    S is summed over strata with its exact distribution; the interval holds the slopes b for which that test does not
    reject y - b x, by the ranks of the pairs.

    References
    ----------
    Hirsch RM, Slack JR, Smith RA (1982), Water Resources Research 18:107-121. Sen PK (1968), J Am Stat Assoc
    63:1379-1389, section 4 (ranks of slopes from the distribution of S).
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    code = np.unique(np.asarray(stratum), return_inverse=True)[1]
    parts = [np.flatnonzero(code == k) for k in range(int(code.max()) + 1 if len(code) else 0)]
    kendall = [mann_kendall(x[rows], y[rows]) for rows in parts]
    if len(parts) == 1:
        if len(np.unique(x)) < 2:
            return StratifiedTrend(math.nan, math.nan, math.nan, 0, kendall[0])
        line = theil_sen(x, y, level=level)
        return StratifiedTrend(line.slope, line.slope_low, line.slope_high, line.n_slopes, kendall[0])
    slopes = np.sort(np.concatenate([_slopes(x[rows], y[rows]) for rows in parts] or [np.zeros(0)]))
    pooled = replace(pooled_kendall(kendall), n=len(x))
    if not len(slopes):
        return StratifiedTrend(math.nan, math.nan, math.nan, 0, pooled)
    untied = together([order_chances((1,) * len(rows)) for rows in parts])
    rank = rank_inside(untied, level) if len(untied) - 1 == len(slopes) else 0  # x tied within a stratum: no interval
    low, high = (float(slopes[rank - 1]), float(slopes[-rank])) if rank >= 1 else (math.nan, math.nan)
    return StratifiedTrend(float(np.median(slopes)), low, high, len(slopes), pooled)


def _slopes(x: Floats, y: Floats) -> Floats:
    first, second = np.triu_indices(len(x), 1)
    dx = x[second] - x[first]
    return np.asarray((y[second] - y[first])[dx != 0] / dx[dx != 0])


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
    rank = signed_rank(n, level)
    inside = rank >= 1
    return (float(np.median(walsh)), float(walsh[rank - 1]) if inside else math.nan,
            float(walsh[-rank]) if inside else math.nan)


def signed_rank(n: int, level: float) -> int:
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
