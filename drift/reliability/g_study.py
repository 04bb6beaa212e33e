"""The G study: variance components of a several-facet layout with their intervals.

Balanced layouts are solved in closed form, all others by REML; intervals come from mean squares, adjusted where the
layout is not balanced.

References
----------
Brennan RL (2001). Generalizability Theory. Springer, chapters 3 to 7.
Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Dekker.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from drift.engine.adjusted_squares import adjusted_squares
from drift.engine.factorial import AnalogousAnova, Effect, Layout, Squares, analogous_anova, joined, separate
from drift.engine.mean_square_intervals import linear_interval
from drift.engine.random_effects import RandomEffectsFit, fit_random_effects
from drift.reliability.components import Refusal
from drift.reliability.g_design import FacetGroup, effect_name, what_stands_in_the_way
from drift.reliability.words import plural
from drift.results import join_words
from drift.study import ReliabilityQuestion

FloatArray = NDArray[np.float64]

BALANCED = "ANOVA, modified large-sample interval"
UNBALANCED = "REML, modified large-sample interval from adjusted mean squares"
NO_RESIDUAL = Refusal(code="no-residual-variation", message="the readings fit the means of their levels to "
                      "within rounding, so no residual variance is left",
                      mend="Check whether a column was copied or computed from another")


@dataclass(frozen=True, kw_only=True, eq=False)
class GStudy:
    """Components of one group.

    ``effects`` have a variance of their own; arrays have an entry for each and last the residual. ``estimates`` are
    the unbiased (ANOVA) or REML ones, ``variances`` the same without what lies below zero. ``confounded`` names pairs
    of effects that cannot be told apart: the first was left out and counts in the second, None being the residual.
    ``numbers`` are the levels of each facet that one target met, within what the facet lies in (harmonic mean), and
    ``replicates`` the readings of a cell.
    """

    group: FacetGroup
    layout: Layout
    effects: tuple[Effect, ...]
    squares: Squares
    estimates: FloatArray
    intervals: FloatArray
    fit: RandomEffectsFit | None
    analogous: AnalogousAnova | None
    confounded: tuple[tuple[Effect, Effect | None], ...]
    fixed: frozenset[int]
    numbers: tuple[float, ...]
    replicates: float
    averaged: bool
    mean: float

    @property
    def variances(self) -> FloatArray:
        """Variances, never negative."""
        return np.maximum(self.estimates, 0.0)

    @property
    def method(self) -> str:
        """How components and intervals were obtained."""
        return BALANCED if self.fit is None else UNBALANCED

    @cached_property
    def inverse(self) -> FloatArray:
        """Variances as combinations of mean squares, a row a variance."""
        return np.asarray(np.linalg.inv(self.squares.coefficients))

    def name(self, j: int) -> str:
        """Return a component in words; the last is the residual."""
        if j < len(self.effects):
            return effect_name(self.effects[j], self.group.factors, self.group.parents)
        if self.layout.replicated:
            return "residual (readings of one cell)"
        return f"{self.group.design}, residual"

    @property
    def names(self) -> tuple[str, ...]:
        """All components in words."""
        return tuple(self.name(j) for j in range(len(self.effects) + 1))

    def main(self, f: int) -> int:
        """Index of the component of a factor's own levels, -1 where it was left out."""
        effect = self.group.parents[f] | {f}
        return self.effects.index(effect) if effect in self.effects else -1


def g_study(group: FacetGroup, question: ReliabilityQuestion, *, level: float) -> GStudy | Refusal:
    """Estimate the components of one group.

    Parameters
    ----------
    group : FacetGroup
    question : ReliabilityQuestion
    level : float

    Returns
    -------
    GStudy or Refusal
    """
    layout = group.layout
    fixed = frozenset(range(1, len(group.factors))) if question.facets_are == "fixed" and not question.fixed else (
        frozenset(group.factors.index(f) for f in question.fixed))
    refusal = what_stands_in_the_way(group, layout) or _about_fixed(group, layout, fixed)
    if refusal is not None:
        return refusal
    found = _model(layout)
    if isinstance(found, Refusal):
        return found
    effects, squares, confounded = found
    late = _without_main(group, layout, effects) or _nothing_left(group, layout, squares)
    if late is not None:
        return late
    balanced = layout.balanced and effects == separate(layout)
    fit, analogous = None, None
    estimates = squares.variances()
    if not balanced:
        try:
            fit = fit_random_effects(layout, effects, start=np.maximum(estimates, 0.0))
        except ValueError:
            return NO_RESIDUAL
        estimates = fit.variances
        if effects == separate(layout):
            analogous = _analogous(layout)
    intervals = np.maximum(linear_interval(squares.ms, squares.df, np.linalg.inv(squares.coefficients), level), 0.0)
    clipped = np.maximum(estimates, 0.0)
    # REML and adjusted mean squares are two estimates: the interval of the one must hold the other.
    intervals = np.column_stack([np.minimum(intervals[:, 0], clipped), np.maximum(intervals[:, 1], clipped)])
    mean = fit.mean if fit is not None else float(layout.means.mean()) + layout.shift
    return GStudy(group=group, layout=layout, effects=effects, squares=squares, estimates=estimates,
                  intervals=intervals, fit=fit, analogous=analogous, confounded=confounded, fixed=fixed,
                  numbers=_numbers(group, layout), replicates=len(layout.counts) / float((1 / layout.counts).sum()),
                  averaged=question.average_replicates, mean=mean)


def _analogous(layout: Layout) -> AnalogousAnova | None:
    try:
        return analogous_anova(layout)
    except ValueError:
        return None


def _about_fixed(group: FacetGroup, layout: Layout, fixed: frozenset[int]) -> Refusal | None:
    for f in sorted(fixed):
        outer = [g for g in sorted(group.parents[f]) if g not in fixed]
        if outer:
            return Refusal(code="fixed-in-random", message=f"{group.factors[f]} lies in {group.factors[outer[0]]}, "
                           "which is a sample, so its levels cannot be the only ones of interest",
                           mend=f"Take {group.factors[f]} out of fixed, or fix {group.factors[outer[0]]} too")
    if len(fixed) == len(group.factors) - 1 and not layout.replicated:
        return Refusal(code="no-random-facet", message="all facets are fixed and each cell holds one reading, so no "
                       "source of error is left to estimate",
                       mend="Fix only some of the facets, the others being a sample, or take replicates")
    return None


def _model(layout: Layout) -> tuple[tuple[Effect, ...], Squares, tuple[tuple[Effect, Effect | None], ...]] | Refusal:
    """Return the effects that can be told apart, their mean squares, and which cannot."""
    size = dict(zip(layout.effects, layout.sizes, strict=True))
    top = layout.effects[-1]
    confounded: list[tuple[Effect, Effect | None]] = []
    kept: list[Effect] = []
    for e in separate(layout):
        twin = next((k for k in kept if k < e and size[k] == size[e]), None)
        if e != top and size[e] == len(layout.counts):
            confounded.append((e, top if layout.replicated else None))
        elif twin is not None:
            confounded.append((e, twin))
        else:
            kept.append(e)
    while kept:
        squares = adjusted_squares(layout, kept)
        lost = [e for e, df in zip(kept, squares.df[:-1], strict=True) if df < 1]
        if squares.df[-1] >= 1 and not lost:
            return tuple(kept), squares, tuple(confounded)
        # The effect of most factors goes first: it is the least a study is about, and the likeliest without rows.
        gone = max(lost, key=len) if lost else kept[-1]
        kept.remove(gone)
        confounded.append((gone, None))
    return Refusal(code="no-residual", message="the readings leave no degrees of freedom to tell any source of "
                   "variation from another", mend="Measure more targets with two or more levels of each facet")


def _without_main(group: FacetGroup, layout: Layout, effects: tuple[Effect, ...]) -> Refusal | None:
    lost = [f for f in range(len(group.factors)) if group.parents[f] | {f} not in effects
            and group.parents[f] | {f} != layout.effects[-1]]
    if not lost:
        return None
    words = join_words([group.factors[f] for f in lost])
    return Refusal(code="not-separable", message=f"the effect of {words} cannot be told from the others with the cells "
                   "that were measured", mend=f"Measure more combinations of {join_words(group.factors)}, above all "
                   f"the same {group.factors[0]} with several {plural(group.factors[lost[0]])}")


def _nothing_left(group: FacetGroup, layout: Layout, squares: Squares) -> Refusal | None:
    rounding = layout.n_readings * (16 * float(np.finfo(np.float64).eps) * float(np.abs(group.values).max())) ** 2
    if squares.ss[-1] > rounding:
        return None
    if layout.replicated:
        return Refusal(code="identical-replicates", message="the replicates of every cell are identical, so the "
                       "within-cell variance is zero", mend="Check whether replicates were copied, or set "
                       "average_replicates = true")
    return NO_RESIDUAL


def _numbers(group: FacetGroup, layout: Layout) -> tuple[float, ...]:
    """Levels of each factor met by one target within what the factor lies in; entry 0 is the number of targets."""
    out = [float(layout.sizes[layout.effects.index(frozenset({0}))])]
    for f in range(1, len(group.factors)):
        around = [group.codes[g] for g in sorted((group.parents[f] | {0}) - {f})]
        outer = joined(around)
        first = np.unique(joined([*around, group.codes[f]]), return_index=True)[1]
        counts = np.bincount(outer[first])
        out.append(len(counts) / float((1 / counts).sum()))
    return tuple(out)
