"""The calibrations table: one straight line a sensor, calibration and date, and what questions ask of it.

Points of a calibration curve are no second form of this table: readings under known pressures are checks, and a line
through the checks of each ``cal_id`` is fitted with its error and its bend looked at (``from = "checks"``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from drift.errors import Finding
from drift.ingest import rules
from drift.ingest.draft import Draft, add_numbers, add_time, add_words, missing_column, require
from drift.records import CALIBRATION_COLUMNS, NUMBER_COLUMNS
from drift.study import AgreementQuestion, Study, suggestion
from drift.units import PRESSURE, UnitError, convert, is_pressure

LEAST_NAMED = 6


def fill_calibrations(draft: Draft, study: Study) -> None:
    """Convert and check every column; slopes end up per kPa, validity ranges in kPa."""
    declared = study.units.get("calibrations", {})
    for ours in draft.placed.at:
        unit = declared.get(ours)
        text = unit if isinstance(unit, str) else None
        if ours == "time":
            add_time(draft, ours)
        elif (ours in NUMBER_COLUMNS and ours in CALIBRATION_COLUMNS) or text is not None:
            add_numbers(draft, ours, declared=text)
        else:
            add_words(draft, ours)
    for ours in ("sensor", "calibration", "slope"):
        if ours in draft:
            require(draft, ours)
        elif ours not in study.columns.get("calibrations", {}):
            draft.findings.append(missing_column(draft, ours))
    _intercepts(draft)
    _values(draft)
    _once_each(draft)
    _to_kpa(draft)


def _intercepts(draft: Draft) -> None:
    """Take an absent column of intercepts as zero, and say so; an empty cell in one that is there is a gap."""
    if "intercept" in draft:
        require(draft, "intercept")
    elif "slope" in draft:
        draft.columns["intercept"] = np.zeros(len(draft))
        draft.findings.append(Finding(
            severity="note", code="intercept-assumed-zero", file=draft.raw.file, column="intercept",
            message="There is no column of intercepts, so that every calibration line runs through zero",
            mend="Add the column if the sensor reads something without load."))


def _values(draft: Draft) -> None:
    """Check slopes, errors, correlations, ranges and uses."""
    if "slope" in draft:
        bad = np.isfinite(draft["slope"]) & ~(draft["slope"] > 0)
        draft.say(bad, "slope", "impossible-value", "a slope must be above zero, or no pressure can be read from it",
                  expected="raw reading per pressure", mend="Correct the value, or delete the row of a dead sensor")
    for name in ("slope_se", "intercept_se"):
        rules.not_negative(draft, name, "a standard error")
    rules.exposure(draft, "use", counted=draft.units.get("use", "use") == "use")
    if "correlation" in draft:
        draft.say(np.abs(np.nan_to_num(draft["correlation"])) > 1, "correlation", "impossible-value",
                  "a correlation lies between -1 and 1", expected="-1 to 1", mend="Correct the value")
    if "from" in draft and "to" in draft:
        with np.errstate(invalid="ignore"):
            turned = draft["from"] >= draft["to"]
        draft.say(turned, "from", "impossible-value",
                  lambda i: f"the range ends at {draft['to'][i]:g}, not above its start",
                  expected="from below to", mend="Exchange the two")


def _once_each(draft: Draft) -> None:
    """Report a calibration that stands there twice."""
    if not all(n in draft for n in ("sensor", "calibration")):
        return
    missing = np.full(len(draft), np.nan)
    use = draft.columns.get("use", missing)
    time = draft.columns.get("time", np.full(len(draft), None, dtype=object))
    first: dict[tuple[object, ...], int] = {}
    keys = [(s, c, None if u != u else float(u), t)
            for s, c, u, t in zip(draft["sensor"], draft["calibration"], use, time, strict=True)]
    again = np.array([None not in k[:2] and first.setdefault(k, i) != i for i, k in enumerate(keys)], dtype=bool)
    draft.say(again, "calibration", "duplicated-key",
              lambda i: f"this calibration of the sensor stands in row {draft.raw.row[first[keys[i]]]} already",
              expected="one row a sensor, calibration and date",
              mend="Keep one of the rows, or say in use or time when each was made")


def split_slope_unit(unit: str) -> tuple[str, str]:
    """Return raw and pressure unit of a slope such as ``count/kPa``; the latter empty where there is none."""
    raw, _, pressure = unit.partition("/")
    return raw.strip(), pressure.strip().removeprefix("(").removesuffix(")").strip()


def _to_kpa(draft: Draft) -> None:
    """Turn slopes into reading per kPa and ranges into kPa, or say that the unit was taken on trust."""
    if "slope" not in draft:
        return
    unit = draft.units.get("slope", "")
    raw, pressure = split_slope_unit(unit)
    if not unit:
        draft.findings.append(Finding(
            severity="warning", code="unknown-unit", file=draft.raw.file, column=draft.header("slope"),
            message="the unit of the slope is not declared; it is taken as raw reading per kPa",
            mend='Add slope = "count/kPa" or the like to [units.calibrations], or to the header: "slope (count/kPa)"'))
        raw, pressure = "", PRESSURE
    elif not is_pressure(pressure):
        draft.findings.append(Finding(
            severity="error", code="unknown-unit", file=draft.raw.file, column=draft.header("slope"), value=unit,
            message="a slope is a raw reading per pressure", expected="a unit such as 'count/kPa'",
            mend="Give slopes the other way round (pressure per reading) as their inverse"
            if is_pressure(raw) else "Correct the unit"))
        return
    one = float(convert(1.0, pressure, PRESSURE))  # kPa in one of their units
    for name in ("slope", "slope_se"):
        if name in draft:
            draft.columns[name] = draft.columns[name] / one
            draft.units[name] = f"{raw}/{PRESSURE}" if raw else ""
    for name in ("from", "to"):
        if name in draft:
            _range_to_kpa(draft, name, pressure)
    draft.units["reading"] = raw


def _range_to_kpa(draft: Draft, name: str, default: str) -> None:
    unit = draft.units.get(name, default)
    try:
        draft.columns[name] = convert(draft.columns[name], unit, PRESSURE)
    except UnitError as error:
        draft.findings.append(Finding(severity="error", code="unknown-unit", file=draft.raw.file, value=unit,
                                      column=draft.header(name), message=f"this range cannot be read: {error}",
                                      mend="Give it in a unit of pressure"))
    draft.units[name] = PRESSURE


def about_recalculations(drafts: Mapping[str, Draft], study: Study) -> list[Finding]:
    """Report calibrations that questions name and the table does not hold, and sensors that lack one."""
    made: list[Finding] = []
    table, trials = drafts.get("calibrations"), drafts.get("trials")
    for q in study.agreement:
        if q.recalculate is None or q.recalculate.source != "calibrations" or table is None:
            continue
        if "calibration" not in table or "sensor" not in table:
            continue
        made += _unknown(table, q)
        if not any(f.severity == "error" for f in made) and trials is not None:
            made += _sensors_without(table, trials, q)
    return made


def _unknown(table: Draft, q: AgreementQuestion) -> list[Finding]:
    present = table.values("calibration")
    return [Finding(severity="error", code="unknown-value", file=table.file, column=table.header("calibration"),
                    value=value, question=q.name, message=f"{role} of {q.name!r} is a calibration that does not occur",
                    mend=suggestion(value, present, noun="calibrations"))
            for role, value in (("a", q.a), ("b", q.b)) if value and value not in present]


def _sensors_without(table: Draft, trials: Draft, q: AgreementQuestion) -> list[Finding]:
    column = q.sensor or "sensor"
    if column not in trials or trials[column].dtype.kind == "f":
        return []
    met = sorted({str(s) for s in trials[column][trials.active] if s is not None})
    held = set(zip(table["sensor"], table["calibration"], strict=True))
    made = []
    for label in (q.a, q.b):
        without = [s for s in met if (s, label) not in held]
        if without:
            made.append(Finding(
                severity="warning", code="no-calibration", file=table.file, question=q.name, value=label,
                message=f"{len(without)} of {len(met)} sensors of the trials have no calibration {label!r}: "
                f"{_named(without)}; their rows stay out", mend="Add it, or leave these sensors out in where"))
    return made


def _named(names: Sequence[str]) -> str:
    more = len(names) - LEAST_NAMED
    return ", ".join(names[:LEAST_NAMED]) + (f" and {more} more" if more > 0 else "")
