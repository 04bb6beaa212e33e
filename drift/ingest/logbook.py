"""Writing into the ledger: an entry is judged like a row of a table before it is written, and told back."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from drift.errors import DriftError, Finding, raise_on_error
from drift.ingest.log_faults import (
    NEEDED,
    Source,
    cell_faults,
    located,
    meant_columns,
    own_columns,
    use_findings,
    uses_so_far,
)
from drift.ingest.log_typed import as_typed, at_latest_check, with_reason
from drift.ingest.logged import Row, current_rows, ledger_path, logged_tables, open_ledger, read_ledger
from drift.ingest.reading import read_tables
from drift.ledger import Entry, Stored
from drift.results import Provenance, Result, ResultTable, run_versions
from drift.study import Study

REPEAT = "repeat"
MOST_SHOWN, FEW_SHOWN = 20, 5  # entries written at once that are all told back, and how many of more


@dataclass(frozen=True, kw_only=True, eq=False)
class LogResult(Result):
    """What was written into the ledger, or what it holds."""

    command: ClassVar[str] = "log"


def log(study: Study, kind: str, bodies: Sequence[Mapping[str, str]], *, who: str, refers: int | None = None,
        repeat: bool = False, now: datetime | None = None, source: Source | None = None,
        anyway: str = "") -> LogResult:
    """Write entries of one kind, all or none.

    Parameters
    ----------
    study : Study
        Its ``[files] ledger`` is made where it does not exist.
    kind : {"check", "standard", "session", "event", "correction"}
    bodies : sequence of mapping
        Cells by column, as text. A use count, a time and the role of a check standard are filled in where they are
        left out.
    who : str
    refers : int, optional
        Entry that a correction is about.
    repeat : bool
        The checks repeat the sensor's latest one.
    now : datetime, optional
    source : Source, optional
        The file that the entries come from, by which findings are located.
    anyway : str
        Why an entry is written that 'drift today' would refuse; it is kept in the entry.

    Raises
    ------
    DriftError
        With every finding; then nothing is written.
    """
    if not who.strip():
        raise DriftError(Finding(severity="error", code="no-name", column="--who", message="nobody is named as the one "
                                 "who writes", mend="Give --who NAME."))
    faults = cell_faults(kind, bodies, refers, study, source)
    if faults and source is not None:
        faults += _further_faults(study, kind, bodies, source, now or datetime.now())
        faults.sort(key=lambda f: f.row or 0)
    raise_on_error(faults)
    told: list[Finding] = own_columns(kind, study, source)
    entries: list[Entry] = []
    with open_ledger(study, create=True) as ledger:
        def judge(first: int) -> None:
            rows = current_rows(ledger.rows())
            made = [with_reason(b, anyway) for b in _all_filled(kind, bodies, rows, study, first, repeat=repeat,
                                                                now=now or datetime.now())]
            entries.extend(Entry(kind=kind, body=b, refers=refers) for b in made)
            told.extend(_judged(study, ledger.path.name, rows, kind, made, first, refers, source,
                                anyway=bool(anyway)))

        # The list is filled by the judge, under the write lock.
        stored = ledger.append(entries, who=who.strip(), judge=judge)
        network = ledger.network
    if network:
        told.append(Finding(severity="note", code="network-ledger", file=ledger.path.name, message="the ledger lies on "
                            "a network folder: a rollback journal and one writer at a time are used, which is slower",
                            mend="Keep it on a local disk where you can, or set ledger_is = \"local\" under [files]."))
    counted = [new.body["use"] for old, new in zip(bodies, entries, strict=True) if "use" not in old and
               "use" in new.body]
    return _result(study, _told_back(kind, stored, refers) + _counted(len(counted), len(stored)),
                   [_entry_table(stored) if len(stored) <= MOST_SHOWN else _entry_table(stored[-FEW_SHOWN:],
                                                                                       of=len(stored))], told)


def _further_faults(study: Study, kind: str, bodies: Sequence[Mapping[str, str]], source: Source, now: datetime
                    ) -> list[Finding]:
    """Judge the rows of a file that is refused already, its columns taken as they are meant, to name all at once."""
    meant = meant_columns(kind, study, source)
    named = [{meant.get(k, k): v for k, v in b.items()} for b in bodies]
    whole = [i for i, b in enumerate(named) if all(b.get(k, "").strip() for k in NEEDED[kind])]
    path = ledger_path(study)
    if path is None or not whole:
        return []
    rows = read_ledger(study)[0] if path.is_file() else []
    first = max((r[0] for r in rows), default=0) + 1
    made = _all_filled(kind, [named[i] for i in whole], rows, study, first, repeat=False, now=now)
    back = {near: source.columns[name] for name, near in meant.items()}
    try:
        _judged(study, path.name, rows, kind, made, first, None,
                replace(source, row=tuple(source.row[i] for i in whole)))
    except DriftError as error:
        return [replace(f, column=back.get(f.column or "", f.column)) for f in error.findings if f.severity == "error"]
    return []


def _all_filled(kind: str, bodies: Sequence[Mapping[str, str]], rows: Sequence[Row], study: Study, first: int, *,
                repeat: bool, now: datetime) -> list[dict[str, str]]:
    """Fill in all entries, each after those before it."""
    so_far, made = list(rows), []
    for i, b in enumerate(bodies):
        made.append(_filled(kind, dict(b), so_far, study, repeat=repeat, now=now))
        if kind != "check":  # a check counts at the present use and moves none
            so_far.append((first + i, kind, made[-1]))
    return made


def _counted(n: int, of: int) -> str:
    """Say that uses were not given: they follow from what the ledger holds, which may lack some."""
    if not n:
        return ""
    return (" No use was given: it was counted from the ledger." if of == 1 else
            f" No use was given for {'any of them: they were' if n == of else f'{n} of them: these were'} counted from "
            "the ledger.")


def _filled(kind: str, body: dict[str, str], rows: Sequence[Row], study: Study, *, repeat: bool, now: datetime
            ) -> dict[str, str]:
    """Fill in what follows from the ledger: the use count, the time, the role of a check standard."""
    body = {k: str(v).strip() for k, v in body.items()}
    if kind in ("correction",):
        return body
    sensor, exposure = body["sensor"], study.sensitivity.exposure if study.sensitivity is not None else "use"
    if kind != "event" or body.get("event") == "new baseline":  # which starts with the reading of its day
        body.setdefault("time", now.isoformat(timespec="minutes"))
    if kind == "standard":
        body.setdefault("role", "check standard")
        if exposure == "use" and "use" not in body:
            body["use"] = f"{_occasion(rows, sensor, body['time']):g}"
    elif kind == "check" and repeat:
        body = at_latest_check(body, rows, exposure)
    elif exposure == "use" and "use" not in body:
        so_far = uses_so_far(rows, sensor)
        body["use"] = f"{so_far + (kind == 'session'):g}"
    if kind == "check" and repeat:
        body.setdefault("replicate", _repeat_label(rows, body))
    return body


def _occasion(rows: Sequence[Row], sensor: str, time: str) -> float:
    """Occasion of a check standard: that of the same day, else the next."""
    mine = [(b.get("time", "")[:10], float(b["use"])) for _, kind, b in rows
            if kind in ("standard", "check") and b.get("sensor") == sensor  # a table that was taken in has checks
            and b.get("use", "").replace(".", "", 1).isdigit()]
    if not mine:
        return 0.0
    same = [u for day, u in mine if day == time[:10]]
    return max(same) if same else max(u for _, u in mine) + 1


def _repeat_label(rows: Sequence[Row], body: Mapping[str, str]) -> str:
    """Name a repeat; a reading of another level belongs to the repeat under way."""
    key = tuple(body.get(k, "") for k in ("sensor", "use"))
    load = body.get("level") or body.get("reference", "")
    taken = {(b.get("replicate", ""), b.get("level") or b.get("reference", "")) for _, kind, b in rows
             if kind == "check" and tuple(b.get(k, "") for k in ("sensor", "use")) == key}
    for number in range(1, 1000):
        label = REPEAT if number == 1 else f"{REPEAT} {number}"
        if (label, load) not in taken:
            return label
    return REPEAT


def _judged(study: Study, name: str, rows: list[Row], kind: str, bodies: Sequence[Mapping[str, str]], first: int,
            refers: int | None, source: Source | None, *, anyway: bool = False) -> list[Finding]:
    """Read the study as it would be with the entries, and refuse what makes it wrong; return what is worth saying."""
    if kind == "correction":
        pending, numbers = _corrected(rows, bodies[0], refers, name), {refers}
    else:
        fresh = [(first + i, kind, b) for i, b in enumerate(bodies)]
        pending, numbers = [*rows, *fresh], {r[0] for r in fresh}
    reading = read_tables(study, pending=pending)
    found = (*reading.findings, *use_findings(reading.tables, study, rows, kind, bodies, first, file=name))
    own = [f for f in found if f.file == name and (f.row in numbers or (f.row is None and f.severity == "error"))]
    home = [f for f in found if f.code == "two-homes"]
    own = [located(f, source, first, name) for f in own]
    if source is None:
        own = as_typed(own, kind, bodies, anyway=anyway)
    raise_on_error((*home, *own))
    return [f for f in own if f.severity == "warning"]


def _corrected(rows: list[Row], body: Mapping[str, str], refers: int | None, file: str) -> list[Row]:
    at = next((i for i, r in enumerate(rows) if r[0] == refers), None)
    if at is None:
        raise DriftError(Finding(severity="error", code="no-entry", file=file, column="refers", value=str(refers),
                                 message="there is no such entry, or it was withdrawn",
                                 mend="See the numbers with 'drift log STUDY --show 20'."))
    seq, kind, old = rows[at]
    if body.get("withdraw"):
        return rows[:at] + rows[at + 1:]
    return [*rows[:at], (seq, kind, {**old, **{k: v for k, v in body.items() if k != "reason"}}), *rows[at + 1:]]


def show(study: Study, last: int) -> LogResult:
    """Return the last entries of the ledger as they were written; a ledger that nobody wrote into yet is empty."""
    path = ledger_path(study)
    if path is not None and not path.exists():
        return _result(study, f"Nothing was logged yet: the first entry makes {path.name}, such as 'drift log STUDY "
                       "check sensor=P01 reading=197 reference=200', or 'drift log STUDY --import FILE'.",
                       [_entry_table(())], [])
    with open_ledger(study) as ledger:
        entries = ledger.entries()
    shown = entries[-last:] if last else ()
    return _result(study, f"The ledger holds {_entries(len(entries))}"
                   + (f", the last of {entries[-1].logged} by {entries[-1].who}." if entries else "."),
                   [_entry_table(shown)], [])


def verify(study: Study) -> LogResult:
    """Check file, numbering and chain of the ledger."""
    with open_ledger(study) as ledger:
        wrong, (n, chain) = ledger.verify(), ledger.last()
        file = ledger.path.name
    found = [Finding(severity="error", code="ledger-damaged", file=file, message=w, mend="Restore a copy of the file.")
             for w in wrong]
    answer = (f"The ledger is not as it was written: {wrong[0]}." if wrong else
              f"The ledger is whole: {_entries(n)}, nothing missing, nothing changed; its chain ends in {chain[:16]}.")
    return _result(study, answer, [], found)


def export(study: Study, folder: str | Path) -> LogResult:
    """Write the ledger as tables of the data contract: checks, events, session log, and all entries as written.

    Raises
    ------
    DriftError
        Where a file of that name is there already, or the ledger is damaged.
    """
    with open_ledger(study) as ledger:
        wrong, entries = ledger.verify(), ledger.entries()
        rows, name = current_rows(ledger.rows()), ledger.path.name
    raise_on_error([Finding(severity="error", code="ledger-damaged", file=name, message=w, mend="Restore a copy of the "
                            "file.") for w in wrong])
    out = Path(folder)
    texts = {f"{kind}.csv": _table_text(raw) for kind, raw in logged_tables(rows, file=name).items()}
    texts["entries.csv"] = _entries_text(entries)
    there = sorted(f for f in texts if (out / f).exists())
    if there:
        raise DriftError(Finding(severity="error", code="file-exists", file=str(out), value=", ".join(there),
                                 message="files of these names are there already", mend="Name an empty folder."))
    try:
        out.mkdir(parents=True, exist_ok=True)
        for file, text in texts.items():
            partial = out / f".{file}.partial"
            partial.write_text(text, encoding="utf-8", newline="")
            partial.replace(out / file)
    except OSError as error:
        raise DriftError(Finding(severity="error", code="cannot-write", file=str(out), message="the folder cannot be "
                                 f"written ({error.strerror or error})", mend="Choose another folder.")) from error
    listed = ResultTable.build("files written", {"file": sorted(texts)}, caption="Files written")
    return _result(study, f"{_entries(len(entries))[0].upper()}{_entries(len(entries))[1:]} written as tables to "
                   f"{folder}.", [listed], [])


def _table_text(raw: Any) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(raw.header)
    writer.writerows([c.text(i) for c in raw.columns] for i in range(len(raw)))
    return text.getvalue()


def _entries_text(entries: Sequence[Stored]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["entry", "logged", "who", "kind", "refers", "cells", "chain"])
    writer.writerows([e.seq, e.logged, e.who, e.kind, "" if e.refers is None else e.refers, _cells(e), e.chain]
                     for e in entries)
    return text.getvalue()


def _cells(e: Stored) -> str:
    return "; ".join(f"{k}={v}" for k, v in e.body.items() if v)


def _entry_table(entries: Sequence[Stored], *, of: int | None = None) -> ResultTable:
    return ResultTable.build("entries", {
        "entry": [float(e.seq) for e in entries], "logged": [e.logged for e in entries],
        "who": [e.who for e in entries], "kind": [e.kind for e in entries],
        "refers": [np.nan if e.refers is None else float(e.refers) for e in entries],
        "cells": [_cells(e) for e in entries]}, caption="Entries" if of is None else f"The last {len(entries)} of "
        f"these {of} entries ('drift log STUDY --show N' prints more)")


def _entries(n: int) -> str:
    return "no entry" if n == 0 else "1 entry" if n == 1 else f"{n} entries"


def _told_back(kind: str, stored: Sequence[Stored], refers: int | None) -> str:
    first, last = stored[0], stored[-1]
    which = f"entry {first.seq}" if len(stored) == 1 else f"entries {first.seq} to {last.seq}"
    about = f" of entry {refers}" if refers is not None else (
        f" of {first.body.get('sensor')}" if len(stored) == 1 else "")
    at = f" at use {first.body['use']}" if len(stored) == 1 and first.body.get("use") else ""
    return f"Logged as {which} by {first.who}: {kind}{about}{at}."


def _result(study: Study, answer: str, tables: Sequence[ResultTable], findings: Sequence[Finding]) -> LogResult:
    path = ledger_path(study)
    return LogResult(question=path.name if path is not None else "ledger", answer=answer, tables=tuple(tables),
                     findings=tuple(findings), provenance=Provenance(versions=run_versions()))
