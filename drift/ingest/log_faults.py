"""What is wrong with entries before they are written: cells that are missing or misspelt, sensors out of use."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drift.errors import Finding
from drift.ingest.logged import TABLE_OF, Row
from drift.records import Table, Tables
from drift.study import COLUMNS_OF, Study, named_columns, nearest

NEEDED = {"check": ("sensor", "reading"), "standard": ("sensor", "reading"), "session": ("sensor",),
          "event": ("sensor", "event"), "correction": ()}
OUT_OF_USE = ("retired", "failed", "lost")
ANYWHERE = ("sensor", "use", "time", "operator", "rig", "note", "role")


@dataclass(frozen=True, kw_only=True)
class Source:
    """The file that entries come from, and the row of each."""

    file: str
    row: tuple[int, ...]


def located(found: Finding, source: Source | None, first: int, ledger: str) -> Finding:
    """Put a finding about an entry that was never written where its row stands in the file it comes from."""
    if source is None or found.file != ledger:
        return found
    at = None if found.row is None else found.row - first
    row = source.row[at] if at is not None and 0 <= at < len(source.row) else None
    return replace(found, file=source.file, row=row)


def cell_faults(kind: str, bodies: Sequence[Mapping[str, str]], refers: int | None, study: Study,
                source: Source | None) -> list[Finding]:
    """Return what is missing or misspelt in the cells of entries, all of it at once."""
    known = _known_columns(kind, study)
    made: list[Finding] = []
    for i, body in enumerate(bodies):
        made += _row_faults(kind, body, known, source, i)
    if kind == "correction":
        made += _correction_faults(bodies[0], refers)
    return made


def _known_columns(kind: str, study: Study) -> tuple[str, ...]:
    table = TABLE_OF.get(kind, "checks")
    exposure = study.sensitivity.exposure if study.sensitivity is not None else "use"
    named = named_columns(study, table) if table == "checks" else ()
    more = ("reason", "withdraw") if kind == "correction" else ()
    return tuple(dict.fromkeys((*COLUMNS_OF[table], *ANYWHERE, exposure, *named, *more)))


def _row_faults(kind: str, body: Mapping[str, str], known: Sequence[str], source: Source | None, i: int
                ) -> list[Finding]:
    made = []
    file, row = (source.file, source.row[i]) if source is not None else (None, None)
    meant: dict[str, str] = {}
    for name in body:
        # A file may bear columns of its own; what is typed for one entry is meant to be one of ours.
        near = nearest(name, known, 0.75) if name not in known and source is None else None
        if near is not None and near not in body:
            meant[near] = name
            made.append(Finding(severity="error", code="unknown-column", file=file, row=row, column=name,
                                value=str(body[name]), message=f"a {kind} has no column {name!r}",
                                mend=f"Did you mean {near!r}?"))
    for name in NEEDED[kind]:
        if not str(body.get(name, "")).strip() and name not in meant:
            made.append(Finding(severity="error", code="empty-cell", file=file, row=row, column=name, message="a "
                                f"{kind} needs {name!r}", mend=f"Add {name}=..." if source is None else "Fill it in."))
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
