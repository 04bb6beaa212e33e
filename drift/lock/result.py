"""The result of ``drift lock``, and the tables that the report shows of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import ClassVar

import numpy as np

from drift._version import __version__
from drift.errors import Finding, raise_on_error
from drift.ledger import is_network
from drift.lock.canonical import GROUPS, fixed_settings, shown
from drift.lock.state import LockState, lock_file, lock_state
from drift.lock.store import append_entry
from drift.lock.words import PLACES, answer, change_text, data_sentence, day, group_sentence, moment, named
from drift.records import Tables
from drift.results import Provenance, Result, ResultTable, run_versions
from drift.study import Study


@dataclass(frozen=True, kw_only=True, eq=False)
class LockResult(Result):
    """What was locked, or how the study stands against its locks."""

    command: ClassVar[str] = "lock"


def lock_study(study: Study, tables: Tables | None, *, who: str, now: datetime | None = None) -> LockResult:
    """Fix questions, limits and plan of a study: add a lock to the file beside it.

    Parameters
    ----------
    study : Study
    tables : Tables, optional
        Whose dates say whether the lock comes before the data.
    who : str
    now : datetime, optional

    Raises
    ------
    DriftError
        When nobody is named, nothing is asked, the file does not hold together or cannot be written.
    """
    file = lock_file(study)
    raise_on_error(_cannot(study, who))
    assert file is not None
    before = lock_state(study, tables)
    made = append_entry(file, fixed_settings(study), who=who.strip(), version=__version__, now=now)
    state = lock_state(study, tables)
    told = [*_said_of_locking(study, before, state, made.time), *_network(file)]
    counts = ", ".join(f"{len(made.settings[g])} of {g}" for g in GROUPS)
    since = "" if made.number == 1 else (
        f" Nothing had changed since lock {made.number - 1}." if before.as_locked else
        f" Changed since lock {made.number - 1}: "
        f"{sum(c.at is not None and c.at.number == made.number for c in state.changes)} settings.")
    text = (f"Locked: {len(made.flat)} settings ({counts}), {named(made)}; SHA-256 {made.sha256}.{since} "
            f"{data_sentence(state)}.")
    return LockResult(question=study.study.title, answer=text, findings=tuple(told), tables=lock_tables(state),
                      provenance=Provenance(versions=run_versions()))


def _cannot(study: Study, who: str) -> list[Finding]:
    found = []
    if not who.strip():
        found.append(Finding(severity="error", code="no-name", column="--who", message="nobody is named as the one who "
                             "locks", mend="Give --who NAME"))
    settings = fixed_settings(study)
    if lock_file(study) is None or not (settings["questions"] or settings["limits"]):
        found.append(Finding(severity="error", code="nothing-to-lock", file=study.file_name, message="the study asks "
                             "no question and declares no limit", mend=f"Declare them in {study.file_name}, then lock"))
    return found


def _said_of_locking(study: Study, before: LockState, state: LockState, time: datetime) -> list[Finding]:
    """Say what a reader of the lock would ask: is it late, is something missing, does the clock run behind."""
    found = []
    if not state.present["limits"]:
        found.append(Finding(severity="warning", code="no-limit", file=study.file_name, message="no limit is "
                             "declared, so none is fixed", mend="Say in [limits], and as harmless in [[agreement]], "
                             "what would be good enough, then lock again"))
    open_ones = [k for k, v in state.flat.items() if v == "..."]
    if open_ones:
        found.append(Finding(severity="warning", code="not-filled-in", file=study.file_name, column=open_ones[0],
                             message=f"{len(open_ones)} of the locked settings still hold '...'",
                             mend="Fill them in, then lock again"))
    late = [d for d in state.dates.values() if d is not None and d.place(time) != "before"]
    for d in late:
        found.append(Finding(severity="warning", code="locked-late", message=f"the {d.table} hold readings since "
                             f"{day(d.first)}: this lock does not come before them",
                             mend="Lock the next study before its first reading"))
    if before.entries and time < before.entries[-1].time:
        found.append(Finding(severity="warning", code="clock-behind", message="the clock of this computer is behind "
                             f"the last lock ({moment(before.entries[-1])})", mend="Set the clock, then lock again"))
    return found


def _network(file: Path) -> list[Finding]:
    if not is_network(file.resolve()):
        return []
    return [Finding(severity="note", code="network-lock", message="the study lies on a network folder: the time is "
                    "that of this computer's clock, and one writer at a time is let in")]


def check_lock(study: Study, tables: Tables | None) -> LockResult:
    """Say whether the study is what its last lock says; what changed is an error.

    Parameters
    ----------
    study : Study
    tables : Tables, optional
    """
    state = lock_state(study, tables)
    findings = [*state.findings]
    if not state.entries and not state.findings:
        findings.append(Finding(severity="error", code="not-locked", message="the study has no lock",
                                mend="Fix its questions and limits with 'drift lock STUDY'"))
    findings += [Finding(severity="error", code="changed-since-lock", file=study.file_name, column=c.key,
                         message=f"this changed since lock {c.since.number}: {change_text(c)}",
                         mend="Put it back, or lock again and give the reason in the paper")
                 for c in state.changes if c.at is None]
    return LockResult(question=study.study.title, answer=answer(state), findings=tuple(findings),
                      tables=lock_tables(state), provenance=Provenance(versions=run_versions()))


def changed_findings(state: LockState, study: Study) -> tuple[Finding, ...]:
    """Return a caution for every limit or question that is not what the last lock holds, for the answers of a study.

    Additions are told in the tables; a limit that is added is told here too, since answers may rest on it.
    """
    return tuple(Finding(severity="warning", code="changed-since-lock", file=study.file_name, column=c.key,
                         message=f"this is not what lock {c.since.number} of {moment(c.since)} holds: "
                         f"{change_text(c)}",
                         mend="Put it back, or lock again and give the reason in the paper.")
                 for c in state.changes if c.at is None and (c.old is not None or c.group == "limits"))


def lock_tables(state: LockState, *, people: bool = True) -> tuple[ResultTable, ...]:
    """Return tables "locks", "fixed in advance" (by group) and "changed since the first lock".

    Parameters
    ----------
    state : LockState
    people : bool
        Whether to name who locked.
    """
    locks = ResultTable.build("locks", {
        "lock": np.array([float(e.number) for e in state.entries]), "time": [moment(e) for e in state.entries],
        "who": [e.who if people else "not shown" for e in state.entries],
        "settings": np.array([float(len(e.flat)) for e in state.entries]),
        "sha256": [e.sha256 for e in state.entries]}, caption="Locks of this study")
    fixed = ResultTable.build("fixed in advance", {
        "what": list(GROUPS), "settings": np.array([float(len(state.present[g])) for g in GROUPS]),
        "before the first reading": np.array([float(_before(state, g)) for g in GROUPS]),
        "in words": [group_sentence(state, g, people=people) for g in GROUPS]},
        caption="Whether questions, limits and plan were fixed before the data")
    # The newest first: what no lock holds is what a reader must see.
    newest = sorted(state.changes, key=lambda c: -(c.at.number if c.at else math.inf))
    changed = ResultTable.build("changed since the first lock", {
        "setting": [c.key for c in newest], "part": [c.group for c in newest],
        "old": [shown(c.old) for c in newest], "new": [shown(c.new) for c in newest],
        "changed": [f"with lock {c.at.number}, {moment(c.at)}" if c.at else "since the last lock" for c in newest],
        "against the data": [PLACES[state.place(c.key, c.at)] for c in newest]},
        caption="What changed since the first lock, the newest first")
    return tuple(t for t in (locks, fixed, changed) if len(t))


def _before(state: LockState, group: str) -> int:
    return sum(state.place(k, state.since[k]) in ("before", "no data") for k in state.present[group])
