"""Find the cheapest design that reaches the goal, then simulate the analysis itself to see whether it does."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count, product

import numpy as np

from drift.engine.streams import stream
from drift.planning.expectations import Expectations
from drift.planning.question import Design, Question, Tell

SHORTLIST = 8  # designs shown
LEAST_SIZE = 3
STEPS = 6  # larger sizes tried where a simulation misses the goal
TRIED = 3  # combinations tried in turn by simulation, the cheapest first
CLOSE = 0.93  # a combination whose sketched cost is this share above the cheapest's may still be the cheapest
NARROW = 0.04  # share of a size within which sketches tell no more
MONTE_CARLO = 2.0  # Monte-Carlo errors by which a simulated mean may miss the goal

Told = Callable[[str, float], None]


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
    known: Expectations


def search(question: Question, *, seed: int, studies: int, tell: Told) -> Found:
    """Search all designs a question allows.

    Parameters
    ----------
    question : Question
    seed : int
        Of the simulation.
    studies : int
        Studies simulated of the design that is chosen.
    tell : callable
        Told what is done, and the share of the work that is.

    Notes
    -----
    For every combination of the other factors the smallest number of the first factor is found by halving, on the
    expected value (sketched where that is slow; then the cheapest combinations are settled on the expectation itself);
    the cheapest is then simulated with the analysis that will be used, and enlarged as long as the simulated mean
    misses the goal by more than two Monte-Carlo errors.
    """
    known = Expectations(question)
    made = list(_smallest_of_each(known, lambda what, s: tell(what, 0.3 * s)))

    def simulating(share: float) -> None:
        tell(f"simulating {studies:,} studies and analysing each", 0.4 + 0.45 * share)

    if not question.goal.asked:
        best = _candidate(known, made[0].design, fine=True)
        found = simulate(question, best.design, seed=seed, studies=studies, tell=simulating)
        return _found(known, best, best, found, _shown(made, question), tell)
    made = _settled_first(known, made, lambda what, s: tell(what, 0.3 + 0.1 * s))
    good = [c for c in made if c.reaches]
    # What is expected can be wrong a little (missing cells, pooling), so no is said of simulated studies only.
    best = min(made, key=lambda c: -c.expected if question.goal.larger else c.expected)
    chosen, found = _confirmed(known, good[:TRIED] or [best], seed, studies, simulating)
    others = [c for c in made if _others(c.design, question) != _others(chosen.design, question)]
    shown = _shown([chosen, *others], question)
    ok = _holds(question, chosen, found)
    return _found(known, chosen if ok else None, chosen, found, shown, tell)


def _found(known: Expectations, chosen: Candidate | None, nearest: Candidate, simulated: Simulated,
           shown: tuple[Candidate, ...], tell: Told) -> Found:
    """Add what one more of anything buys, and other sizes."""
    tell("working out what one more buys", 0.87)
    more = _one_more(known, nearest)
    tell("working out other sizes", 0.92)
    return Found(chosen=chosen, nearest=nearest, simulated=simulated, candidates=shown, one_more=more,
                 curve=_curve(known, nearest), known=known)


def _settled_first(known: Expectations, made: list[Candidate], tell: Told) -> list[Candidate]:
    """Return candidates by cost, every one that may be the cheapest settled on the expectation itself."""
    def cheap(c: Candidate) -> tuple[float, int]:
        return c.cost, _size(c)

    waiting, others = sorted((c for c in made if c.reaches), key=cheap), [c for c in made if not c.reaches]
    done: list[Candidate] = []
    while known.question.slow and waiting and not (done and waiting[0].cost * CLOSE > done[0].cost):
        tell(f"calibrating about {known.question.worded(waiting[0].design)}", len(done) / (len(done) + len(waiting)))
        settled = _settled(known, waiting.pop(0))
        if settled.reaches:
            done = sorted([*done, settled], key=cheap)
        else:
            others.append(settled)
    return [*done, *waiting, *others]


def _settled(known: Expectations, start: Candidate) -> Candidate:
    """Return the smallest size that reaches the goal by the expectation itself, from a size that nearly does.

    Until the answer lies between two sizes each step goes where a line as steep as the sketched values leads, then by
    regula falsi, from the fifth step on by halving. Of the last two sizes, neighbours, one reaches the goal and the
    other does not.
    """
    first = known.question.factors[0]
    short: Candidate | None = None
    enough: Candidate | None = None
    here = _candidate(known, start.design, fine=True)
    for step in count(1):
        short, enough = (short, here) if here.reaches else (here, enough)
        low = min(first.values) - 1 if short is None else short.design[first.key]
        high = max(first.values) + 1 if enough is None else enough.design[first.key]
        if high - low <= 1:
            return here if enough is None else enough
        if short is None or enough is None:
            wanted: float = _led_to(known, here)
        elif step < 5:
            wanted = math.ceil(_between(known.question, short, enough, low, high))
        else:
            wanted = (low + high) // 2
        here = _candidate(known, {**start.design, first.key: int(min(max(wanted, low + 1), high - 1))}, fine=True)
    raise AssertionError("the sizes between two numbers are finite")


def _led_to(known: Expectations, here: Candidate) -> float:
    """Return the size at which a line through ``here``, as steep as the sketched values about it, meets the target."""
    key = known.question.factors[0].key
    n = here.design[key]
    a, b = max(LEAST_SIZE, round(0.7 * n)), round(1.4 * n) + 1
    rise = known.near({**here.design, key: b}) - known.near({**here.design, key: a})
    slope = rise / (b**-0.5 - a**-0.5)
    x = n**-0.5 + (known.question.goal.target - here.expected) / slope if slope else math.nan
    led = math.ceil(x**-2) if x > 0 else 2 * n
    # A step at least, in the direction in which the answer lies.
    return min(led, n - 1) if here.reaches else max(led, n + 1)


def _confirmed(known: Expectations, good: list[Candidate], seed: int, studies: int,
               tell: Tell) -> tuple[Candidate, Simulated]:
    """Return the first of some candidates that its own simulation confirms, each enlarged if need be.

    Where none is confirmed it is the one that came nearest; it is always simulated itself.
    """
    question = known.question
    nearest: tuple[Candidate, Simulated] | None = None
    for number, candidate in enumerate(good):
        found = _enlarged_until(known, candidate, seed, studies,
                                lambda s, done=number: tell((done + s) / len(good)))  # type: ignore[misc]
        if _holds(question, *found):
            nearest = found
            break
        if nearest is None or _nearer(question, found[1], nearest[1]):
            nearest = found
    tell(1.0)
    assert nearest is not None
    return nearest


def _enlarged_until(known: Expectations, start: Candidate, seed: int, studies: int,
                    tell: Tell) -> tuple[Candidate, Simulated]:
    """Simulate a candidate, then larger ones as long as the goal is missed."""
    question = known.question
    first = question.factors[0]
    top = max(first.values)
    start = _candidate(known, start.design, fine=True)
    chosen, fixed = start, len(first.values) == 1
    found = simulate(question, chosen.design, seed=seed, studies=studies, tell=tell)
    for _ in range(STEPS):
        size = chosen.design[first.key]
        if _holds(question, chosen, found) or fixed or size >= top:
            break
        more = min(max(size + 1, _enlarged(question, size, found)), top)
        chosen = _candidate(known, {**chosen.design, first.key: more}, fine=True)
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


def _smallest_of_each(known: Expectations, tell: Told) -> Iterator[Candidate]:
    first, *rest = known.question.factors
    combinations = list(product(*(f.values for f in rest)))
    for done, values in enumerate(combinations):
        with_ = " x ".join(f.count(v) for f, v in zip(rest, values, strict=True))
        tell(f"searching {first.many} with {with_}" if with_ else f"searching {first.many}", done / len(combinations))
        fixed = {f.key: v for f, v in zip(rest, values, strict=True)}
        yield _smallest(known, fixed, min(first.values), max(first.values))


def _smallest(known: Expectations, fixed: dict[str, int], low: int, high: int) -> Candidate:
    """Return the smallest size that reaches the goal; the largest if none does.

    By regula falsi on the reciprocal root of the size, on which widths are nearly straight, and by halving from the
    third step on.
    """
    key = known.question.factors[0].key

    def at(n: int) -> Candidate:
        return _candidate(known, {key: n, **fixed})

    bottom = at(low)
    if bottom.reaches or low == high:
        return bottom
    top = at(high)
    if not top.reaches:
        return top
    step, end = 0, NARROW if known.question.slow else 0.0
    while high - low > max(1.0, end * high):
        straight = _between(known.question, bottom, top, low, high) if step < 3 else math.sqrt(low * high)
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


def smallest_beside(question: Question, d: Design, beside: Expectations | None = None) -> Candidate:
    """Return the smallest size that reaches the goal with the other numbers of a design.

    Where the question is slow the size is as near as its sketches, corrected by those of ``beside``, bring it.
    """
    first = question.factors[0]
    low, high = min(first.values), max(first.values)
    return _smallest(Expectations(question, beside=beside), {k: v for k, v in d.items() if k != first.key}, low,
                     high if high > low else 100 * high)


def _candidate(known: Expectations, d: Design, *, fine: bool = False) -> Candidate:
    value = known.fine(d) if fine else known.near(d)
    question = known.question
    return Candidate(design=dict(d), expected=value, cost=question.cost(d), reaches=question.goal.met(value))


def _others(d: Design, question: Question) -> tuple[int, ...]:
    return tuple(d[f.key] for f in question.factors[1:])


def _size(c: Candidate) -> int:
    return math.prod(c.design.values())


def _shown(made: list[Candidate], question: Question) -> tuple[Candidate, ...]:
    """Return candidates by cost, those that reach the goal first."""
    ordered = sorted(made, key=lambda c: (not c.reaches, c.cost, _size(c)))
    return tuple(ordered[:SHORTLIST])


def _curve(known: Expectations, chosen: Candidate) -> tuple[Candidate, ...]:
    """Return sizes about the chosen one, with the other numbers as they are."""
    first = known.question.factors[0]
    n, least = chosen.design[first.key], max(LEAST_SIZE, min(first.values) if len(first.values) > 1 else LEAST_SIZE)
    sizes = sorted({max(least, round(n * f)) for f in (0.4, 0.7, 1.4, 2.0)} | {n})
    return tuple(chosen if size == n else _candidate(known, {**chosen.design, first.key: size}) for size in sizes)


def _one_more(known: Expectations, chosen: Candidate) -> tuple[tuple[str, Candidate], ...]:
    """Return the design with one more of each factor that is open to choice."""
    return tuple((f.key, _candidate(known, {**chosen.design, f.key: chosen.design[f.key] + 1}))
                 for f in known.question.factors if not f.given)
