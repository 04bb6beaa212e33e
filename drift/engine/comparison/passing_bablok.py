"""Passing-Bablok regression with exact arithmetic.

A slope s = dy/dx between two points is (1 + t) / (1 - t) with t = (dy - dx) / (dy + dx): the slope of differences
against sums. As s runs from just above -1 over infinity to just below -1, t runs from minus to plus infinity. The
shifted median of Passing & Bablok is therefore the plain median of t, the slopes of -1 that they leave out are those
with dy + dx = 0, and the order of the rows does not matter to it. Nor does which method is called x, but for one thing:
with an even number of slopes the published slope is the arithmetic mean of the middle two, and the mean of two
reciprocals is not the reciprocal of the mean. Swapped methods then give slopes whose product is a little below or above
1; the limits, which are single slopes, turn over exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.comparison.grid import comparable
from drift.engine.comparison.pairwise import Slopes, middle_ranks
from drift.engine.comparison.theil_sen import RobustLine

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PassingBablok:
    """A Passing-Bablok line.

    Parameters
    ----------
    line : RobustLine
    below : int
        K: slopes smaller than -1, by which the median is shifted (vertical ones belong to either end).
    exact : bool
        Whether readings were whole numbers on a decimal grid; otherwise differences below the rounding of the largest
        reading count as none.
    slopes : Slopes
        Of differences on sums.
    """

    line: RobustLine
    below: int
    exact: bool
    slopes: Slopes


def _unturned(t: float) -> float:
    """Return the slope of y on x of a slope of differences on sums; NaN past the vertical."""
    return (1 + t) / (1 - t) if t < 1 else math.nan


def rank_1983(n: int, n_slopes: int, level: float) -> int:
    """Return M1 = (N - C) / 2 rounded, C = z sqrt(n (n - 1) (2 n + 5) / 18) (Passing & Bablok 1983, p. 713).

    Other programs round down or interpolate, which moves the ends by less than the distance of neighbouring slopes.
    """
    from scipy.special import ndtri

    c = float(ndtri(0.5 + level / 2)) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    return math.floor((n_slopes - c) / 2 + 0.5)


def passing_bablok(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> PassingBablok:
    """Fit y on x when both have errors in proportion to the slope, by the shifted median of pairwise slopes.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Independent points.
    level : float

    Returns
    -------
    PassingBablok
        An end of the slope's interval that lies past the vertical, or whose rank does not exist, is NaN; so is the
        slope itself then.

    Raises
    ------
    ValueError
        If no slope is left.

    References
    ----------
    Passing H, Bablok W (1983), A new biometrical procedure for testing the equality of measurements from two different
    analytical methods, J Clin Chem Clin Biochem 21:709-720.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    gx, gy, noise = comparable(x, y)
    slopes = Slopes(gx + gy, gy - gx, noise)
    n, total = len(x), slopes.count()
    if total < 1:
        raise ValueError("no two points have a slope other than -1")
    rank = rank_1983(n, total, level)
    first, second = middle_ranks(total)
    one, two, low, high = map(float, slopes.order([first, second, rank, total + 1 - rank]))
    slope = 0.5 * (_unturned(one) + _unturned(two))
    low, high = _unturned(low), _unturned(high)
    meets = [float(np.median(y - b * x)) if math.isfinite(b) else math.nan for b in (slope, high, low)]
    line = RobustLine(slope, low, high, meets[0], meets[1], meets[2], total, (rank, total + 1 - rank))
    return PassingBablok(line, slopes.above(1.0), noise == 0, slopes)


def median_limits(residuals: ArrayLike, level: float) -> tuple[float, float]:
    """Return order statistics that hold the median with at least ``level`` (binomial); NaN with fewer than 6 points."""
    from scipy.special import bdtr

    r = np.sort(np.asarray(residuals, float))
    n = len(r)
    chance = bdtr(np.arange(n // 2 + 1), n, 0.5)
    k = int(np.searchsorted(chance, (1 - level) / 2, side="right"))  # P(fewer than k below) is small enough
    return (float(r[k - 1]), float(r[n - k])) if k >= 1 else (math.nan, math.nan)


@dataclass(frozen=True, eq=False)
class HoldingLimits:
    """Limits of slope and line that hold where errors grow with the reading too.

    Parameters
    ----------
    low, high : float
        Of the slope; NaN past the vertical or without a rank.
    centre : float
        Where a turn of the line does not move its height: minus the change of the median residual with the slope.
    median_low, median_high : float
        Of the median residual at the estimated slope (binomial order statistics).
    correlation : float
        Of the scores of slope and height.
    ranks : tuple of two int
    """

    low: float
    high: float
    centre: float
    median_low: float
    median_high: float
    correlation: float
    ranks: tuple[int, int]


LEAST_FOR_SCORES = 10
FINE = float(2.0**-40)  # share of the readings below which distances from a line are equal


def holding_limits(x: ArrayLike, y: ArrayLike, found: PassingBablok, *, level: float = 0.95) -> HoldingLimits:
    """Widen the ranks of 1983 where the scores of the points scatter more than exchangeable errors allow.

    The interval of 1983 takes Kendall's variance, which supposes that deviations from the line are exchangeable; with
    a constant coefficient of variation over a twentyfold range it holds in 0.90, whatever n. Here C is the larger of
    that and t(n - 2) times the SD of Kendall's sum estimated from each point's own score (n >= 10).

    Notes
    -----
    With a_ij the sign of concordance of run and deviation, h_i its sum over j: Var = sum h_i^2 - number of pairs, which
    has the mean n (n - 1) (2 n + 5) / 18 when points are exchangeable.

    References
    ----------
    Passing H, Bablok W (1983), J Clin Chem Clin Biochem 21:709-720. Hoeffding W (1948), A class of statistics with
    asymptotically normal distribution, Ann Math Stat 19:293-325, equation 5.13.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    line, n = found.line, len(x)
    gx, gy, _ = comparable(x, y)
    turned = (line.slope - 1) / (line.slope + 1)
    residual = y - line.slope * x
    # The two points behind a median slope lie equally far from the line: a tie, which rounding must not break.
    fine = FINE * float(np.max(np.abs(gx) + np.abs(gy)))
    scores, pairs = concordance(np.rint((gx + gy) / fine), np.rint(((gy - gx) - turned * (gx + gy)) / fine))
    low, high, rank = line.slope_low, line.slope_high, line.ranks[0]
    if n >= LEAST_FOR_SCORES:
        from scipy.special import stdtrit

        own = float(stdtrit(n - 2, 0.5 + level / 2)) * math.sqrt(max(float(np.sum(scores**2)) - pairs, 0.0))
        wider = math.floor((line.n_slopes - own) / 2 + 0.5)
        if wider < rank:
            rank = wider
            ends = found.slopes.order([rank, line.n_slopes + 1 - rank])
            low, high = _unturned(float(ends[0])), _unturned(float(ends[1]))
    centre = float(np.mean(x))
    if high > low:
        centre = (float(np.median(y - low * x)) - float(np.median(y - high * x))) / (high - low)
    signs = np.sign(np.rint((residual - line.intercept) / (FINE * float(np.max(np.abs(x) + np.abs(y))))))
    size = math.sqrt(float(np.sum(scores**2)) * float(np.sum(signs**2)))
    below, above = median_limits(residual, level)
    return HoldingLimits(low, high, centre, below, above, float(scores @ signs) / size if size > 0 else 0.0,
                         (rank, line.n_slopes + 1 - rank))


def concordance(run: FloatArray, deviation: FloatArray) -> tuple[FloatArray, int]:
    """Return each point's sum of signs of concordance with all others, and the number of pairs without a tie."""
    n = len(run)
    out, untied = np.empty(n), 0
    kind: type[np.integer[Any]] = np.int16 if n < 2**15 else np.int32  # ranks compare faster than readings
    x, y = (np.asarray(np.unique(v, return_inverse=True)[1].reshape(-1), dtype=kind) for v in (run, deviation))
    step = max(1, 4_000_000 // n)
    for i in range(0, n, step):
        a, b = x[i:i + step, None], y[i:i + step, None]
        after, before, over, under = x > a, x < a, y > b, y < b
        same = np.count_nonzero(after & over, axis=1) + np.count_nonzero(before & under, axis=1)
        apart = np.count_nonzero(after & under, axis=1) + np.count_nonzero(before & over, axis=1)
        out[i:i + step] = same - apart
        untied += int(same.sum() + apart.sum())
    return out, untied // 2


def value_limits(line: RobustLine, limits: HoldingLimits, at: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return limits of the line's value at x = ``at``, put together from slope and height by MOVER.

    The slope turns the line about ``limits.centre``; its height there has the interval of the median residual. The
    correlation of their scores enters, but no end lies nearer than that of the wider part alone.

    References
    ----------
    Zou GY, Donner A (2008), Construction of confidence limits about effect measures, Stat Med 27:1693-1702.
    """
    at = np.asarray(at, float)
    down, up = line.intercept - limits.median_low, limits.median_high - line.intercept
    p = at - limits.centre
    less, more = line.slope - limits.low, limits.high - line.slope
    fall, rise = np.where(p >= 0, less * p, -more * p), np.where(p >= 0, more * p, -less * p)
    r = limits.correlation * np.sign(p)
    fit = line.intercept + line.slope * at
    return fit - _together(down, fall, r), fit + _together(up, rise, r)


def _together(one: float, other: FloatArray, r: FloatArray) -> FloatArray:
    return np.maximum(np.sqrt(np.maximum(one**2 + other**2 + 2 * r * one * other, 0.0)), np.maximum(one, other))


def linearity(x: ArrayLike, y: ArrayLike, slope: float, intercept: float) -> tuple[float, float, int]:
    """Test by the cumulative sum of signs whether the points follow a straight line, as published in 1983.

    The p is that of the Kolmogorov-Smirnov distribution, which the sum does not have: the signs are those about a line
    fitted to the same points, and with as many above as below a bridge of n signs has the variance n, not the n / 2 + 1
    it is divided by. Of straight lines through 50 points it rejects one in eleven at 5 %;
    ``drift.engine.comparison.straightness`` gives a p that holds.

    Points are ordered by their position along the line (y + x / slope); those above count sqrt(below / above), those
    below -sqrt(above / below), those on it nothing. The largest absolute sum over sqrt(below + 1) is compared with the
    Kolmogorov-Smirnov distribution.

    Returns
    -------
    statistic, p, off : float, float, int
        Largest |sum| / sqrt(below + 1), its probability under a straight line, points off the line.

    References
    ----------
    Passing H, Bablok W (1983), J Clin Chem Clin Biochem 21:709-720, section "test for linearity".
    """
    from scipy.special import kolmogorov

    x, y = np.asarray(x, float), np.asarray(y, float)
    gap = y - intercept - slope * x
    small = 64 * np.finfo(float).eps * max(float(np.max(np.abs(y))), float(np.max(np.abs(slope * x))), 1e-300)
    above, below = int(np.sum(gap > small)), int(np.sum(gap < -small))
    if above == 0 or below == 0:
        return math.nan, math.nan, above + below
    score = np.where(gap > small, math.sqrt(below / above), np.where(gap < -small, -math.sqrt(above / below), 0.0))
    order = np.lexsort((x, y + x / slope if slope else x))
    largest = float(np.max(np.abs(np.cumsum(score[order]))))
    statistic = largest / math.sqrt(below + 1)
    return statistic, float(kolmogorov(statistic)), above + below
