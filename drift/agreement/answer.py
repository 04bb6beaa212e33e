"""What is found about one group of pairs, and its numbers as estimates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drift.agreement.checks import Check, UseTrend
from drift.agreement.companion import Companion
from drift.agreement.equivalence import CONFIDENCE, Verdict
from drift.agreement.pairs import Group
from drift.agreement.structure import Analysis, Structure
from drift.agreement.variants import LimitRow, limit_rows
from drift.engine.limits_of_agreement import mean_interval, sd_interval
from drift.errors import MINUS, Finding
from drift.results import Estimate


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """Everything found about one group; ``analysis`` is None when limits were refused, with the reason.

    ``beside`` holds the variants of the limits: their tables, findings and the sentence that proposes one.
    ``over`` is what the verdict is an average over.
    """

    group: Group
    structure: Structure
    of: Mapping[str, str]
    analysis: Analysis | None
    estimates: tuple[Estimate, ...]
    rows: tuple[LimitRow, ...] = ()
    checks: tuple[Check, ...] = ()
    findings: tuple[Finding, ...] = ()
    verdict: Verdict | None = None
    refusal: str = ""
    sentences: tuple[str, ...] = ()
    beside: Companion | None = None
    over: str = ""


def empty_estimates(group: Group, of: Mapping[str, str]) -> tuple[Estimate, ...]:
    """Return the four estimates without values, for a refused group."""
    return tuple(Estimate(name=n, value=math.nan, unit=group.unit, of=of, n=len(group.a), method="not computed")
                 for n in ("bias", "lower limit", "upper limit", "SD of differences"))


def difference_estimates(analysis: Analysis, structure: Structure, group: Group, of: Mapping[str, str], level: float,
                         multiplier: float, *, flat: bool) -> list[Estimate]:
    """Return bias, limits, SD of differences and, with repeated measurements, the SD of each part.

    ``flat`` says that the differences have no spread: values then stand without intervals.
    """
    strata, n = analysis.strata, structure.n_units
    how = {"simple": "mean of differences",
           "repeated": f"REML mixed model of differences on {structure.counted}",
           "unpaired": "mean of target means"}[structure.kind]
    if flat:
        values = {"bias": strata.mean, "lower limit": strata.mean, "upper limit": strata.mean, "SD of differences": 0.0}
        return [Estimate(name=k, value=v, unit=group.unit, of=of, n=n, method=f"{how}; no spread, no interval")
                for k, v in values.items()]
    low, high = mean_interval(strata, level)
    df_words = "t interval" if strata.exact else "t interval, Satterthwaite degrees of freedom"
    if analysis.fit is not None and analysis.fit.unweighted:
        df_words = ("unweighted means as pairs are spread unevenly, "
                    f"t interval on {strata.mean_df:.0f} degrees of freedom")
    made = [Estimate(name="bias", value=strata.mean, unit=group.unit, std_error=math.sqrt(strata.mean_variance),
                     low=low, high=high, level=level, of=of, n=n, method=f"{how}, {df_words}")]
    for row in limit_rows(strata, level, variant="plain", unit=group.unit, multiplier=multiplier):
        sign = MINUS if row.limit == "lower limit" else "+"
        made.append(Estimate(name=row.limit, value=row.value, unit=group.unit, low=row.low, high=row.high, level=level,
                             of=of, n=n, method=f"bias {sign} {multiplier:g} SD, {row.method}"))
    low, high = sd_interval(strata, level)
    made.append(Estimate(name="SD of differences", value=strata.sd, unit=group.unit, low=low, high=high, level=level,
                         of=of, n=n, method=f"divisor n {MINUS} 1, chi-square interval" if strata.exact else
                         "total of variance components, MOVER interval"))
    levels = {f"between levels of {f}": len(np.unique(c)) for f, c in
              zip(structure.factors, structure.codes, strict=True)}
    for name, variance, part in analysis.components:
        low, high = sd_interval(part, level)
        n = levels.get(name, len(group.a))
        made.append(Estimate(name=f"SD {name}", value=math.sqrt(max(variance, 0.0)), unit=group.unit, low=low,
                             high=high, level=level, of=of, n=n, method="REML, MOVER interval"))
    return made


def use_estimate(use: UseTrend, group: Group, of: Mapping[str, str], level: float) -> Estimate:
    """Return the trend of the difference with use."""
    return Estimate(name="trend of difference with use", value=use.slope, std_error=use.se, low=use.low, high=use.high,
                    level=level, unit=f"{group.unit} per {group.exposure}".strip(), of=of, n=use.n, method=use.method)


def verdict_estimates(verdict: Verdict, structure: Structure, of: Mapping[str, str]) -> list[Estimate]:
    """Return the figures that stand beside the verdict, with their one-sided 95 % bounds."""
    n, scale = structure.n_units, " on log ratios" if verdict.given.share else ""
    return [Estimate(name="share of differences inside", value=verdict.share, low=verdict.share_bound, level=CONFIDENCE,
                     of=of, n=n, unit="",
                     method=f"normal share within {verdict.given.words}{scale}, one-sided pivotal bound"),
            Estimate(name="total deviation index", value=verdict.tdi, high=verdict.tdi_bound, level=CONFIDENCE, of=of,
                     n=n, unit=verdict.unit, method="distance holding 95 % of differences"
                                                    f"{', of the mean, by log ratios' if scale else ''}, one-sided "
                                                    "pivotal bound")]
