"""What the fillers read: the study, its results, the rows behind each question, and the locks."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.ingest.select import as_words, select_where
from drift.lock import LockState
from drift.records import Tables, TrialTable
from drift.results import Estimate, Provenance, Result, ResultTable, format_interval, join_words
from drift.study import AgreementQuestion, ReliabilityQuestion, ReportingSpec, Study

MOST = 6  # estimates told in a sentence; the others stand in the tables


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Everything a filler may look at.

    Parameters
    ----------
    study : Study
    tables : Tables
    parts : sequence of Result
        One result a question.
    provenance : Provenance
        Of the whole run: hashes, versions, seed, level.
    lock : LockState
    people : bool
        Whether people may be named.
    """

    study: Study
    tables: Tables
    parts: tuple[Result, ...]
    provenance: Provenance
    lock: LockState
    people: bool = True

    @cached_property
    def told(self) -> ReportingSpec:
        """What ``[reporting]`` says; blanks that are still to be filled in say nothing."""
        spec = self.study.reporting or ReportingSpec()
        return spec.model_copy(update={n: None for n in type(spec).model_fields if is_blank(getattr(spec, n))})

    def of(self, *commands: str) -> tuple[Result, ...]:
        """Return the results of these commands, in the order of the study."""
        return tuple(p for p in self.parts if p.command in commands)

    @cached_property
    def reliability(self) -> tuple[tuple[ReliabilityQuestion, Result], ...]:
        """Reliability questions with their results."""
        by_name = {p.question: p for p in self.of("icc")}
        return tuple((q, by_name[q.name]) for q in self.study.reliability if q.name in by_name)

    @cached_property
    def agreement(self) -> tuple[tuple[AgreementQuestion, Result], ...]:
        """Agreement questions with their results."""
        by_name = {p.question: p for p in self.of("agree")}
        return tuple((q, by_name[q.name]) for q in self.study.agreement if q.name in by_name)

    def asked(self) -> tuple[tuple[str, dict[str, Any]], ...]:
        """Return name and selection of every question about reliability or agreement."""
        return (*((q.name, q.where) for q, _ in self.reliability), *((a.name, a.where) for a, _ in self.agreement))

    @property
    def trials(self) -> TrialTable | None:
        """Values reported on people or objects."""
        return self.tables.trials

    def rows(self, where: Mapping[str, Any]) -> NDArray[np.bool_]:
        """Return the rows of the trials that a question starts from, excluded ones left out."""
        key = json.dumps(where, sort_keys=True, default=str)
        if key not in self._rows:
            self._rows[key] = self._selected(where)
        return self._rows[key]

    @cached_property
    def _rows(self) -> dict[str, NDArray[np.bool_]]:
        """Selections already made: fillers ask for the same ones again and again."""
        return {}

    def _selected(self, where: Mapping[str, Any]) -> NDArray[np.bool_]:
        trials = self.tables.trials
        if trials is None:
            return np.zeros(0, dtype=np.bool_)
        try:
            inside = select_where(trials, dict(where))
        except (DriftError, KeyError):
            return np.zeros(len(trials), dtype=np.bool_)
        if "exclude" in trials:
            inside = inside & ~(trials["exclude"] > 0)
        return np.asarray(inside & np.isfinite(trials["reading"]), dtype=np.bool_)

    def days(self) -> NDArray[np.float64] | None:
        """Return the time of each trial in days from an arbitrary start, NaN without one; None where none has one."""
        trials = self.tables.trials
        if trials is None or "time" not in trials:
            return None
        from datetime import UTC, datetime

        read: dict[str, float] = {}
        for text in {str(t) for t in trials["time"] if t}:
            moment = datetime.fromisoformat(text)
            read[text] = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
        found = np.array([read[str(t)] if t else math.nan for t in trials["time"]], dtype=np.float64)
        # From the first one on, so that equal times stay equal after division.
        return (found - np.nanmin(found)) / 86400.0 if np.isfinite(found).any() else None

    def words(self, column: str) -> NDArray[np.object_]:
        """Return a column of the trials as text."""
        assert self.tables.trials is not None
        return as_words(self.tables.trials[column])

    def groups(self, rows: NDArray[np.bool_], by: Sequence[str]) -> list[tuple[str, NDArray[np.bool_]]]:
        """Return the rows of each combination of ``by`` with its labels in words."""
        trials = self.tables.trials
        there = [c for c in by if trials is not None and c in trials]
        if not there:
            return [("", rows)]
        at = np.flatnonzero(rows)
        columns = [self.words(c)[at] for c in there]
        names = np.array([", ".join(f"{c} {v}" for c, v in zip(there, row, strict=True))
                          for row in zip(*columns, strict=True)], dtype=object)
        found = []
        for name in dict.fromkeys(names):
            mine = np.zeros(len(rows), dtype=np.bool_)
            mine[at[names == name]] = True
            found.append((str(name), mine))
        return found

    def unit(self, rows: NDArray[np.bool_]) -> str:
        """Return the unit of the readings in these rows."""
        trials = self.tables.trials
        if trials is None:
            return ""
        if "measure" in trials:
            named = {trials.units.get(f"reading[{m}]", "") for m in set(as_words(trials["measure"])[rows])}
            if named - {""}:
                return next(iter(named)) if len(named) == 1 else ""
        return trials.units.get("reading", "")


def is_blank(value: object) -> bool:
    """Tell whether a text is empty or a blank to be filled in."""
    return isinstance(value, str) and value.strip() in ("", "...", "TO BE FILLED IN")


def declared(part: Result) -> Estimate | None:
    """Return the coefficient that a reliability question declared: the first one."""
    return next((e for e in part.estimates if e.name.startswith("ICC") or e.name.endswith(" coefficient")), None)


def like(part: Result, model: Estimate) -> tuple[Estimate, ...]:
    """Return the estimates of the same name and model, one a group."""
    return tuple(e for e in part.estimates if e.name == model.name and e.of.get("model") == model.of.get("model")
                 and e.of.get("reading") == model.of.get("reading"))


def labels(of: Mapping[str, str], *, leave: Sequence[str] = ("question", "model", "reading", "use")) -> str:
    """Return the labels of an estimate for a sentence: ``region heel, gains equalised``."""
    return ", ".join(f"{k} {v}" for k, v in of.items() if k not in leave and v)


def said(estimates: Sequence[Estimate], *, name: bool = True, most: int = MOST) -> str:
    """Return estimates as a paper prints them: ``ICC(A,1) 0.91 (95 % interval 0.78 to 0.96) for region heel``."""
    there = [e for e in estimates if math.isfinite(e.value)]
    told = []
    for i, e in enumerate(there[:most]):
        again = i > 0 and there[i - 1].name == e.name
        told.append(one(e, name=name and not again, level=not (i > 0 and there[i - 1].level == e.level)))
    more = len(there) - most
    return join_words([*told, *([f"{more} more in the tables"] if more > 0 else [])])


def one(e: Estimate, *, name: bool = True, level: bool = True) -> str:
    """Return one estimate as a paper prints it; without the level where the one before has told it."""
    text = format_interval(e.value, e.low, e.high, least=2 if not e.unit and abs(e.value) <= 1 else 0)
    value, bracket, ends = text.partition(" (")
    kind = f"{100 * e.level:g} % interval " if math.isfinite(e.level) and level else ""
    inside = f" ({kind}{ends}" if bracket else ""
    lead = f"{e.name.removesuffix(', percent')} " if name else ""
    of = labels(e.of)
    return f"{lead}{value}{f' {e.unit}' if e.unit else ''}{inside}{f' for {of}' if of else ''}"


def of_name(part: Result, *names: str) -> tuple[Estimate, ...]:
    """Return estimates by name."""
    return tuple(e for e in part.estimates if e.name in names)


def findings_of(part: Result, *codes: str) -> tuple[Finding, ...]:
    """Return findings by code."""
    return tuple(f for f in part.findings if f.code in codes)


def table_of(part: Result, name: str) -> ResultTable | None:
    """Return a table, or None where there is none of that name."""
    return next((t for t in part.tables if t.name == name), None)


def plural(word: str, n: int) -> str:
    """Return ``1 session`` or ``3 sessions``."""
    return f"{n} {word}" if n == 1 or word.endswith("s") else f"{n} {word}s"
