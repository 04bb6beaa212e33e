"""Answer one reliability question: ten coefficients, measurement error, variance shares, and what to make of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability import cautions, tables
from drift.reliability.components import Components, Refusal, analyse
from drift.reliability.icc import Coefficient, coefficients
from drift.reliability.measurement_error import ErrorSize, error_sizes
from drift.reliability.rows import Group, Prepared, Screened, prepare, single_facet
from drift.reliability.words import (
    ORDER,
    Declared,
    answer_sentence,
    coefficient_text,
    declared,
    format_place,
    quantity,
)
from drift.results import Estimate, Provenance, Result, join_words, run_versions
from drift.study import ReliabilityQuestion

SEVERAL_FACETS = "Several-facet studies come with the reliability work"


@dataclass(frozen=True, kw_only=True, eq=False)
class ReliabilityResult(Result):
    """Reliability and measurement error of one question."""

    command: ClassVar[str] = "icc"

    @property
    def declared(self) -> Estimate:
        """The coefficient that the question's words pick (of the first group)."""
        return self.estimates[0]


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysed:
    """One group with everything computed from it; ``parts`` is a refusal where nothing could be."""

    group: Group
    parts: Components | Refusal
    cases: tuple[Coefficient, ...] = ()
    errors: tuple[ErrorSize, ...] = ()


def reliability(trials: TrialTable, question: ReliabilityQuestion, *, level: float = 0.95, seed: int = 0,
                screening: Screened | None = None) -> ReliabilityResult:
    """Estimate how reliable readings of a target are over a facet.

    Parameters
    ----------
    trials : TrialTable
    question : ReliabilityQuestion
        One facet; a list of several is refused with a warning.
    level : float
        Confidence level of the intervals.
    seed : int
        Recorded in the provenance; no interval here draws random numbers.
    screening : optional
        What screening drops (``dropped`` and ``reasons``, a row each).

    Returns
    -------
    ReliabilityResult
        ``estimates`` hold, for each combination of ``by``, all ten McGraw-Wong cases with the declared one
        first, then measurement error and the SDs of the components. Tables: "coefficients", "variance
        shares", "mean squares", "measurement error".

    Raises
    ------
    DriftError
        If a column is missing, no row is usable, or a column without a part in the question varies inside a
        target x facet cell.
    """
    prepared = prepare(trials, question, screening)
    facet = single_facet(question)
    if facet is None:
        return _several_facets(trials, question, prepared, level, seed)
    pick = declared(question, facet)
    done = [_analyse(group, question, facet, level) for group in prepared.groups]
    estimates: list[Estimate] = []
    said: list[list[Finding]] = []
    sentences = []
    for one in done:
        made = _estimates(one, question, facet, pick, level)
        estimates += made
        said.append(cautions.of_group(one.group, one.parts, one.cases, question, facet, level, trials.columns.keys()))
        sentences.append(_sentence(one, made, question, facet) + cautions.second_sentence(one.parts, one.cases,
                                                                                        question, facet))
    answer = sentences[0] if len(done) == 1 else _answer_by(done, estimates, question, facet, pick)
    return ReliabilityResult(
        question=question.name, answer=answer, estimates=tuple(estimates),
        tables=tuple(tables.all_tables(done, question, facet, pick)),
        findings=(*prepared.findings, *cautions.of_rows(trials, question, prepared), *cautions.merge(said)),
        exclusions=prepared.exclusions, provenance=_provenance(trials, question, prepared, level, seed))


def _analyse(group: Group, question: ReliabilityQuestion, facet: str, level: float) -> Analysed:
    parts = analyse(group, level=level, average=question.average_replicates, target=question.target, facet=facet)
    if isinstance(parts, Refusal):
        return Analysed(group=group, parts=parts)
    return Analysed(group=group, parts=parts, cases=coefficients(parts, level=level),
                    errors=error_sizes(parts, group, level=level))


def _labels(one: Group, question: ReliabilityQuestion) -> dict[str, str]:
    return {"question": question.name, **one.labels}


def _estimates(one: Analysed, question: ReliabilityQuestion, facet: str, pick: Declared,
               level: float) -> list[Estimate]:
    of, unit = _labels(one.group, question), one.group.unit
    order = sorted(ORDER, key=lambda case: case != (pick.coefficient, pick.model))
    parts = one.parts
    if isinstance(parts, Refusal):
        return [Estimate(name=name, value=math.nan, of={**of, "model": model}, n=len(one.group.target_names),
                         method=f"refused: {parts.message}") for name, model in order]
    n = parts.shape[0]
    suffix = f", mean of {parts.average} replicates" if parts.average else ""
    by_case = {(c.name, c.model): c for c in one.cases}
    out = []
    for case in order:
        c = by_case[case]
        out.append(Estimate(name=c.name + suffix, value=c.value, low=c.low, high=c.high, method=c.method, n=n,
                            level=level if math.isfinite(c.low) else math.nan, of={**of, "model": c.model}))
    read = {**of, "reading": f"mean of {parts.average} replicates"} if parts.average else of
    for e in one.errors:
        out.append(_sized(e, read, unit, level, n))
    if question.use == "mean":
        k = parts.shape[1]
        out += [_sized(e, {**read, "reading": f"mean of {k} {facet} levels"}, unit, level, n, math.sqrt(k))
                for e in one.errors if e.name.startswith(("SEM", "MDC"))]
    for part, variance in parts.variances.items():
        if part == "interaction" and not parts.replicated:
            continue
        low, high = (math.sqrt(max(x, 0.0)) for x in parts.intervals[part])
        out.append(Estimate(name="variance component, SD", value=math.sqrt(variance), low=low, high=high, unit=unit,
                            level=level if math.isfinite(low) else math.nan, n=n,
                            of={**read, "component": tables.component_name(part, question, facet, parts)},
                            method=f"{parts.method}, "
                                   + (tables.component_interval(part) if math.isfinite(low) else "no interval")))
    return out


def _sized(e: ErrorSize, of: Mapping[str, str], unit: str, level: float, n: int, divisor: float = 1.0) -> Estimate:
    method = e.method if divisor == 1.0 else f"{e.method}; over sqrt({divisor**2:.0f})"
    return Estimate(name=e.name, value=e.value / divisor, low=e.low / divisor, high=e.high / divisor, method=method,
                    unit="%" if e.percent else unit, level=level if math.isfinite(e.low) else math.nan, of=of, n=n)


def _sentence(one: Analysed, made: list[Estimate], question: ReliabilityQuestion, facet: str) -> str:
    where = format_place(one.group.labels)
    if isinstance(one.parts, Refusal):
        return f"{where}No coefficient: {one.parts.message}. {one.parts.mend}."
    kind = "agreement" if question.agree == "value" else "consistency"
    named = [e for e in made if e.name in (f"SEM ({kind})", f"MDC ({kind})")]
    if question.use == "mean":
        named = named[2:]
    sem, mdc = (named[0], named[1]) if len(named) >= 2 else (None, None)
    return where + answer_sentence(question, facet, one.parts.shape[1], made[0], sem, mdc)


def _answer_by(done: list[Analysed], estimates: list[Estimate], question: ReliabilityQuestion, facet: str,
               pick: Declared) -> str:
    """Return one sentence over all combinations of the ``by`` columns."""
    heads = [(" ".join(one.group.labels.values()), e) for one in done for e in estimates
             if e.name.startswith(pick.coefficient) and e.of["model"] == pick.model
             and all(e.of[k] == v for k, v in one.group.labels.items())]
    good = [(label, e) for label, e in heads if math.isfinite(e.value)]
    refused = [label for label, e in heads if not math.isfinite(e.value)]
    over = f", by {join_words(question.by)}"
    if not good:
        return f"No coefficient could be given for any of {len(heads)} combinations{over}: see the cautions."
    shown = good if len(good) <= 6 else [min(good, key=lambda x: x[1].value), max(good, key=lambda x: x[1].value)]
    values = [f"{label} {coefficient_text(e.value, e.low, e.high)}" for label, e in shown]
    listed = ", ".join(values) if shown is good else f"from {values[0]} to {values[1]} over {len(good)} combinations"
    kind = "agreement" if question.agree == "value" else "consistency"
    sems = [e for e in estimates if e.name == f"SEM ({kind})" and "levels" not in e.of.get("reading", "")]
    units = {e.unit for e in sems}
    error = ""
    if len(units) == 1:
        low, high = min(sems, key=lambda e: e.value), max(sems, key=lambda e: e.value)
        error = (f"; SEM ({kind}) of one reading {quantity(low.value, '', low.low, low.high)} to "
                 f"{quantity(high.value, high.unit, high.low, high.high)}")
    left = f"; no coefficient for {join_words(refused)}" if refused else ""
    return f"{good[0][1].name} of the same {question.target} with another {facet}{over}: {listed}{error}{left}."


def _several_facets(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared, level: float,
                    seed: int) -> ReliabilityResult:
    """Refuse a list of facets with the sentence that says when it will be answered."""
    listed = ", ".join(question.facet)
    pick = declared(question, "facet")
    order = sorted(ORDER, key=lambda case: case != (pick.coefficient, pick.model))
    refused = Finding(severity="warning", code="several-facets", question=question.name, file=trials.file,
                      message=f"{SEVERAL_FACETS}; this question names {len(question.facet)} facets ({listed})",
                      mend="Ask one question for each facet and fix or name the others in where or by")
    estimates = tuple(Estimate(name=name, value=math.nan, of={"question": question.name, "model": model},
                               method="refused: several facets") for name, model in order)
    return ReliabilityResult(
        question=question.name, answer=f"No coefficient for the facets {listed}: "
        f"{SEVERAL_FACETS[0].lower()}{SEVERAL_FACETS[1:]}; ask one question for each facet.",
        estimates=estimates, findings=(*prepared.findings, refused), exclusions=prepared.exclusions,
        tables=tuple(tables.all_tables([], question, "facet", pick)),
        provenance=_provenance(trials, question, prepared, level, seed))


def _provenance(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared, level: float,
                seed: int) -> Provenance:
    return Provenance(accounts=(prepared.account,), inputs={trials.file: trials.sha256} if trials.sha256 else {},
                      seed=seed, level=level, versions=run_versions(), settings=question.model_dump())
