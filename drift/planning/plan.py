"""From a planning question to an answer: search, simulation, what one more buys, and what wrong planning values do."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.errors import Finding
from drift.planning.expectations import Expectations
from drift.planning.question import Question
from drift.planning.result import PlanResult
from drift.planning.search import Candidate, Found, search, smallest_beside
from drift.results import Estimate, Provenance, ResultTable, join_words, run_versions

STUDIES = 1000
NOTHING = "nothing that shows"
OFF = (0.8, 1.25)  # errors of measurement that turn out smaller or larger than planned
Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True)
class PlanningValue:
    """One number a plan rests on.

    ``unfavourable`` is the end of a pilot's interval that asks for the larger study; NaN without a pilot. ``called`` is
    what the pilot calls the part whose variance it is, such as operator.
    """

    name: str
    value: float
    unit: str = ""
    source: str = "stated"
    unfavourable: float = math.nan
    called: str = ""


def plan(question: Question, values: Sequence[PlanningValue], *, unfavourable: Question | None = None,
         seed: int, studies: int = STUDIES, progress: Progress | None = None,
         settings: Mapping[str, Any] | None = None) -> PlanResult:
    """Answer a planning question.

    Parameters
    ----------
    question : Question
    values : sequence of PlanningValue
        What the question was built from, for the table.
    unfavourable : Question, optional
        The same question with a pilot's values at their unfavourable ends.
    seed, studies : int
        Of the simulation that checks the chosen design.
    progress : callable, optional
        Called with what is done and the share of the work done.
    settings : mapping, optional
        For the provenance.

    Returns
    -------
    PlanResult
    """
    tell = progress or (lambda what, share: None)
    found = search(question, seed=seed, studies=studies, tell=tell)
    design = found.nearest.design
    tell("planning values that turn out otherwise", 0.96)
    worse = None if unfavourable is None else smallest_beside(unfavourable, design, found.known)
    tables = [_designs(question, found), _one_more(question, found), _values(values), _wrong(question, found),
              _curve(question, found)]
    published = question.published(design) if question.goal.asked else ()
    if published:
        tables.append(ResultTable.build("published formulas", {
            "formula": [p.formula for p in published], "what": [p.what for p in published],
            "value": [p.value for p in published], "source": [p.source for p in published],
            "remark": [p.remark for p in published]},
            caption="Published formulas for the same question, for comparison; the plan above is the one that was "
                    "checked by simulation."))
    estimates = _estimates(question, found, worse, seed)
    return PlanResult(question=question.kind, answer=_answer(question, found, worse), estimates=estimates,
                      tables=tuple(tables), findings=_findings(question, found, values),
                      provenance=Provenance(seed=seed, level=question.level, versions=run_versions(),
                                            settings=dict(settings or {})))


def _answer(q: Question, found: Found, worse: Candidate | None) -> str:
    goal, design, s = q.goal, q.worded(found.nearest.design), found.simulated
    value = f"{_shown(q, s.mean)}{_unit(q)}"
    if not goal.asked:
        return (f"A study of {design} can be expected to give: {goal.what} {value} (mean of {s.studies:,} simulated "
                f"studies, Monte-Carlo error {_shown(q, s.error)}).")
    target = f"{_shown(q, goal.target)}{_unit(q)}"
    if found.chosen is None:
        reach = join_words([f"{f.many} {min(f.values)} to {max(f.values)}" if len(f.values) > 1 else
                            f.count(f.values[0]) for f in q.factors])
        return (f"No study within {reach} reaches the goal ({goal.what}, {'at least' if goal.larger else 'at most'} "
                f"{target}): the best of them, {design}, gives {value}.")
    said = (f"Plan {design}: {goal.what} {value}, wanted {'at least' if goal.larger else 'at most'} {target}. That is "
            f"the {'share' if goal.larger else 'mean'} in {s.studies:,} simulated studies, each analysed as yours will "
            f"be (Monte-Carlo error {_shown(q, s.error)}{_search_said(q, found)})")
    if not goal.met(s.mean):
        said += "; it misses the goal by no more than that error explains"
    if not goal.larger:
        said += f"; {100 * s.reaching:.0f} % of studies reached it by themselves"
    said += "."
    if worse is not None:
        first = q.factors[0]
        n = worse.design[first.key]
        said += (f" At the unfavourable ends of the pilot's own intervals it takes {first.count(n)}." if worse.reaches
                 else f" At the unfavourable ends of the pilot's own intervals even {first.count(n)} do not reach it.")
    return said


def _search_said(q: Question, found: Found) -> str:
    """Name the value the design was found by, where it is printed otherwise than the answer."""
    by = _shown(q, found.nearest.expected)
    return "" if by == _shown(q, found.simulated.mean) else f"; the search, by {q.expected_by}, went by {by}"


def _shown(q: Question, x: float) -> str:
    if q.goal.larger:
        return f"{x:.3f}"
    return f"{x:.3g}" if abs(x) < 1000 else f"{x:.0f}"


def _unit(q: Question) -> str:
    return f" {q.goal.unit}" if q.goal.unit else ""


def _columns(q: Question, made: Sequence[Candidate]) -> dict[str, list[Any]]:
    return {f.many: [float(c.design[f.key]) for c in made] for f in q.factors}


def _designs(q: Question, found: Found) -> ResultTable:
    made = found.candidates
    chosen = found.nearest.design
    columns: dict[str, list[Any]] = {**_columns(q, made)}
    columns["readings"] = [float(q.items(c.design)["reading"]) for c in made]
    if q.price:
        columns["cost"] = [c.cost for c in made]
    columns[q.goal.what] = [c.expected for c in made]
    columns["reaches the goal"] = ["" if not q.goal.asked else "yes" if c.reaches else "no" for c in made]
    columns["note"] = [_note(found) if c.design == chosen else "" for c in made]
    return ResultTable.build("designs", columns, units={q.goal.what: q.goal.unit}, caption=_caption(q))


def _note(found: Found) -> str:
    return "chosen" if found.chosen is not None else "looked at"


def _caption(q: Question) -> str:
    by = "cost" if q.price else "number of readings"
    sketched = "; that of designs not chosen is sketched, within some per cent" if q.slow else ""
    return (f"Smallest study for each combination of the other numbers, by {by}. {q.goal.what[0].upper()}"
            f"{q.goal.what[1:]} here is what the search went by ({q.expected_by}{sketched}); the answer is the chosen "
            f"study simulated by itself ({q.analysis}).")


def _one_more(q: Question, found: Found) -> ResultTable:
    base = found.nearest
    rows = found.one_more
    names = {f.key: f.one for f in q.factors}
    changes = [c.expected - base.expected for _, c in rows]
    bought = [_shows(q, change, found) for change in changes]
    return ResultTable.build("one more", {
        "one more": [names[k] for k, _ in rows], q.goal.what: [c.expected for _, c in rows],
        "change": [change if shows else math.nan for change, shows in zip(changes, bought, strict=True)],
        "buys": ["a gain" if shows else NOTHING for shows in bought],
        "more readings": [float(q.items(c.design)["reading"] - q.items(base.design)["reading"]) for _, c in rows],
        "more cost": [c.cost - base.cost if q.price else math.nan for _, c in rows]},
        units={q.goal.what: q.goal.unit, "change": q.goal.unit},
        caption=f"What one more of each buys, from {q.worded(base.design)}. A change for the worse, or within the "
                f"Monte-Carlo error of the answer, is {NOTHING}.")


def _shows(q: Question, change: float, found: Found) -> bool:
    """Tell whether a change is for the better, and by more than the answer is uncertain by or printed to."""
    s = found.simulated
    # More studies make the answer more certain than the expectations are that the change is the difference of.
    error = s.error * math.sqrt(max(s.studies / STUDIES, 1.0))
    least = np.nanmax([error, 0.5e-3 * (1.0 if q.goal.larger else abs(found.nearest.expected))])
    return bool((change if q.goal.larger else -change) > least)


def _values(values: Sequence[PlanningValue]) -> ResultTable:
    return ResultTable.build("planning values", {
        "value of": [v.name.replace("_", " ") for v in values], "planned": [v.value for v in values],
        "unfavourable end": [v.unfavourable for v in values], "unit": [v.unit for v in values],
        "source": [v.source for v in values]},
        caption="What the plan rests on. The unfavourable end is the one-sided 80 % bound of a pilot.")


def _wrong(q: Question, found: Found) -> ResultTable:
    design = found.nearest.design
    cases = [(f"{q.scaled_words} {f:g} times as large",
              Expectations(q.with_errors(f), beside=found.known).near(design)) for f in OFF]
    return ResultTable.build("if they are wrong", {
        "case": ["as planned", *(name for name, _ in cases)],
        q.goal.what: [found.nearest.expected, *(x for _, x in cases)]}, units={q.goal.what: q.goal.unit},
        caption=f"What {q.worded(design)} gives where {q.scaled_words} turn out smaller or larger than planned.")


def _curve(q: Question, found: Found) -> ResultTable:
    columns: dict[str, list[Any]] = {**_columns(q, found.curve), "expected": [c.expected for c in found.curve]}
    columns["target"] = [q.goal.target] * len(found.curve)
    return ResultTable.build("size curve", columns, units={"expected": q.goal.unit, "target": q.goal.unit},
                             caption=f"{q.goal.what}, mean over studies, against the number of {q.factors[0].many}.")


def _estimates(q: Question, found: Found, worse: Candidate | None, seed: int) -> tuple[Estimate, ...]:
    s, method = found.simulated, q.analysis
    half = 1.959964 * s.error
    of = {"question": q.kind}
    made = [Estimate(name=f"planned {f.many}", value=float(found.nearest.design[f.key])
                     if found.chosen is not None or not q.goal.asked else math.nan, method=method, of=of)
            for f in q.factors]
    made += [Estimate(name="expected", value=found.nearest.expected, unit=q.goal.unit, of=of,
                      method=f"{q.goal.what}, mean over studies by {q.expected_by}: what the search went by"),
             Estimate(name="simulated", value=s.mean, unit=q.goal.unit, std_error=s.error, low=s.mean - half,
                      high=s.mean + half, level=0.95, n=s.studies, of=of,
                      method=f"{q.goal.what}, the answer: {method}; the interval is the Monte-Carlo error alone (seed "
                             f"{seed})"),
             Estimate(name="share of studies that reach the goal", value=100 * s.reaching if q.goal.asked and not
                      q.goal.larger else math.nan, unit="%", method=method, n=s.studies, of=of),
             Estimate(name="cost", value=found.nearest.cost if q.price else math.nan, method="prices as given", of=of)]
    if worse is not None:
        first = q.factors[0]
        made.append(Estimate(name=f"planned {first.many}, unfavourable", value=float(worse.design[first.key]) if
                             worse.reaches else math.nan, of=of, method="at the pilot's one-sided 80 % bounds"))
    return tuple(made)


def _findings(q: Question, found: Found, values: Sequence[PlanningValue]) -> tuple[Finding, ...]:
    made = [Finding(severity="warning", code=code, message=message, mend=mend)
            for code, message, mend in q.remarks(found.nearest.design)]
    if q.goal.asked and found.chosen is None:
        made.insert(0, Finding(severity="warning", code="goal-not-reached", message="no design in reach is good enough",
                               mend="Allow larger numbers, aim lower, or reduce the errors of measurement."))
    if found.simulated.refused > 0.01:
        made.append(Finding(severity="warning", code="refused-studies", message=f"{100 * found.simulated.refused:.0f} "
                            "% of the simulated studies had no answer at all", mend="Plan a larger study."))
    bare = [v.name.replace("_", " ") for v in values if v.source.startswith("pilot") and math.isnan(v.unfavourable)
            and v.name not in ("wear", "start_sd")]
    if bare:
        made.append(Finding(severity="note", code="no-unfavourable-end", message=f"the pilot gives no bound of "
                            f"{join_words(bare)}: the unfavourable plan takes the value as it is",
                            mend="Vary it by its option."))
    if not any(v.source.startswith("pilot") for v in values):
        made.append(Finding(severity="note", code="stated-values", message="the planning values were stated, not "
                            "estimated: the plan is as good as they are", mend="Give a pilot study with --pilot, and "
                            "look at the table of what wrong values do."))
    return tuple(made)


def unfavourable_of(values: Sequence[PlanningValue]) -> dict[str, float]:
    """Return the values with those of a pilot at their unfavourable ends."""
    return {v.name: v.unfavourable if math.isfinite(v.unfavourable) else v.value for v in values}
