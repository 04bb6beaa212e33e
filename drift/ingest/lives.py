"""Lives of units, and a table of lifetimes read into them: exact, between two checks, or known from one side only.

Two forms: a time and what happened there, or the last time a unit was seen fit and the first time it was not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding, raise_on_error
from drift.ingest.columns import nearest_header, split_header
from drift.ingest.numbers import number_format, to_numbers
from drift.ingest.raw import RawTable
from drift.ingest.source import locate, read_raw
from drift.ingest.text import RefusedError
from drift.ingest.wide import find_column
from drift.results import Exclusion, join_words
from drift.study import Study, TextFormat

Floats = NDArray[np.float64]

FAILED_WORDS = frozenset({"1", "yes", "y", "true", "failed", "failure", "fail", "event", "dead", "died", "broken",
                          "retired", "crossed", "past"})
FIT_WORDS = frozenset({"0", "no", "n", "false", "censored", "suspended", "running", "survived", "alive", "fit", "ok",
                       "withdrawn", "lost", "still fit", "right"})


@dataclass(frozen=True, kw_only=True, eq=False)
class ObservedLives:
    """Lives of units; arrays of shape (n_units,).

    Parameters
    ----------
    unit : ndarray of str
    lower, upper : ndarray
        Life lies in (lower, upper]; equal where known exactly, ``upper`` infinite where still fit when last seen.
    cause : ndarray of str
        Why a unit failed; "" where it did not, or where causes are not told apart.
    row : ndarray of int
        Row of the file, 0 where a life was put together from several.
    per : str
        Plural of what life is counted in, such as ``"uses"`` or ``"miles"``.
    entry : ndarray, optional
        Time from which on a unit was watched, 0 for one watched from new; None where all were.
    """

    unit: NDArray[np.object_]
    lower: Floats
    upper: Floats
    cause: NDArray[np.object_]
    row: NDArray[np.int64]
    per: str
    what: str = "units"
    file: str = ""
    sha256: str = ""
    entry: Floats | None = None

    def __post_init__(self) -> None:
        for name in ("lower", "upper", "cause", "unit", *(("entry",) if self.entry is not None else ())):
            held = np.array(getattr(self, name))
            held.setflags(write=False)
            object.__setattr__(self, name, held)

    def __len__(self) -> int:
        return len(self.lower)

    @property
    def failed(self) -> NDArray[np.bool_]:
        """Units known to have failed."""
        return np.asarray(np.isfinite(self.upper))

    @property
    def exact(self) -> NDArray[np.bool_]:
        """Units whose life is known exactly."""
        return np.asarray(self.failed & (self.lower == self.upper), bool)

    @property
    def late(self) -> NDArray[np.bool_]:
        """Units that entered after their life had begun."""
        return np.zeros(len(self), bool) if self.entry is None else np.asarray(self.entry > 0, bool)

    @property
    def causes(self) -> tuple[str, ...]:
        """Causes of failure, in alphabetical order."""
        return tuple(sorted({str(c) for c in self.cause[self.failed] if c}))

    def take(self, mask: NDArray[np.bool_]) -> ObservedLives:
        """Return some of the units."""
        return replace(self, unit=self.unit[mask], lower=self.lower[mask], upper=self.upper[mask],
                       cause=self.cause[mask], row=self.row[mask],
                       entry=None if self.entry is None else self.entry[mask])


@dataclass(frozen=True, kw_only=True)
class LivesForm:
    """Which columns hold what; either ``time`` (with ``entry``) and ``event``, or ``start`` and ``end``.

    ``failed`` lists the values of the event column that are failures; without it the usual words are read.
    """

    time: str | None = None
    event: str | None = None
    start: str | None = None
    end: str | None = None
    cause: str | None = None
    unit: str | None = None
    entry: str | None = None
    failed: tuple[str, ...] = ()
    where: tuple[tuple[str, tuple[str, ...]], ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class LivesReading:
    """Lives, rows read, and the rows that did not enter."""

    lives: ObservedLives
    read: int
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]


def read_lives(path: str | Path, form: LivesForm, study: Study, *, question: str = "lifetimes",
               per: str | None = None) -> LivesReading:
    """Read a table of lifetimes; ``per`` names what life is counted in.

    Raises
    ------
    DriftError
        With every fault of the file: unknown columns or codes, times that are no numbers or below zero, an end before
        its start.
    """
    try:
        raw = read_raw(locate(str(path), None), "trials", study)
    except RefusedError as refused:
        raise DriftError(refused.finding) from None
    raise_on_error(raw.findings)
    named = {"--time": form.time, "--event": form.event, "--from": form.start, "--to": form.end,
             "--cause": form.cause, "--unit-column": form.unit, "--entry": form.entry}
    faults = [f for option, name in named.items() if name for f in _unknown(raw, name, option)]
    faults += [f for column, _ in form.where for f in _unknown(raw, column, "--where")]
    if not len(raw):
        faults.append(Finding(severity="error", code="no-rows", file=raw.file, row=raw.header_row or None,
                              message="there is a header but no row below it", mend="Export the table again"))
    raise_on_error(faults)
    keep, exclusions = _inside(raw, form, question)
    part = replace(raw, columns=[c.take(keep) for c in raw.columns], row=raw.row[keep])
    if not len(part):
        raise DriftError(Finding(severity="error", code="no-rows", file=raw.file, message="no row is left by --where",
                                 mend="Look at the values of the columns named there"))
    numbers = _Numbers(part, study)
    lower, upper, cause = _ends(part, form, numbers) if form.start else _times(part, form, numbers)
    entry = _entries(part, form, lower, upper, numbers) if form.entry else None
    if form.unit:
        _repeated_units(part, form.unit, numbers)
    raise_on_error(numbers.findings)
    at = find_column(part, form.unit) if form.unit else None
    unit = part.columns[at].words() if at is not None else np.array([f"row {r}" for r in part.row], dtype=object)
    if form.cause:
        named_causes = part.columns[_at(part, form.cause)].words()
        cause = np.array([str(c or "unknown") if np.isfinite(u) else "" for c, u in zip(named_causes, upper,
                                                                                         strict=True)], dtype=object)
    header, bracket = split_header(part.header[_at(part, form.time or form.start or "")])
    lives = ObservedLives(unit=np.array([str(u or "") for u in unit], dtype=object), lower=lower, upper=upper,
                          cause=cause, row=part.row, per=per or bracket or (header if form.time else "units of time"),
                          file=raw.file,
                          sha256=raw.sha256, entry=entry)
    return LivesReading(lives=lives, read=len(raw), exclusions=exclusions, findings=tuple(numbers.said))


def _repeated_units(part: RawTable, name: str, numbers: _Numbers) -> None:
    """Report units that have a life already: counted twice, a life would weigh double."""
    first: dict[str, int] = {}
    for i, label in enumerate(str(w or "") for w in part.columns[_at(part, name)].words()):
        if label and label in first:
            numbers.fault(i, name, f"this unit has a life already, in row {part.row[first[label]]}", "one row a unit",
                          "Delete one of them, or name the second life of a repaired unit apart", "repeated-unit")
        else:
            first.setdefault(label, i)


def _at(raw: RawTable, name: str) -> int:
    at = find_column(raw, name)
    assert at is not None
    return at


def _unknown(raw: RawTable, name: str, option: str) -> list[Finding]:
    if find_column(raw, name) is not None:
        return []
    near = nearest_header(name, raw.header)
    return [Finding(severity="error", code="missing-column", file=raw.file, row=raw.header_row or None, value=name,
                    message=f"{option} names a column that is not in the file",
                    expected="one of " + ", ".join(repr(h) for h in raw.header[:20]),
                    mend=f"Did you mean {near!r}?" if near else "Name a column of the file")]


def _inside(raw: RawTable, form: LivesForm, question: str) -> tuple[NDArray[np.bool_], tuple[Exclusion, ...]]:
    keep = np.ones(len(raw), bool)
    for column, values in form.where:
        words = raw.columns[_at(raw, column)].words()
        keep &= np.array([str(w or "") in values for w in words], bool)
    out = tuple(Exclusion(question=question, table="lifetimes", file=raw.file, row=int(r), kind="outside where",
                          reason="outside --where") for r in raw.row[~keep])
    return keep, out


class _Numbers:
    """Numbers of the columns of one table; what cannot be read becomes a finding."""

    def __init__(self, raw: RawTable, study: Study) -> None:
        self.raw, self.study, self.findings, self.said = raw, study, list[Finding](), list[Finding]()

    def fault(self, i: int, column: str, message: str, expected: str, mend: str, code: str) -> None:
        """Report one cell."""
        at = _at(self.raw, column)
        self.findings.append(Finding(severity="error", code=code, file=self.raw.file, row=int(self.raw.row[i]),
                                     column=self.raw.header[at], value=self.raw.columns[at].text(i), message=message,
                                     expected=expected, mend=mend))

    def of(self, name: str, *, open_end: bool = False) -> Floats:
        """Return times; an empty cell (or a word for infinity) is NaN where an open end may stand."""
        column = self.raw.columns[_at(self.raw, name)]
        form = number_format(self.study.format.get("trials", TextFormat()), [column], self.raw.delimiter)
        read = to_numbers(column, form)
        values, empty = read.values.copy(), read.where("empty", "not finite", "word for missing")
        for i in np.flatnonzero(~np.isfinite(values)):
            if empty[i] and open_end:
                continue
            self.fault(int(i), name, "this time is missing" if empty[i] else "this time is not a number", "a number",
                       "Fill it in" if empty[i] else "Write a plain number", "not-a-number")
        for i in np.flatnonzero(values < 0):
            self.fault(int(i), name, "a life cannot be below zero", "zero or more", "Correct the time", "negative-time")
        return values


def _ends(raw: RawTable, form: LivesForm, numbers: _Numbers) -> tuple[Floats, Floats, NDArray[np.object_]]:
    """Return lives from the last time seen fit and the first time seen past."""
    assert form.start is not None
    assert form.end is not None
    low, high = numbers.of(form.start, open_end=True), numbers.of(form.end, open_end=True)
    both_open = np.isnan(low) & np.isnan(high)
    for i in np.flatnonzero(both_open):
        numbers.fault(int(i), form.start, "both ends are missing, so nothing is known about this life",
                      "at least one of the two", "Fill in one, or take the row out", "empty-life")
    low, high = np.where(np.isnan(low), 0.0, low), np.where(np.isnan(high), np.inf, high)
    for i in np.flatnonzero(low > high):
        numbers.fault(int(i), form.start, f"the last time seen fit is after the first time seen past it "
                      f"({raw.columns[_at(raw, form.end)].text(int(i))})", "from no later than to",
                      "Exchange the two, or correct one", "from-after-to")
    return low, high, np.full(len(low), "", dtype=object)


def _times(raw: RawTable, form: LivesForm, numbers: _Numbers) -> tuple[Floats, Floats, NDArray[np.object_]]:
    """Return lives from a time and what happened there."""
    assert form.time is not None
    time = numbers.of(form.time)
    if form.event is None:
        return time, time, np.full(len(time), "", dtype=object)
    words = [str(w or "") for w in raw.columns[_at(raw, form.event)].words()]
    failed, causes = np.zeros(len(words), bool), np.full(len(words), "", dtype=object)
    chosen = {w.casefold() for w in form.failed}
    strange: set[str] = set()
    for i, word in enumerate(words):
        text = word.casefold().removesuffix(".0")
        if chosen:
            failed[i] = word.casefold() in chosen
            causes[i] = word if failed[i] and len(chosen) > 1 else ""
        elif text in FAILED_WORDS:
            failed[i] = True
        elif text not in FIT_WORDS and word not in strange:
            strange.add(word)
            numbers.fault(i, form.event, "it is not clear whether this is a failure", "1 (failed) or 0 (still fit), "
                          "yes or no, failed or censored", "Name the values that are failures with --failed",
                          "unknown-event")
    _how_read(raw, form, words, failed, numbers)
    missing = sorted(w for w in form.failed if w.casefold() not in {x.casefold() for x in words})
    for word in missing:
        numbers.findings.append(Finding(severity="error", code="unknown-event", file=raw.file, column=form.event,
                                        value=word, message="--failed names a value that is not in the column",
                                        expected="one of " + ", ".join(repr(w) for w in sorted(set(words))[:12]),
                                        mend="Write it as in the file"))
    return time, np.where(failed, time, np.inf), causes


def _entries(raw: RawTable, form: LivesForm, lower: Floats, upper: Floats, numbers: _Numbers) -> Floats:
    """Return the time from which on each unit was watched; an empty cell is one watched from new."""
    assert form.entry is not None
    entry = np.nan_to_num(numbers.of(form.entry, open_end=True), nan=0.0)
    for i in np.flatnonzero((entry > lower) | ((entry == lower) & np.isfinite(upper) & (entry > 0))):
        numbers.fault(int(i), form.entry, f"the unit was watched only from the end of its life on "
                      f"({raw.columns[_at(raw, form.time or '')].text(int(i))})", "an entry before that time",
                      "Correct one of the two; a unit that was never watched has no row", "entry-after-end")
    return entry


PLAIN = frozenset({"1", "0", "yes", "no", "y", "n", "true", "false", "failed", "failure", "fail", "censored"})


def _how_read(raw: RawTable, form: LivesForm, words: Sequence[str], failed: NDArray[np.bool_], numbers: _Numbers
              ) -> None:
    """Say how words were read that are no plain yes or no, so that a wrong reading is seen."""
    told, odd = [], False
    for fate, mask in (("a failure", failed), ("still fit", ~failed)):
        count: dict[str, int] = {}
        for word, inside in zip(words, mask.tolist(), strict=True):
            if inside and (form.failed or word.casefold().removesuffix(".0") not in PLAIN):
                count[word] = count.get(word, 0) + 1
        odd |= fate == "still fit" and any(w.casefold() in FAILED_WORDS for w in count)
        if count:
            shown = [f"{w!r} ({n} {'row' if n == 1 else 'rows'})" for w, n in count.items()]
            told.append(f"{join_words(shown)} as {fate}")
    if told:
        numbers.said.append(Finding(
            severity="warning" if odd else "note", code="event-words", file=raw.file, column=form.event,
            message=f"read were {' and '.join(told)}",
            mend="Name all values that are failures with --failed where that is wrong." if odd or not form.failed else
            ""))


def observed(lower: Sequence[float] | Floats, upper: Sequence[float] | Floats, *, cause: Sequence[str] | None = None,
             unit: Sequence[str] | None = None, per: str = "uses", what: str = "units",
             entry: Sequence[float] | Floats | None = None) -> ObservedLives:
    """Make lives from plain arrays."""
    low, high = np.asarray(lower, np.float64), np.asarray(upper, np.float64)
    n = len(low)
    return ObservedLives(unit=np.array(unit if unit is not None else [f"unit {i + 1}" for i in range(n)], dtype=object),
                         lower=low, upper=high, cause=np.array(cause if cause is not None else [""] * n, dtype=object),
                         row=np.zeros(n, np.int64), per=per, what=what,
                         entry=None if entry is None else np.asarray(entry, np.float64))
