"""A table with one row a target and one column a facet level, read into the long form that everything else reads.

An empty cell is a missing reading, not a fault; every other fault is located by the row and the column where it
stands in the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drift.errors import Finding
from drift.ingest.columns import fold, nearest_header, split_header
from drift.ingest.numbers import NumberFormat, number_format, to_numbers
from drift.ingest.raw import RawTable, encode
from drift.ingest.reading import Reading, read_raw_trials
from drift.ingest.source import locate, read_raw
from drift.ingest.text import RefusedError
from drift.ingest.wide_columns import columns_taken, in_unit_of_first
from drift.records import TRIAL_COLUMNS, TRIAL_KEYS, Tables, TrialTable
from drift.study import Study, TextFormat, named_columns

LEAST = 2
ROW = "row"
# Said of the rows of a target once, and not again of every level.
ABOUT_KEYS = ("duplicated-key", "exact-duplicate")


@dataclass(frozen=True, kw_only=True)
class WideReading:
    """What reading a wide table gave: the long reading, and how the columns were taken.

    Parameters
    ----------
    reading : Reading
        Of the long table; its findings point at the cells of the file.
    target : str
        Column that names the target; ``"row"`` where every row is a target of its own.
    levels : tuple of str
        Columns that were taken as facet levels, in the order of the file.
    """

    reading: Reading
    target: str
    levels: tuple[str, ...] = ()


def read_wide_table(source: str | Path, study: Study, *, facet: str, target: str | None = None,
                    columns: Sequence[str] | None = None) -> WideReading:
    """Read a wide trials table.

    Parameters
    ----------
    source : str or Path
    study : Study
        Made in memory; its ``[units.trials] reading`` is the unit of every level column.
    facet : str
        Name that the columns together get.
    target : str, optional
        Column that names the target. Without it: ``participant`` where there is such a column, else the first
        column where it names every row differently and is no reading, else each row is a target.
    columns : sequence of str, optional
        The level columns; without it every column of numbers that has no other part.

    Returns
    -------
    WideReading
    """
    path = locate(str(source), None)
    try:
        raw = read_raw(path, "trials", study)
    except RefusedError as refused:
        return WideReading(reading=Reading(tables=Tables(), findings=(refused.finding,)), target=target or ROW)
    ours = {fold(n) for n in TRIAL_COLUMNS} - {"reading"}
    form = number_format(study.format.get("trials", TextFormat()),
                         [c for h, c in zip(raw.header, raw.columns, strict=True) if fold(h) not in ours],
                         raw.delimiter)
    named = set(named_columns(study, "trials")) - {facet}
    unknown = [*unknown_columns(raw, columns or (), "--columns"),
               *unknown_columns(raw, [target] if target else [], "--target")]
    if unknown:
        return _refused(raw, unknown, target)
    of_target = _target(raw, target, columns, form)
    if of_target == ROW and ROW not in raw.header:
        raw = replace(raw, header=[*raw.header, ROW], columns=[*raw.columns, encode(str(r) for r in raw.row)])
    levels = _levels(raw, columns, form, {of_target, *named})
    wrong = _not_levels(raw, levels)
    if wrong:
        return _refused(raw, wrong, of_target)
    return _stacked(raw, study, levels, form, of_target, facet, said=columns is not None)


def _refused(raw: RawTable, findings: Sequence[Finding], target: str | None) -> WideReading:
    inputs = {raw.file: raw.sha256} if raw.sha256 else {}
    return WideReading(reading=Reading(tables=Tables(), findings=tuple(findings), inputs=inputs),
                       target=target or ROW)


def _not_levels(raw: RawTable, levels: Sequence[int]) -> list[Finding]:
    """Report what stands in the way of taking columns as levels: no row, fewer than two, or two of one name."""
    def found(code: str, message: str, mend: str, **rest: str) -> list[Finding]:
        return [Finding(severity="error", code=code, file=raw.file, row=raw.header_row or None, message=message,
                        mend=mend, **rest)]

    if not len(raw):
        return found("no-rows", "there is a header but no row below it", "Export the table again",
                     expected="at least one row")
    names = [raw.header[j] for j in levels]
    if len(names) < LEAST:
        there = f"only {names[0]!r} is one" if names else "there is none"
        return found("too-few-levels", f"a wide table needs two or more columns of readings, and here {there}",
                     "Name them with --columns, or give a long table with --facet and --value")
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        return found("column-twice", "two columns of readings have the same name", "Rename one of them in the file",
                     value=twice[0])
    return []


def find_column(raw: RawTable, name: str) -> int | None:
    """Return the column of that name, its unit in brackets left out where need be."""
    if name in raw.header:
        return raw.header.index(name)
    for read in (lambda h: h, lambda h: split_header(h)[0]):
        same = [j for j, h in enumerate(raw.header) if fold(read(h)) == fold(name)]
        if len(same) == 1:
            return same[0]
    return None


def unknown_columns(raw: RawTable, names: Sequence[str], option: str) -> list[Finding]:
    """Report names that no column has."""
    found = []
    for name in names:
        if find_column(raw, name) is None:
            near = nearest_header(name, raw.header)
            found.append(Finding(
                severity="error", code="missing-column", file=raw.file, row=raw.header_row or None, value=name,
                message=f"{option} names a column that is not in the file",
                expected="one of " + ", ".join(repr(h) for h in raw.header[:20]),
                mend=f"Did you mean {near!r}?" if near else "Name a column of the file"))
    return found


def _target(raw: RawTable, target: str | None, columns: Sequence[str] | None, form: NumberFormat) -> str:
    """Return the header of the target column, or "row" where each row is a target."""
    if target is not None or find_column(raw, "participant") is not None:
        at = find_column(raw, target or "participant")
        assert at is not None
        return raw.header[at]
    first = raw.columns[0]
    if columns is not None and 0 in {find_column(raw, c) for c in columns}:
        return ROW
    labels = [first.text(i) for i in range(len(raw))]
    different = all(labels) and len(set(labels)) == len(labels)
    return raw.header[0] if different and (not _numbers(raw, 0, form) or _counts(labels)) else ROW


def _counts(labels: Sequence[str]) -> bool:
    """Whether labels count the rows: 1, 2, 3, ..."""
    return all(v.isdigit() for v in labels) and [int(v) for v in labels] == list(
        range(int(labels[0]), int(labels[0]) + len(labels)))


def _numbers(raw: RawTable, j: int, form: NumberFormat) -> bool:
    """Whether most of what a column holds are numbers; the odd word in it is then a fault to be told."""
    column = raw.columns[j]
    filled = ~column.empty()
    if not filled.any():
        return False
    good = np.isfinite(to_numbers(column, form).values)
    return 2 * int(good[filled].sum()) > int(filled.sum())


def _levels(raw: RawTable, columns: Sequence[str] | None, form: NumberFormat, taken: set[str]) -> list[int]:
    """Return which columns are facet levels."""
    if columns is not None:
        return [j for c in columns if (j := find_column(raw, c)) is not None]
    ours = {fold(n) for n in (*TRIAL_COLUMNS, *taken)} - {"reading"}
    return [j for j, h in enumerate(raw.header)
            if h not in taken and fold(h) not in ours and _numbers(raw, j, form)]


def _stacked(raw: RawTable, study: Study, levels: Sequence[int], form: NumberFormat, target: str, facet: str, *,
             said: bool) -> WideReading:
    """Read every level column through the same door as any table, and put them below one another."""
    halves: list[tuple[str, TrialTable]] = []
    findings: list[Finding] = []
    others = [j for j in range(len(raw.header)) if j not in levels]
    aside = [raw.header[j] for j in others if raw.header[j] not in (target, *named_columns(study, "trials"))]
    if not said and aside:
        findings.append(Finding(severity="note", code="columns-not-levels", file=raw.file, value=", ".join(aside),
                                message="these columns are not readings and take no part as levels",
                                mend="Name the columns of readings with --columns if this is not what was meant"))
    repeated = _repeated_targets(raw, study, target, others)
    findings += repeated
    empty = [j for j in levels if raw.columns[j].empty().all()]
    levels = [j for j in levels if j not in empty]
    for j in empty:
        findings.append(Finding(severity="warning" if len(levels) >= LEAST else "error", code="level-without-reading",
                                file=raw.file, column=raw.header[j], message=f"{facet} {raw.header[j]} has no usable "
                                "reading and takes no part", mend="Fill it in, or leave the column out"))
    said_once = False
    for j in levels:
        part = _one_level(raw, j, others)
        reading = read_raw_trials(part, _study_of_level(study, raw.header[j], form, target))
        # What is wrong with the shared columns would be told once a level.
        findings += [f for f in reading.findings if (not said_once or f.column == raw.header[j] or f.row is None)
                     and not (repeated and f.code in ABOUT_KEYS)]
        said_once = True
        if reading.tables.trials is not None:
            halves.append((split_header(raw.header[j])[0], reading.tables.trials))
    findings = list(dict.fromkeys(findings))
    found: list[Finding] = []
    if len(halves) == len(levels) and not any(f.severity == "error" for f in findings):
        names, tables_of_levels = [raw.header[j] for j in levels], [t for _, t in halves]
        made, found = in_unit_of_first(tables_of_levels, names)
        found += columns_taken(made or tables_of_levels, names, facet=facet, said=said)
        halves = [(name, t) for (name, _), t in zip(halves, made or (), strict=False)]
    tables = Tables()
    if halves and len(halves) == len(levels) and not any(f.severity == "error" for f in (*findings, *found)):
        tables = Tables(trials=_long(halves, facet))
    inputs = {raw.file: raw.sha256} if raw.sha256 else {}
    return WideReading(reading=Reading(tables=tables, findings=(*findings, *found), inputs=inputs), target=target,
                       levels=tuple(raw.header[j] for j in levels))


def _repeated_targets(raw: RawTable, study: Study, target: str, others: Sequence[int]) -> list[Finding]:
    """Report rows of one target that no column tells apart: in a wide table they would be silent replicates."""
    keys = {fold(n) for n in (*TRIAL_KEYS, *named_columns(study, "trials"), target,
                              *(q.replicate for q in study.reliability if q.replicate))}
    labels = [raw.columns[j] for j in others if fold(raw.header[j]) in keys]
    if target == ROW:
        return []
    seen: dict[tuple[str, ...], int] = {}
    found = []
    for i in range(len(raw)):
        key = tuple(c.text(i) for c in labels)
        first = seen.setdefault(key, i)
        if first != i:
            at = raw.header.index(target)
            found.append(Finding(
                severity="error", code="duplicated-key", file=raw.file, row=int(raw.row[i]), column=target,
                value=raw.columns[at].text(i), message=f"the same {target} as in row {raw.row[first]}",
                expected="one row for each target",
                mend="Number the rows of a target in a column and name it with --replicate, or repeat the question "
                     "over a column that tells them apart with --by"))
    return found[:20]


def _one_level(raw: RawTable, j: int, others: Sequence[int]) -> RawTable:
    """Return the rows that have a reading in one column, with the columns that are no readings."""
    keep = ~raw.columns[j].empty()
    at = sorted((*others, j))
    return replace(raw, header=[raw.header[i] for i in at], columns=[raw.columns[i].take(keep) for i in at],
                   row=raw.row[keep], broken=set(raw.broken), findings=list(raw.findings))


def _study_of_level(study: Study, header: str, form: NumberFormat, target: str) -> Study:
    """Return the study with the level's column as the reading, and numbers read as in the whole table.

    One level holds no facet: rows of a target are told apart by the other columns that the question names.
    """
    columns = {"trials": {**study.columns.get("trials", {}), "reading": header}}
    text_format = study.format.get("trials", TextFormat())
    if form.decimal is not None:
        text_format = text_format.model_copy(update={"decimal": form.decimal, "thousands": form.thousands})
    return study.model_copy(update={"columns": columns, "format": {**study.format, "trials": text_format},
                                    "reliability": tuple(q.model_copy(update={"facet": (), "target": target})
                                                         for q in study.reliability)})


def _long(halves: Sequence[tuple[str, TrialTable]], facet: str) -> TrialTable:
    """Stack the levels in the order of rows, so that a row's readings stand together."""
    first = halves[0][1]
    shared = [n for n in first.columns if n not in ("reading", facet) and all(n in t for _, t in halves)]
    row = np.concatenate([t.row for _, t in halves])
    order = np.argsort(row, kind="stable")

    def joined(parts: Sequence[Any]) -> Any:
        return np.concatenate(list(parts))[order]

    columns: dict[str, Any] = {n: joined([t[n] for _, t in halves]) for n in shared}
    columns["reading"] = joined([t["reading"] for _, t in halves])
    columns[facet] = joined([np.full(len(t), name, dtype=object) for name, t in halves])
    return TrialTable(columns, row[order], first.file, first.sha256, first.units)

