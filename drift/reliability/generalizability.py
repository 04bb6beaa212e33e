"""Answer a question with several facets: G study, D study, and what one more level of each facet buys."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.cautions import merge, of_rows
from drift.reliability.components import Refusal
from drift.reliability.d_study import (
    Decision,
    Step,
    Value,
    as_studied,
    decide,
    design_text,
    one_reading,
    plan_of,
    steps,
)
from drift.reliability.error_sizes import CHANGE
from drift.reliability.g_coverage import simulated
from drift.reliability.g_design import FacetGroup, facet_groups, facets_of
from drift.reliability.g_study import GStudy, g_study
from drift.reliability.g_tables import all_tables
from drift.reliability.g_words import answer_sentence, coefficient_name, findings, kind, refused_sentence
from drift.reliability.rows import Prepared
from drift.reliability.words import coefficient_text, format_place
from drift.results import Estimate, ResultTable, join_words
from drift.study import ReliabilityQuestion


@dataclass(frozen=True, kw_only=True, eq=False)
class Answered:
    """What a result of several facets holds."""

    answer: str
    estimates: tuple[Estimate, ...]
    tables: tuple[ResultTable, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _One:
    group: FacetGroup
    study: GStudy | Refusal
    decisions: tuple[Decision, ...] = ()
    plan: tuple[Decision, ...] = ()
    steps: tuple[Step, ...] = ()


def generalizability(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared, *,
                     level: float) -> Answered:
    """Estimate the components of a several-facet design and what means over its facets would be worth.

    Parameters
    ----------
    trials : TrialTable
    question : ReliabilityQuestion
        ``facet`` names up to three facets.
    prepared : Prepared
    level : float

    Returns
    -------
    Answered

    Raises
    ------
    DriftError
        If ``nested``, ``fixed`` or ``plan`` name what is no part of the question.
    """
    done = [_analyse(group, question, level) for group in facet_groups(trials, question, prepared)]
    estimates = [e for one in done for e in _estimates(one, question, level)]
    said = [findings(one.study, one.decisions[0], question, level=level) if isinstance(one.study, GStudy) else
            [Finding(severity="warning", code=one.study.code, question=question.name, mend=one.study.mend,
                     message=(place := format_place(one.group.labels)) + (
                         one.study.message if place else one.study.message[:1].upper() + one.study.message[1:]))]
            for one in done]
    usable = [(one.study, one.plan) for one in done if isinstance(one.study, GStudy)]
    tables, notes = simulated([s for s, _ in usable], question, level=level)
    return Answered(answer=_answer(done, question), estimates=tuple(estimates),
                    tables=(*all_tables(usable, question, facets_of(question)), *tables),
                    findings=(*_left_out(question), *of_rows(trials, question, prepared), *merge(said), *notes))


def _left_out(question: ReliabilityQuestion) -> list[Finding]:
    """Say which keys of the question a study of several facets does not answer."""
    out = []

    def say(code: str, message: str, mend: str) -> None:
        out.append(Finding(severity="warning", code=code, question=question.name, message=message, mend=mend))

    if question.compare is not None:
        say("compare-one-facet", f"A comparison over {question.compare} takes one facet; with several, each value of "
            f"{question.compare} is analysed by itself and no difference is given", "Ask it over one facet, the others "
            "fixed in where")
    if question.grades is not None:
        say("grades-one-facet", "Published words for a coefficient were written for one facet and are left out", "")
    if question.ordered or (question.ordered is None and "use" in facets_of(question)):
        say("use-as-facet", "Uses follow each other and are not a sample: whatever drifts along them counts as error "
            "here", "Ask over use as the only facet to see the drift apart")
    return out


def _analyse(group: FacetGroup, question: ReliabilityQuestion, level: float) -> _One:
    study = g_study(group, question, level=level)
    if isinstance(study, Refusal):
        return _One(group=group, study=study)
    single, mean = one_reading(study), as_studied(study)
    designs = [single, mean] if question.use == "single" else [mean, single]
    decisions = decide(study, designs, level=level)
    return _One(group=group, study=study, decisions=tuple(decisions),
                plan=tuple(decide(study, plan_of(study, question), level=level)),
                steps=tuple(steps(study, designs[0], question.agree, level=level)))


def _estimates(one: _One, question: ReliabilityQuestion, level: float) -> list[Estimate]:
    """Return the declared coefficient first, then the others, errors and components."""
    of = {"question": question.name, **one.group.labels}
    unit, study = one.group.unit, one.study
    names = sorted(("Phi coefficient", "G coefficient"), key=lambda n: n != coefficient_name(question))
    if isinstance(study, Refusal):
        return [Estimate(name=n, value=math.nan, of={**of, "reading": "one reading"},
                         method=f"refused: {study.message}") for n in names]
    n, method = round(study.numbers[0]), study.method
    out = []

    def put(name: str, value: Value, labels: Mapping[str, str], how: str, in_unit: str = "") -> None:
        out.append(Estimate(name=name, value=value.value, low=value.low, high=value.high, unit=in_unit, n=n, of=labels,
                            level=level if math.isfinite(value.low) else math.nan, method=how))

    for d in one.decisions:
        labels = {**of, "reading": design_text(study, d.design)}
        for name in names:
            put(name, d.phi if name.startswith("Phi") else d.g, labels, method)
        kinds = sorted((("absolute", d.sem_absolute), ("relative", d.sem_relative)),
                       key=lambda k: k[0] != kind(question))
        for which, sem in kinds:
            put(f"SEM ({which})", sem, labels, method, unit)
        for which, sem in kinds:
            put(f"MDC ({which})", sem.times(CHANGE), labels, f"1.96 sqrt(2) SEM; {method}", unit)
        if study.mean > 0:
            for which, sem in kinds:
                put(f"SEM ({which}), percent", sem.times(100 / study.mean), labels,
                    f"{method}; in percent of the mean reading, the mean taken as known", "%")
    for j, (low, high) in enumerate(study.intervals):
        put("variance component, SD", Value(math.sqrt(study.variances[j]), math.sqrt(low), math.sqrt(high)),
            {**of, "component": study.name(j)}, method, unit)
    return out


def _answer(done: list[_One], question: ReliabilityQuestion) -> str:
    if len(done) == 1:
        one = done[0]
        return (refused_sentence(one.group, one.study) if isinstance(one.study, Refusal) else
                answer_sentence(one.study, one.decisions[0], one.steps, question))
    good = [o for o in done if isinstance(o.study, GStudy)]
    over = f", by {join_words(question.by)}"
    if not good:
        return f"No coefficient could be given for any of {len(done)} combinations{over}: see the cautions."
    shown = good if len(good) <= 6 else [f(good, key=lambda o: o.decisions[0].coefficient(question.agree).value)
                                         for f in (min, max)]
    parts = []
    for o in shown:
        c = o.decisions[0].coefficient(question.agree)
        parts.append(f"{' '.join(o.group.labels.values())} {coefficient_text(c.value, c.low, c.high)}")
    listed = ", ".join(parts) if shown is good else f"from {parts[0]} to {parts[1]} over {len(good)} combinations"
    refused = [" ".join(o.group.labels.values()) for o in done if isinstance(o.study, Refusal)]
    left = f"; no coefficient for {join_words(refused)}" if refused else ""
    return (f"{coefficient_name(question)} of the same {question.target} over {join_words(facets_of(question))}{over}: "
            f"{listed}{left}.")
