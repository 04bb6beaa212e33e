"""Retire-after counts and recalibration intervals by themselves: no model of wear, nothing on how firm they are."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drift.records import Tables
from drift.results import Result
from drift.retirement.groups import Group, cap_of, exposure_of, make_groups, split_shares
from drift.retirement.limits import declared_limits
from drift.study import RetirementSpec, Study


@dataclass(frozen=True, kw_only=True)
class Stated:
    """What a study states of one construction.

    ``count`` and ``every`` are NaN where there is none; ``at_least`` says that one reaches only as far as was observed.
    """

    count: float = math.nan
    count_at_least: bool = False
    every: float = math.nan
    every_at_least: bool = False


def counts_stated(wear: Result, study: Study, tables: Tables, *, modelled: bool = False) -> dict[str, Stated]:
    """Return the retire-after count of each construction, as ``retire`` gives it.

    Parameters
    ----------
    wear : Result
        With the tables "occasions" and "sensitivities" (``basic_tables``).
    study : Study
    tables : Tables
    modelled : bool
        Let sensors with too few checks enter by a mixed model, which takes time.

    Notes
    -----
    NaN where there is no count. Nothing where counts take the whole analysis of wear: with ``start`` under
    [sensitivity].
    """
    limits, exposure = declared_limits(study, tables), exposure_of(study)
    if not limits or (study.sensitivity is not None and study.sensitivity.start):
        return {}
    spec = study.retirement or RetirementSpec()
    content, confidence = split_shares(spec.content, spec.confidence, len(limits))

    def build(pooled: bool) -> list[list[Group]]:
        return make_groups(limits, wear.table("occasions"), wear.table("sensitivities"), tables, exposure=exposure,
                           pooled=pooled, modelled=modelled)

    groups = build(False)
    if spec.pool and len(groups) > 1:
        from drift.retirement.pooling import slope_pairs

        pairs = slope_pairs(groups, within=spec.equal_slopes_within)
        groups = build(True) if pairs and all(p.equivalent for p in pairs) else groups
    made = {}
    for own in groups:
        if any(g.fitness.refused for g in own):
            made[own[0].construction] = Stated()
            continue
        cap = cap_of(own)
        found = [g.counts(content=content, confidence=confidence, cap=cap, step=exposure.step(cap)) for g in own]
        least = min(found, key=lambda c: float(c.count))
        made[own[0].construction] = Stated(count=max(float(least.count), 0.0), count_at_least=bool(least.capped))
    return made


def intervals_stated(wear: Result, study: Study, tables: Tables) -> dict[str, Stated]:
    """Return the recalibration interval of each construction, as ``recalibrate`` gives it; nothing without a tolerance.

    Parameters
    ----------
    wear, study, tables
        As for :func:`counts_stated`.
    """
    if study.recalibration is None:
        return {}
    from drift.retirement.recalibration import rule_of, statement_of
    from drift.retirement.recalibration_groups import make_changes

    s = statement_of(study)
    made = {}
    for c in make_changes(wear, study, tables, exposure=exposure_of(study), fall=s.tolerance / (1 + s.tolerance)):
        if c.refused:
            made[c.name] = Stated()
            continue
        found = rule_of(c, s, inside=s.inside)
        made[c.name] = Stated(every=max(float(found.count), 0.0), every_at_least=bool(found.capped))
    return made
