"""The checks table: bench readings of a known load."""

from __future__ import annotations

from drift.errors import Finding
from drift.ingest import rules
from drift.ingest.draft import (
    Draft,
    add_direction,
    add_flag,
    add_numbers,
    add_time,
    add_words,
    convert_pressure,
    missing_column,
    require,
)
from drift.records import CHECK_COLUMNS, NUMBER_COLUMNS
from drift.study import Study
from drift.units import canonical, is_known

FRACTIONS = ("saturated", "dead")


def fill_checks(draft: Draft, study: Study) -> None:
    """Convert and check every column of a checks table.

    The reference is converted to kPa (a force to N); readings stay raw. Reference is required unless the study
    limits the reading itself or works on the linear scale.
    """
    spec = study.sensitivity
    exposure = spec.exposure if spec is not None else "use"
    declared = study.units.get("checks", {})
    covariates = {*spec.covariates, *spec.also, spec.load} if spec is not None else set()
    for ours in draft.placed.at:
        unit = declared.get(ours)
        unit = unit if isinstance(unit, str) else None
        if ours == "exclude":
            add_flag(draft, ours)
        elif ours == "time":
            add_time(draft, ours)
        elif ours == "direction":
            add_direction(draft, ours)
        elif (ours in NUMBER_COLUMNS and ours in CHECK_COLUMNS) or ours == exposure or unit is not None:
            add_numbers(draft, ours, declared=unit, fraction=ours in FRACTIONS)
        else:
            add_covariate(draft, ours, ours in covariates)
    _required(draft, study, exposure)
    for ours in ("reference", "level"):
        if ours in draft:
            convert_pressure(draft, ours)
    if exposure in draft and spec is not None and spec.exposure_unit:
        _exposure_unit(draft, exposure, spec.exposure_unit)
    _rules(draft, exposure)


def add_covariate(draft: Draft, ours: str, wanted: bool) -> None:
    """Take a further column: words, or numbers for a covariate whose every value is a number."""
    from drift.ingest.numbers import to_numbers

    if wanted and ours not in CHECK_COLUMNS:
        read = to_numbers(draft.cells(ours), draft.form)
        if not read.where("not a number", "ambiguous", "wrong decimal", "word for missing", "unit in cell", "date",
                          "grouped", "not finite").any() and not read.where("empty").all():
            add_numbers(draft, ours)
            return
    add_words(draft, ours)


def _required(draft: Draft, study: Study, exposure: str) -> None:
    spec = study.sensitivity
    counted = study.study.count_uses != "column" and exposure == "use"
    on_reading = study.limits.reading is not None or (spec is not None and spec.scale == "linear")
    needed = ["sensor", "reading"]
    if not counted:
        needed.append(exposure)
    if study.calibration and not draft.strict:  # a curve can be fitted to two columns
        needed = ["reading", "reference", *(n for n in ("sensor", exposure) if n in draft)]
    if draft.strict and not on_reading:
        needed.append("reference")
    for ours in needed:
        if ours in draft:
            require(draft, ours)
        elif ours not in study.columns.get("checks", {}):
            draft.findings.append(missing_column(draft, ours))
    if "reference" in draft and "reference" not in needed:
        require(draft, "reference")
    if "reference" in draft and "reference" not in draft.units and draft.strict:
        severe = study.limits.saturation_pressure is not None
        draft.findings.append(Finding(
            severity="error" if severe else "warning", code="unknown-unit", file=draft.raw.file,
            column=draft.header("reference"), message="the unit of the reference is not declared"
            + ("; the limit on the saturation pressure needs it" if severe else "; figures carry no unit"),
            mend="Add reference = \"kPa\" or another unit to [units.checks]"))


def _exposure_unit(draft: Draft, exposure: str, wanted: str) -> None:
    """Take the unit of the exposure from the study; the header and ``[units.checks]`` must not contradict it."""
    unit = canonical(wanted) if is_known(wanted) else wanted
    held = draft.units.setdefault(exposure, unit)
    if held != unit:
        draft.findings.append(Finding(
            severity="error", code="unit-conflict", file=draft.raw.file, row=draft.raw.header_row or None,
            column=draft.header(exposure), value=held, expected=f"{unit!r} as [sensitivity] exposure_unit says",
            message=f"the exposure is in {held!r} here and in {unit!r} in [sensitivity]",
            mend="Correct whichever is wrong"))


def _rules(draft: Draft, exposure: str) -> None:
    if exposure in draft:
        rules.exposure(draft, exposure, counted=exposure == "use" and draft.units.get("use", "use") == "use")
    rules.readings(draft)
    rules.not_negative(draft, "reference", "a reference load")
    rules.not_negative(draft, "hold_s", "a holding time")
    rules.whole(draft, "order", "an order")
    for name in FRACTIONS:
        rules.fraction(draft, name)
