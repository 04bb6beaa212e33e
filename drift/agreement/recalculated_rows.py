"""From raw trials to pressures through two calibrations: which rows enter, and which line each is read by."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.agreement.calibration_book import CalibrationBook, days_of, label_errors, open_book, pick, unclear_rows
from drift.agreement.pairs import Labels, labels
from drift.calibration import numbers
from drift.engine.shared_readings import CalibrationLines, DifferenceLines, difference_lines
from drift.errors import DriftError, Finding
from drift.records import TRIAL_KEYS, Table, TrialTable
from drift.results import Exclusion, RowAccount, join_words
from drift.study import AgreementQuestion, Recalculate, nearest
from drift.units import PRESSURE, UnitError, convert, is_known, is_pressure
from drift.units import kind as unit_kind

if TYPE_CHECKING:
    from drift.screening import Screening

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
# Measures that add cells up carry the intercept once for every loaded cell; measures of size have no pressure in them.
SUMS = re.compile(r"force|sum|total|impulse|integral|load\b|pti\b|fti\b|weight", re.IGNORECASE)
SIZES = re.compile(r"area|size|time|duration|centre|center|length|width|velocity|speed|cells|angle", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Recalculated:
    """One group of raw readings, each as a pressure through a and through b; row arrays have shape (n_rows,).

    Parameters
    ----------
    of : tuple of (column, value)
    unit : str
        Unit of the pressures.
    row, key, sensor, use : array
        Row in the file, row in words, sensor, uses completed (NaN where not told).
    raw, a, b : array
        Raw reading, and the pressures by a and by b.
    code : array of int
        Sensor of each row, 0..n_sensors - 1.
    sensors : tuple of str
    lines : DifferenceLines
        One for each pair of calibrations met, shape (n_lines,), in ``unit``.
    line_sensor : array of int, shape (n_lines,)
    line_use : array, shape (n_lines,)
        Mean use of the rows read through them; NaN where no use is told.
    line_of : array of int, shape (n_rows,)
    made_a, made_b : array, shape (n_lines,)
        Use at which either calibration was made; NaN where not told.
    source_a, source_b : array of str, shape (n_lines,)
    made_from, made_to : array, shape (n_lines,)
        Pressures that both calibrations of a line were made for; NaN where not told.
    flags : array of str
        ``"below zero"``, ``"outside the range of a"``, ``"at full scale"`` and so on; empty for a plain row.
    """

    of: tuple[tuple[str, str], ...]
    unit: str
    row: Ints
    key: Labels
    sensor: Labels
    use: Floats
    raw: Floats
    a: Floats
    b: Floats
    code: Ints
    sensors: tuple[str, ...]
    lines: DifferenceLines
    line_sensor: Ints
    line_use: Floats
    line_of: Ints
    made_a: Floats
    made_b: Floats
    source_a: NDArray[np.object_]
    source_b: NDArray[np.object_]
    made_from: Floats
    made_to: Floats
    flags: NDArray[np.object_]

    @property
    def k(self) -> int:
        """Number of sensors."""
        return len(self.sensors)

    @property
    def several(self) -> bool:
        """Whether a sensor was calibrated more than once by a or b."""
        return len(self.line_sensor) > self.k

    @property
    def identical(self) -> bool:
        """Whether a and b are the same lines."""
        return bool(np.all(self.lines.constant == 0) and np.all(self.lines.tilt == 0))

    @property
    def alike(self) -> bool:
        """Whether a and b differ by one and the same line on all of several sensors, to rounding."""
        ends = self.lines.over([float(self.b.min()), float(self.b.max())])
        size = float(np.max(np.abs(self.b), initial=0.0))
        return self.k > 1 and bool(np.all(np.ptp(ends, axis=0) <= 1e-9 * size))

    @property
    def flat(self) -> bool:
        """Whether nothing differs between sensors, so that there is nothing to infer to another one."""
        return self.k < 2 or self.identical or self.alike


@dataclass(frozen=True, kw_only=True, eq=False)
class RecalculatedRows:
    """All groups of a question with the account of rows: each raw row counts once."""

    groups: tuple[Recalculated, ...]
    account: RowAccount
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]
    book: CalibrationBook


class _Door:
    """Rows on their way in, and the record of those that stay out."""

    def __init__(self, trials: TrialTable, question: AgreementQuestion) -> None:
        self.trials, self.q, n = trials, question, len(trials)
        self.keep = np.ones(n, dtype=bool)
        self.masks = {kind: np.zeros(n, dtype=bool) for kind in ("outside where", "excluded")}
        self.reasons = np.full(n, "", dtype=object)
        self.findings: list[Finding] = []

    def out(self, mask: Bools, kind: str, reasons: str | Labels) -> None:
        leaving = mask & self.keep
        self.reasons[leaving] = reasons if isinstance(reasons, str) else reasons[leaving]
        self.masks[kind] |= leaving
        self.keep &= ~leaving

    def say(self, severity: str, code: str, message: str, mend: str = "", **place: str | int | None) -> None:
        self.findings.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                                     file=self.trials.file, question=self.q.name, **place))  # type: ignore[arg-type]

    def stop(self) -> None:
        if any(f.severity == "error" for f in self.findings):
            raise DriftError(self.findings)


def recalculate_rows(trials: TrialTable, question: AgreementQuestion, calibrations: Table | None, *,
                     screening: Screening | None = None,
                     full_scale: Mapping[str, float] | float | None = None) -> RecalculatedRows:
    """Express every raw reading as a pressure through calibration a and through calibration b.

    Raises
    ------
    DriftError
        If a column or calibration is unknown, the measure cannot be recalculated, or no row is left.
    """
    door, how = _Door(trials, question), question.recalculate
    assert how is not None
    column = question.sensor or "sensor"
    _columns(door, column, how)
    _narrow(door, screening)
    sensor = labels(trials[column])
    door.out(sensor == "", "excluded", f"no value in {column}")
    by = [labels(trials[c]) for c in question.by]
    for name, values in zip(question.by, by, strict=True):
        door.out(values == "", "excluded", f"no value in {name}")
    if not door.keep.any():
        door.say("error", "no-rows", f"no usable row is left of {len(trials)}",
                 "Look at where, at exclude and at empty readings.")
    _one_measure(door)
    door.stop()
    shown = labels(trials[how.shown_by]) if how.shown_by else np.full(len(trials), "", dtype=object)
    wanted = [question.a, question.b, *sorted(set(shown[door.keep]) - {""})]
    book = open_book(calibrations, wanted, source=how.source, question=question.name, full_scale=full_scale)
    roles = {"a": question.a, "b": question.b,
             **{f"a value of {how.shown_by}": v for v in wanted[2:] if v not in book.labels}}
    door.findings += label_errors(book, roles, question.name)
    unit = _unit(door, how, book)
    door.stop()
    use = numbers(trials, "use")
    day = days_of(trials["time"].tolist()) if "time" in trials else np.full(len(trials), np.nan)
    reading, factor = np.asarray(trials["reading"], float), float(convert(1.0, PRESSURE, unit))
    lines = _in_unit(book.lines, factor)
    raw = reading
    if how.readings == "calibrated":
        back, why, _ = pick(book, shown, sensor, use, day)
        door.out(back < 0, "excluded", why)
        raw = np.where(back >= 0, lines.take(np.maximum(back, 0)).reading(reading), np.nan)
    at = {}
    for side, label in (("a", question.a), ("b", question.b)):
        at[side], why, early = pick(book, np.full(len(trials), label, dtype=object), sensor, use, day)
        door.out(at[side] < 0, "excluded", why)
        if (early & door.keep).any():
            door.say("note", "before-first", f"{int((early & door.keep).sum())} readings were made before the first of "
                     f"several calibrations {label!r} of their sensor and are read through that first one")
    if not door.keep.any():
        reasons = dict.fromkeys(r for r in door.reasons[door.masks["excluded"]] if r)
        undated = any("has no use" in r or "has no time" in r for r in reasons)
        door.say("error", "no-pairs", f"no reading can be expressed through both {question.a} and {question.b}: "
                 f"{'; '.join(list(reasons)[:4])}", "Add the column use or time to the trials, or name calibrations "
                 "that were made once" + (", such as one cal_id or 'first'." if how.source == "checks" else ".")
                 if undated else "See that the sensors of the trials stand in the calibrations.")
        door.stop()
    door.findings += unclear_rows(door.reasons, question.name, trials.file)
    _summed_measure(door, book, at["a"], at["b"])
    door.stop()
    groups = _groups(door, by, sensor, use, raw, at, lines, book, unit, factor, full_scale)
    account, exclusions = _account(door)
    return RecalculatedRows(groups=groups, account=account, exclusions=exclusions, book=book,
                            findings=(*book.findings, *door.findings))


def _account(door: _Door) -> tuple[RowAccount, tuple[Exclusion, ...]]:
    from drift.ingest.accounts import account_rows

    account, exclusions, _ = account_rows(door.q.name, "trials", door.trials, outside=door.masks["outside where"],
                                          excluded=door.masks["excluded"], reasons=door.reasons)
    return account, exclusions


def _in_unit(lines: CalibrationLines, factor: float) -> CalibrationLines:
    """Return lines against a pressure unit of which ``factor`` make one kPa."""
    return CalibrationLines(intercept=lines.intercept, slope=lines.slope / factor, var_intercept=lines.var_intercept,
                            var_slope=lines.var_slope / factor**2, covariance=lines.covariance / factor)


def _columns(door: _Door, sensor: str, how: Recalculate) -> None:
    q, trials = door.q, door.trials
    wanted = [("sensor", sensor), *(("by", c) for c in q.by)]
    wanted += [("shown_by", how.shown_by)] if how.shown_by else []
    for role, column in wanted:
        if column not in trials:
            near = nearest(str(column), list(trials.columns), 0.5)
            door.say("error", "unknown-column", f"{role} names the column {column!r}, which the table does not have",
                     f"Did you mean {near!r}?" if near else f"The table has {join_words(trials.columns)}.",
                     column=column)
    if not q.a or not q.b or q.a == q.b:
        door.say("error", "same-method", f"a and b are {'both ' + repr(q.a) if q.a and q.a == q.b else 'not named'}",
                 "Name two different calibrations.")
    door.stop()


def _narrow(door: _Door, screening: Screening | None) -> None:
    """Take out rows outside the question, excluded rows and rows without a reading."""
    q, trials = door.q, door.trials
    if q.where:
        from drift.ingest.select import select_where

        said = "; ".join(f"{k} = {v}" for k, v in q.where.items())
        door.out(~select_where(trials, q.where, question=q.name), "outside where", f"outside where ({said})")
    if "exclude" in trials:
        why = labels(trials["exclude_reason"]) if "exclude_reason" in trials else door.reasons.copy()
        door.out(trials["exclude"] == 1.0, "excluded",
                 np.array([w or "marked as excluded in the table, no reason given" for w in why], dtype=object))
    if screening is not None:
        door.out(screening.dropped, "excluded", np.asarray(screening.reasons, dtype=object))
    door.out(~np.isfinite(trials["reading"]), "excluded", "no reading")


def _one_measure(door: _Door) -> None:
    q, trials = door.q, door.trials
    if "measure" not in trials or "measure" in q.by:
        return
    found = _measures(door)
    if len(found) > 1:
        door.say("error", "several-measures", f"the rows hold {len(found)} measures ({join_words(found[:6])})",
                 'Choose one in where, or add "measure" to by.', column="measure")


def _measures(door: _Door) -> list[str]:
    if "measure" not in door.trials:
        return []
    return sorted(set(labels(door.trials["measure"])[door.keep]) - {""})


def _units_met(door: _Door) -> list[str]:
    units = door.trials.units
    met = [units.get(f"reading[{m}]", units.get("reading", "")) for m in _measures(door)] or [units.get("reading", "")]
    return list(dict.fromkeys(met))


def _unit(door: _Door, how: Recalculate, book: CalibrationBook) -> str:
    """Return the unit of the pressures, or report units that cannot be recalculated."""
    met = _units_met(door)
    if len(met) > 1:
        door.say("error", "several-units", f"the readings are in several units ({join_words(met)})",
                 "Ask one question for each.", column="reading")
        return PRESSURE
    unit = met[0]
    if how.readings == "calibrated":
        if not unit:
            door.say("warning", "unknown-unit", "The unit of the readings is not declared; they are taken as kPa",
                     'Add reading = "kPa" or another unit to [units.trials].')
            return PRESSURE
        if not is_pressure(unit):
            door.say("error", "not-a-pressure", f"readings = \"calibrated\" needs pressures, and the readings are in "
                     f"{unit}", _kind_mend(unit), value=unit, column="reading")
            return PRESSURE
        return unit
    if unit and is_known(unit) and unit_kind(unit) in ("pressure", "force"):
        door.say("error", "not-raw", f"the readings are declared raw, and their unit is {unit}, a "
                 f"{unit_kind(unit)} that some calibration has made already",
                 'Set readings = "calibrated" and name in shown_by the column that says by which, or correct the unit'
                 if is_pressure(unit) else _kind_mend(unit), value=unit, column="reading")
    elif unit and book.raw_unit and unit != book.raw_unit and not _same_unit(unit, book.raw_unit):
        door.say("error", "unit-conflict", f"the trials are in {unit} and the calibrations are for readings in "
                 f"{book.raw_unit}", "Correct whichever is wrong.", value=unit, column="reading")
    return PRESSURE


def _same_unit(one: str, other: str) -> bool:
    try:
        return float(convert(1.0, one, other)) == 1.0
    except UnitError:
        return False


def _kind_mend(unit: str) -> str:
    if is_known(unit) and unit_kind(unit) == "force":
        return ("A total force is a sum over loaded cells and holds the intercept once for each of them, which cannot "
                "be undone without their number: use a peak or a mean pressure")
    return "Use a peak or a mean pressure; an area or a time does not change with the calibration line"


def _summed_measure(door: _Door, book: CalibrationBook, at_a: Ints, at_b: Ints) -> None:
    """Refuse measures that a line does not carry over from raw readings to pressures."""
    sums = [m for m in _measures(door) if SUMS.search(m)]
    sizes = [m for m in _measures(door) if SIZES.search(m) and m not in sums]
    if sizes:
        door.say("error", "measure-not-linear", f"{join_words(sizes)} is no pressure: which cells count depends on a "
                 "threshold, not on the calibration line", "Choose a peak or a mean of cells in where.",
                 value=sizes[0], column="measure")
    used = np.unique(np.concatenate([at_a[door.keep], at_b[door.keep]]))
    if sums and np.any(book.lines.intercept[used] != 0):
        door.say("error", "measure-not-linear", f"{join_words(sums)} adds up cells, each with the intercept of its "
                 "line, and how many were loaded is not known; with lines that have an intercept it cannot be "
                 "recalculated", "Choose a peak or a mean of cells in where.", value=sums[0], column="measure")


def _groups(door: _Door, by: list[Labels], sensor: Labels, use: Floats, raw: Floats, at: Mapping[str, Ints],
            lines: CalibrationLines, book: CalibrationBook, unit: str, factor: float,
            full_scale: Mapping[str, float] | float | None) -> tuple[Recalculated, ...]:
    made = []
    keys = np.array(["\x1f".join(k) for k in zip(*by, strict=True)], dtype=object) if by else np.full(len(raw), "")
    words = _row_words(door, sensor)
    for key in sorted(set(keys[door.keep])):
        rows = np.flatnonzero(door.keep & (keys == key))
        ia, ib = at["a"][rows], at["b"][rows]
        names, code = np.unique(sensor[rows].astype(str), return_inverse=True)
        pair, first, line_of = np.unique(ia * (len(book.label) + 1) + ib, return_index=True, return_inverse=True)
        line_of = line_of.reshape(-1)
        la, lb = ia[first], ib[first]
        a, b = lines.take(ia).pressure(raw[rows]), lines.take(ib).pressure(raw[rows])
        mean_use = np.bincount(line_of, weights=np.nan_to_num(use[rows]), minlength=len(pair)) / np.bincount(line_of)
        lost = np.bincount(line_of, weights=~np.isfinite(use[rows]), minlength=len(pair)) > 0
        made.append(Recalculated(
            of=tuple((c, str(v[rows[0]])) for c, v in zip(door.q.by, by, strict=True)), unit=unit,
            row=np.asarray(door.trials.row[rows]), key=words[rows], sensor=sensor[rows], use=use[rows], raw=raw[rows],
            a=a, b=b, code=code.reshape(-1).astype(np.int64), sensors=tuple(str(s) for s in names),
            lines=difference_lines(lines.take(la), lines.take(lb)),
            line_sensor=code.reshape(-1)[first].astype(np.int64),
            line_use=np.where(lost, np.nan, mean_use), line_of=line_of.astype(np.int64), made_a=book.use[la],
            made_b=book.use[lb], source_a=book.source[la], source_b=book.source[lb],
            made_from=factor * np.fmax(book.low[la], book.low[lb]),
            made_to=factor * np.fmin(book.high[la], book.high[lb]),
            flags=_flags(door, rows, a, b, ia, ib, book, factor, sensor, raw, full_scale)))
    return tuple(made)


def _row_words(door: _Door, sensor: Labels) -> Labels:
    """Return each row in words: its keys that vary, and its number."""
    trials = door.trials
    names = [c for c in TRIAL_KEYS if c in trials and c != "sensor" and len(set(labels(trials[c])[door.keep])) > 1]
    columns = [labels(trials[c]) for c in names]
    return np.array([f"sensor {sensor[j]}, " + "".join(f"{n} {c[j]}, " for n, c in zip(names, columns, strict=True))
                     + f"row {trials.row[j]}" for j in range(len(trials))], dtype=object)


def _flags(door: _Door, rows: Ints, a: Floats, b: Floats, ia: Ints, ib: Ints, book: CalibrationBook, factor: float,
           sensor: Labels, raw: Floats, full_scale: Mapping[str, float] | float | None) -> NDArray[np.object_]:
    """Mark readings that a calibration was not made for."""
    trials = door.trials
    ceiling = (np.array([full_scale.get(s, np.nan) for s in sensor[rows]], dtype=float)
               if isinstance(full_scale, Mapping) else
               np.full(len(rows), np.nan if full_scale is None else float(full_scale)))
    with np.errstate(invalid="ignore"):
        marks = [("below zero", (a < 0) | (b < 0)),
                 ("outside the range of a", (a < factor * book.low[ia]) | (a > factor * book.high[ia])),
                 ("outside the range of b", (b < factor * book.low[ib]) | (b > factor * book.high[ib])),
                 ("at full scale", (raw[rows] >= ceiling) | (numbers(trials, "saturated")[rows] > 0))]
    return np.array(["; ".join(name for name, mask in marks if mask[j]) for j in range(len(rows))], dtype=object)
