"""Retire-after counts and recalibration intervals alone, for those who only hold a use to them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drift.records import Tables
from drift.results import Provenance, Result
from drift.retirement.evaluate import evaluate
from drift.retirement.groups import Group, exposure_of, make_groups
from drift.retirement.limits import declared_limits
from drift.retirement.pooling import slope_pairs
from drift.retirement.recalibration import answer_of, statement_of
from drift.retirement.recalibration_groups import make_changes
from drift.sensitivity import basic_tables
from drift.study import RetirementSpec, Study

Counts = dict[str, tuple[float, float]]


def counts_alone(tables: Tables, study: Study, *, level: float = 0.95) -> Counts:
    """Return retire-after count and recalibration interval of each construction; NaN where there is none, 0 is one.

    Parameters
    ----------
    tables : Tables
    study : Study
        ``[limits]``, ``[retirement]`` and ``[recalibration]``. With ``start`` under ``[sensitivity]`` nothing is
        returned: the fresh values before it take the whole analysis of wear.
    level : float

    Raises
    ------
    DriftError
        Where the checks cannot be used.
    """
    if study.sensitivity is not None and study.sensitivity.start:
        return {}
    wear = Result(question="wear", answer="", tables=basic_tables(tables, study), provenance=Provenance(level=level))
    exposure, spec = exposure_of(study), study.retirement or RetirementSpec()
    limits = declared_limits(study, tables)
    retire: dict[str, float] = {}
    if limits:
        def build(pooled: bool) -> list[list[Group]]:
            return make_groups(limits, wear.table("occasions"), wear.table("sensitivities"), tables, exposure=exposure,
                               pooled=pooled, modelled=True, fresh={})

        groups = build(False)
        pairs = slope_pairs(groups, within=spec.equal_slopes_within) if spec.pool and len(groups) > 1 else ()
        if pairs and all(p.equivalent for p in pairs):
            groups = build(True)
        retire = {a.construction: float(a.count) for a in (
            evaluate(g, content=spec.content, confidence=spec.confidence, level=level, exposure=exposure,
                     tell=lambda _: None) for g in groups)}
    every: dict[str, float] = {}
    if study.recalibration is not None:
        s = statement_of(study)
        every = {c.group.construction: float(answer_of(c, s, level).interval) for c in make_changes(
            wear, study, tables, exposure=exposure, fall=s.tolerance / (1 + s.tolerance))}
    return {c: (retire.get(c, math.nan), every.get(c, math.nan)) for c in {**retire, **every}}


def counts_of(made: Sequence[Result]) -> Counts:
    """Return the same from results that are there already."""
    found: dict[str, list[float]] = {}
    for j, name in enumerate(("retire after", "recalibrate every")):
        for e in (e for r in made for e in r.estimates if e.name == name and "limit" not in e.of):
            found.setdefault(e.of.get("construction", ""), [math.nan, math.nan])[j] = e.value
    return {c: (a, b) for c, (a, b) in found.items()}
