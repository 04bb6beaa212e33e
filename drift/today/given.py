"""What is said on the command line of one sensor now: a check taken by hand, the uses it has made."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drift import units
from drift.calibration import numbers, words
from drift.errors import DriftError, Finding
from drift.ingest.adding import with_checks
from drift.records import CheckTable, Tables
from drift.sensitivity.design import ceiling_of, label_of
from drift.study import SensitivitySpec, Study
from drift.today.latest import SAME_LEVEL
from drift.today.names import unknown_sensor
from drift.today.paths import known_sensors
from drift.today.standards import STANDARD


@dataclass(frozen=True, kw_only=True)
class Given:
    """Tables with the check given by hand below those on record, the numbers of its rows, and what to say of it."""

    tables: Tables
    rows: frozenset[int]
    findings: tuple[Finding, ...]


def given_now(study: Study, tables: Tables, sensor: str, *, readings: Sequence[float], references: Sequence[str],
              use: float | None, repeat: bool, sessions: Mapping[str, tuple[float, int]]) -> Given:
    """Put a check given by hand below the checks on record.

    Parameters
    ----------
    study : Study
    tables : Tables
    sensor : str
    readings, references : sequence
        One pair a level; none where only the uses made are said.
    use : float, optional
        Uses the sensor has made by now; by default the most on record.
    repeat : bool
        The readings repeat its latest check.
    sessions : mapping
        As for :func:`drift.today.prepare_setting`.

    Raises
    ------
    DriftError
        For a sensor that occurs nowhere, and for a reading, load or use count that cannot be; with every finding.
    """
    known = known_sensors(tables)
    if sensor not in known:
        raise DriftError(unknown_sensor(sensor, known))
    checks = tables.checks
    if readings and checks is None:
        raise DriftError(_fault("no-checks", "", None, "the study has no checks that a reading could be compared with",
                                "Log or import checks first."))
    checked, most = _on_record(study, checks, sensor, sessions)
    faults = _use_faults(study, sensor, use, most)
    if not readings or checks is None:
        if faults:
            raise DriftError(faults)
        return Given(tables=tables, rows=frozenset(), findings=())
    at = checked if repeat else use if use is not None else most
    loads = [_load(text, study, checks, faults) for text in references]
    faults += _check_faults(study, tables, checks, sensor, readings, references, loads)
    faults += _occasion_faults(study, sensor, at, checked, use, repeat)
    if faults:
        raise DriftError(faults)
    rows = _rows(study, checks, sensor, at, readings, loads, repeat)
    whole = with_checks(checks, rows, file="the reading given")
    added = frozenset(int(r) for r in whole.row[len(checks):])
    return Given(tables=replace(tables, checks=whole), rows=added,
                 findings=(_not_recorded(study, sensor, at, readings, references, repeat),))


def _fault(code: str, option: str, value: str | None, message: str, mend: str, expected: str | None = None) -> Finding:
    return Finding(severity="error", code=code, column=option or None, value=value, message=message, mend=mend,
                   expected=expected)


def _exposure(study: Study) -> str:
    return study.sensitivity.exposure if study.sensitivity is not None else "use"


def _on_record(study: Study, checks: CheckTable | None, sensor: str, sessions: Mapping[str, tuple[float, int]]
               ) -> tuple[float, float]:
    """Return the use of the latest check on record (NaN for none), and the uses made by all that is on record."""
    checked = math.nan
    if checks is not None:
        made = numbers(checks, _exposure(study))[np.asarray(words(checks, "sensor") == sensor, dtype=np.bool_)]
        checked = float(np.nanmax(made)) if np.isfinite(made).any() else math.nan
    most, more = sessions.get(sensor, (0.0, 0)) if _exposure(study) == "use" else (0.0, 0)
    return checked, max(0.0 if math.isnan(checked) else checked, most) + more


def _use_faults(study: Study, sensor: str, use: float | None, most: float) -> list[Finding]:
    if use is None:
        return []
    shown = f"{use:g}"
    if not math.isfinite(use):
        return [_fault("impossible-value", "--use", shown, "this is no use count", "Give the uses made by now.")]
    exposure = _exposure(study)
    if use < most:
        return [_fault("use-below-record", "--use", shown, f"{sensor} has {exposure} {most:g} on record already",
                       f"Give {most:g} or more, or leave --use out; a wrong entry on record is mended by a correction.",
                       f"{most:g} or more")]
    if exposure == "use" and use != int(use):
        return [_fault("not-whole", "--use", shown, "a use count is a whole number", "Correct the value.")]
    return []


def _check_faults(study: Study, tables: Tables, checks: CheckTable, sensor: str, readings: Sequence[float],
                  references: Sequence[str], loads: Sequence[float]) -> list[Finding]:
    """Judge readings and loads as those of a table are judged, and more strictly: what is typed can be typed again."""
    found: list[Finding] = []
    if "reference" in checks and not references:
        found.append(_fault("no-reference", "--reference", None, "the checks of this study have a known load, and the "
                            "reading bears none", "Give --reference with the load of the reading."))
    if references and "reference" not in checks:
        found.append(_fault("no-reference-column", "--reference", references[0], "the checks of this study have no "
                            "known load, so that this one would not be used", "Leave --reference out."))
    counted = str(checks.units.get("reading", "")) == units.COUNT
    ceiling = ceiling_of(checks, study.sensitivity or SensitivitySpec(), tables.sensors, sensor)
    for value in readings:
        shown = f"{value:g}"
        if not math.isfinite(value):
            found.append(_fault("not-a-number", "--reading", shown, "this is no reading", "Give a number."))
        elif value < 0 and (counted or math.isfinite(ceiling)):
            found.append(_fault("impossible-value", "--reading", shown, "a raw reading cannot be below zero",
                                "Correct the value.", "zero or more"))
        elif value > ceiling:
            found.append(_fault("above-full-scale", "--reading", shown, f"the reading is above the full scale of "
                                f"{ceiling:g}", "Correct the value, or full_scale in [sensitivity].",
                                f"at most {ceiling:g}"))
    for text, load in zip(references, loads, strict=False):
        if load < 0:
            found.append(_fault("impossible-value", "--reference", text, "a reference load cannot be below zero",
                                "Correct the value.", "zero or more"))
    return [*found, *_standard_faults(tables, checks, sensor, loads)]


def _standard_faults(tables: Tables, checks: CheckTable, sensor: str, loads: Sequence[float]) -> list[Finding]:
    """Refuse a reading of a check standard at one level where it is read at several: it would not enter the chart."""
    mine = np.asarray((words(checks, "sensor") == sensor)
                      & (label_of(checks, tables.sensors, "role") == STANDARD), dtype=np.bool_)
    x = numbers(checks, "reference")[mine]
    x = x[np.isfinite(x)]
    if not mine.any() or not len(x) or not len(loads):
        return []
    apart = SAME_LEVEL * float(x.max())
    if np.ptp(x) <= apart or np.ptp(np.asarray(loads)) > apart:
        return []
    return [_fault("levels-missing", "--reference", f"{loads[0]:g}", f"{sensor} is read at several loads, "
                   f"{x.min():.4g} to {x.max():.4g}, and one alone makes no sensitivity",
                   "Repeat --reading and --reference for each.")]


def _occasion_faults(study: Study, sensor: str, at: float, checked: float, use: float | None, repeat: bool
                     ) -> list[Finding]:
    """Refuse what would silently be averaged with, or stand before, the latest check on record."""
    one = _exposure(study)
    if repeat and math.isnan(checked):
        return [_fault("no-check", "--repeat", None, f"{sensor} has no check on record that could be repeated",
                       "Leave --repeat out.")]
    if repeat and use is not None and use != checked:
        return [_fault("repeat-elsewhere", "--use", f"{use:g}", f"a repeat is of the latest check, at {one} "
                       f"{checked:g}", "Leave --use out, or --repeat.")]
    if not repeat and at == checked:
        return [_fault("checked-already", "--reading", None, f"{sensor} was checked at {one} {checked:g} already, "
                       "and no later one is on record", "Say --repeat if this repeats that check, or "
                       "--use N with what it has reached by now.")]
    return []


def _rows(study: Study, checks: CheckTable, sensor: str, at: float, readings: Sequence[float], loads: Sequence[float],
          repeat: bool) -> list[dict[str, object]]:
    exposure = _exposure(study)
    mine = np.asarray(words(checks, "sensor") == sensor, dtype=np.bool_)
    taken = set(words(checks, "replicate")[mine & (numbers(checks, exposure) == at)].tolist())
    label: object = _free("repeat" if repeat else "now", taken)
    if "replicate" in checks and checks["replicate"].dtype.kind == "f":
        label = float("nan")
    made = []
    for reading, load in zip(readings, loads or [float("nan")] * len(readings), strict=True):
        row = {"sensor": sensor, exposure: at, "reading": reading, "reference": load, "level": load, "replicate": label}
        made.append({k: v for k, v in row.items() if k in checks})
    return made


def _free(label: str, taken: set[str]) -> str:
    return label if label not in taken else next(f"{label} {i}" for i in range(2, 1000) if f"{label} {i}" not in taken)


def _not_recorded(study: Study, sensor: str, at: float, readings: Sequence[float], references: Sequence[str],
                  repeat: bool) -> Finding:
    """Say how the check given here is put on record."""
    message = "the reading given here is not recorded"
    if not study.files.ledger:
        return Finding(severity="note", code="not-logged", message=message, mend=f"Write it into "
                       f"{study.files.checks or 'the table of checks'}"
                       + (", with the replicate 'repeat'." if repeat else "."))
    pairs = [f"reading={r:g}" + (f" reference={_quoted(p)}" if p else "")
             for r, p in zip(readings, references or [""] * len(readings), strict=True)]
    first = (f"drift log STUDY check sensor={_quoted(sensor)} {_exposure(study)}={at:g} {pairs[0]}"
             f"{' --repeat' if repeat else ''} --who NAME")
    rest = f"; then the same with {', with '.join(pairs[1:])}" if len(pairs) > 1 else ""
    return Finding(severity="note", code="not-logged", message=message, mend=f"Write it down with: {first}{rest}.")


def _quoted(text: str) -> str:
    return f'"{text}"' if " " in text else text


def _load(text: str, study: Study, checks: CheckTable, faults: list[Finding]) -> float:
    """Read a known load in the study's declared unit, or in the unit it bears, as the table holds it."""
    declared = study.units.get("checks", {}).get("reference")
    held = str(checks.units.get("reference", "")) or None
    try:
        try:
            value, unit = float(text), declared if isinstance(declared, str) else held
        except ValueError:
            quantity = units.parse_quantity(text)
            value, unit = quantity.value, quantity.unit
        if math.isfinite(value):
            return float(units.convert(value, unit, held)) if unit and held else value
        faults.append(_fault("bad-reference", "--reference", text, "this is no load", "Write a number, or one with a "
                             "unit such as '200 kPa'."))
    except units.UnitError as error:
        faults.append(_fault("bad-reference", "--reference", text, str(error), "Write a number, or one with a unit "
                             "such as '200 kPa'."))
    return math.nan
