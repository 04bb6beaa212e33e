"""What stands beside the answers of a whole study: reporting items and locks, as tables of the study."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from drift.errors import Finding
from drift.items.evidence import Evidence
from drift.items.lists import all_lists
from drift.items.result import fill, items_tables, unknown_confirmed
from drift.lock import lock_state, lock_tables
from drift.lock.words import answer as lock_answer
from drift.records import Tables
from drift.results import Column, Provenance, Result, ResultTable
from drift.study import Study

Replace = Callable[[str], str]


def evidence_of(study: Study, tables: Tables, parts: Sequence[Result], provenance: Provenance, *,
                as_written: Study | None = None, people: bool = True) -> Evidence:
    """Collect what the fillers read.

    Parameters
    ----------
    study : Study
        As it was answered: with codes in place of people where that was asked.
    tables : Tables
    parts : sequence of Result
    provenance : Provenance
    as_written : Study, optional
        As it stands in the file, which is what was locked.
    people : bool
        Whether people may be named.
    """
    return Evidence(study=study, tables=tables, parts=tuple(parts), provenance=provenance,
                    lock=lock_state(as_written or study, tables), people=people)


def beside(evidence: Evidence, *, hide: Replace | None = None) -> tuple[tuple[ResultTable, ...], tuple[Finding, ...]]:
    """Return tables and findings about reporting items and locks.

    Parameters
    ----------
    evidence : Evidence
    hide : callable, optional
        Replaces names of people in a text.
    """
    # Every version, so that whoever wants an older list finds it filled.
    lines = fill(evidence, all_lists())
    tables = (*items_tables(lines), *lock_tables(evidence.lock, people=evidence.people))
    findings = (*unknown_confirmed(evidence, lines), *_lock_findings(evidence))
    if hide is None:
        return tables, findings
    return (tuple(_hidden(t, hide) for t in tables),
            tuple(replace(f, message=hide(f.message), value=None if f.value is None else hide(f.value))
                  for f in findings))


def _lock_findings(evidence: Evidence) -> tuple[Finding, ...]:
    """Say where the study stands against its locks; a broken file of locks blocks nothing here."""
    broken = tuple(replace(f, severity="warning") for f in evidence.lock.findings)
    if not evidence.lock.entries:
        return broken
    return (*broken, Finding(severity="note", code="fixed-in-advance",
                             message=lock_answer(evidence.lock, people=evidence.people).rstrip(".")))


def _hidden(table: ResultTable, hide: Replace) -> ResultTable:
    columns = tuple(c if c.values.dtype.kind == "f" else
                    Column(name=c.name, unit=c.unit,
                           values=np.array([None if v is None else hide(str(v)) for v in c.values], dtype=object))
                    for c in table.columns)
    return ResultTable(name=table.name, columns=columns, caption=table.caption)
