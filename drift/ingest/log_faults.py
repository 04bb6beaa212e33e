"""What is wrong with entries before they are written: cells that are missing or misspelt, sensors out of use."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from drift.errors import Finding
from drift.ingest.columns import fold, split_header
from drift.ingest.logged import TABLE_OF, Row
from drift.records import Table, Tables
from drift.results import join_words
from drift.study import COLUMNS_OF, Study, named_columns, nearest
from drift.validation import ranges

NEEDED = {"check": ("sensor", "reading"), "standard": ("sensor", "reading"), "session": ("sensor",),
          "event": ("sensor", "event"), "correction": ()}
OUT_OF_USE = ("retired", "failed", "lost")
OF_SENSORS = ("construction", "batch", "full_scale")  # which checks may bear where there is no table of sensors
ANYWHERE = ("sensor", "use", "time", "operator", "rig", "note", "role")


@dataclass(frozen=True, kw_only=True)
class Source:
    """The file that entries come from, the row of each, and the columns of the file.

    Parameters
    ----------
    file : str
    row : tuple of int
    header_row : int or None
    columns : mapping of str to str
        Our name of a column, or its header where it is none of ours, to its header as it stands in the file.
    declared : frozenset of str
        Columns that the study declares under ``[columns]`` or ``[units]``: they are meant as they are.
    """

    file: str
    row: tuple[int, ...]
    header_row: int | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    declared: frozenset[str] = frozenset()


def located(found: Finding, source: Source | None, first: int, ledger: str) -> Finding:
    """Put a finding about an entry that was never written where its row stands in the file it comes from."""
    if source is None or found.file != ledger:
        return found

    def row_of(entry: int) -> int | None:
        at = entry - first
        return source.row[at] if 0 <= at < len(source.row) else None

    def in_file(found: re.Match[str]) -> str:
        row = row_of(int(found[1]))
        return f"entry {found[1]} of the ledger" if row is None else f"row {row}"

    # Numbers of entries that were never written mean nothing to the person, nor in a list of further rows.
    message = _ENTRY.sub(in_file, found.message).replace("the entry ", "the row ")
    if found.row is None and (more := _FOLDED.search(message)):
        rows = [row_of(n) or n for part in more[1].split(", ") for n in _whole(part)]
        message = f"{message[:more.start(1)]}{ranges(rows)}{message[more.end(1):]}"
    return replace(found, file=source.file, message=message, row=None if found.row is None else row_of(found.row),
                   expected="each row once" if found.expected == "each entry once" else found.expected,
                   mend=_in_file_mend(found, inside="of the ledger" not in message))


def _in_file_mend(found: Finding, *, inside: bool) -> str:
    """Return what mends a row of a file that repeats, or contradicts, another of it or an entry that stands."""
    if found.code == "exact-duplicate":
        return ("Delete one of them in the file, or number them as replicates." if inside else
                "Leave the row out of the file; a reading that was taken again bears a replicate of its own.")
    if found.code == "duplicated-key":
        return ("Number the replicates, or leave out the row that is wrong." if inside else
                "Number the replicates; where the entry is the wrong one, leave the row out and correct the entry: "
                "'drift log STUDY correction refers=NUMBER reading=... reason=\"misread\"'.")
    return found.mend


_ENTRY = re.compile(r"\bentry (\d+)")
_FOLDED = re.compile(r"in \d+ more rows \(\d+ in all\): ([\d, -]+)")


def _whole(part: str) -> range:
    """Read a range of rows: ``7-9``."""
    ends = [int(v) for v in part.split("-") if v]
    return range(ends[0], ends[-1] + 1) if ends else range(0)


def cell_faults(kind: str, bodies: Sequence[Mapping[str, str]], refers: int | None, study: Study,
                source: Source | None) -> list[Finding]:
    """Return what is missing or misspelt in the cells of entries, all of it at once."""
    known = _known_columns(kind, study)
    meant = meant_columns(kind, study, source)
    made = _header_faults(kind, meant, source) if source is not None else []
    for i, body in enumerate(bodies):
        made += _row_faults(kind, body, known, source, i, meant)
    if kind == "correction":
        made += _correction_faults(bodies[0], refers)
    return made


def _known_columns(kind: str, study: Study) -> tuple[str, ...]:
    table = TABLE_OF.get(kind, "checks")
    exposure = study.sensitivity.exposure if study.sensitivity is not None else "use"
    named = (*named_columns(study, table), *OF_SENSORS) if table == "checks" else ()
    more = ("reason", "withdraw") if kind == "correction" else ()
    return tuple(dict.fromkeys((*COLUMNS_OF[table], *ANYWHERE, exposure, *named, *more)))


def _near(name: str, known: Sequence[str]) -> str | None:
    """Return the column that a name is probably meant for.

    One letter wrong of three is too far for a measure of likeness, but a use that is not recognised is counted.
    """
    near = nearest(name, known, 0.75)
    if near is not None or len(name) != len("use"):
        return near
    slips = sum(a != b for a, b in zip(name, "use", strict=True))
    return "use" if "use" in known and (slips <= 1 or sorted(name) == sorted("use")) else None


def meant_columns(kind: str, study: Study, source: Source | None) -> dict[str, str]:
    """Return the columns of a file that are nearly one of ours which the file lacks, each with the one it is meant for.

    A file may bear columns of its own. But the ledger is never edited, and what is missing is counted or left empty.
    """
    if source is None:
        return {}
    known, made = _known_columns(kind, study), {}
    for name in source.columns:
        if name not in known and name not in source.declared:
            near = _near(fold(split_header(name)[0]), known)
            if near is not None and near not in source.columns:
                made[name] = near
    return made


def _header_faults(kind: str, meant: Mapping[str, str], source: Source) -> list[Finding]:
    return [Finding(severity="error", code="unknown-column", file=source.file, row=source.header_row,
                    column=source.columns[name], message=f"a {kind} has no column {source.columns[name]!r}, and the "
                    f"file has no column {near!r}", mend=f"Did you mean {near!r}? Rename it in the file, to {near!r} "
                    "or to a name less like it.") for name, near in meant.items()]


def own_columns(kind: str, study: Study, source: Source | None) -> list[Finding]:
    """Name the columns of a file that are none of ours and are kept as they are."""
    if source is None:
        return []
    known = _known_columns(kind, study)
    own = [h for n, h in source.columns.items() if n not in known and n not in source.declared]
    return [] if not own else [Finding(
        severity="note", code="own-columns", file=source.file, row=source.header_row, value=join_words(own),
        message=f"{'these are no columns' if len(own) > 1 else 'this is no column'} of ours and "
        f"{'are' if len(own) > 1 else 'is'} kept under {'their' if len(own) > 1 else 'its'} own name",
        mend="Where one is meant for a column of ours, correct the entries.")]


def _row_faults(kind: str, body: Mapping[str, str], known: Sequence[str], source: Source | None, i: int,
                headers: Mapping[str, str]) -> list[Finding]:
    made = []
    file, row = (source.file, source.row[i]) if source is not None else (None, None)
    meant = {near: name for name, near in headers.items() if str(body.get(name, "")).strip()}
    theirs = {near: source.columns[name] for name, near in headers.items()} if source is not None else {}
    for name in body:
        # What is typed for one entry is meant to be one of ours; the columns of a file were judged once for all rows.
        near = _near(name, known) if name not in known and source is None else None
        if near is not None and near not in body:
            meant[near] = name
            made.append(Finding(severity="error", code="unknown-column", file=file, row=row, column=name,
                                value=str(body[name]), message=f"a {kind} has no column {name!r}",
                                mend=f"Did you mean {near!r}?"))
    for name in NEEDED[kind]:
        if not str(body.get(name, "")).strip() and name not in meant:
            made.append(Finding(severity="error", code="empty-cell", file=file, row=row,
                                column=theirs.get(name, name), message=f"a {kind} needs {name!r}",
                                mend=f"Add {name}=..." if source is None else "Fill it in."))
    return made


def _correction_faults(body: Mapping[str, str], refers: int | None) -> list[Finding]:
    made = []
    if refers is None:
        made.append(Finding(severity="error", code="no-entry", column="refers", message="a correction says which entry "
                            "it is about", mend="Add refers=NUMBER, as 'drift log STUDY --show' prints it."))
    if not body.get("reason", "").strip():
        made.append(Finding(severity="error", code="no-reason", column="reason", message="a correction bears a reason",
                            mend="Add reason=\"...\"."))
    elif not set(body) - {"reason"}:
        made.append(Finding(severity="error", code="no-change", message="the correction changes nothing",
                            mend="Add the cells as they should be, or withdraw=yes."))
    return made


def uses_so_far(rows: Sequence[Row], sensor: str) -> float:
    """Return the uses a sensor has made by its checks, sessions and events in the ledger."""
    most, more = 0.0, 0
    for _, kind, body in rows:
        if body.get("sensor") != sensor or kind == "event":
            continue
        text = body.get("use", "")
        try:
            most, more = (max(most, float(text)), 0) if text else (most, more + (kind == "session"))
        except ValueError:
            continue
    return most + more


def use_findings(tables: Tables, study: Study, rows: Sequence[Row], kind: str, bodies: Sequence[Mapping[str, str]],
                 first: int, *, file: str) -> list[Finding]:
    """Judge the sensors that sessions are about: known, still in use, and not used less than before.

    A session is no row of a table unless uses are counted from the session log, so that its cells are judged here.
    """
    if kind != "session":
        return []
    made: list[Finding] = []
    known, out = _sensors(tables), _out_of_use(tables)
    for i, body in enumerate(bodies):
        name, place = body.get("sensor", ""), {"file": file, "row": first + i}
        made += _session_faults(body, known, uses_so_far(rows, name), place)
        if name in out:
            made.append(Finding(severity="warning", code="out-of-use", column="sensor", value=name, **place,  # type: ignore[arg-type]
                                message=f"this sensor was {out[name]}, and is logged as used after it",
                                mend="Do not use it; if that event is wrong, correct it."))
    return made


def _session_faults(body: Mapping[str, str], known: Sequence[str], before: float, place: Mapping[str, object]
                    ) -> Iterable[Finding]:
    name, text = body.get("sensor", ""), body.get("use", "")
    if known and name not in known:
        near = nearest(name, known, 0.6)
        yield Finding(severity="error", code="unknown-sensor", column="sensor", value=name, **place,  # type: ignore[arg-type]
                      message="no such sensor is on record", mend=f"Did you mean {near!r}?" if near else
                      "Add it to the sensors table, or log a check of it first.")
    try:
        use = float(text) if text else math.nan
    except ValueError:
        use = math.inf
    if text and not (math.isfinite(use) and use >= 0 and use == int(use)):
        yield Finding(severity="error", code="impossible-value", column="use", value=text, **place,  # type: ignore[arg-type]
                      message="this is no use count", expected="a whole number from 0 on", mend="Correct the value.")
    elif use < before:
        yield Finding(severity="warning", code="use-below-record", column="use", value=text, **place,  # type: ignore[arg-type]
                      message=f"use {before:g} of this sensor is on record already",
                      mend="Leave use= out: sessions are counted; correct the entry if it is wrong.")


def _sensors(tables: Tables) -> tuple[str, ...]:
    """Return the sensors of the sensors table, else those with a check."""
    table = tables.sensors if tables.sensors is not None else tables.checks
    return () if table is None or "sensor" not in table else tuple(dict.fromkeys(
        str(s) for s in table["sensor"] if s is not None))


def _out_of_use(tables: Tables) -> dict[str, str]:
    """Return in words why a sensor is out of use, by the sensors table and by its last event."""
    found: dict[str, str] = {}
    if tables.sensors is not None and "retired_at_use" in tables.sensors:
        for s, u in zip(tables.sensors["sensor"], tables.sensors["retired_at_use"], strict=True):
            if np.isfinite(u):
                found[s] = f"retired after use {u:g}"
    events: Table | None = tables.events
    if events is not None and "event" in events:
        uses = events["use"] if "use" in events else np.full(len(events), np.nan)
        for s, e, u in zip(events["sensor"], events["event"], uses, strict=True):
            if e in OUT_OF_USE:
                found[s] = f"{e} after use {u:g}" if np.isfinite(u) else str(e)
            elif e == "repaired" and found.get(s, "").startswith("failed"):
                del found[s]
    return found
