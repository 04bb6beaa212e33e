"""Compare the reliability of two or more constructions, methods or conditions when the same targets were measured.

Which targets, facet levels and cells two levels share is found from the labels; what they share makes the comparison
sharper, and what they do not share is treated as independent. Equality is never concluded from a wide interval.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drift.engine.paired_reliability import (
    DRAWS,
    NO_LINK,
    Effects,
    Link,
    Links,
    Side,
    VarianceTest,
    correlated_variances,
    correlation,
    effects,
    find_links,
    holm,
    independent_variances,
    interval_and_p,
    joint_draws,
)
from drift.engine.pivotal import Pivots
from drift.records import TrialTable
from drift.reliability.components import Components, Refusal
from drift.reliability.icc import Coefficient
from drift.reliability.measurement_error import ErrorSize
from drift.reliability.rows import Group, text
from drift.reliability.words import Declared
from drift.study import ReliabilityQuestion

IntArray = NDArray[np.intp]
JOINT = "joint generalised pivotal interval"


class HasAnalysis(Protocol):
    """A group with what was computed from it."""

    @property
    def group(self) -> Group: ...  # noqa: D102

    @property
    def parts(self) -> Components | Refusal: ...  # noqa: D102

    @property
    def cases(self) -> tuple[Coefficient, ...]: ...  # noqa: D102

    @property
    def errors(self) -> tuple[ErrorSize, ...]: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True)
class Shared:
    """How many targets and facet levels are in both; ``of_a`` and ``of_b`` are their numbers in each."""

    targets: int
    targets_of_a: int
    targets_of_b: int
    facets: int
    cells: int

    @property
    def words(self) -> str:
        """All, some or none."""
        if self.targets == 0:
            return "none"
        return "all" if self.targets == self.targets_of_a == self.targets_of_b else "some"


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One quantity of a pair: a difference (null 0) or a ratio (null 1), a against b."""

    kind: str
    quantity: str
    value: float
    low: float
    high: float
    p: float
    method: str
    statistic: float = math.nan

    @property
    def null(self) -> float:
        """Value at which both are alike."""
        return 0.0 if self.kind == "difference" else 1.0

    @property
    def clear(self) -> bool:
        """Whether the interval leaves the null value out."""
        return math.isfinite(self.low) and not self.low <= self.null <= self.high


@dataclass(frozen=True, kw_only=True, eq=False)
class Pair:
    """Two levels compared: the coefficient, the SEM of its kind, and the residual."""

    a: str
    b: str
    shared: Shared
    links: Links
    coefficient: Compared
    sem: Compared
    residual: Compared

    @property
    def quantities(self) -> tuple[Compared, ...]:
        """All three, the residual only where it is not the SEM itself."""
        return (self.coefficient, self.sem, self.residual)


def natural(label: str) -> tuple[tuple[int, float, str], ...]:
    """Sort key under which ``visit 10`` follows ``visit 9``."""
    parts = re.split(r"(\d+(?:\.\d+)?)", label)
    return tuple((0, float(x), "") if i % 2 else (1, 0.0, x) for i, x in enumerate(parts))


def compare_pairs(done: Sequence[HasAnalysis], trials: TrialTable, question: ReliabilityQuestion, column: str,
                  pick: Declared, *, level: float, seed: int, draws: int = DRAWS) -> tuple[Pair, ...]:
    """Compare every two levels of a column that could both be analysed.

    Parameters
    ----------
    done : sequence
        Groups that differ in the compared column only.
    trials : TrialTable
    question : ReliabilityQuestion
    column : str
        The compared column; its value stands in the labels of each group.
    pick : Declared
    level : float
    seed : int
        Of the joint draws; each pair has its own child.
    draws : int
        Number of them.

    Returns
    -------
    tuple of Pair
        In natural order of the labels; pairs with a level that has no estimate are left out.
    """
    able = sorted((d for d in done if isinstance(d.parts, Components) and d.parts.pivots is not None),
                  key=lambda d: natural(d.group.labels[column]))
    children = np.random.SeedSequence(seed).spawn(len(able) * (len(able) - 1) // 2)
    return tuple(_pair(one, two, trials, question, column, pick, level, draws, np.random.default_rng(child))
                 for (one, two), child in zip(combinations(able, 2), children, strict=True))


def _common(one: Sequence[str], two: Sequence[str]) -> tuple[IntArray, IntArray]:
    at = {name: i for i, name in enumerate(two)}
    both = [(i, at[name]) for i, name in enumerate(one) if name in at]
    return (np.array([i for i, _ in both], dtype=np.intp), np.array([j for _, j in both], dtype=np.intp))


def _pair(one: HasAnalysis, two: HasAnalysis, trials: TrialTable, question: ReliabilityQuestion, column: str,
          pick: Declared, level: float, draws: int, rng: np.random.Generator) -> Pair:
    p1, p2 = one.parts, two.parts
    if isinstance(p1, Refusal) or isinstance(p2, Refusal) or p1.pivots is None or p2.pivots is None:
        raise ValueError("only levels that could be analysed are compared")
    targets = _common(one.group.target_names, two.group.target_names)
    facets = _common(one.group.facet_names, two.group.facet_names)
    e1, e2 = effects(p1.design), effects(p2.design)
    links = find_links(e1, e2, targets, facets, _within(one.group, two.group, p1, p2, trials, question))
    met = (p1.design.counts[np.ix_(targets[0], facets[0])] > 0) & (p2.design.counts[np.ix_(targets[1], facets[1])] > 0)
    shared = Shared(targets=len(targets[0]), targets_of_a=p1.shape[0], targets_of_b=p2.shape[0], facets=len(facets[0]),
                    cells=int(met.sum()))
    sides = joint_draws(p1.pivots, p2.pivots, links, n=draws, rng=rng)
    agreement, mean = question.agree == "value", question.use == "mean"
    by = (float(p1.shape[1]), float(p2.shape[1])) if mean else (1.0, 1.0)
    kind = "agreement" if agreement else "consistency"
    residual = _residual((one, two), (p1.pivots, p2.pivots), (e1, e2), sides, shared, links, level)
    sem = (residual if not agreement and not mean else
           _sem((one, two), sides, kind, agreement, by, level))
    return Pair(a=one.group.labels[column], b=two.group.labels[column], shared=shared, links=links,
                coefficient=_coefficient((one, two), sides, pick, agreement, by, level), sem=sem, residual=residual)


def _coefficient(both: tuple[HasAnalysis, HasAnalysis], sides: tuple[Side, Side], pick: Declared, agreement: bool,
                 by: tuple[float, float], level: float) -> Compared:
    values = [next(c.value for c in one.cases if (c.name, c.model) == (pick.coefficient, pick.model)) for one in both]
    a, b = (s.coefficient(agreement=agreement, divisor=d) for s, d in zip(sides, by, strict=True))
    (low, high), p = interval_and_p(a - b, 0.0, level)
    value = values[0] - values[1]
    return Compared(kind="difference", quantity=pick.coefficient, value=value, low=min(low, value),
                    high=max(high, value), p=p, method=JOINT)


def _sem(both: tuple[HasAnalysis, HasAnalysis], sides: tuple[Side, Side], kind: str, agreement: bool,
         by: tuple[float, float], level: float) -> Compared:
    sizes = [next(e.value for e in one.errors if e.name == f"SEM ({kind})") / math.sqrt(d)
             for one, d in zip(both, by, strict=True)]
    a, b = (s.sem(agreement=agreement, divisor=d) for s, d in zip(sides, by, strict=True))
    (low, high), p = interval_and_p(a / b, 1.0, level)
    value = sizes[0] / sizes[1] if sizes[1] > 0 else math.nan
    return Compared(kind="ratio", quantity=f"SEM ({kind})", value=value, low=min(low, value),
                    high=max(high, value), p=p, method=JOINT)


def _residual(both: tuple[HasAnalysis, HasAnalysis], pivots: tuple[Pivots, Pivots], found: tuple[Effects, Effects],
              sides: tuple[Side, Side], shared: Shared, links: Links, level: float) -> Compared:
    """Ratio of the consistency SEMs: exact without replicates where cells are all shared or not at all."""
    p1, p2 = pivots
    replicated = bool(p1.df_within or p2.df_within)
    met = [int(np.isfinite(e.residuals).sum()) for e in found]
    all_shared = met[0] == met[1] == shared.cells and p1.df_inner >= 2
    if not replicated and all_shared:
        test = correlated_variances(p1.ss_inner, p2.ss_inner, _cross(both, found), p1.df_inner, level)
        return _exact(test, "likelihood-ratio test of equal residual variance with its exact p value, residuals of the "
                            "same cells paired, Pitman-Morgan interval")
    if not replicated and shared.cells == 0:
        test = independent_variances(p1.ss_inner, p1.df_inner, p2.ss_inner, p2.df_inner, level)
        return _exact(test, "exact F test of equal residual variance, no cell in common, exact F interval")
    made = _sem(both, sides, "consistency", False, (1.0, 1.0), level)
    statistic = independent_variances(p1.ss_inner, p1.df_inner, p2.ss_inner, p2.df_inner, level).statistic
    independent = links.inner.squared == 0 and not replicated
    return Compared(kind="ratio", quantity=made.quantity, value=made.value, low=made.low, high=made.high, p=made.p,
                    method=made.method, statistic=statistic if independent else math.nan)


def _cross(both: tuple[HasAnalysis, HasAnalysis], found: tuple[Effects, Effects]) -> float:
    t1, t2 = _common(both[0].group.target_names, both[1].group.target_names)
    f1, f2 = _common(both[0].group.facet_names, both[1].group.facet_names)
    return float(np.nansum(found[0].residuals[np.ix_(t1, f1)] * found[1].residuals[np.ix_(t2, f2)]))


def _exact(test: VarianceTest, method: str) -> Compared:
    return Compared(kind="ratio", quantity="SEM (consistency)", value=math.sqrt(test.ratio), low=math.sqrt(test.low),
                    high=math.sqrt(test.high), p=test.p, method=method, statistic=test.statistic)


def _within(one: Group, two: Group, p1: Components, p2: Components, trials: TrialTable,
            question: ReliabilityQuestion) -> Link:
    """Correlation of readings within cells where a replicate column pairs them (one walk read by two methods)."""
    column = question.replicate
    if column is None or column not in trials or not (p1.replicated and p2.replicated):
        return NO_LINK
    a, b = _deviations(one, trials, column), _deviations(two, trials, column)
    keys = sorted(set(a) & set(b))
    cells = {key[:2] for key in keys}
    return correlation([a[k] for k in keys], [b[k] for k in keys], len(keys) - len(cells), centre=False)


def _deviations(group: Group, trials: TrialTable, column: str) -> dict[tuple[str, str, str], float]:
    """Take cell means off readings, by target, facet level and replicate; repeated keys are left out."""
    k = len(group.facet_names)
    cell = group.targets * k + group.facets
    counts = np.bincount(cell, minlength=k * len(group.target_names))
    means = np.bincount(cell, weights=group.values, minlength=len(counts)) / np.maximum(counts, 1)
    out: dict[tuple[str, str, str], float] = {}
    twice: set[tuple[str, str, str]] = set()
    for i, row in enumerate(group.rows):
        if counts[cell[i]] < 2:
            continue
        key = (group.target_names[group.targets[i]], group.facet_names[group.facets[i]], text(trials[column][row]))
        if key in out:
            twice.add(key)
        out[key] = float(group.values[i] - means[cell[i]])
    return {key: x for key, x in out.items() if key not in twice}


def adjusted(pairs: Sequence[Pair]) -> dict[tuple[str, str, str, str], float]:
    """Holm-adjusted p values, a family for each quantity: (a, b, kind, quantity) to p."""
    out: dict[tuple[str, str, str, str], float] = {}
    for position in range(3):
        family = [pair.quantities[position] for pair in pairs]
        for pair, q, p in zip(pairs, family, holm([q.p for q in family]), strict=True):
            out[pair.a, pair.b, q.kind, q.quantity] = float(p)
    return out
