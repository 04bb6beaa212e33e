"""From a trial table to the readings of one reliability question: which rows, which cells, what stands in the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.ingest.accounts import account_rows, excluded_rows
from drift.ingest.select import select_where
from drift.records import TRIAL_COLUMNS, TrialTable
from drift.results import Exclusion, RowAccount, join_words
from drift.study import ReliabilityQuestion

# What is measured, when, and what is said about a row are not part of the design of the study.
NOT_DESIGN = frozenset({"reading", "reading_sd", "reading_n", "reference", "saturated", "dead", "exclude",
                        "exclude_reason", "time", "date", "note", "notes", "comment", "comments", "remark", "remarks"})


class Screened(Protocol):
    """What a screening must offer: the rows that leave, and why."""

    @property
    def dropped(self) -> NDArray[np.bool_]:
        """Rows that leave the analysis, shape (n_rows,)."""
        ...

    @property
    def reasons(self) -> NDArray[np.object_]:
        """Reason of each dropped row, shape (n_rows,)."""
        ...


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Readings of one combination of the ``by`` columns, coded for the engine.

    ``targets`` and ``facets`` index ``target_names`` and ``facet_names``; ``reading_sd`` and ``reading_n``
    are NaN where a row is a single reading; ``rows`` index the trial table.
    """

    labels: Mapping[str, str]
    values: NDArray[np.float64]
    targets: NDArray[np.intp]
    facets: NDArray[np.intp]
    target_names: tuple[str, ...]
    facet_names: tuple[str, ...]
    reading_sd: NDArray[np.float64]
    reading_n: NDArray[np.float64]
    unit: str
    rows: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """All groups of a question with the account of its rows; ``used`` marks the rows of the table that enter."""

    groups: tuple[Group, ...]
    account: RowAccount
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]
    used: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=np.bool_))


def single_facet(question: ReliabilityQuestion) -> str | None:
    """Return the facet column, or None where several are named."""
    if isinstance(question.facet, str):
        return question.facet
    return question.facet[0] if len(question.facet) == 1 else None


def check_question(trials: TrialTable, question: ReliabilityQuestion) -> tuple[Finding, ...]:
    """Return what stands in the way of a question: columns that are not there, or that vary inside a cell.

    Parameters
    ----------
    trials : TrialTable
    question : ReliabilityQuestion

    Returns
    -------
    tuple of Finding
        Errors; empty when the question can be put to these rows.
    """
    from drift.reliability.g_design import is_generalizability, named_parents

    try:
        prepare(trials, question)
        if is_generalizability(question):
            named_parents(question)
    except DriftError as stopped:
        return stopped.findings
    return ()


def prepare(trials: TrialTable, question: ReliabilityQuestion, screening: Screened | None = None) -> Prepared:
    """Select, account for and code the rows of a question.

    Raises
    ------
    DriftError
        With every error found.
    """
    facets = (question.facet,) if isinstance(question.facet, str) else tuple(question.facet)
    findings = _columns_there(trials, question, facets)
    if findings:
        raise DriftError(findings)
    outside = ~select_where(trials, question.where, question=question.name)
    excluded, reasons = excluded_rows(trials), np.full(len(trials), None, dtype=object)
    if screening is not None:
        reasons[screening.dropped] = screening.reasons[screening.dropped]
        excluded = excluded | screening.dropped
    unread = np.isnan(trials["reading"])
    reasons[unread & ~excluded] = "no reading"
    unmatched = np.zeros(len(trials), dtype=bool)
    for name in dict.fromkeys((question.target, *facets, *question.by)):
        blank = _blank(trials[name])
        reasons[blank & ~excluded & ~unread & ~unmatched] = f"no {name}"
        unmatched |= blank
    reasons[outside] = None
    account, exclusions, used = account_rows(question.name, "trials", trials, outside=outside,
                                             excluded=excluded | unread, unmatched=unmatched, reasons=reasons)
    if not used.any():
        raise DriftError(Finding(
            severity="error", code="no-usable-row", file=trials.file, question=question.name,
            message=f"no row is left for the question {question.name!r}: of {account.read} read, "
                    f"{account.outside_where} lie outside its where, {account.excluded} are excluded and "
                    f"{account.unmatched} lack a {question.target} or {join_words(facets)}",
            mend="Compare where with the values in the table"))
    findings = [*_infinite(trials, question, used), *_one_measure(trials, question, used),
                *_varying_columns(trials, question, facets, used)]
    if findings:
        raise DriftError(findings)
    notes = _lost_levels(trials, question, facets, ~outside, used)
    facet = single_facet(question)
    groups = () if facet is None else tuple(
        _group(trials, question, facet, rows, labels) for labels, rows in _combinations(trials, question.by, used))
    return Prepared(groups=groups, account=account, exclusions=exclusions, findings=tuple(notes), used=used)


def text(value: object) -> str:
    """Return a cell as a label; whole numbers without a decimal point."""
    return f"{value:g}" if isinstance(value, (float, np.floating)) else str(value)


def _blank(column: NDArray[np.generic]) -> NDArray[np.bool_]:
    if column.dtype.kind == "f":
        return np.asarray(np.isnan(column))
    return np.fromiter((v is None or v == "" for v in column), dtype=bool, count=len(column))


def _codes(column: NDArray[np.generic]) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    """Codes in order of number, or of first appearance for words."""
    if column.dtype.kind == "f":
        levels, codes = np.unique(column, return_inverse=True)
        return codes.astype(np.intp), tuple(text(v) for v in levels)
    seen: dict[object, int] = {}
    codes = np.fromiter((seen.setdefault(v, len(seen)) for v in column), dtype=np.intp, count=len(column))
    return codes, tuple(text(v) for v in seen)


def _columns_there(trials: TrialTable, question: ReliabilityQuestion, facets: tuple[str, ...]) -> list[Finding]:
    found = []
    named = [("reading", "reading"), ("target", question.target), *(("facet", f) for f in facets),
             *(("compare" if b == question.compare else "by", b) for b in question.by)]
    for role, name in named:
        if name not in trials:
            found.append(Finding(severity="error", code="unknown-column", file=trials.file, value=name,
                                 question=question.name, message=f"{role} names a column that is not there",
                                 mend=f"The table has {join_words(list(trials.columns))}"))
    roles = [question.target, *facets, *question.by]
    for name in dict.fromkeys(r for r in roles if roles.count(r) > 1):
        found.append(Finding(severity="error", code="column-twice", file=trials.file, column=name,
                             question=question.name, message=f"{name!r} is given two parts in one question",
                             mend="Name different columns as target, facet and by"))
    return found


def _infinite(trials: TrialTable, question: ReliabilityQuestion, used: NDArray[np.bool_]) -> list[Finding]:
    return [Finding(severity="error", code="infinite-reading", file=trials.file, row=int(trials.row[i]),
                    column="reading", value=f"{trials['reading'][i]:g}", expected="a finite number",
                    question=question.name, message="an infinite value is no reading",
                    mend="Leave the cell empty where nothing was read, or exclude the row")
            for i in np.flatnonzero(used & np.isinf(trials["reading"]))]


def _one_measure(trials: TrialTable, question: ReliabilityQuestion, used: NDArray[np.bool_]) -> list[Finding]:
    if "measure" not in trials or "measure" in (question.target, *question.by):
        return []
    measures = _codes(trials["measure"][used & ~_blank(trials["measure"])])[1]
    if len(measures) < 2:
        return []
    return [Finding(severity="error", code="several-measures", file=trials.file, column="measure",
                    value=measures[1], question=question.name,
                    message=f"one question takes one measure, and here are {join_words(measures)}",
                    mend="Choose one in where, or add \"measure\" to by")]


def _is_design(name: str, column: NDArray[np.generic]) -> bool:
    """Whether a column describes how the study was laid out: words, and repeated whole numbers."""
    if name in NOT_DESIGN:
        return False
    if name in TRIAL_COLUMNS or column.dtype.kind != "f":
        return True
    values = column[np.isfinite(column)]
    levels = np.unique(values)
    return bool(np.all(levels == np.round(levels)) and 2 * len(levels) <= len(values))


def _varying_columns(trials: TrialTable, question: ReliabilityQuestion, facets: tuple[str, ...],
                     used: NDArray[np.bool_]) -> list[Finding]:
    """Errors for columns that vary inside a target x facet cell without a part in the question."""
    cell = np.zeros(int(used.sum()), dtype=np.intp)
    for name in (question.target, *facets, *question.by):
        codes, names = _codes(trials[name][used])
        cell = np.unique(cell * len(names) + codes, return_inverse=True)[1]
    order = np.argsort(cell, kind="stable")
    same = np.flatnonzero(cell[order][1:] == cell[order][:-1])
    known = {question.target, *facets, *question.by, question.replicate}
    rows, found = np.flatnonzero(used)[order], []
    for name, whole in trials.columns.items():
        column = whole[rows]
        if name in known or not _is_design(name, column):
            continue
        present = ~_blank(column)
        codes = _codes(column)[0]
        differs = same[present[same] & present[same + 1] & (codes[same] != codes[same + 1])]
        if len(differs):
            i = int(differs[0])
            found.append(Finding(
                severity="error", code="column-varies-in-cell", file=trials.file, row=int(trials.row[rows[i + 1]]),
                column=name, value=text(column[i + 1]), expected=f"{text(column[i])} as in row {trials.row[rows[i]]}",
                question=question.name,
                message=f"{name!r} varies between readings of the same {question.target} and "
                        f"{join_words(facets)}, and has no part in the question",
                mend=f"Name it as facet, replicate or in by, or fix it: where = {{ {name} = "
                     f"{_toml(column[i])} }}"))
    return found


def _toml(value: object) -> str:
    return text(value) if isinstance(value, (float, np.floating)) else f'"{value}"'


def _lost_levels(trials: TrialTable, question: ReliabilityQuestion, facets: tuple[str, ...],
                 inside: NDArray[np.bool_], used: NDArray[np.bool_]) -> list[Finding]:
    """Warnings for targets and facet levels none of whose rows could be used."""
    found = []
    for name in (question.target, *facets):
        column = trials[name]
        kept = set(column[used])
        lost = [text(v) for v in dict.fromkeys(column[inside & ~_blank(column)]) if v not in kept]
        if lost:
            shown = join_words(lost[:6]) + (f" and {len(lost) - 6} more" if len(lost) > 6 else "")
            found.append(Finding(severity="warning", code="level-without-reading", file=trials.file, column=name,
                                 question=question.name,
                                 message=f"{name} {shown} has no usable reading and takes no part",
                                 mend="See the excluded rows for the reasons"))
    return found


def _combinations(trials: TrialTable, by: tuple[str, ...], used: NDArray[np.bool_],
                  ) -> list[tuple[dict[str, str], NDArray[np.intp]]]:
    """Rows of each combination of the ``by`` columns, in order of the first column's levels."""
    rows = np.flatnonzero(used)
    parts: list[tuple[dict[str, str], NDArray[np.intp]]] = [({}, rows)]
    for name in by:
        levels = _codes(trials[name][rows])[1]
        names = np.array([text(v) for v in trials[name]], dtype=object)
        parts = [({**labels, name: level}, some[names[some] == level]) for labels, some in parts for level in levels]
    return [(labels, some) for labels, some in parts if len(some)]


def _group(trials: TrialTable, question: ReliabilityQuestion, facet: str, rows: NDArray[np.intp],
           labels: Mapping[str, str]) -> Group:
    targets, target_names = _codes(trials[question.target][rows])
    facets, facet_names = _codes(trials[facet][rows])
    nothing = np.full(len(rows), np.nan)
    return Group(labels=labels, values=np.array(trials["reading"][rows], dtype=np.float64), targets=targets,
                 facets=facets, target_names=target_names, facet_names=facet_names,
                 reading_sd=trials["reading_sd"][rows] if "reading_sd" in trials else nothing,
                 reading_n=trials["reading_n"][rows] if "reading_n" in trials else nothing,
                 unit=_unit(trials, rows), rows=rows)


def _unit(trials: TrialTable, rows: NDArray[np.intp]) -> str:
    if "measure" in trials:
        measures = {m for m in trials["measure"][rows] if m is not None}
        units = {trials.units.get(f"reading[{m}]") for m in measures} - {None}
        if len(units) == 1:
            return str(units.pop())
    return trials.units.get("reading", "")


# For the other readers of rows in this package.
coded_levels = _codes
combinations_of = _combinations
unit_of_rows = _unit
