"""Retire-after counts and recalibration intervals alone, for those who only hold a use to them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drift.records import Tables
from drift.results import Provenance, Result
from drift.retirement.statements_alone import Stated, counts_stated, intervals_stated
from drift.sensitivity import basic_tables
from drift.study import Study

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
    retire, every = counts_stated(wear, study, tables, modelled=True), intervals_stated(wear, study, tables)
    none = Stated()
    return {c: (retire.get(c, none).count, every.get(c, none).every) for c in {**retire, **every}}


def counts_of(made: Sequence[Result]) -> Counts:
    """Return the same from results that are there already."""
    found: dict[str, list[float]] = {}
    for j, name in enumerate(("retire after", "recalibrate every")):
        for e in (e for r in made for e in r.estimates if e.name == name and "limit" not in e.of):
            found.setdefault(e.of.get("construction", ""), [math.nan, math.nan])[j] = e.value
    return {c: (a, b) for c, (a, b) in found.items()}
