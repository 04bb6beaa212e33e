"""Measurement error that grows with the reading: the coefficient of variation, and SEM and MDC from logarithms.

References
----------
Bland JM, Altman DG (1996). Statistics notes: Measurement error proportional to the mean. BMJ 313:106.
Bland JM, Altman DG (1999). Measuring agreement in method comparison studies. Statistical Methods in Medical Research
    8:135-160, section 3.1 (limits on the log scale, back-transformed to ratios).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from drift.engine.crossed import CrossedDesign
from drift.engine.error_variance import within_interval
from drift.engine.meansquares import Interval, OneWay, one_way
from drift.engine.pivotal import build_pivots
from drift.reliability.components import NO_INTERVAL, Components, Refusal, analyse
from drift.reliability.error_sizes import CHANGE, MLS, ErrorSize, Kind, around, root, sem
from drift.reliability.rows import Group


def variation(group: Group, level: float) -> list[ErrorSize]:
    """Within-target coefficient of variation, by root mean square and from logarithms; positive readings only."""
    if float(group.values.min()) <= 0:
        return []
    logs = one_way(np.log(group.values), group.targets)
    if logs.df_within < 1:
        return []
    codes, counts = group.targets, logs.counts
    means = np.bincount(codes, weights=group.values) / counts
    resid = group.values - means[codes]
    several = counts > 1
    variances = np.bincount(codes, weights=resid**2)[several] / (counts[several] - 1)
    rms = math.sqrt(float(np.mean(variances / means[several] ** 2)))
    sd = math.sqrt(logs.ms_within)
    slow, shigh = _within_ends(group, logs, level) if rms > 0 and sd > 0 else NO_INTERVAL
    low, high = (rms * slow / sd, rms * shigh / sd) if rms > 0 and sd > 0 else NO_INTERVAL
    how = MLS if math.isfinite(slow) else "no interval"
    when = "two readings of one target, in percent of its mean"
    return [ErrorSize(name="within-target CV", value=100 * rms, low=100 * low, high=100 * high, percent=True, when=when,
                      method="root mean square of the targets' CVs, interval in proportion to that from logarithms"),
            ErrorSize(name="within-target CV, from logs", value=cv_of(sd), low=cv_of(slow), high=cv_of(shigh),
                      percent=True, when=when, method=f"within-target SD of logarithms, {how}")]


def cv_of(sd: float) -> float:
    """Return the coefficient of variation, in percent, of a lognormal reading with that SD of logarithms."""
    return 100 * math.sqrt(math.expm1(sd**2)) if sd < 26 else math.inf if sd == sd else math.nan


def _within_ends(group: Group, logs: OneWay, level: float) -> Interval:
    """Interval of the within-target SD of logarithms, whatever the facet level."""
    p = build_pivots(CrossedDesign.build(np.log(group.values), group.targets, group.facets))
    total = p.df_facet + p.df_inner + p.df_within
    held = float(p.facet_squares.sum()) / p.inverse_m + p.ss_inner / p.inverse_m + p.ss_within
    ends = within_interval(p, level)
    scale = logs.ms_within * total / held if held > 0 else 1.0  # 1 in complete tables
    return around(math.sqrt(logs.ms_within), root((ends[0] * scale, ends[1] * scale)))


def log_sizes(parts: Components, group: Group, *, level: float, target: str, facet: str) -> list[ErrorSize]:
    """SEM in percent and MDC as a ratio, both from an analysis of logarithms; none unless all readings are positive.

    Notes
    -----
    With s the SEM of natural logarithms, the SEM in percent is 100 (exp(s) - 1) and the MDC is the ratio
    exp(1.96 sqrt(2) s): a rise by more than that factor, or a fall to less than its reciprocal, is more than noise in
    95 of 100 pairs. Both are increasing in s, so the limits of s are transformed as they stand.
    """
    if float(group.values.min()) <= 0:
        return []
    logged = analyse(replace(group, values=np.log(group.values)), level=level, average=bool(parts.average),
                     target=target, facet=facet, fixed=parts.fixed, spreads=False)
    if isinstance(logged, Refusal):
        return []
    out: list[ErrorSize] = []
    for kind in ("agreement", "consistency"):
        value, ends, method = sem(logged, kind, level)
        out += _from_logs(kind, value, ends, method)
    return out


def _from_logs(kind: Kind, value: float, ends: Interval, method: str) -> list[ErrorSize]:
    def percent(s: float) -> float:
        return math.inf if s > 700 else 100 * math.expm1(s)

    def ratio(s: float) -> float:
        return math.inf if CHANGE * s > 700 else math.exp(CHANGE * s)

    low, high = ends
    how = f"logarithms: {method}, back-transformed"
    return [ErrorSize(name=f"SEM ({kind}), from logs", value=percent(value), low=percent(low), high=percent(high),
                      percent=True, method=how),
            ErrorSize(name=f"MDC ({kind}), ratio from logs", value=ratio(value), low=ratio(low), high=ratio(high),
                      ratio=True, method=how)]
