"""Find the cheapest design that reaches the goal, then simulate the analysis itself to see whether it does."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

from drift.engine.streams import stream
from drift.planning.question import Design, Question, Tell

SHORTLIST = 8  # designs shown
LEAST_SIZE = 3
STEPS = 6  # larger sizes tried where a simulation misses the goal
TRIED = 3  # combinations tried in turn by simulation, the cheapest first
MONTE_CARLO = 2.0  # Monte-Carlo errors by which a simulated mean may miss the goal


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """Mean of the goal's quantity over simulated studies, with its Monte-Carlo error.

    ``reaching`` is the share of studies that reach the target by themselves, ``refused`` that without an answer.
    """

    mean: float
    error: float
    studies: int
    reaching: float
    refused: float


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One design, what is expected of it, and what it costs."""

    design: Design
    expected: float
    cost: float
    reaches: bool


@dataclass(frozen=True, kw_only=True)
class Found:
    """What the search found.

    ``chosen`` is None where no design in reach is good enough; ``simulated`` belongs to it (to the best there is).
    """

    chosen: Candidate | None
    nearest: Candidate
    simulated: Simulated
    candidates: tuple[Candidate, ...]
    one_more: tuple[tuple[str, Candidate], ...]
    curve: tuple[Candidate, ...]


def search(question: Question, *, seed: int, studies: int, tell: Tell) -> Found:
    """Search all designs a question allows.

    Parameters
    ----------
    question : Question
    seed : int
        Of the simulation.
    studies : int
        Studies simulated of the design that is chosen.
    tell : callable
        Told the share of the work that is done.

    Notes
    -----
    For every combination of the other factors the smallest number of the first factor is found by halving, on the
    expected value; the cheapest combination is then simulated with the analysis that will be used, and enlarged as
    long as the simulated mean misses the goal by more than two Monte-Carlo errors.
    """
    made = list(_smallest_of_each(question, lambda share: tell(0.4 * share)))
    if not question.goal.asked:
        best = made[0]
        found = simulate(question, best.design, seed=seed, studies=studies, tell=lambda s: tell(0.4 + 0.6 * s))
        return Found(chosen=best, nearest=best, simulated=found, candidates=_shown(made, question),
                     one_more=_one_more(question, best), curve=_curve(question, best))
    good = sorted((c for c in made if c.reaches), key=lambda c: (c.cost, _size(c)))
    # What is expected can be wrong a little (missing cells, pooling), so no is said of simulated studies only.
    best = min(made, key=lambda c: -c.expected if question.goal.larger else c.expected)
    chosen, found = _confirmed(question, good[:TRIED] or [best], seed, studies, lambda s: tell(0.4 + 0.6 * s))
    others = [c for c in made if _others(c.design, question) != _others(chosen.design, question)]
    shown = _shown([chosen, *others], question)
    ok = _holds(question, chosen, found)
    return Found(chosen=chosen if ok else None, nearest=chosen, simulated=found, candidates=shown,
                 one_more=_one_more(question, chosen), curve=_curve(question, chosen))


def _confirmed(question: Question, good: list[Candidate], seed: int, studies: int,
               tell: Tell) -> tuple[Candidate, Simulated]:
    """Return the first of some candidates that its own simulation confirms, each enlarged if need be.

    Where none is confirmed it is the one that came nearest; it is always simulated itself.
    """
    nearest: tuple[Candidate, Simulated] | None = None
    for number, candidate in enumerate(good):
        found = _enlarged_until(question, candidate, seed, studies,
                                lambda s, done=number: tell((done + s) / len(good)))  # type: ignore[misc]
        if _holds(question, *found):
            nearest = found
            break
        if nearest is None or _nearer(question, found[1], nearest[1]):
            nearest = found
    tell(1.0)
    assert nearest is not None
    return nearest


def _enlarged_until(question: Question, start: Candidate, seed: int, studies: int,
                    tell: Tell) -> tuple[Candidate, Simulated]:
    """Simulate a candidate, then larger ones as long as the goal is missed."""
    first = question.factors[0]
    top = max(first.values)
    chosen, fixed = start, len(first.values) == 1
    found = simulate(question, chosen.design, seed=seed, studies=studies, tell=tell)
    for _ in range(STEPS):
        size = chosen.design[first.key]
        if _holds(question, chosen, found) or fixed or size >= top:
            break
        more = min(max(size + 1, _enlarged(question, size, found)), top)
        chosen = _candidate(question, {**chosen.design, first.key: more})
        found = simulate(question, chosen.design, seed=seed, studies=studies, tell=tell)
    return chosen, found


def _holds(question: Question, chosen: Candidate, found: Simulated) -> bool:
    """Tell whether a design reaches the goal: in simulation, or as expected and within the simulation's own error."""
    slack = MONTE_CARLO * found.error if chosen.reaches else 0.0
    return question.goal.met(found.mean, slack)


def _nearer(question: Question, a: Simulated, b: Simulated) -> bool:
    return a.mean > b.mean if question.goal.larger else a.mean < b.mean


def _enlarged(question: Question, size: int, found: Simulated) -> int:
    """Return a size that should meet the target: widths fall with the root of the size, missed power with it."""
    goal = question.goal
    if goal.larger:
        return math.ceil(size * (1 + max(goal.target - found.mean, 0.0)))
    return math.ceil(size * min((found.mean / goal.target) ** 2, 2.0)) if goal.target > 0 else 2 * size


def simulate(question: Question, d: Design, *, seed: int, studies: int, tell: Tell) -> Simulated:
    """Simulate studies of one design; the draws depend on seed and design only."""
    rng = stream(seed, question.kind, *(int(d[f.key]) for f in question.factors))
    made = question.simulate(d, rng, studies, tell)
    refused = float(np.mean(~np.isfinite(made)))
    if question.goal.larger:  # a study without an answer shows nothing
        made = np.nan_to_num(made, nan=0.0)
    there = made[np.isfinite(made)]
    goal = question.goal
    if not len(there):
        return Simulated(mean=math.nan, error=math.nan, studies=studies, reaching=0.0, refused=refused)
    reached = there if goal.larger else there <= goal.target
    return Simulated(mean=float(there.mean()), error=float(there.std(ddof=1) / math.sqrt(len(there))),
                     studies=studies, reaching=float(reached.mean()) * len(there) / studies,
                     refused=refused)


def _smallest_of_each(question: Question, tell: Tell) -> Iterator[Candidate]:
    first, *rest = question.factors
    combinations = list(product(*(f.values for f in rest)))
    for done, values in enumerate(combinations):
        fixed = {f.key: v for f, v in zip(rest, values, strict=True)}
        yield _smallest(question, fixed, min(first.values), max(first.values))
        tell((done + 1) / len(combinations))


def _smallest(question: Question, fixed: dict[str, int], low: int, high: int) -> Candidate:
    """Return the smallest size that reaches the goal; the largest if none does.

    By regula falsi on the reciprocal root of the size, on which widths are nearly straight, and by halving from the
    third step on: an expectation can cost seconds.
    """
    key = question.factors[0].key

    def at(n: int) -> Candidate:
        return _candidate(question, {key: n, **fixed})

    bottom = at(low)
    if bottom.reaches or low == high:
        return bottom
    top = at(high)
    if not top.reaches:
        return top
    step = 0
    while high - low > 1:
        straight = _between(question, bottom, top, low, high) if step < 3 else math.sqrt(low * high)
        middle = min(max(math.ceil(straight), low + 1), high - 1)
        here, step = at(middle), step + 1
        if here.reaches:
            high, top = middle, here
        else:
            low, bottom = middle, here
    return top


def _between(question: Question, bottom: Candidate, top: Candidate, low: int, high: int) -> float:
    """Size at which a straight line between two sizes, in the reciprocal root, meets the target."""
    a, b, goal = bottom.expected, top.expected, question.goal.target
    if not math.isfinite(a + b) or a == b:
        return math.sqrt(low * high)
    x = low**-0.5 + (goal - a) / (b - a) * (high**-0.5 - low**-0.5)
    return float(x**-2)


def smallest_beside(question: Question, d: Design) -> Candidate:
    """Return the smallest size that reaches the goal with the other numbers of a design."""
    first = question.factors[0]
    low, high = min(first.values), max(first.values)
    return _smallest(question, {k: v for k, v in d.items() if k != first.key}, low, high if high > low else 100 * high)


def _candidate(question: Question, d: Design) -> Candidate:
    value = question.expected(d)
    return Candidate(design=dict(d), expected=value, cost=question.cost(d), reaches=question.goal.met(value))


def _others(d: Design, question: Question) -> tuple[int, ...]:
    return tuple(d[f.key] for f in question.factors[1:])


def _size(c: Candidate) -> int:
    return math.prod(c.design.values())


def _shown(made: list[Candidate], question: Question) -> tuple[Candidate, ...]:
    """Return candidates by cost, those that reach the goal first."""
    ordered = sorted(made, key=lambda c: (not c.reaches, c.cost, _size(c)))
    return tuple(ordered[:SHORTLIST])


def _curve(question: Question, chosen: Candidate) -> tuple[Candidate, ...]:
    """Return sizes about the chosen one, with the other numbers as they are."""
    first = question.factors[0]
    n, least = chosen.design[first.key], max(LEAST_SIZE, min(first.values) if len(first.values) > 1 else LEAST_SIZE)
    sizes = sorted({max(least, round(n * f)) for f in (0.4, 0.7, 1.4, 2.0)} | {n})
    return tuple(chosen if size == n else _candidate(question, {**chosen.design, first.key: size}) for size in sizes)


def _one_more(question: Question, chosen: Candidate) -> tuple[tuple[str, Candidate], ...]:
    """Return the design with one more of each factor that is open to choice."""
    return tuple((f.key, _candidate(question, {**chosen.design, f.key: chosen.design[f.key] + 1}))
                 for f in question.factors if not f.given)
