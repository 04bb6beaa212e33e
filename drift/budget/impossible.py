"""Readings that cannot be: above full scale, or below zero where the reading counts."""

from __future__ import annotations

import math

from drift import units
from drift.errors import DriftError, Finding
from drift.records import Tables
from drift.sensitivity.design import ceiling_of
from drift.study import SensitivitySpec, Study


def refuse_impossible(tables: Tables, study: Study, *, option: bool) -> None:
    """Refuse a reading asked about that no sensor of the study can give; one at full scale is a lower bound.

    Parameters
    ----------
    tables : Tables
    study : Study
        With ``[budget] reading``.
    option : bool
        The reading was given on the command line.

    Raises
    ------
    DriftError
    """
    spec, checks = study.budget, tables.checks
    if spec is None or spec.reading is None or checks is None:
        return
    file, column = (None, "--reading") if option else ("study.toml", "[budget] reading")
    top = ceiling_of(checks, study.sensitivity or SensitivitySpec(), tables.sensors, spec.sensor)
    value = f"{spec.reading:g}"
    if spec.reading > top:
        raise DriftError(Finding(severity="error", code="above-full-scale", value=value, file=file, column=column,
                                 message=f"the reading is above the full scale of {top:g}, so no sensor gave it",
                                 expected=f"at most {top:g}",
                                 mend="Correct the value, or full_scale in [sensitivity]."))
    if spec.reading < 0 and (math.isfinite(top) or str(checks.units.get("reading", "")) == units.COUNT):
        raise DriftError(Finding(severity="error", code="impossible-value", value=value, file=file, column=column,
                                 expected="zero or more", message="a raw reading cannot be below zero",
                                 mend="Correct the value."))
