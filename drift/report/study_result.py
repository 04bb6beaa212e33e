"""The result of a whole study: the parts joined into one uniform result, and taken apart again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from importlib import import_module
from typing import Any, ClassVar

from drift.errors import Finding
from drift.results import Exclusion, Provenance, Result, ResultTable

ANSWERS = "answers"

_PART_HOMES = {
    "wear": ("drift.sensitivity", "WearResult"),
    "retire": ("drift.retirement", "RetirementResult"),
    "recalibrate": ("drift.retirement.recalibration", "RecalibrationResult"),
    "budget": ("drift.budget", "BudgetResult"),
    "plan": ("drift.planning.result", "PlanResult"),
    "policy": ("drift.retirement.policy", "PolicyResult"),
    "lifetimes": ("drift.retirement.life_study", "LifetimesResult"),
    "icc": ("drift.reliability", "ReliabilityResult"),
    "gauge": ("drift.reliability.gauge", "GaugeResult"),
    "interlaboratory": ("drift.reliability.interlaboratory", "InterlaboratoryResult"),
    "calibrate": ("drift.calibration", "CalibrationResult"),
    "cells": ("drift.calibration", "CellGainsResult"),
    "agree": ("drift.agreement", "AgreementResult"),
    "chart": ("drift.control", "ChartResult"),
    "today": ("drift.today", "TodayResult"),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class StudyResult(Result):
    """Everything one study answered.

    Estimates carry their question in ``of["question"]``; the table ``"answers"`` lists the questions in
    order; a part's table ``"limits"`` stands here as ``"<question>: limits"``. Nothing is lost: ``parts``
    gives back one result per question, of the class that made it.
    """

    command: ClassVar[str] = "run"

    @classmethod
    def join(cls, parts: Sequence[Result], *, question: str, answer: str, findings: Sequence[Finding],
             provenance: Provenance, tables: Sequence[ResultTable] = ()) -> StudyResult:
        """Join the results of the questions; ``findings`` and ``tables`` are those of the study as a whole."""
        listed = ResultTable.build(ANSWERS, {
            "question": [p.question for p in parts], "command": [p.command for p in parts],
            "answer": [p.answer for p in parts]}, caption="What was asked and what was found")
        accounts = tuple(a for p in parts for a in p.provenance.accounts)
        return cls(
            question=question, answer=answer,
            estimates=tuple(replace(e, of={**e.of, "question": p.question}) for p in parts for e in p.estimates),
            tables=(listed, *tables,
                    *(replace(t, name=f"{p.question}: {t.name}") for p in parts for t in p.tables)),
            findings=(*_distinct(findings),
                      *_distinct(replace(f, question=p.question) for p in parts for f in p.findings)),
            exclusions=tuple(x if x.question == p.question else replace(x, question=p.question)
                             for p in parts for x in p.exclusions),
            provenance=replace(provenance, accounts=accounts))

    @cached_property
    def parts(self) -> tuple[Result, ...]:
        """One result per question, in the order asked."""
        listed = self.table(ANSWERS)
        rows: dict[str, list[Exclusion]] = {}
        for x in self.exclusions:
            rows.setdefault(x.question, []).append(x)
        return tuple(self._part(str(q), str(c), str(a), rows.get(str(q), ())) for q, c, a in
                     zip(listed["question"], listed["command"], listed["answer"], strict=True))

    def part(self, command: str) -> Result | None:
        """Return the first part made by that command, or None."""
        return next((p for p in self.parts if p.command == command), None)

    def _part(self, question: str, command: str, answer: str, rows: Sequence[Exclusion]) -> Result:
        kind = part_class(command)
        prefix = f"{question}: "
        return kind(
            question=question, answer=answer,
            estimates=tuple(e for e in self.estimates if e.of.get("question") == question),
            tables=tuple(replace(t, name=t.name.removeprefix(prefix)) for t in self.tables
                         if t.name.startswith(prefix)),
            findings=tuple(f for f in self.findings if f.question == question),
            exclusions=tuple(rows),
            provenance=replace(self.provenance, accounts=tuple(a for a in self.provenance.accounts
                                                               if a.question == question)))

    def general_findings(self) -> tuple[Finding, ...]:
        """Return the findings that belong to no single question."""
        asked = set(self.table(ANSWERS)["question"])
        return tuple(f for f in self.findings if f.question not in asked)


def part_class(command: str) -> type[Result]:
    """Return the result class a command makes (:class:`~drift.results.Result` for an unknown one)."""
    if command not in _PART_HOMES:
        return Result
    home, name = _PART_HOMES[command]
    made: type[Result] = getattr(import_module(home), name)
    return made


def _distinct(findings: Any) -> tuple[Finding, ...]:
    return tuple(dict.fromkeys(findings))
