"""Answer one reliability question: ten coefficients, measurement error, variance shares, and what to make of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

from drift.errors import MINUS, Finding
from drift.records import TrialTable
from drift.reliability import cautions, narrower, tables
from drift.reliability.comparison_answer import comparison, with_compared
from drift.reliability.components import Components, Refusal, analyse
from drift.reliability.g_design import is_generalizability
from drift.reliability.generalizability import generalizability
from drift.reliability.grades import graded
from drift.reliability.icc import Coefficient, coefficients, one_sided
from drift.reliability.measurement_error import ErrorSize, error_sizes
from drift.reliability.naming import why
from drift.reliability.quoted import simulated
from drift.reliability.repeated_answer import arrange, extra
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
        One facet, or several (up to three) for a generalizability study.
    level : float
        Confidence level of the intervals.
    seed : int
        Recorded in the provenance; only comparisons (``compare``) draw random numbers.
    screening : optional
        What screening drops (``dropped`` and ``reasons``, a row each).

    Returns
    -------
    ReliabilityResult
        ``estimates`` hold, for each combination of ``by``, all ten McGraw-Wong cases with the declared one
        first, then measurement error and the SDs of the components. Tables: "coefficients", "variance
        shares", "mean squares", "measurement error", and "coverage": what simulation says about the intervals.

    Raises
    ------
    DriftError
        If a column is missing, no row is usable, or a column without a part in the question varies inside a
        target x facet cell.
    """
    asked, question = question, with_compared(question)
    prepared = prepare(trials, question, screening)
    facet = single_facet(question)
    if facet is None or is_generalizability(question):
        return _several_facets(trials, question, prepared, level, seed)
    pick = declared(question, facet)
    arranged = arrange(trials, prepared.groups, question, facet)
    done = [_analyse(group, question, facet, level) for group in (arranged.groups if arranged else prepared.groups)]
    estimates: list[Estimate] = []
    said: list[list[Finding]] = []
    sentences = []
    for one in done:
        made = _estimates(one, question, facet, pick, level)
        estimates += made
        said.append(cautions.of_group(one.group, one.parts, one.cases, question, facet, level, trials.columns.keys(),
                                       one.errors))
        sentences.append(_sentence(one, made, question, facet) + cautions.second_sentence(
                one.parts, one.cases, question, facet, one.errors))
    answer = sentences[0] if len(done) == 1 else _answer_by(done, estimates, question, facet, pick)
    further = list(tables.all_tables(done, question, facet, pick))
    if arranged is not None:
        uses = extra(arranged, question, facet, level=level)
        answer += "".join(uses.sentences) if len(done) == 1 else ""
        estimates += uses.estimates
        further += uses.tables
        # More of the same uses would narrow nothing that wear has not put there: the advice is for exchangeable levels.
        said = [[*(f for f in own if f.code != narrower.CODE), *more]
                for own, more in zip(said, uses.findings, strict=True)]
    between = comparison(done, trials, question, facet, pick, level=level, seed=seed)
    if between is not None:
        answer = f"{between.answer} {answer}"
        estimates += between.estimates
        further.append(between.table)
        said.append(list(between.findings))
    coverage, told = simulated(done, question, facet, pick, estimates, level=level)
    return ReliabilityResult(
        question=question.name, answer=answer, estimates=tuple(estimates), tables=(*further, *coverage),
        findings=(*prepared.findings, why(question, facet, pick), *graded(question, _heads(done, estimates, pick)),
                  *cautions.of_rows(trials, question, prepared), *cautions.merge(said), *told),
        exclusions=prepared.exclusions, provenance=_provenance(trials, asked, prepared, level, seed))


def _analyse(group: Group, question: ReliabilityQuestion, facet: str, level: float) -> Analysed:
    parts = analyse(group, level=level, average=question.average_replicates, target=question.target, facet=facet,
                    fixed=question.facets_are == "fixed")
    if isinstance(parts, Refusal):
        return Analysed(group=group, parts=parts)
    return Analysed(group=group, parts=parts, cases=coefficients(parts, level=level),
                    errors=error_sizes(parts, group, level=level, target=question.target, facet=facet))


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
    if question.bound is not None:
        out.append(_bound(parts, by_case[order[0]], out[0], question.bound, level))
    read = {**of, "reading": f"mean of {parts.average} replicates"} if parts.average else of
    for e in one.errors:
        # Errors of means that nobody asked about stand in the table; under one name they would be taken for another.
        if e.reading == "one" or (e.reading == "levels" and question.use == "mean"):
            out.append(_sized(e, {**read, **tables.reading_label(e, facet)}, unit, level, n))
    for part, variance in parts.variances.items():
        if part == "interaction" and not parts.replicated:
            continue
        low, high = (math.sqrt(max(x, 0.0)) for x in parts.intervals[part])
        out.append(Estimate(name="variance component, SD", value=math.sqrt(variance), low=low, high=high, unit=unit,
                            level=level if math.isfinite(low) else math.nan, n=n,
                            of={**read, "component": tables.component_name(part, question, facet, parts)},
                            method=f"{parts.method}, " + (tables.component_interval(part, fixed=parts.fixed)
                                                          if math.isfinite(low) else "no interval")))
    return out


def _bound(parts: Components, case: Coefficient, whole: Estimate, which: Literal["lower", "upper"],
           level: float) -> Estimate:
    """Return the declared coefficient once more, with a bound on one side only."""
    end = one_sided(parts, case, "low" if which == "lower" else "high", level=level)
    ends = (min(end, whole.value), math.nan) if which == "lower" else (math.nan, max(end, whole.value))
    return replace(whole, name=f"{whole.name}, {which} bound", low=ends[0], high=ends[1],
                   level=level if math.isfinite(end) else math.nan,
                   method=f"{whole.method.replace('interval', 'bound')}; one side only")


def _sized(e: ErrorSize, of: Mapping[str, str], unit: str, level: float, n: int) -> Estimate:
    return Estimate(name=e.name, value=e.value, low=e.low, high=e.high, method=e.method, unit=e.unit(unit),
                    level=level if math.isfinite(e.low) else math.nan, of=of, n=n)


def _sentence(one: Analysed, made: list[Estimate], question: ReliabilityQuestion, facet: str) -> str:
    where = format_place(one.group.labels)
    if isinstance(one.parts, Refusal):
        return f"{where}No coefficient: {one.parts.message}. {one.parts.mend}."
    kind = "agreement" if question.agree == "value" else "consistency"
    reading = "levels" if question.use == "mean" else "one"
    label = next((tables.reading_label(e, facet) for e in one.errors if e.reading == reading), {})
    named = [e for e in made if e.name in (f"SEM ({kind})", f"MDC ({kind})")
             and (e.of.get("reading") == label["reading"] if label else "levels" not in e.of.get("reading", ""))]
    sem, mdc = (named[0], named[1]) if len(named) >= 2 else (None, None)
    return (where + answer_sentence(question, facet, one.parts.shape[1], made[0], sem, mdc)
            + "".join(_bound_sentence(e) for e in made if _one_sided(e)))


def _one_sided(e: Estimate) -> bool:
    return e.name.endswith(" bound")


def _bound_sentence(e: Estimate) -> str:
    """Say a one-sided bound in a sentence."""
    at_least = e.name.endswith("lower bound")
    end = e.low if at_least else e.high
    if not math.isfinite(end):
        return ""
    return (f" With {100 * e.level:g} % confidence on this side alone the coefficient is at "
            f"{'least' if at_least else 'most'} {end:.2f}.".replace("-", MINUS))


def _heads(done: list[Analysed], estimates: list[Estimate], pick: Declared) -> list[Estimate]:
    """Return the declared coefficient of every combination of the ``by`` columns, in their order."""
    return [e for one in done for e in estimates
            if e.name.startswith(pick.coefficient) and e.of.get("model") == pick.model and not _one_sided(e)
            and all(e.of.get(k) == v for k, v in one.group.labels.items())]


def _answer_by(done: list[Analysed], estimates: list[Estimate], question: ReliabilityQuestion, facet: str,
               pick: Declared) -> str:
    """Return one sentence over all combinations of the ``by`` columns."""
    heads = [(" ".join(one.group.labels.values()), e) for one in done for e in estimates
             if e.name.startswith(pick.coefficient) and e.of.get("model") == pick.model and not _one_sided(e)
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
    means = question.use == "mean"
    sems = [e for e in estimates if e.name == f"SEM ({kind})" and ("levels" in e.of.get("reading", "")) == means
            and ("replicates" not in e.of.get("reading", "") or question.average_replicates)]
    units = {e.unit for e in sems}
    error = ""
    if len(units) == 1:
        low, high = min(sems, key=lambda e: e.value), max(sems, key=lambda e: e.value)
        error = (f"; SEM ({kind}) of {'the mean' if means else 'one'} reading "
                 f"{quantity(low.value, '', low.low, low.high)} to "
                 f"{quantity(high.value, high.unit, high.low, high.high)}")
    left = f"; no coefficient for {join_words(refused)}" if refused else ""
    return f"{good[0][1].name} of the same {question.target} with another {facet}{over}: {listed}{error}{left}."


def _several_facets(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared, level: float,
                    seed: int) -> ReliabilityResult:
    """Answer a question with several facets, or with one that lies in another part of the design."""
    made = generalizability(trials, question, prepared, level=level)
    return ReliabilityResult(
        question=question.name, answer=made.answer, estimates=made.estimates, tables=made.tables,
        findings=(*prepared.findings, *made.findings), exclusions=prepared.exclusions,
        provenance=_provenance(trials, question, prepared, level, seed))


def _provenance(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared, level: float,
                seed: int) -> Provenance:
    return Provenance(accounts=(prepared.account,), inputs={trials.file: trials.sha256} if trials.sha256 else {},
                      seed=seed, level=level, versions=run_versions(), settings=question.model_dump())
