"""From a trial table to the readings of a gauge study or of an interlaboratory study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.records import TrialTable
from drift.reliability.rows import Prepared, Screened, coded_levels, combinations_of, prepare, unit_of_rows
from drift.results import join_words
from drift.study import GaugeQuestion, InterlaboratoryQuestion, ReliabilityQuestion, suggestion

ALIKE = 0.1  # references of one part may differ by this share of the range of all


@dataclass(frozen=True, kw_only=True, eq=False)
class GaugeGroup:
    """Readings of one combination of the ``by`` columns.

    ``parts`` and ``operators`` index the names; a study without an operator column has one operator without a name.
    ``references`` is None where no reference column is named.
    """

    labels: Mapping[str, str]
    values: NDArray[np.float64]
    parts: NDArray[np.intp]
    operators: NDArray[np.intp]
    part_names: tuple[str, ...]
    operator_names: tuple[str, ...]
    references: NDArray[np.float64] | None
    unit: str
    reference_unit: str = ""


def gauge_rows(trials: TrialTable, question: GaugeQuestion, screening: Screened | None,
               ) -> tuple[Prepared, tuple[GaugeGroup, ...]]:
    """Select, account for and code the rows of a gauge study.

    Raises
    ------
    DriftError
        With every error found.
    """
    facet = () if question.operator is None else (question.operator,)
    asked = ReliabilityQuestion(name=question.name, target=question.part, facet=facet, where=question.where,
                                by=question.by, replicate=question.replicate)
    early = _reference_there(trials, question)
    prepared = _prepared(trials, asked, screening, "part", "operator", early)
    groups = tuple(_gauge_group(trials, question, labels, rows)
                   for labels, rows in combinations_of(trials, question.by, prepared.used))
    findings = [f for g in groups for f in _references_differ(question, g)]
    if findings:
        raise DriftError(findings)
    return prepared, groups


@dataclass(frozen=True, kw_only=True, eq=False)
class Level:
    """Results at one level (material) of an interlaboratory study."""

    name: str
    values: NDArray[np.float64]
    laboratories: NDArray[np.intp]
    laboratory_names: tuple[str, ...]
    unit: str


def level_rows(trials: TrialTable, question: InterlaboratoryQuestion, screening: Screened | None,
               ) -> tuple[Prepared, tuple[Level, ...]]:
    """Select, account for and code the rows of an interlaboratory study, a level each."""
    target, facet = (question.material, (question.laboratory,)) if question.material else (question.laboratory, ())
    asked = ReliabilityQuestion(name=question.name, target=target, facet=facet, where=question.where,
                                replicate=question.replicate)
    prepared = _prepared(trials, asked, screening, "material" if question.material else "laboratory", "laboratory", [])
    rows = np.flatnonzero(prepared.used)
    codes, names = coded_levels(trials[question.material][rows]) if question.material else (
        np.zeros(len(rows), dtype=np.intp), ("",))
    levels = []
    for i, name in enumerate(names):
        own = rows[codes == i]
        labs, lab_names = coded_levels(trials[question.laboratory][own])
        levels.append(Level(name=name, values=np.array(trials["reading"][own], dtype=np.float64), laboratories=labs,
                            laboratory_names=lab_names, unit=unit_of_rows(trials, own)))
    return prepared, tuple(levels)


def check_gauges(trials: TrialTable, gauges: tuple[GaugeQuestion, ...],
                 laboratories: tuple[InterlaboratoryQuestion, ...]) -> tuple[Finding, ...]:
    """Return what stands in the way of gauge and interlaboratory questions; empty when they can be put."""
    found: list[Finding] = []
    for g in gauges:
        try:
            gauge_rows(trials, g, None)
        except DriftError as stopped:
            found += stopped.findings
    for q in laboratories:
        try:
            level_rows(trials, q, None)
        except DriftError as stopped:
            found += stopped.findings
    return tuple(found)


def _prepared(trials: TrialTable, asked: ReliabilityQuestion, screening: Screened | None, target: str, facet: str,
              early: list[Finding]) -> Prepared:
    """Prepare the rows as for a reliability question; what stands in the way is said in this question's words."""
    try:
        made = prepare(trials, asked, screening)
    except DriftError as stopped:
        raise DriftError((*early, *(_reworded(f, target, facet) for f in stopped.findings))) from None
    if early:
        raise DriftError(early)
    return made


def _reworded(f: Finding, target: str, facet: str) -> Finding:
    message, mend = f.message.replace(" and , and has", ", and has"), f.mend
    for old, new in (("target", target), ("facet", facet)):
        message = message.replace(f"{old} names a column", f"{new} names a column")
    message = message.removesuffix(" or ")
    mend = mend.replace("Name it as facet, replicate or in by", f"Name it as {facet}, replicate or in by" if target
                        == "part" else "Name it as replicate")
    mend = mend.replace("as target, facet and by", f"as {target}, {facet} and by")
    return replace(f, message=message, mend=mend)


def _reference_there(trials: TrialTable, question: GaugeQuestion) -> list[Finding]:
    name = question.reference
    if name is None:
        return []
    if name not in trials:
        return [Finding(severity="error", code="unknown-column", file=trials.file, value=name, question=question.name,
                        message="reference names a column that is not there",
                        mend=suggestion(name, list(trials.columns), noun="columns"))]
    column = trials[name]
    if column.dtype.kind == "f":
        return []
    found = []
    for i, v in enumerate(column):
        try:
            float(v) if v is not None else None
        except ValueError:
            found.append(Finding(severity="error", code="not-a-number", file=trials.file, row=int(trials.row[i]),
                                 column=name, value=str(v), question=question.name, expected="a number",
                                 message="a reference value is a number in the reading's unit",
                                 mend="Correct the cell, or leave it empty where the reference is not known"))
    return found


def _gauge_group(trials: TrialTable, question: GaugeQuestion, labels: Mapping[str, str],
                 rows: NDArray[np.intp]) -> GaugeGroup:
    parts, part_names = coded_levels(trials[question.part][rows])
    operators, operator_names = (np.zeros(len(rows), dtype=np.intp), ("",)) if question.operator is None else (
        coded_levels(trials[question.operator][rows]))
    references = None
    if question.reference is not None:
        references = np.array([np.nan if v is None else float(v) for v in trials[question.reference][rows]])
    return GaugeGroup(labels=labels, values=np.array(trials["reading"][rows], dtype=np.float64), parts=parts,
                      operators=operators, part_names=part_names, operator_names=operator_names,
                      references=references, unit=unit_of_rows(trials, rows),
                      reference_unit=trials.units.get(question.reference or "", ""))


def _references_differ(question: GaugeQuestion, group: GaugeGroup) -> list[Finding]:
    if group.references is None or not np.isfinite(group.references).any():
        return []
    known = np.isfinite(group.references)
    # A load is never set exactly; references that differ by a good part of their whole range are of several parts.
    allowed = ALIKE * float(np.ptp(group.references[known])) if len(group.part_names) > 1 else 0.0
    split = [name for i, name in enumerate(group.part_names) if (group.parts == i)[known].any()
             and np.ptp(group.references[(group.parts == i) & known]) > allowed]
    if not split:
        return []
    return [Finding(severity="error", code="several-references", column=question.reference, value=split[0],
                    question=question.name, expected="one reference value for each part",
                    message=f"{question.part} {join_words(split[:6])} {'has' if len(split) == 1 else 'have'} reference "
                            "values too far apart to be of one part", mend="Give each part one reference value, or "
                    "values that differ a little, in all of its rows")]
