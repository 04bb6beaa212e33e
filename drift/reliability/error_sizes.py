"""What one measure of error is, and the parts that all of them are made from."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from drift.engine.error_variance import (
    agreement_interval,
    consistency_interval,
    mean_interval,
    ratio_interval,
    sum_interval,
)
from drift.engine.fixed_levels import fixed_spread_interval
from drift.engine.meansquares import Interval, chi_square_sd
from drift.reliability.components import NO_INTERVAL, Components

# Two readings of one target differ by less than this many SEMs in 95 % of pairs.
CHANGE = 1.959963984540054 * math.sqrt(2.0)

Kind = Literal["agreement", "consistency"]
Reading = Literal["one", "levels", "replicates"]

MLS = "modified large-sample interval"
FIXED = "interval combined from those of the fixed offsets and of the noise (MOVER)"


@dataclass(frozen=True, kw_only=True)
class ErrorSize:
    """One measure of error.

    Parameters
    ----------
    name : str
        Name of the estimate, without what is averaged.
    value, low, high : float
        NaN at an end that has no bound.
    method : str
    percent, ratio : bool
        A figure in per cent, or a pure ratio; otherwise it is in the reading's own unit.
    reading : {"one", "levels", "replicates"}
        What the error belongs to: one reading, the mean over ``of`` facet levels, or of ``of`` replicates of a cell.
    of : int
        Number of readings in the mean.
    when : str
        Which situation the figure belongs to.
    """

    name: str
    value: float
    low: float
    high: float
    method: str
    percent: bool = False
    ratio: bool = False
    reading: Reading = "one"
    of: int = 1
    when: str = ""

    def unit(self, own: str) -> str:
        """Return the unit of the figure; ``own`` is that of the reading."""
        return "%" if self.percent else "" if self.ratio else own


def around(value: float, ends: Interval) -> Interval:
    """Widen an interval to hold the estimate.

    Where a facet variance was set to 0, or REML and mean squares differ, the interval of the unbiased sum may stop
    short of the estimate.
    """
    return (min(ends[0], value), max(ends[1], value)) if math.isfinite(ends[0]) else ends


def root(ends: Interval) -> Interval:
    """Return the interval of a standard deviation from that of its variance."""
    return math.sqrt(max(ends[0], 0.0)), math.sqrt(max(ends[1], 0.0)) if math.isfinite(ends[1]) else ends[1]


def sem(parts: Components, kind: Kind, level: float, mean_of: int = 1) -> tuple[float, Interval, str]:
    """Return an SEM with its interval and method; ``mean_of`` replicates of a cell are averaged."""
    v = parts.variances
    variance = v["interaction"] + v["residual"] / mean_of + (v["facet"] if kind == "agreement" else 0.0)
    value, p = math.sqrt(variance), parts.pivots
    if p is None:
        return _without_pivots(parts, kind, value, level)
    if kind == "agreement" and parts.fixed:
        spread = parts.intervals.get("facet") or fixed_spread_interval(p, level)
        noise = consistency_interval(p, level, mean_of=mean_of)
        ends = sum_interval((v["facet"], variance - v["facet"]), (spread, noise))
        return value, around(value, root(ends)), f"{parts.method}, {FIXED}"
    if kind == "consistency" and (not p.df_within or 1 / mean_of <= p.inverse_m + 1e-12):
        size = chi_square_sd(p.ss_inner / p.df_inner, p.df_inner, level)
        exact = not (p.df_within and parts.squares is None)
        return value, around(value, size), f"{parts.method}, {'exact ' if exact else ''}chi-square interval"
    ends = (agreement_interval if kind == "agreement" else consistency_interval)(p, level, mean_of=mean_of)
    return value, around(value, root(ends)), f"{parts.method}, {MLS}"


def _without_pivots(parts: Components, kind: Kind, value: float, level: float) -> tuple[float, Interval, str]:
    """Nothing is left but the facet: its mean square carries the agreement SEM, and consistency has no interval."""
    s = parts.squares
    if kind == "consistency" or s is None or parts.fixed or parts.variances["residual"] > 0 or not s.ms_facet > 0:
        return value, NO_INTERVAL, f"{parts.method}, no interval"
    return (value, around(value, chi_square_sd(s.ms_facet / (s.n * s.m), s.df[1], level)),
            f"{parts.method}, chi-square interval")


def mean_of_all(parts: Components, level: float) -> Interval:
    """T interval of the grand mean; targets are a sample, and so are facet levels unless they are fixed."""
    counts, v = parts.design.counts, parts.variances
    n, k = counts.shape
    total = float(counts.sum())
    by_target, by_facet = counts.sum(axis=1) / total, counts.sum(axis=0) / total
    scatter = v["interaction"] * float(((counts / total) ** 2).sum()) + v["residual"] / total
    of_targets = (v["target"] * float(by_target @ by_target) + scatter, n - 1)
    of_facet = (0.0 if parts.fixed else v["facet"] * float(by_facet @ by_facet), k - 1)
    return mean_interval(parts.mean, (of_targets, of_facet), level)


def in_percent(size: ErrorSize, mean: float, mean_ends: Interval) -> ErrorSize:
    """Return a size in percent of the mean reading; the mean's own uncertainty is in the interval."""
    low, high = ratio_interval(size.value, (size.low, size.high), mean, mean_ends)
    how = "in percent of the mean reading, whose own interval is combined with it (MOVER)"
    return replace(size, name=f"{size.name}, percent", value=100 * size.value / mean, low=100 * low, high=100 * high,
                   method=f"{size.method}; {how}", percent=True)
