"""A table on its way to being valid: columns converted one by one, each fault written down where it stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import Finding, Severity
from drift.ingest.columns import Placed
from drift.ingest.dates import Times, to_times
from drift.ingest.numbers import NumberFormat, Numbers, to_numbers
from drift.ingest.raw import RawColumn, RawTable
from drift.records import CalibrationTable, CheckTable, EventTable, ExposureTable, SensorTable, Table, TrialTable
from drift.study import COLUMNS_OF, nearest
from drift.units import FRACTION, UnitError, canonical, convert, is_pressure
from drift.units import kind as unit_kind
from drift.validation import at_rows

Mask = NDArray[np.bool_]
TABLE_TYPES: dict[str, type[Table]] = {"checks": CheckTable, "trials": TrialTable, "sensors": SensorTable,
                                       "events": EventTable, "calibrations": CalibrationTable,
                                       "exposures": ExposureTable}
_YES = frozenset({"1", "1.0", "yes", "y", "true", "t", "x", "ja", "j", "oui", "si", "s\u00ed", "wahr", "vrai", "vero",
                  "verdadero"})
_NO = frozenset({"", "0", "0.0", "no", "n", "false", "f", "nein", "non", "falsch", "faux", "falso"})
_UP = frozenset({"up", "u", "loading", "load", "increasing", "+", "ascending"})
_DOWN = frozenset({"down", "d", "unloading", "unload", "decreasing", "-", "descending"})


@dataclass
class Draft:
    """A table being converted.

    Parameters
    ----------
    kind : str
        ``"checks"``, ``"trials"``, ``"sensors"``, ``"events"`` or ``"session_log"``.
    raw : RawTable
    placed : Placed
    form : NumberFormat
    strict : bool
        False for a single table, where only the columns named are needed.
    """

    kind: str
    raw: RawTable
    placed: Placed
    form: NumberFormat
    date_order: str | None = None
    strict: bool = True
    columns: dict[str, NDArray[Any]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    times: dict[str, Times] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.raw)

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.columns[name]

    @property
    def file(self) -> str:
        """Name of the file."""
        return self.raw.file

    def values(self, ours: str) -> list[str]:
        """Return the distinct words of a column, sorted."""
        if ours in self.placed.at and self.columns[ours].dtype.kind != "f":
            return sorted(label for label in self.cells(ours).labels if label)
        return sorted({_shown(v) for v in self.columns[ours] if v is not None and v == v})

    @property
    def section(self) -> str:
        """Name of the section that declares how the file is written."""
        return f"[format.{self.kind}]"

    def header(self, ours: str) -> str:
        """Return the column's name as it stands in the file."""
        j = self.placed.at.get(ours)
        return ours if j is None else self.raw.header[j]

    def cells(self, ours: str) -> RawColumn:
        """Return the column's text."""
        return self.raw.columns[self.placed.at[ours]]

    def text(self, ours: str) -> Callable[[int], str | None]:
        """Return a function from position to the cell's text."""
        return self.cells(ours).text if ours in self.placed.at else lambda i: None

    def codes(self, name: str) -> NDArray[np.int64]:
        """Return a number for each distinct value of a column, shape (n_rows,)."""
        values = self.columns[name]
        if values.dtype.kind != "f" and name in self.placed.at and name not in ("direction", "exclude_reason"):
            return self.cells(name).codes.astype(np.int64)
        return value_codes(values)

    @property
    def active(self) -> Mask:
        """Rows not marked as excluded, shape (n_rows,)."""
        if "exclude" not in self.columns:
            return np.ones(len(self), dtype=bool)
        return np.asarray(self.columns["exclude"] != 1.0)

    @property
    def refused(self) -> bool:
        """Whether an error was found."""
        return any(f.severity == "error" for f in self.findings) or any(
            f.severity == "error" for f in self.raw.findings)

    def say(self, bad: Mask, ours: str, code: str, message: str | Callable[[int], str], *,
            mend: str | Callable[[int], str] = "", expected: str | None = None, severity: Severity = "error",
            **rest: Any) -> None:
        """Write down every row where a rule is broken in one column; rows with cells out of place are left out."""
        if self.raw.broken:
            bad = bad & ~np.isin(self.raw.row, list(self.raw.broken))
        if np.any(bad):
            self.findings += at_rows(bad, rows=self.raw.row, value=self.text(ours), message=message,
                                     severity=severity, code=code, file=self.raw.file, column=self.header(ours),
                                     mend=mend, expected=expected, **rest)

    def freeze(self) -> Table:
        """Return the immutable table."""
        return TABLE_TYPES[self.kind](self.columns, self.raw.row, self.raw.file, self.raw.sha256, self.units)


def _shown(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def value_codes(values: NDArray[Any]) -> NDArray[np.int64]:
    """Return a number for each distinct value, missing ones being one of them, shape (n_rows,)."""
    if values.dtype.kind in "fiu":
        return np.unique(values, return_inverse=True)[1].astype(np.int64)
    known: dict[object, int] = {}
    return np.fromiter((known.setdefault(v, len(known)) for v in values), dtype=np.int64, count=len(values))


# --- one column at a time ---------------------------------------------------------------------------------------


def add_words(draft: Draft, ours: str) -> None:
    """Take a column as words."""
    cells = draft.cells(ours)
    draft.columns[ours] = cells.words()
    if cells.is_date is not None and cells.is_date.any() and ours in LABELS and len(cells.codes):
        flags = cells.is_date & np.array([bool(label) for label in cells.labels])
        draft.say(flags[cells.codes], ours, "date-for-label", "the spreadsheet turned this label into a date",
                  mend="Format the column as text and type the label again")


LABELS = frozenset({"sensor", "participant", "session", "operator", "method", "condition", "region", "measure",
                     "replicate", "side", "rig", "cal_id", "construction", "batch", "role"})


def add_flag(draft: Draft, ours: str) -> None:
    """Take a column of yes and no as 0 and 1."""
    cells = draft.cells(ours)
    known = np.array([1.0 if c.casefold() in _YES else 0.0 if c.casefold() in _NO else np.nan
                      for c in cells.labels] or [0.0])
    values = known[cells.codes]
    draft.say(np.isnan(values), ours, "not-yes-or-no", "this is neither yes nor no", expected="yes, no or empty",
              mend="Write yes or no")
    # What is not understood stays in: leaving a row out is the writer's decision.
    draft.columns[ours] = np.where(np.isnan(values), 0.0, values)


def add_direction(draft: Draft, ours: str) -> None:
    """Take the loading direction as ``up`` or ``down``."""
    cells = draft.cells(ours)
    known = np.empty(max(len(cells.labels), 1), dtype=object)
    known[:] = [("up" if c.casefold() in _UP else "down" if c.casefold() in _DOWN else None if not c else "?")
                for c in cells.labels] or [None]
    values = known[cells.codes]
    draft.say(values == "?", ours, "unknown-choice", "this is not a direction of loading", expected="'up' or 'down'",
              mend="Write up or down, or leave the cell empty")
    known[known == "?"] = None
    draft.columns[ours] = known[cells.codes]


def add_time(draft: Draft, ours: str, *, severity: Severity = "error") -> None:
    """Take a column of dates as ISO text."""
    cells = draft.cells(ours)
    times = to_times(cells, order=draft.date_order, epoch=draft.raw.epoch)
    draft.times[ours] = times
    draft.columns[ours] = times.text
    section = draft.section

    def rows(problem: str) -> Mask:
        return np.asarray((times.problem == problem)[cells.codes])

    draft.say(rows("not a date"), ours, "not-a-date", "this is not a date", expected="2026-03-09 or 2026-03-09T14:30",
              mend="Write it as year-month-day", severity=severity)
    draft.say(rows("order"), ours, "ambiguous-date", "day and month cannot be told apart",
              expected="2026-03-09 or 2026-03-09T14:30", severity=severity,
              mend=f"Write it as year-month-day, or set dates = \"day first\" in {section}")
    draft.say(rows("serial"), ours, "serial-date", "this looks like a spreadsheet's day number", severity=severity,
              expected="2026-03-09 or 2026-03-09T14:30",
              mend=f"Format the column as a date and export again, or set dates = \"serial\" in {section}")
    draft.say(rows("impossible"), ours, "impossible-date", "there is no such date", severity=severity,
              expected="a date between 1950 and 2100", mend="Correct the date")
    if times.mixed_zones:
        draft.findings.append(Finding(
            severity="error", code="mixed-time-zones", file=draft.raw.file, column=draft.header(ours),
            message="some times state a time zone and some do not", mend="Write all of them with it, or none"))
    if times.serials:
        draft.findings.append(Finding(
            severity="note", code="serial-date", file=draft.raw.file, column=draft.header(ours),
            message=f"{times.serials} spreadsheet day {'number was' if times.serials == 1 else 'numbers were'} read as "
            f"{'a date' if times.serials == 1 else 'dates'}, such as {next(t for t in times.text if t is not None)}"))


def add_numbers(draft: Draft, ours: str, *, declared: str | None = None, fraction: bool = False) -> None:
    """Take a column as numbers and settle its unit.

    Parameters
    ----------
    draft : Draft
    ours : str
    declared : str, optional
        Unit that the study declares.
    fraction : bool
        A column of fractions: percent signs and the unit ``%`` divide by 100.
    """
    read = to_numbers(draft.cells(ours), draft.form)
    _number_findings(draft, ours, read)
    values = read.values
    unit = _settle_unit(draft, ours, declared)
    if fraction:
        share = np.ones(len(values), dtype=bool) if unit == "%" else read.percent
        values = np.where(share, values / 100.0, values)
        unit = FRACTION
    elif unit != "%" and read.percent.any():
        draft.say(read.percent, ours, "percent", "a percent sign where no percentage is expected",
                  mend=f"Take the sign out, or declare the unit: {ours} = \"%\" in [units.{draft.kind}]")
    draft.columns[ours] = values
    if unit:
        draft.units[ours] = unit


def _settle_unit(draft: Draft, ours: str, declared: str | None) -> str:
    """Return the unit of a column: declared, else as in the header; both must say the same."""
    stated = draft.placed.header_units.get(ours)
    unit = declared or ""
    if declared is not None:
        try:
            unit = canonical(declared)
        except UnitError:
            unit = " ".join(declared.split())
    if declared is not None and stated is not None and unit != stated:
        draft.findings.append(Finding(
            severity="error", code="unit-conflict", file=draft.raw.file, row=draft.raw.header_row or None,
            column=draft.header(ours), value=stated, expected=f"{unit!r} as declared in [units.{draft.kind}]",
            message=f"the header says {stated!r} and the study says {unit!r}", mend="Correct whichever is wrong"))
    return unit or stated or ""


def convert_pressure(draft: Draft, ours: str) -> None:
    """Convert a column of pressures to kPa and of forces to N; leave any other unit as it is."""
    unit = draft.units.get(ours, "")
    try:
        target = "kPa" if is_pressure(unit) else "N" if unit and unit_kind(unit) == "force" else unit
    except UnitError:
        return
    if target != unit:
        draft.columns[ours] = convert(draft.columns[ours], unit, target)
        draft.units[ours] = target


def _number_findings(draft: Draft, ours: str, read: Numbers) -> None:
    section, decimal = draft.section, draft.form.decimal
    say = draft.say
    if draft.form.mixed:
        point, comma = draft.form.mixed
        bad = read.where("ambiguous", "wrong decimal", "grouped")
        say(bad, ours, "mixed-decimals", f"the file has decimal points ({point!r}) and decimal commas ({comma!r})",
            expected="one decimal sign in the whole file",
            mend=f"Correct the cells, or set decimal and thousands in {section}")
    else:
        say(read.where("ambiguous", "grouped"), ours, "ambiguous-number",
            "it cannot be told whether the sign inside this number marks decimals or thousands",
            expected="a number without thousands separators",
            mend=f"Set decimal and thousands in {section}, such as decimal = \".\" and thousands = \",\"")
        word = {".": "point", ",": "comma"}.get(decimal or "", "sign")
        say(read.where("wrong decimal"), ours, "wrong-decimal", f"this number has no decimal {word}, others do"
            if not draft.form.declared else f"this number does not have the declared decimal {word}",
            expected=f"decimals after {decimal!r}", mend=f"Correct it, or set decimal in {section}")
    say(read.where("word for missing"), ours, "word-for-missing", "a word stands where a number or nothing belongs",
        expected="a number or, where the column may be empty, an empty cell",
        mend="Correct the cell; for a row not to be used set exclude = yes with a reason")
    say(read.where("not a number"), ours, "not-a-number", "this is not a number", expected="a number",
        mend="Correct the cell; for a row not to be used set exclude = yes with a reason")
    say(read.where("unit in cell"), ours, "unit-in-cell", "a unit stands in the cell beside the number",
        expected="a bare number", mend=f"Put the unit into the header or into [units.{draft.kind}]")
    say(read.where("not finite"), ours, "not-finite", "this number is not finite", expected="a finite number",
        mend="Correct the cell; for a row not to be used set exclude = yes with a reason")
    say(read.where("date"), ours, "date-for-number", "the spreadsheet turned this number into a date",
        expected="a number", mend="Format the column as a number and type it again")


def require(draft: Draft, ours: str) -> None:
    """Report empty cells of a column that has to be filled in rows that are used."""
    if ours not in draft.columns:
        return
    empty = draft.cells(ours).empty() if ours in draft.placed.at else np.zeros(len(draft), dtype=bool)
    mend = "Fill it in, delete the row, or set exclude = yes with a reason"
    draft.say(empty & draft.active, ours, "empty-cell", f"{ours!r} is empty", expected="a value",
              mend=mend if draft.kind in ("checks", "trials") else "Fill it in, or delete the row")


def missing_column(draft: Draft, ours: str, *, why: str = "") -> Finding:
    """Word the finding for a column that has to be there."""
    near = nearest(ours, draft.raw.header, 0.5)
    taken = {j for name, j in draft.placed.at.items() if name in COLUMNS_OF[draft.kind]}
    free = [h for j, h in enumerate(draft.raw.header) if j not in taken]
    hint = f"If it is {near!r}, add to" if near else "Say which column it is in"
    example = near or (free[0] if free else "their name")
    return Finding(severity="error", code="missing-column", file=draft.raw.file, row=draft.raw.header_row or None,
                   column=ours, message=f"there is no column {ours!r}{why}",
                   expected="one of " + ", ".join(repr(h) for h in draft.raw.header[:20]),
                   mend=f"{hint} [columns.{draft.kind}]: {ours} = \"{example}\"")
