"""Fillers about reliability: the coefficient, its model, its numbers, and the measurement error beside it."""

from __future__ import annotations

import math

import numpy as np

from drift.items.evidence import (
    Evidence,
    declared,
    findings_of,
    labels,
    like,
    of_name,
    plural,
    said,
    table_of,
)
from drift.items.filled import Filled, filled, needs_you, not_applicable, worst
from drift.items.metadata import key, target_means
from drift.reliability.g_design import facets_of
from drift.reliability.grades import grade as band
from drift.results import Estimate, Result, join_words
from drift.study import ReliabilityQuestion

NONE = "the study asks no question about reliability"
SEM = ("SEM (agreement)", "SEM (absolute)")
MDC = ("MDC (agreement)", "MDC (absolute)")


def icc_model(e: Evidence) -> Filled:
    """Name the model and why."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        d = declared(part)
        model = f", {d.of['model']}" if d is not None and d.of.get("model") else ""
        why = findings_of(part, "why-this-coefficient", "g-design")
        told.append(f"{q.name}: {d.name if d is not None else 'no coefficient'}{model}. "
                    f"{why[0].message if why else ''}".rstrip(" ."))
    if not e.told.raters:
        return needs_you(key("raters"), known=told)
    return filled(*told, f"the levels stand for {e.told.raters}", source="data and study.toml")


def icc_type(e: Evidence) -> Filled:
    """Say of what the coefficient is, and which reading is used."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        d = declared(part)
        of = "a single reading" if q.use == "single" else f"the mean over the levels of {join_words(facets_of(q))}"
        repeats = " (each the mean of its replicates)" if q.average_replicates else ""
        told.append(f"{q.name}: {d.name if d is not None else 'the coefficient'} is that of {of}{repeats}, as it is "
                    "used in practice; the table holds single and mean")
    return filled(*told)


def icc_definition(e: Evidence) -> Filled:
    """Say agreement or consistency."""
    if not e.reliability:
        return not_applicable(NONE)
    return filled(*(f"{q.name}: " + ("agreement in value, so that a systematic difference between levels of "
                                     f"{join_words(facets_of(q))} counts as error" if q.agree == "value" else
                                     "consistency: a systematic difference between levels of "
                                     f"{join_words(facets_of(q))} does not count as error") for q, _ in e.reliability))


def icc_estimates(e: Evidence) -> Filled:
    """Print estimates and intervals."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        d = declared(part)
        if d is None or not math.isfinite(d.value):
            told.append(f"{q.name}: not estimable; {part.answer}")
        else:
            told.append(f"{q.name}: {said(like(part, d))}; {d.method}")
    return filled(*told)


def icc_numbers(e: Evidence) -> Filled:
    """Say how many of what, and what was missing."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        told.append(f"{q.name}: {numbers_of(e, q, part)}")
        told += [f.message for f in findings_of(part, "missing-cells", "unequal-replicates")]
    return filled(*told)


def numbers_of(e: Evidence, q: ReliabilityQuestion, part: Result) -> str:
    """Return targets, levels, readings and what did not enter, in words."""
    rows, words = e.rows(q.where), []
    trials = e.trials
    if trials is not None and rows.any():
        for c in dict.fromkeys((q.target, *facets_of(q))):
            if c in trials:
                words.append(plural(c, len({str(v) for v in e.words(c)[rows] if v is not None})))
        for c in q.by:
            if c in trials:
                words.append(f"{len({str(v) for v in e.words(c)[rows]})} of {c} each by itself")
    used = sum(a.used for a in part.provenance.accounts)
    out = sum(a.excluded + a.unmatched for a in part.provenance.accounts)
    return f"{join_words([*words, plural('reading', used)])}; {out or 'none'} left out"


def icc_components(e: Evidence) -> Filled:
    """Print SDs of the components; mean squares stand in their table."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        parts = of_name(part, "variance component, SD")
        first = {labels(x.of, leave=("question", "component", "model", "reading")): None for x in parts}
        group = next(iter(first), "")
        mine = [x for x in parts if labels(x.of, leave=("question", "component", "model", "reading")) == group]
        listed = join_words([f"{x.of.get('component', '')} {said((_plain(x),), name=False)}" for x in mine])
        more = f"; {len(first) - 1} other groups in the table" if len(first) > 1 else ""
        squares = "; mean squares in the table of that name" if table_of(part, "mean squares") is not None else ""
        told.append(f"{q.name}{f', {group}' if group else ''}: SDs of {listed}{more}{squares}" if mine else
                    f"{q.name}: components stand in the table of variance shares{squares}")
    return filled(*told)


def _plain(x: Estimate) -> Estimate:
    from dataclasses import replace

    return replace(x, of={})


def icc_grade(e: Evidence) -> Filled:
    """Read the coefficient in words by its interval."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        d = declared(part)
        if d is None:
            continue
        name = q.grades or "Koo & Li 2016"
        words: dict[str, list[str]] = {}
        for x in like(part, d):
            read = band(x.low, x.high, name)
            if read:
                words.setdefault(read, []).append(labels(x.of))
        listed = "; ".join(f"{w}{f' for {join_words(where)}' if any(where) else ''}" for w, where in words.items())
        told.append(f"{q.name}: {listed} by the ends of the interval ({name})" if words else
                    f"{q.name}: no interval, hence no word")
    return filled(*told)


def icc_error(e: Evidence) -> Filled:
    """Print SEM and MDC beside the coefficient."""
    if not e.reliability:
        return not_applicable(NONE)
    return filled(*(f"{q.name}: {error_words(part)}" for q, part in e.reliability))


def error_words(part: Result) -> str:
    """Return SEM and MDC of a reliability question in words."""
    sem, mdc = of_name(part, *SEM), of_name(part, *MDC)
    return "; ".join(t for t in (said(sem), said(mdc)) if t) or "not estimable"


def icc_range(e: Evidence) -> Filled:
    """Say how far targets differ."""
    if not e.reliability:
        return not_applicable(NONE)
    told = []
    for q, part in e.reliability:
        between = [x for x in of_name(part, "variance component, SD") if x.of.get("component") == q.target]
        span = target_means(e, q)
        spread = f"SD between levels of {q.target} {said([_no_component(x) for x in between], name=False)}" if between \
            else ""
        told.append(f"{q.name}: {join_words([t for t in (span, spread) if t]) or 'not known'}")
    return filled(*told, "the coefficient holds for people as different as these")


def _no_component(x: Estimate) -> Estimate:
    from dataclasses import replace

    return replace(x, of={k: v for k, v in x.of.items() if k != "component"})


def icc_fits(e: Evidence) -> Filled:
    """Grade the coefficient: a consistency coefficient with a systematic difference present is doubtful."""
    if not e.reliability:
        return not_applicable(NONE)
    told, grades = [], []
    for q, part in e.reliability:
        d = declared(part)
        if d is None or not math.isfinite(d.value):
            told.append(f"{q.name}: no coefficient could be estimated")
            grades.append("inadequate")
            continue
        hidden = systematic(q, part)
        if q.agree == "order" and hidden:
            told.append(f"{q.name}: {d.name} counts order only, and {hidden}; agreement in value is lower")
            grades.append("doubtful")
        else:
            taken = "a sample" if q.facets_are == "sample" else "fixed"
            told.append(f"{q.name}: {d.name}, {d.of.get('model') or 'by components'}, with its formula; it fits levels "
                        f"of {join_words(facets_of(q))} taken as {taken}")
            grades.append("very good")
    return filled(*told, grade=worst(grades))


def systematic(q: ReliabilityQuestion, part: Result) -> str:
    """Return what levels of a facet differ by, where their SD is not zero with 95 % confidence; else nothing."""
    found = [x for x in of_name(part, "variance component, SD") if x.of.get("component") in facets_of(q)
             and math.isfinite(x.low) and x.low > 0]
    if not found:
        return ""
    x = max(found, key=lambda x: x.value)
    group = labels(x.of, leave=("question", "component", "model", "reading"))
    return (f"levels of {x.of['component']} differ systematically (SD {said([_plain(x)], name=False)}"
            f"{f', {group}' if group else ''})")


def kappa(e: Evidence) -> Filled:
    """Tell continuous readings from categories by what is in the table."""
    if not e.reliability:
        return not_applicable(NONE)
    few = categories(e)
    if few:
        return filled(f"{few}; a weighted kappa is not computed here", grade="inadequate")
    return not_applicable("readings are continuous numbers")


def specific_agreement(e: Evidence) -> Filled:
    """Tell whether agreement by category would be due."""
    few = categories(e)
    if few:
        return filled(f"{few}; agreement by category is not computed here", grade="inadequate")
    return not_applicable("readings are continuous numbers")


def categories(e: Evidence) -> str:
    """Return a sentence where the readings of a question take so few whole values that they are categories."""
    for name, where in e.asked():
        rows = e.rows(where)
        if e.trials is None or int(rows.sum()) < 20:
            continue
        values = np.unique(e.trials["reading"][rows])
        if len(values) <= 7 and np.allclose(values, np.round(values)):
            return f"{name}: readings take only the values {join_words([f'{v:g}' for v in values])}, as categories do"
    return ""


def error_fits(e: Evidence) -> Filled:
    """Grade measurement error: consistency with a systematic difference, or pairs taken as independent, is doubtful."""
    if not (e.reliability or e.agreement):
        return not_applicable("the study asks nothing about reliability or agreement")
    told, grades = [], []
    for q, part in e.reliability:
        if not [x for x in of_name(part, *SEM) if math.isfinite(x.value)]:
            told.append(f"{q.name}: no SEM could be estimated")
            grades.append("inadequate")
            continue
        hidden = systematic(q, part)
        if q.agree == "order" and hidden:
            told.append(f"{q.name}: of the kind declared, consistency, the SEM leaves out that {hidden}: "
                        f"{error_words(part)} hold with it in")
            grades.append("doubtful")
        else:
            told.append(f"{q.name}: {error_words(part)}, from the components of the model itself (neither from a "
                        "coefficient and an SD from elsewhere, nor from alpha)")
            grades.append("very good")
    for a, part in e.agreement:
        known = any(x.name in ("upper limit", "limit of agreement with the mean") or x.name.startswith("upper limit")
                    for x in part.estimates if math.isfinite(x.value))
        bad = a.rows_are_independent
        told.append(f"{a.name}: limits of agreement" + ("" if known else " could not be estimated")
                    + (", pairs declared independent" if bad else ", with repeats respected" if known else ""))
        grades.append("inadequate" if not known else "doubtful" if bad else "very good")
    return filled(*told, grade=worst(grades))


def important_change(e: Evidence) -> Filled:
    """Set the smallest detectable change against the smallest that matters."""
    from drift.units import UnitError, parse_quantity

    found = [(q.name, x) for q, part in e.reliability for x in of_name(part, *MDC) if math.isfinite(x.value)]
    limits = [(a.name, x) for a, part in e.agreement for x in of_name(part, "lower limit", "upper limit")]
    if not found and not limits:
        return not_applicable("no smallest detectable change and no limits of agreement were estimated")
    known = [f"{name}: {said([x])}" for name, x in found[:4]]
    if not e.told.important_change:
        return needs_you(key("important_change"), known=known)
    told, asked = [], parse_quantity(e.told.important_change)
    for name, x in found:
        try:
            size = asked.to(x.unit)
        except UnitError:
            told.append(f"{name}: {x.unit or 'a pure number'} cannot be compared with {e.told.important_change}")
            continue
        verdict = ("below it" if x.high <= size else "above it" if x.low > size else
                   "not shown to be below it, since the interval holds it" if x.value <= size else
                   "above it, though the interval holds it")
        told.append(f"{name}: {said([x])} is {verdict}")
    return filled(f"the smallest change that matters was set to {e.told.important_change}", *_same_verdicts(told),
                  source="data and study.toml")


def _same_verdicts(told: list[str]) -> list[str]:
    return told[:8] + ([f"{len(told) - 8} more in the tables"] if len(told) > 8 else [])
