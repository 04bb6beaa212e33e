"""The ledger as tables of a study: its entries, corrections applied, become rows like those of a file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drift.errors import DriftError, Finding
from drift.ingest.raw import RawTable, encode
from drift.ledger import Ledger
from drift.study import Study

TABLE_OF = {"check": "checks", "standard": "checks", "event": "events", "session": "session_log"}
KIND_OF = {"checks": "check", "events": "event", "session_log": "session"}  # of an entry with a row of each table
COLUMNS = {"checks": ("sensor", "use", "reading", "reference"), "events": ("sensor", "use", "event", "note"),
           "session_log": ("sensor", "time")}
Row = tuple[int, str, Mapping[str, str]]


def ledger_path(study: Study) -> Path | None:
    """Return where the ledger of a study lies; None where the study names none."""
    name = study.files.ledger
    if name is None or not name.strip():
        return None
    return Path(name) if study.folder is None else study.folder / name


def line_of(study: Study, kind: str) -> str:
    """Return the line of ``[files]`` that names the file of a table."""
    return f'{kind} = "{getattr(study.files, kind)}"'


def open_ledger(study: Study, *, create: bool = False) -> Ledger:
    """Open the ledger of a study.

    Raises
    ------
    DriftError
        Where the study names none, or it cannot be opened.
    """
    path = ledger_path(study)
    if path is None:
        raise DriftError(Finding(severity="error", code="no-ledger", file="study.toml", column="[files] ledger",
                                 message="the study names no ledger",
                                 mend="Add ledger = \"ledger.sqlite\" to [files]."))
    where = study.files.ledger_is
    return Ledger(path, create=create, network=None if where is None else where == "network")


def current_rows(entries: Sequence[tuple[Any, ...]]) -> list[Row]:
    """Apply corrections: number, kind and cells of every entry as it stands now; withdrawn ones are left out.

    A correction of a correction is one of the entry that it corrects. The row keeps the number of the first entry.
    """
    bodies = json.loads("[" + ",".join(e[6] for e in entries) + "]")
    if not any(e[5] is not None for e in entries):
        return [(e[0], e[4], body) for e, body in zip(entries, bodies, strict=True)]
    held: dict[int, tuple[str, Mapping[str, str]]] = {}
    origin: dict[int, int] = {}
    for (seq, _, _, _, kind, refers, _, _), body in zip(entries, bodies, strict=True):
        if kind != "correction":
            held[seq] = (kind, body)
            origin[seq] = seq
            continue
        first = origin.get(refers, refers)
        origin[seq] = first
        if first not in held:
            continue
        if body.get("withdraw"):
            del held[first]
            continue
        changed = {k: v for k, v in body.items() if k != "reason"}
        old_kind, old = held[first]
        held[first] = (old_kind, {**old, **changed})
    return [(seq, kind, body) for seq, (kind, body) in held.items()]


def logged_tables(rows: Sequence[Row], *, file: str, sha256: str = "") -> dict[str, RawTable]:
    """Return the rows of the ledger as tables of text, by table; the number of an entry is its row."""
    by: dict[str, list[Row]] = {}
    for row in rows:
        by.setdefault(TABLE_OF[row[1]], []).append(row)
    made: dict[str, RawTable] = {}
    for table, mine in by.items():
        names = list(COLUMNS[table])
        seen = set(names)
        for _, _, body in mine:
            if not seen.issuperset(body):
                more = [k for k in body if k not in seen]
                names += more
                seen.update(more)
        made[table] = RawTable(file=file, header=names, columns=[encode([b.get(k, "") for _, _, b in mine])
                                                                for k in names],
                               row=np.array([r[0] for r in mine], dtype=np.int64), sha256=sha256, header_row=0)
    return made


def read_ledger(study: Study) -> tuple[list[Row], str]:
    """Return the rows of the ledger as they stand now, and the end of its chain.

    Raises
    ------
    DriftError
        Where it cannot be opened, or entries are missing from it.
    """
    with open_ledger(study) as ledger:
        entries = ledger.rows()
        file = ledger.path.name
    if entries and (entries[-1][0] != len(entries) or entries[0][0] != 1):
        raise DriftError(Finding(severity="error", code="ledger-gap", file=file, message="the numbering of the ledger "
                                 "has a gap: entries were taken out of the file",
                                 mend="Run 'drift log STUDY --verify' and restore a copy."))
    return current_rows(entries), str(entries[-1][7]) if entries else ""


def without_written_forms(study: Study) -> Study:
    """Return the study without what it says about the writing of files: ledger rows bear our own names and points."""
    tables = set(TABLE_OF.values())
    return study.model_copy(update={
        "columns": {k: v for k, v in study.columns.items() if k not in tables},
        "format": {k: v for k, v in study.format.items() if k not in tables}})
