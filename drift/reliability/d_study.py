"""The D study: coefficients and errors of a mean over so many levels of each facet, from the components of a G study.

References
----------
Brennan RL (2001). Generalizability Theory. Springer, sections 1.1 and 4.4 (mixed models), chapter 6.
Cronbach LJ, Gleser GC, Nanda H, Rajaratnam N (1972). The Dependability of Behavioral Measurements. Wiley.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice, product

import numpy as np
from numpy.typing import NDArray

from drift.engine.factorial import Effect, Squares
from drift.engine.mean_square_intervals import linear_interval, share_interval
from drift.reliability.error_sizes import CHANGE
from drift.reliability.g_study import GStudy
from drift.reliability.words import plural
from drift.results import join_words
from drift.study import ReliabilityQuestion

FloatArray = NDArray[np.float64]
REPLICATE = "replicate"
DEFAULT_LEVELS = (1, 2, 3, 4, 5)
LONGEST_PLAN = 2000


@dataclass(frozen=True)
class Design:
    """How many levels of each facet a reading is averaged over; ``numbers[0]`` is unused."""

    numbers: tuple[float, ...]
    replicates: float = 1.0

    def with_number(self, f: int, n: float) -> Design:
        """Return the design with another number of a facet, -1 being replicates."""
        if f < 0:
            return replace(self, replicates=n)
        return replace(self, numbers=tuple(n if g == f else x for g, x in enumerate(self.numbers)))

    def number(self, f: int) -> float:
        """Return the number of a facet's levels, -1 being replicates."""
        return self.replicates if f < 0 else self.numbers[f]


@dataclass(frozen=True)
class Value:
    """An estimate with its interval."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Value:
        """Return it rescaled."""
        return Value(self.value * factor, self.low * factor, self.high * factor)


@dataclass(frozen=True)
class Decision:
    """What a design gives: coefficients and errors, relative (order) and absolute (value)."""

    design: Design
    g: Value
    phi: Value
    sem_relative: Value
    sem_absolute: Value

    def sem(self, agree: str) -> Value:
        """Return the error of the declared kind."""
        return self.sem_absolute if agree == "value" else self.sem_relative

    def coefficient(self, agree: str) -> Value:
        """Return the coefficient of the declared kind."""
        return self.phi if agree == "value" else self.g

    def mdc(self, agree: str) -> Value:
        """Return the minimal detectable change of the declared kind."""
        return self.sem(agree).times(CHANGE)


def one_reading(study: GStudy) -> Design:
    """Return the design of a single reading."""
    return Design(tuple(1.0 for _ in study.numbers))


def as_studied(study: GStudy) -> Design:
    """Return the design of the mean over everything that a target met in the study."""
    return Design(study.numbers, study.replicates if study.layout.replicated else 1.0)


def weights(effects: Sequence[Effect], replicated: bool, n_factors: int, fixed: frozenset[int],
            design: Design) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how much of each variance is universe score, relative error and absolute error.

    Parameters
    ----------
    effects : sequence of frozenset
        Effects with a variance of their own; the residual follows.
    replicated : bool
        Whether the residual is that of readings in a cell.
    n_factors : int
        Target and facets.
    fixed : frozenset of int
        Facets whose levels are the only ones of interest.
    design : Design

    Notes
    -----
    Each variance is divided by the product of the numbers of levels of the facets in it. Effects of the target with
    fixed facets only belong to the universe score; those of fixed facets without the target are constants.
    """
    whole = frozenset(range(n_factors))
    universe, relative, absolute = (np.zeros(len(effects) + 1) for _ in range(3))
    for j, effect in enumerate([*effects, whole]):
        last = j == len(effects)
        divisor = math.prod(design.numbers[f] for f in effect if f) * (design.replicates if last and replicated else 1)
        random = (last and replicated) or bool({f for f in effect if f} - fixed)
        if 0 in effect and not random:
            universe[j] = 1 / divisor
        elif random:
            absolute[j] = 1 / divisor
            relative[j] = 1 / divisor if 0 in effect else 0.0
    return universe, relative, absolute


def decide(study: GStudy, designs: Sequence[Design], *, level: float) -> list[Decision]:
    """Return coefficients and errors of several designs with their intervals."""
    n_factors = len(study.group.factors)
    parts = [weights(study.effects, study.layout.replicated, n_factors, study.fixed, d) for d in designs]
    universe, relative, absolute = (np.array([p[i] for p in parts]) for i in range(3))
    return _decisions(study.variances, study.squares, study.inverse, designs, universe, relative, absolute, level)


def _decisions(variances: FloatArray, squares: Squares, inverse: FloatArray, designs: Sequence[Design],
               universe: FloatArray, relative: FloatArray, absolute: FloatArray, level: float) -> list[Decision]:
    ms, df = squares.ms, squares.df
    error = np.concatenate([relative, absolute])
    top, size = np.tile(universe, (2, 1)) @ variances, error @ variances
    ends = np.sqrt(np.maximum(linear_interval(ms, df, error @ inverse, level), 0.0))
    shares = share_interval(ms, df, np.tile(universe, (2, 1)) @ inverse, error @ inverse, level)
    with np.errstate(invalid="ignore", divide="ignore"):
        values = np.where(top + size > 0, top / (top + size), math.nan)
    sems = [_around(math.sqrt(v), *e) for v, e in zip(size, ends, strict=True)]
    coefficients = [_around(float(v), *e) for v, e in zip(values, shares, strict=True)]
    n = len(designs)
    return [Decision(d, coefficients[i], coefficients[n + i], sems[i], sems[n + i]) for i, d in enumerate(designs)]


def _around(value: float, low: float, high: float) -> Value:
    if not math.isfinite(value):
        return Value(value, math.nan, math.nan)
    return Value(value, min(float(low), value), max(float(high), value))


def open_facets(study: GStudy) -> list[int]:
    """Return the facets whose numbers a plan can change: those that are a sample, and replicates (-1)."""
    found = [f for f in range(1, len(study.group.factors)) if f not in study.fixed]
    return [*found, -1] if study.layout.replicated else found


def facet_name(study: GStudy, f: int) -> str:
    """Return the name of a facet, -1 being replicates."""
    return REPLICATE if f < 0 else study.group.factors[f]


def plan_of(study: GStudy, question: ReliabilityQuestion) -> list[Design]:
    """Return the designs to project: those of ``plan``, else one to five of every facet, replicates as they are.

    No more than ``LONGEST_PLAN``; :func:`left_out_of_plan` counts the rest.
    """
    base, facets = _base(study, question), open_facets(study)
    designs = []
    for numbers in islice(product(*_numbers_asked(study, question)), LONGEST_PLAN):
        design = base
        for f, n in zip(facets, numbers, strict=True):
            design = design.with_number(f, n)
        designs.append(design)
    return designs


def left_out_of_plan(study: GStudy, question: ReliabilityQuestion) -> int:
    """Count the designs that are not projected because there are more than can be read."""
    return max(0, math.prod(len(g) for g in _numbers_asked(study, question)) - LONGEST_PLAN)


def _base(study: GStudy, question: ReliabilityQuestion) -> Design:
    """Return the design that keeps what a plan does not vary."""
    return one_reading(study) if question.use == "single" else as_studied(study)


def _numbers_asked(study: GStudy, question: ReliabilityQuestion) -> list[tuple[float, ...]]:
    """Return the numbers to project of each open facet, in the order of the facets."""
    base, asked = _base(study, question), dict(question.plan)
    grids: list[tuple[float, ...]] = []
    facets = open_facets(study)
    for f in facets:
        name = facet_name(study, f)
        given = asked.get(name, asked.get(question.replicate or REPLICATE) if f < 0 else None)
        if given is not None:
            grids.append(tuple(float(x) for x in sorted(set(given))))
        elif f < 0 or (asked and len(facets) > 2):
            grids.append((base.number(f),))
        else:
            seen = round(study.numbers[f])
            longest = max(DEFAULT_LEVELS) if len(facets) < 3 else 4
            grids.append(tuple(float(x) for x in sorted({*range(1, longest + 1), *({seen} if seen <= 20 else ())})))
    return grids


def design_text(study: GStudy, design: Design) -> str:
    """Return a design in words: ``one reading``, ``mean of 3 sensors x 2 sessions``."""
    parts = []
    for f in range(1, len(study.group.factors)):
        n = design.numbers[f]
        if n != 1:
            parts.append(f"{n:.3g} {plural(facet_name(study, f))}")
    if study.layout.replicated and design.replicates != 1:
        parts.append(f"{design.replicates:.3g} replicates")
    return f"mean of {' x '.join(parts)}" if parts else "one reading"


@dataclass(frozen=True)
class Step:
    """One level of a facet more than in the design at hand, and the error it leaves."""

    facet: int
    words: str
    sem: float


def steps(study: GStudy, base: Design, agree: str, *, level: float) -> list[Step]:
    """Return what one more of each facet would do to the error, the largest gain first."""
    facets = open_facets(study)
    designs = [base.with_number(f, math.floor(base.number(f) + 1e-9) + 1) for f in facets]
    made = decide(study, designs, level=level)
    found = [Step(f, f"a {ordinal(round(d.design.number(f)))} {facet_name(study, f)}", d.sem(agree).value)
             for f, d in zip(facets, made, strict=True)]
    return sorted(found, key=lambda s: s.sem)


def ordinal(n: int) -> str:
    """Return ``second``, ``third`` ... or ``21st``."""
    words = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh", 8: "eighth", 9: "ninth",
             10: "tenth"}
    if n in words:
        return words[n]
    ending = "th" if 10 <= n % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


@dataclass(frozen=True)
class Larger:
    """A larger G study, and the interval of coefficient and error that it is expected to give."""

    words: str
    coefficient: Value
    sem: Value


def larger_studies(study: GStudy, base: Design, agree: str, *, level: float) -> list[Larger]:
    """Return the intervals to expect from twice the targets or twice the levels of a facet, the narrowest error first.

    Notes
    -----
    The variances seen are taken as true, each mean square as its expectation, and the larger layout as complete.
    """
    sizes = [round(study.numbers[0]), *(max(2, round(n)) for n in study.numbers[1:])]
    m = max(2, round(study.replicates)) if study.layout.replicated else 1
    found = []
    for f in [0, *(f for f in open_facets(study) if f > 0)]:
        grown = [2 * n if g == f else n for g, n in enumerate(sizes)]
        squares = expected_squares(study, grown, m)
        inverse: FloatArray = np.asarray(np.linalg.inv(squares.coefficients), dtype=np.float64)
        universe, relative, absolute = weights(study.effects, study.layout.replicated, len(sizes), study.fixed, base)
        one = _decisions(study.variances, squares, inverse, [base], universe[None], relative[None], absolute[None],
                         level)[0]
        within = f" in each {join_words([study.group.factors[g] for g in sorted(study.group.parents[f])])}" if (
            f and study.group.parents[f]) else ""
        found.append(Larger(f"{grown[f]} {plural(study.group.factors[f])}{within} instead of {sizes[f]}",
                            one.coefficient(agree), one.sem(agree)))
    return sorted(found, key=lambda x: x.sem.high - x.sem.low)


def expected_squares(study: GStudy, sizes: Sequence[int], m: int) -> Squares:
    """Return expected mean squares of a complete layout of these sizes, at the variances seen."""
    levels: dict[Effect, int] = {e: math.prod(sizes[f] for f in e) for e in study.layout.effects}
    total = levels[study.layout.effects[-1]] * m
    df: dict[Effect, float] = {frozenset(): 1.0}
    for e in study.layout.effects:
        df[e] = levels[e] - sum(n for other, n in df.items() if other < e)
    rows = study.effects
    matrix = np.eye(len(rows) + 1)
    for i, s in enumerate(rows):
        matrix[i, :-1] = [total / levels[t] if s <= t else 0.0 for t in rows]
        matrix[i, -1] = 1.0
    rest = total - 1 - sum(df[e] for e in rows)
    freedom = np.array([*(df[e] for e in rows), float(rest)])
    return Squares(ss=(matrix @ study.variances) * freedom, df=freedom, coefficients=matrix)


def numbers_row(study: GStudy, design: Design) -> Mapping[str, float]:
    """Return the numbers of a design by facet, for a table."""
    row = {study.group.factors[f]: design.numbers[f] for f in range(1, len(study.group.factors))}
    if study.layout.replicated:
        row[REPLICATE if REPLICATE not in row else "readings of a cell"] = design.replicates
    return row
