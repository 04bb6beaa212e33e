"""Rows of the table of limits: the plain limits, and those on the scale of ratios and of percent beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.agreement.pairs import Group
from drift.agreement.structure import Analysis, Structure, analyse
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    limits,
    lower_limit_bound,
    mean_interval,
    normal_cdf,
    two_sided_factor,
    upper_limit_bound,
)

LOWER, UPPER, BIAS = "lower limit", "upper limit", "bias"
PLAIN, TOGETHER, RATIO, PERCENT = "plain", "both limits together", "ratio (log scale)", "percent of mean"
REGRESSION, NONPARAMETRIC = "regression on mean", "nonparametric"
CONSTANT_SD = "regression on mean, constant SD"
NO_SPREAD = 1e-9  # SD of log ratios, or share of 100 %, below which what is left is rounding
SCALES = {RATIO: "log", PERCENT: "percent"}


@dataclass(frozen=True, kw_only=True)
class LimitRow:
    """One line of the table of limits; ``at`` is the mean reading it holds at (NaN: everywhere)."""

    variant: str
    limit: str
    value: float
    low: float = math.nan
    high: float = math.nan
    unit: str = ""
    at: float = math.nan
    method: str = ""


def interval_words(strata: Strata) -> str:
    """Name the interval of a limit."""
    return ("exact noncentral t" if strata.exact
            else "MOVER from mean squares (Zou 2013), t for the mean")


def limit_rows(strata: Strata, level: float, *, variant: str, unit: str, multiplier: float = MULTIPLIER,
               ratio: bool = False, method: str = "") -> list[LimitRow]:
    """Lower and upper limit with their intervals; ``ratio`` turns logs back to ratios a / b."""
    low, high = limits(strata, multiplier=multiplier)
    tail = 0.5 - level / 2
    back = math.exp if ratio else float
    rows = []
    for name, value, bound in ((LOWER, low, lower_limit_bound), (UPPER, high, upper_limit_bound)):
        rows.append(LimitRow(variant=variant, limit=name, value=back(value), unit=unit,
                             low=back(bound(strata, tail, multiplier=multiplier)),
                             high=back(bound(strata, 1 - tail, multiplier=multiplier)),
                             method=method or interval_words(strata)))
    return rows


def joint_rows(strata: Strata, level: float, unit: str, *, multiplier: float = MULTIPLIER) -> list[LimitRow]:
    """Intervals that hold for both limits together, and tolerance limits.

    Exact two-sided factors for one stratum (Carkeet 2015). With several strata the bounds of each limit are
    taken at half the error (Bonferroni); the outer ones are then tolerance limits too, as they hold both limits.
    """
    m, (low, high) = strata.mean, limits(strata, multiplier=multiplier)
    tail = 0.5 - level / 2
    if strata.exact:
        n, df = 1.0 / float(strata.of_mean[0]), float(strata.df[0])
        content = 2 * float(normal_cdf(multiplier)) - 1
        inner, outer, hold = (two_sided_factor(n, content, q, df=df) * strata.sd for q in (tail, 1 - tail, level))
        below, above, held = (m - outer, m - inner), (m + inner, m + outer), (m - hold, m + hold)
        how = "exact two-sided factor"
    else:
        low_at, high_at = ([f(strata, q, multiplier=multiplier) for q in (tail / 2, tail, 1 - tail / 2, 1 - tail)]
                           for f in (lower_limit_bound, upper_limit_bound))
        below, above, held = (low_at[0], low_at[2]), (high_at[0], high_at[2]), (low_at[1], high_at[3])
        how = "MOVER, error split over both limits"
    rows = []
    for name, value, ends in ((LOWER, low, below), (UPPER, high, above)):
        rows.append(LimitRow(variant=TOGETHER, limit=name, value=value, low=ends[0], high=ends[1], unit=unit,
                             method=how))
    for name, value in ((LOWER, held[0]), (UPPER, held[1])):
        rows.append(LimitRow(variant=f"tolerance limits, {level:.0%} confidence", limit=name, value=value, unit=unit,
                             method=f"{how}; a bound, so it has no interval of its own"))
    return rows


@dataclass(frozen=True, kw_only=True, eq=False)
class Scaled:
    """Limits on another scale of the readings: their rows and strata, or in words why there are none."""

    variant: str
    rows: tuple[LimitRow, ...] = ()
    analysis: Analysis | None = None
    missing: str = ""


def scaled_rows(structure: Structure, group: Group, level: float, variant: str, *,
                multiplier: float = MULTIPLIER) -> Scaled:
    """Return bias and limits as ratios a / b (from logs) or in percent of the mean, where the readings allow them."""
    missing = no_ratios(group) if variant == RATIO else _no_percent(structure, group)
    if missing:
        return Scaled(variant=variant, missing=missing)
    try:
        analysis = analyse(structure, group, scale=SCALES[variant])
    except ValueError as reason:
        return Scaled(variant=variant, missing=str(reason))
    strata, ratio = analysis.strata, variant == RATIO
    if not strata.sd > NO_SPREAD * (1.0 if ratio else 100.0):
        return Scaled(variant=variant, missing="they are the same for every pair, to rounding")
    unit, back = ("", math.exp) if ratio else ("%", float)
    what = "log ratios, back-transformed" if ratio else "percent"
    low, high = mean_interval(strata, level)
    df_words = "t interval" if strata.exact else "t interval, Satterthwaite degrees of freedom"
    bias = LimitRow(variant=variant, limit=BIAS, value=back(strata.mean), low=back(low), high=back(high), unit=unit,
                    method=f"mean of {what}; {df_words}")
    rows = limit_rows(strata, level, variant=variant, unit=unit, ratio=ratio, multiplier=multiplier,
                      method=f"limits of {what}; {interval_words(strata)}")
    return Scaled(variant=variant, rows=(bias, *rows), analysis=analysis)


def no_ratios(group: Group) -> str:
    """Say why there can be no ratio limits; empty where there can."""
    every = np.concatenate([group.a, group.b] if group.readings is None else [group.readings[0], group.readings[2]])
    bad = int(np.sum(~(every > 0)))
    if not bad:
        return ""
    return f"{bad} of {len(every)} readings {'is' if bad == 1 else 'are'} not above zero"


def _no_percent(structure: Structure, group: Group) -> str:
    """Say why there can be no percent limits: means that change sign, or so near zero that a difference is larger."""
    if structure.kind == "unpaired":
        return "unlinked readings have no mean of a pair"
    x, d = group.mean, np.abs(group.difference)
    if np.any(x > 0) and np.any(x < 0):
        return "the means change sign"
    near = np.flatnonzero(d >= np.abs(x))
    if not len(near):
        return ""
    worst = near[np.argmin(np.abs(x[near]))]
    return (f"a difference is larger than its mean ({group.key[worst]}: mean {x[worst]:.3g}, difference "
            f"{group.difference[worst]:.3g})")
