"""Nonparametric limits of agreement: quantiles of differences with intervals that assume no shape.

With one pair per target the interval is that of order statistics. Where pairs share targets or sensors the same
interval is taken at an effective number of pairs, the number of independent pairs that would tell as much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def quantile_interval(values: ArrayLike, probability: float, level: float) -> tuple[float, float, float]:
    """Sample quantile at (n + 1) p with its binomial order-statistic interval.

    Parameters
    ----------
    values : array, shape (n,)
    probability, level : float

    Returns
    -------
    value, low, high : float
        An end is NaN when no order statistic reaches the confidence (n too small for this quantile).

    References
    ----------
    Conover (1999), Practical Nonparametric Statistics, section 3.2; Bland & Altman (1999), section 4.
    """
    from scipy import special

    x = np.sort(np.asarray(values, float))
    n, tail = len(x), 0.5 - level / 2
    value = float(np.quantile(x, probability, method="weibull"))
    below = special.bdtr(np.arange(n), n, probability)  # P(at most j of n lie below the quantile)
    ranks = np.nonzero(below <= tail)[0]
    low = float(x[ranks[-1]]) if len(ranks) else np.nan
    reach = np.nonzero(below >= 1 - tail)[0]
    high = float(x[reach[0]]) if len(reach) else np.nan
    return value, low, high


def pairs_needed(probability: float, level: float) -> int:
    """Return the pairs from which the outer end of a two-sided interval of a quantile is a reading, not infinity.

    The smallest n with ``(1 - p)^n <= (1 - level) / 2`` for the nearer tail p; 146 for the 2.5 % quantile at 95 %.

    Examples
    --------
    >>> pairs_needed(0.025, 0.95)
    146
    """
    tail = min(probability, 1 - probability)
    return math.ceil(round(math.log(0.5 - level / 2) / math.log1p(-tail), 9))


@dataclass(frozen=True, eq=False)
class SharedQuantiles:
    """Differences that share targets or sensors, ordered, with the number of independent pairs they are worth.

    Parameters
    ----------
    values : array, shape (n_pairs,)
        Ascending.
    share : array, shape (n_pairs,)
        Weight of the values up to each one, in all.
    effective : float
        Independent pairs that would tell as much about a limit; at most ``n_pairs``.
    """

    values: FloatArray
    share: FloatArray
    effective: float

    def at(self, probability: float) -> float:
        """Return the weighted quantile, with one pair per target that at (n + 1) p."""
        n = len(self.values)
        return float(np.interp(probability, self.share * n / (n + 1.0), self.values))

    def interval(self, probability: float, level: float) -> tuple[float, float]:
        """Return the binomial interval at the effective number; an end is NaN where no value reaches it."""
        tail = 0.5 - level / 2
        low = np.nonzero(self._falls_short(self.share, probability) <= tail)[0]
        beyond = 1.0 - np.append(0.0, self.share[:-1])
        high = np.nonzero(self._falls_short(beyond, 1 - probability) <= tail)[0]
        return (float(self.values[low[-1]]) if len(low) else math.nan,
                float(self.values[high[0]]) if len(high) else math.nan)

    def _falls_short(self, share: FloatArray, probability: float) -> FloatArray:
        """Probability that fewer of the effective pairs lie below the quantile than this share of them."""
        from scipy import special

        # Less than one effective pair counts as one: nothing lies safely beyond the last one.
        rank = np.maximum(self.effective * share, 1.0)
        return np.asarray(special.betainc(np.maximum(self.effective - rank + 1, 1e-12), rank, 1 - probability), float)


def shared_quantiles(values: ArrayLike, codes: Sequence[ArrayLike], *, probability: float = 0.025,
                     level: float = 0.95) -> SharedQuantiles:
    """Order differences that share the levels of one or two factors and find what they are worth.

    Parameters
    ----------
    values : array, shape (n_pairs,)
    codes : sequence of one or two integer arrays
        Levels of what repeats. With one factor every level weighs the same, with two every pair does.
    probability, level : float
        Of the limits that are wanted.

    Returns
    -------
    SharedQuantiles

    Notes
    -----
    The variance of the share of values at or below a limit is estimated from the levels (Woodruff 1952), with two
    factors by adding both and taking off that of the cells (Cameron, Gelbach & Miller 2011), there also at twice the
    probability, as few levels make the tail alone too sure. The largest ratio to the binomial variance divides the
    number of pairs, which is further multiplied by the squared ratio of normal and t quantile for the number of levels
    (Korn & Graubard 1998).

    References
    ----------
    Woodruff RS (1952). JASA 47:635-646. Korn EL, Graubard BI (1998). Survey Methodology 24:193-201. Cameron AC,
    Gelbach JB, Miller DL (2011). J Business & Economic Statistics 29:238-249, equation 2.11.
    """
    from scipy import special

    d = np.asarray(values, float)
    labels = [np.unique(np.asarray(c), return_inverse=True)[1].reshape(-1) for c in codes]
    n = len(d)
    weight = 1.0 / np.bincount(labels[0])[labels[0]] if len(labels) == 1 else np.ones(n)
    weight = weight / weight.sum()
    order = np.argsort(d, kind="stable")
    share = np.cumsum(weight[order])
    levels = min(len(np.unique(c)) for c in labels)
    worst = 1.0
    tails = (probability, 2 * probability) if len(labels) == 2 else (probability,)
    for p in (q for tail in tails for q in (tail, 1 - tail)):
        inside = (d <= d[order][min(int(np.searchsorted(share, p - 1e-12)), n - 1)]).astype(float)
        mean = float(weight @ inside)
        score = weight * (inside - mean)
        variance = sum(_between(score, c) for c in labels)
        if len(labels) == 2:
            cell = labels[0] * (int(labels[1].max()) + 1) + labels[1]
            variance = max(variance - _between(score, np.unique(cell, return_inverse=True)[1].reshape(-1)),
                           *(_between(score, c) for c in labels))
        if 0 < mean < 1:
            worst = max(worst, n * variance / (mean * (1 - mean)))
    normal, student = special.ndtri(0.5 + level / 2), special.stdtrit(levels - 1.0, 0.5 + level / 2)
    return SharedQuantiles(d[order], share, n / worst * (normal / student) ** 2)


def _between(score: FloatArray, code: NDArray[np.int64]) -> float:
    """Variance of a sum of scores from their sums over the levels of a factor."""
    sums = np.bincount(code, weights=score)
    k = len(sums)
    return float(np.sum(sums**2)) * k / (k - 1.0)
