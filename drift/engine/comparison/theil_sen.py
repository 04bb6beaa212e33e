"""Theil-Sen line: median of the pairwise slopes, with the interval of Kendall's exact ranks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from drift.engine.comparison.grid import comparable
from drift.engine.comparison.pairwise import Slopes, exact_rank, middle_ranks, tied_rank


@dataclass(frozen=True)
class RobustLine:
    """A line through medians.

    Parameters
    ----------
    slope, slope_low, slope_high : float
        NaN ends where no finite interval reaches the level.
    intercept, intercept_low, intercept_high : float
    n_slopes : int
        Slopes between points that differ in x.
    ranks : tuple of two int
        Of the slopes at both ends of the interval.
    """

    slope: float
    slope_low: float
    slope_high: float
    intercept: float
    intercept_low: float
    intercept_high: float
    n_slopes: int
    ranks: tuple[int, int]


def theil_sen(x: ArrayLike, y: ArrayLike, *, level: float = 0.95,
              intercept: Literal["residuals", "medians"] = "residuals") -> RobustLine:
    """Fit y on x, which has no error, by the median of the slopes between all points.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    level : float
        The interval holds the true slope at least so often when errors are exchangeable: exactly by Kendall's
        distribution, with ties in x by its normal approximation with corrected variance. Sen's example prints the
        slopes of ranks 4 and 18 of 21 as a 93 % interval; they hold in 97 % (ranks 5 and 17 in 93 %).
    intercept : {"residuals", "medians"}
        median(y - slope x), as Conover and Passing & Bablok take it, or median(y) - slope median(x). Sen's own example
        gives 6 by the first and 4 by the second.

    Returns
    -------
    RobustLine
        The interval of the intercept belongs to the ends of the slope's.

    Raises
    ------
    ValueError
        If fewer than two points differ in x.

    References
    ----------
    Theil H (1950), Proc K Ned Akad Wet 53:386-392. Sen PK (1968), J Am Stat Assoc 63:1379-1389, equations 2.6, 4.8.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    gx, gy, noise = comparable(x, y)
    slopes = Slopes(gx, gy, noise)
    n, total = len(x), slopes.count()
    if total < 1:
        raise ValueError("no two points differ in x")
    rank = exact_rank(n, level) if total == n * (n - 1) // 2 else tied_rank(gx, total, level)
    first, second = middle_ranks(total)
    one, two, low, high = map(float, slopes.order([first, second, rank, total + 1 - rank]))
    slope = 0.5 * (one + two)

    def meets(b: float) -> float:
        if not np.isfinite(b):
            return float("nan")
        return float(np.median(y - b * x) if intercept == "residuals" else np.median(y) - b * np.median(x))

    return RobustLine(slope, low, high, meets(slope), meets(high), meets(low), total,
                      (rank, total + 1 - rank))
