"""Intervals of error variances of a crossed layout: sums of expected mean squares, the grand mean, and their ratio.

With the reduced sums of squares of :class:`~drift.engine.pivotal.Pivots` (S_f of facet levels with targets absorbed,
S_i of cell means about the additive model, S_w within cells) and w the mean weight of the facet levels,

    E[S_f / df_f] = inner + w * facet,    E[S_i / df_i] = inner = interaction + within / m,    E[S_w / df_w] = within,

so that every error variance is a sum of these three with weights of at least zero, and has a modified large-sample
interval. Complete tables give the textbook weights (w = n); with missing cells S_f is treated as a multiple of a
chi-square although its weights differ a little.

References
----------
Graybill FA, Wang CM (1980). Confidence intervals on nonnegative linear combinations of variances. Journal of the
    American Statistical Association 75:869-873.
Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Dekker, sections 3.2 and 6.
Zou GY, Donner A (2008). Construction of confidence limits about effect measures: a general approach. Statistics in
    Medicine 27:1693-1702 (limits of a sum or difference from those of its terms).
"""

from __future__ import annotations

import math

from drift.engine.meansquares import Interval, mls_sum
from drift.engine.pivotal import Pivots


def agreement_interval(p: Pivots, level: float, *, mean_of: int = 1) -> Interval:
    """Interval of facet + interaction + within / ``mean_of``, the square of the agreement SEM.

    ``mean_of`` readings of one cell are averaged; it must not exceed the harmonic mean number of readings a cell.
    """
    weight = _mean_weight(p)
    squares = [float(p.facet_squares.sum()) / p.df_facet]
    return _sum(p, [1 / weight, 1 - 1 / weight], squares, [p.df_facet], level, mean_of)


def consistency_interval(p: Pivots, level: float, *, mean_of: int = 1) -> Interval:
    """Interval of interaction + within / ``mean_of``, the square of the consistency SEM; exact without replicates."""
    return _sum(p, [1.0], [], [], level, mean_of)


def within_interval(p: Pivots, level: float) -> Interval:
    """Interval of the mean square of all readings of a target about their mean, whatever the facet level.

    The sum of squares is that of the facet plus what is left inside; each has its own expectation, so their pooled
    mean square has a modified large-sample interval (exact weights in complete tables).
    """
    squares = [float(p.facet_squares.sum()) / p.inverse_m, p.ss_inner / p.inverse_m, p.ss_within]
    df = [p.df_facet, p.df_inner, p.df_within]
    used = [i for i in range(3) if df[i] > 0]
    return mls_sum([squares[i] / df[i] for i in used], [df[i] for i in used], [df[i] / sum(df) for i in used], level)


def _mean_weight(p: Pivots) -> float:
    """Mean coefficient of the facet variance; a complete table holds it once."""
    return float(p.facet_weights.mean())


def _sum(p: Pivots, weights: list[float], squares: list[float], df: list[int], level: float,
         mean_of: int) -> Interval:
    squares, df = [*squares, p.ss_inner / p.df_inner], [*df, p.df_inner]
    share = 1 / mean_of - p.inverse_m
    if p.df_within and share > 1e-12:
        squares, df, weights = [*squares, p.ss_within / p.df_within], [*df, p.df_within], [*weights, share]
    return mls_sum(squares, df, [max(w, 0.0) for w in weights], level)


def mean_interval(mean: float, parts: tuple[tuple[float, float], ...], level: float) -> Interval:
    """T interval of a grand mean whose variance is a sum of independent parts.

    Parameters
    ----------
    mean : float
    parts : tuple of (variance of the mean, degrees of freedom)
        Their sum is the variance of the mean; its degrees of freedom are Satterthwaite's.
    level : float
    """
    from scipy.special import stdtrit

    total = sum(v for v, _ in parts)
    if not total > 0:
        return mean, mean
    df = total**2 / sum(v**2 / d for v, d in parts)
    half = float(stdtrit(df, 0.5 + level / 2)) * math.sqrt(total)
    return mean - half, mean + half


def sum_interval(values: tuple[float, float], ends: tuple[Interval, Interval]) -> Interval:
    """Limits of a sum of two from the limits of each (Zou & Donner 2008, equation 4); at least zero."""
    low = math.hypot(*(max(x - e[0], 0.0) for x, e in zip(values, ends, strict=True)))
    high = math.hypot(*(max(e[1] - x, 0.0) for x, e in zip(values, ends, strict=True)))
    return max(sum(values) - low, 0.0), sum(values) + high


def ratio_interval(top: float, top_ends: Interval, bottom: float, bottom_ends: Interval) -> Interval:
    """Limits of ``top / bottom`` from the limits of each, combined on the log scale (Zou & Donner 2008).

    NaN at the upper end where the interval of ``bottom`` reaches zero: the ratio then has no upper bound.
    """
    (low, high), (under, over) = top_ends, bottom_ends
    if not (math.isfinite(low) and math.isfinite(high) and bottom > 0 and top > 0):
        return math.nan, math.nan
    value, drop = top / bottom, math.log(over / bottom)
    below = value * math.exp(-math.hypot(math.log(top / low), drop)) if low > 0 else 0.0
    if not under > 0:
        return below, math.nan
    return below, value * math.exp(math.hypot(math.log(high / top), math.log(bottom / under)))
