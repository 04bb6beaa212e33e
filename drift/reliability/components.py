"""Variance components of one table: by mean squares where it is complete, by REML where it is not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossed import CrossedDesign, CrossedFit, fit_crossed
from drift.engine.fixed_levels import fixed_spread_interval, fixed_variances
from drift.engine.meansquares import Interval, OneWay, TwoWay, one_way, two_way
from drift.engine.pivotal import Pivots, build_pivots, component_intervals
from drift.reliability.rows import Group
from drift.reliability.words import plural
from drift.results import join_words

NO_INTERVAL: Interval = (math.nan, math.nan)
SHOWN = 6
LARGEST = 1e75


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why a table cannot answer, and what would make it able to."""

    code: str
    message: str
    mend: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Components:
    """Variances of target, facet, interaction and residual with what they were computed from.

    ``variances`` are never negative (``zero`` names those set to 0); ``interaction`` is 0 and has no interval
    without replicates. ``squares`` is there for complete tables, ``fit`` for the others. ``average`` is the
    number of replicates averaged, as text, or empty. With ``fixed`` the facet variance is theta^2 of McGraw & Wong
    (1996), the spread of the levels that are there, and not that of levels they were drawn from.
    """

    design: CrossedDesign
    flat: OneWay
    squares: TwoWay | None
    fit: CrossedFit | None
    pivots: Pivots | None
    variances: Mapping[str, float]
    intervals: Mapping[str, Interval]
    zero: tuple[str, ...]
    mean: float
    method: str
    average: str = ""
    fixed: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        """Numbers of targets and facet levels."""
        n, k = self.design.counts.shape
        return n, k

    @property
    def replicated(self) -> bool:
        """Whether the within-cell variance stands apart from the interaction."""
        return self.design.df_within > 0

    @property
    def empty_cells(self) -> int:
        """Cells without a reading."""
        return int((self.design.counts == 0).sum())


def analyse(group: Group, *, level: float, average: bool, target: str, facet: str, fixed: bool = False,
            spreads: bool = True) -> Components | Refusal:
    """Estimate the components of one group of readings.

    Parameters
    ----------
    group : Group
    level : float
        Confidence level of the intervals.
    average : bool
        Average the replicates of a cell first.
    target, facet : str
        Column names, for the sentence of a refusal.
    fixed : bool
        The facet levels are the only ones of interest.
    spreads : bool
        Give the components intervals; they cost most of the time.

    Returns
    -------
    Components or Refusal
    """
    values, targets, facets, averaged = group.values, group.targets, group.facets, ""
    outside = _outside_numbers(values)
    if outside is not None:
        return outside
    design = CrossedDesign.build(values, targets, facets)
    if average and design.df_within > 0:
        low, high = int(design.counts[design.counts > 0].min()), int(design.counts.max())
        averaged = f"{low}" if low == high else f"{low} to {high}"
        targets, facets = np.nonzero(design.counts)
        values = design.means[targets, facets] + design.shift
        design = CrossedDesign.build(values, targets, facets)
    refusal = _cannot(design, group, values, target, facet)
    if refusal is not None:
        return refusal
    pivots: Pivots | None = build_pivots(design)
    if pivots is not None and _nothing_left(pivots, values):
        if not design.complete:
            return Refusal(code="no-residual-variation", message="the readings fit their row and column means exactly, "
                           "so the residual variance is zero",
                           mend="Check whether a column was copied or computed from another")
        pivots = None
    elif design.df_within > 0 and _rounding(values) >= design.ss_within and not design.complete:
        return Refusal(code="identical-replicates", message="the replicates of every cell are identical, so the "
                       "within-cell variance is zero", mend="Check whether replicates were copied, or set "
                       "average_replicates = true")
    flat = one_way(values, targets)
    if design.complete:
        order = np.lexsort((facets, targets))
        n, k = design.counts.shape
        squares = two_way(values[order].reshape(n, k, -1))
        raw = {name: 0.0 if math.isnan(x) else x for name, x in squares.components().items()}
        fit, method = None, "ANOVA" if squares.m == 1 else "ANOVA with replicates"
        judged = [name for name in raw if name != "interaction" or squares.m > 1]
        if pivots is None:  # what rounding leaves is not a variance
            raw.update(residual=0.0 if squares.m == 1 else raw["residual"], interaction=0.0)
        variances = {name: max(x, 0.0) for name, x in raw.items()}
        zero = tuple(name for name in judged if raw[name] <= 0)
    else:
        squares, fit = None, fit_crossed(design)
        found = fit.variances if not fixed or pivots is None else fixed_variances(pivots)
        variances = dict(zip(("target", "facet", "interaction", "residual"), map(float, found), strict=True))
        judged = ["target", "facet", "interaction"] if design.df_within > 0 else ["target", "facet"]
        zero = tuple(name for name in judged if variances[name] <= 0)
        method = "REML, facet levels fixed" if fixed else "REML"
    intervals = (dict.fromkeys(variances, NO_INTERVAL) if pivots is None or not spreads
                 else component_intervals(pivots, level))
    if fixed and pivots is not None and spreads:
        intervals["facet"] = fixed_spread_interval(pivots, level)
    return Components(design=design, flat=flat, squares=squares, fit=fit, pivots=pivots, variances=variances,
                      intervals=intervals, zero=zero, mean=flat.mean if fit is None else fit.mean, method=method,
                      average=averaged, fixed=fixed)


def _outside_numbers(values: NDArray[np.float64]) -> Refusal | None:
    """Refuse readings whose squares leave the range of floating-point numbers."""
    size, spread = float(np.abs(values).max()), float(np.ptp(values)) if float(np.abs(values).max()) < LARGEST else 0.0
    if size < LARGEST and (spread == 0 or spread > 1 / LARGEST):
        return None
    what = f"reach {size:.3g}" if size >= LARGEST else f"differ by {spread:.3g} only"
    return Refusal(code="beyond-numbers", message=f"the readings {what}, and squares of such numbers cannot be held",
                   mend="Look for a mistyped reading, or write the readings in another unit")


def _nothing_left(pivots: Pivots, values: NDArray[np.float64]) -> bool:
    """Whether cell means equal their additive fit to rounding."""
    return pivots.ss_inner <= _rounding(values)


def _rounding(values: NDArray[np.float64]) -> float:
    """Sum of squares that rounding alone can leave."""
    return len(values) * (16 * float(np.finfo(np.float64).eps) * float(np.abs(values).max())) ** 2


def _cannot(design: CrossedDesign, group: Group, values: NDArray[np.float64], target: str,
            facet: str) -> Refusal | None:
    n, k = design.counts.shape
    many, levels = plural(target), plural(facet)
    if n < 2:
        return Refusal(code="one-target", message=f"only one {target} ({group.target_names[0]}) has readings, so there "
                       "is no variation between targets to compare with", mend=f"Measure at least two {many}; ten "
                       "or more give an interval that says something")
    if k < 2:
        return Refusal(code="one-level", message=f"only one {facet} ({group.facet_names[0]}) has readings, so how much "
                       f"readings change between {levels} cannot be seen", mend=f"Measure with at least two {levels}, "
                       "five or more to judge agreement in value" + (
                           "; for repeatability alone name the replicate column as facet" if design.df_within else ""))
    if float(np.ptp(values)) == 0:
        return Refusal(code="constant-readings", message=f"all {len(values)} readings are the same "
                       f"({values[0]:g}), so neither reliability nor error can be estimated",
                       mend="Check that the column holds readings and that they were written with enough digits")
    islands = design.islands()
    if len(islands) > 1:
        return _disconnected(islands, group, target, facet, lone=bool(np.all((design.counts > 0).sum(axis=0) == 1)))
    if design.df_inner < 1:
        return Refusal(code="no-residual", message=f"with {int((design.counts > 0).sum())} cells for {n} {many} and "
                       f"{k} {levels} nothing is left to estimate the residual",
                       mend=f"Measure more {many} with two or more {levels}")
    return None


def _disconnected(islands: list[tuple[NDArray[np.intp], NDArray[np.intp]]], group: Group, target: str,
                  facet: str, *, lone: bool) -> Refusal:
    """Name all parts that no reading links, and the shortest list of readings that would link them."""
    sets = [[group.facet_names[j] for j in cols] for _, cols in islands]
    shown = [f"{facet if len(s) == 1 else plural(facet)} {_listed(s)}" for s in sets[:SHOWN]]
    rest = f" and {len(sets) - SHOWN} more parts" if len(sets) > SHOWN else ""
    message = (f"no {target} links {' with '.join(shown)}{rest}: their readings never meet on the same {target}, so "
               f"differences between {plural(facet)} cannot be told from differences between {plural(target)}")
    if lone and len(islands) > 2:
        return Refusal(code="disconnected", message=message, mend=f"Every {facet} label belongs to one {target} only: "
                       f"if everyone's first {facet} is the same one, give it the same label; otherwise measure some "
                       f"{plural(target)} with several {plural(facet)}")
    # Largest part first: one reading of one of its targets with a level of each other part joins them all.
    order = sorted(range(len(islands)), key=lambda i: (-len(islands[i][0]), i))
    hub = islands[order[0]][0]
    links = [f"{target} {group.target_names[hub[n % len(hub)]]} with {facet} {group.facet_names[islands[i][1][0]]}"
             for n, i in enumerate(order[1:])]
    if len(links) == 1:
        return Refusal(code="disconnected", message=message, mend=f"One reading would join the two parts: {links[0]}; "
                       "two or more links are better")
    few = join_words(links) if len(links) <= SHOWN else "; ".join(links[:SHOWN]) + f"; and {len(links) - SHOWN} more"
    return Refusal(code="disconnected", message=message, mend=f"The fewest readings that join all {len(islands)} parts "
                   f"are {len(links)}: {few}; two or more links each way are better")


def _listed(names: list[str]) -> str:
    return join_words(names) if len(names) <= SHOWN else f"{', '.join(names[:SHOWN])} and {len(names) - SHOWN} more"
