"""Rows of the table of limits: the plain limits, and the variants shown beside them."""

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
    normal_cdf,
    quantile_interval,
    regression_limits,
    t_quantile,
    two_sided_factor,
    upper_limit_bound,
    variance_bound,
)
from drift.engine.paired_components import fit_paired


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
    tail = 0.5 - level / 2
    low, high = limits(strata, multiplier=multiplier)
    back = math.exp if ratio else float
    rows = []
    for name, value, bound in (("lower limit", low, lower_limit_bound), ("upper limit", high, upper_limit_bound)):
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
    for name, value, ends in (("lower limit", low, below), ("upper limit", high, above)):
        rows.append(LimitRow(variant="both limits together", limit=name, value=value, low=ends[0], high=ends[1],
                             unit=unit, method=how))
    for name, value in (("lower limit", held[0]), ("upper limit", held[1])):
        rows.append(LimitRow(variant=f"tolerance limits, {level:.0%} confidence", limit=name, value=value, unit=unit,
                             method=f"{how}; a bound, so it has no interval of its own"))
    return rows


def scaled_rows(structure: Structure, group: Group, level: float) -> tuple[list[LimitRow], dict[str, Analysis]]:
    """Ratio limits (from logs) and percent limits, where the readings allow them."""
    rows: list[LimitRow] = []
    found: dict[str, Analysis] = {}
    positive = bool(np.all(group.a > 0) and np.all(group.b > 0))
    if group.readings is not None:
        positive = bool(np.all(group.readings[0] > 0) and np.all(group.readings[2] > 0))
    if not positive:
        return rows, found
    for scale, variant, unit in (("log", "ratio (log scale)", ""), ("percent", "percent of mean", "%")):
        if scale == "percent" and structure.kind == "unpaired":
            continue
        analysis = analyse(structure, group, scale=scale)
        if not analysis.strata.sd > 0:
            continue
        found[scale] = analysis
        rows += limit_rows(analysis.strata, level, variant=variant, unit=unit, ratio=scale == "log",
                           method=f"limits of {'log ratios, back-transformed' if scale == 'log' else 'percent'}; "
                                  + interval_words(analysis.strata))
    return rows, found


def regression_rows(structure: Structure, group: Group, analysis: Analysis, level: float, *, spread: bool,
                    rng: np.random.Generator) -> list[LimitRow]:
    """Limits that change with size, at the smallest, middle and largest mean (Bland & Altman 1999, 3.2)."""
    x, d = group.mean, group.difference
    if structure.kind == "unpaired" or len(d) < 5 or not np.ptp(x) > 1e-9 * max(np.max(np.abs(x)), 1e-300):
        return []
    line = regression_limits(x, d)
    if not line.residual_sd > 1e-9 * max(float(np.std(d)), 1e-300):
        return []
    at = np.array([x.min(), np.median(x), x.max()])
    if structure.kind == "repeated":
        values, bounds = _mixed_regression(structure, x, d, at, analysis.strata, level)
        how = "slope on the mean in the mixed model (REML), constant SD; MOVER"
    elif spread:
        values = line.limits_at(at, spread=True)
        tail, drawn = 0.5 - level / 2, _resampled(x, d, at, rng)
        bounds = np.array([np.quantile(drawn[0], [tail, 1 - tail], axis=0),
                           np.quantile(drawn[1], [tail, 1 - tail], axis=0)])
        how = "regression on the mean, SD from absolute residuals; percentile bootstrap of pairs"
    else:
        values = line.limits_at(at, spread=False)
        found = np.array([line.bounds_at(float(v), level) for v in at]).T
        bounds = np.array([found[:2], found[2:]])
        how = "regression on the mean, constant SD; exact noncentral t"
    return [LimitRow(variant="regression on mean", limit=name, value=float(values[k][j]), low=float(bounds[k, 0, j]),
                     high=float(bounds[k, 1, j]), unit=group.unit, at=float(at[j]), method=how)
            for j in range(len(at)) for k, name in enumerate(("lower limit", "upper limit"))]


def _mixed_regression(structure: Structure, x: np.ndarray, d: np.ndarray, at: np.ndarray, strata: Strata,
                      level: float) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """Regression limits of repeated measurements: values (2 of shape (n_at,)) and bounds, shape (2, 2, n_at).

    The bounds of the SD are those of the model without slope, in proportion to the SD.
    """
    centre, scale = float(np.mean(x)), float(np.std(x))
    fit = fit_paired(d, structure.codes, X=np.column_stack([np.ones_like(x), (x - centre) / scale]))
    design = np.column_stack([np.ones_like(at), (at - centre) / scale])
    middle, sd = design @ fit.beta, math.sqrt(float(fit.variances.sum()))
    se2 = np.einsum("ij,jk,ik->i", design, fit.cov_beta, design)
    tail = 0.5 - level / 2
    t = t_quantile(1 - tail, max(structure.n_targets - 2.0, 1.0))
    below, above = (MULTIPLIER * sd * (math.sqrt(variance_bound(strata, q)) / strata.sd - 1) for q in (tail, 1 - tail))
    narrow, wide = np.sqrt(t**2 * se2 + below**2), np.sqrt(t**2 * se2 + above**2)
    low, high = middle - MULTIPLIER * sd, middle + MULTIPLIER * sd
    return (low, high), np.array([[low - wide, low + narrow], [high - narrow, high + wide]])


def _resampled(x: np.ndarray, d: np.ndarray, at: np.ndarray, rng: np.random.Generator,
               n_draws: int = 1000) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper regression limits in resamples of pairs, each shape (n_draws, len(at))."""
    low, high = np.empty((n_draws, len(at))), np.empty((n_draws, len(at)))
    for i in range(n_draws):
        j = rng.integers(0, len(x), len(x))
        while np.ptp(x[j]) == 0:
            j = rng.integers(0, len(x), len(x))
        low[i], high[i] = regression_limits(x[j], d[j]).limits_at(at, spread=True)
    return low, high


def quantile_rows(structure: Structure, group: Group, level: float, unit: str) -> list[LimitRow]:
    """Nonparametric limits: the 2.5 and 97.5 % quantiles of independent differences."""
    if structure.kind != "simple" or len(group.a) < 5:
        return []
    rows = []
    for name, probability in (("lower limit", 0.025), ("upper limit", 0.975)):
        value, low, high = quantile_interval(group.difference, probability, level)
        how = "sample quantile at (n + 1) p, binomial interval of order statistics"
        if not (math.isfinite(low) and math.isfinite(high)):
            how += "; an end without bound needs more pairs"
        rows.append(LimitRow(variant="nonparametric", limit=name, value=value, low=low, high=high, unit=unit,
                             method=how))
    return rows
