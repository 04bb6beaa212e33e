"""A table with two readings a row, one column each, read into the long form that everything else reads.

An empty cell is a reading that was not taken: the row has no pair and is counted as unmatched. Columns whose headers
state different units of one quantity are put into the unit of the first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drift.errors import Finding
from drift.ingest.numbers import number_format
from drift.ingest.raw import RawTable
from drift.ingest.reading import Reading, read_raw_trials
from drift.ingest.source import locate, read_raw
from drift.ingest.text import RefusedError
from drift.ingest.wide import find_column, unknown_columns
from drift.ingest.wide_columns import in_unit_of_first
from drift.records import Tables, TrialTable
from drift.study import Study, TextFormat

COMPARE, PAIR = "column", "pair"
# Every row is a pair of its own, so that rows alike in their labels are no contradiction here.
ABOUT_KEYS = ("duplicated-key", "exact-duplicate")


@dataclass(frozen=True, kw_only=True)
class PairedReading:
    """What reading a table of two columns gave.

    Parameters
    ----------
    reading : Reading
        Of the long table; ``"column"`` names the column, ``"pair"`` the row of the file.
    rows : tuple of int
        Every row of the file, those without any reading included.
    """

    reading: Reading
    rows: tuple[int, ...] = ()


def read_paired_table(source: str | Path, study: Study, a: str, b: str) -> PairedReading:
    """Read a table that holds the readings of a and of b in two columns.

    Parameters
    ----------
    source : str or Path
    study : Study
        Made in memory; its ``[units.trials] reading`` is the unit of both columns.
    a, b : str
        Headers of the two columns, a unit in brackets left out where need be.
    """
    try:
        raw = read_raw(locate(str(source), None), "trials", study)
    except RefusedError as refused:
        return PairedReading(reading=Reading(tables=Tables(), findings=(refused.finding,)))
    wrong = [*unknown_columns(raw, [a], "--a-column"), *unknown_columns(raw, [b], "--b-column")]
    at = [find_column(raw, a), find_column(raw, b)]
    if not wrong and at[0] == at[1]:
        wrong = [Finding(severity="error", code="same-column", file=raw.file, value=raw.header[at[0] or 0],
                         message="--a-column and --b-column name the same column", mend="Name two columns")]
    if wrong:
        return _read(raw, Tables(), wrong)
    columns = [j for j in at if j is not None]
    form = number_format(study.format.get("trials", TextFormat()), [raw.columns[j] for j in columns], raw.delimiter)
    halves, findings = [], []
    for j in columns:
        part = replace(raw, columns=[c.take(~raw.columns[j].empty()) for c in raw.columns],
                       row=raw.row[~raw.columns[j].empty()], broken=set(raw.broken), findings=list(raw.findings))
        if not len(part) and len(raw):
            findings.append(Finding(severity="error", code="no-readings", file=raw.file, column=raw.header[j],
                                    message="the column holds no reading", mend="Name the column of readings"))
            continue
        read = read_raw_trials(part, _study_of(study, raw.header[j], form))
        findings += [f for f in read.findings if f.code not in ABOUT_KEYS]
        if read.tables.trials is not None:
            halves.append(read.tables.trials)
    if any(f.severity == "error" for f in findings) or len(halves) < 2:
        return _read(raw, Tables(), findings)
    made, more = _one_unit(halves, [raw.header[j] for j in columns])
    tables = Tables() if made is None else Tables(trials=_long(made[0], made[1], (a, b)))
    return _read(raw, tables, [*findings, *more])


def _read(raw: RawTable, tables: Tables, findings: Sequence[Finding]) -> PairedReading:
    inputs = {raw.file: raw.sha256} if raw.sha256 else {}
    return PairedReading(reading=Reading(tables=tables, findings=tuple(dict.fromkeys(findings)), inputs=inputs),
                         rows=tuple(int(r) for r in raw.row))


def _study_of(study: Study, header: str, form: Any) -> Study:
    """Return the study with one column as the reading, and numbers read as in both columns."""
    text_format = study.format.get("trials", TextFormat())
    if form.decimal is not None:
        text_format = text_format.model_copy(update={"decimal": form.decimal, "thousands": form.thousands})
    columns = {"trials": {**study.columns.get("trials", {}), "reading": header}}
    return study.model_copy(update={"columns": columns, "format": {**study.format, "trials": text_format},
                                    "agreement": ()})


def _one_unit(halves: Sequence[TrialTable], headers: Sequence[str]) -> tuple[list[TrialTable] | None, list[Finding]]:
    """Return both tables in one unit; where one header alone states one, it is taken for both, and said."""
    units = [t.units.get("reading", "") for t in halves]
    if units[0] == units[1] or all(units):
        return in_unit_of_first(halves, headers)
    told = units[0] or units[1]
    bare = headers[units.index("")]
    made = [TrialTable(t.columns, t.row, t.file, t.sha256, {**t.units, "reading": told}) for t in halves]
    return made, [Finding(
        severity="warning", code="unit-assumed", file=halves[0].file,
        message=f"of {headers[0]!r} and {headers[1]!r} only one header states a unit, so that {bare!r} is taken to be "
                f"in {told} too", mend=f"Say --unit {told} if it is, or write the unit into the header if it is "
                                       "another")]


def _long(first: TrialTable, second: TrialTable, names: tuple[str, str]) -> TrialTable:
    """Stack both columns in the order of rows, the first column's reading of a row before the second's."""
    shared = [n for n in first.columns if n in second.columns and n not in (*names, "reading")]
    row = np.concatenate([first.row, second.row])
    order = np.argsort(row, kind="stable")

    def joined(name: str) -> Any:
        return np.concatenate([first[name], second[name]])[order]

    columns: dict[str, Any] = {name: joined(name) for name in (*shared, "reading")}
    columns[COMPARE] = np.repeat(np.array(names, dtype=object), [len(first), len(second)])[order]
    columns[PAIR] = np.array([str(r) for r in row[order]], dtype=object)
    return TrialTable(columns, row[order], first.file, first.sha256, first.units)

