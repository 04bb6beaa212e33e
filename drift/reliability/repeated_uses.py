"""Repeated uses are not exchangeable: the trend first, then the coefficient with it left in, with it removed, along it.

A coefficient over uses mixes two things: how much the sensor has changed, which a calibration takes away, and how well
it repeats, which nothing takes away. Both are given. ICC and SEM are also followed along use in sliding windows, side
by side, because a coefficient falls when people become alike as well as when a sensor wears.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.meansquares import Interval
from drift.engine.repeated_uses import (
    Draws,
    Points,
    Removed,
    Trend,
    build_points,
    drift_draws,
    fit_trend,
    moments,
    own_line_interval,
    trend_interval,
    without_trend,
)
from drift.errors import Finding
from drift.reliability.along_use import Along
from drift.reliability.words import plural
from drift.study import ReliabilityQuestion

FloatArray = NDArray[np.float64]
FEW_USES = 4  # levels from which occasions shared by all targets can be told from the trend
PIVOTAL = "generalised pivotal interval"


@dataclass(frozen=True, kw_only=True)
class Slope:
    """Trend of readings per use by one method; ``headline`` is the one that is printed first."""

    value: float
    low: float
    high: float
    p: float
    method: str
    headline: bool


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """A coefficient or SEM of one state of the sensor."""

    name: str
    state: str
    value: float
    low: float
    high: float
    method: str
    percent_unit: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Drifted:
    """What use does to readings of one group.

    ``mean`` is the mean reading (for percent), ``judged`` the trend per use with its interval by one or two methods,
    ``own_sd`` the SD between targets of the trend with its interval, ``quantities`` coefficient and SEM with drift left
    in and removed, ``with_start`` the correlation of a target's trend with its level at use 0 and its p value.
    """

    along: Along
    mean: float
    judged: tuple[Slope, ...]
    own_sd: float
    own_ends: Interval
    quantities: tuple[Quantity, ...]
    with_start: tuple[float, float] = (math.nan, math.nan)

    @property
    def headline(self) -> Slope:
        """The interval of the trend that is printed first."""
        return next(s for s in self.judged if s.headline)

    def of(self, name: str, state: str) -> Quantity | None:
        """Return a quantity by name and state."""
        return next((q for q in self.quantities if q.name == name and q.state == state), None)


LEFT_IN, REMOVED = "drift left in", "drift removed"


def drifted(found: Along, question: ReliabilityQuestion, coefficient: str, *, level: float) -> Drifted | Finding:
    """Estimate the trend along use, and coefficient and SEM with it left in and removed.

    Parameters
    ----------
    found : Along
    question : ReliabilityQuestion
    coefficient : str
        The declared one, such as ``"ICC(A,1)"``.
    level : float

    Returns
    -------
    Drifted or Finding
        A warning where use does not vary within targets, or nothing is left over.
    """
    group, k = found.group, len(found.group.facet_names)
    points = build_points(group.values, group.targets, group.facets, found.uses, linked=found.linked)
    own = _own_lines_possible(points)
    conditional = fit_trend(points, own_lines=own, occasions=False)
    if conditional is None:
        return _no_trend(points, question, found)
    shared = fit_trend(points, own_lines=own, occasions=True) if found.linked and k >= 3 else None
    judged = _judged(points, conditional, shared, own, k, level)
    best = shared or conditional
    own_sd, own_ends = own_line_interval(best, level)
    removed = without_trend(points)
    quantities: tuple[Quantity, ...] = ()
    if removed is not None and len(group.target_names) > 1:
        quantities = tuple(_quantities(points, removed, best, question, coefficient, k, level))
    return Drifted(along=found, mean=points.mean, judged=judged, own_sd=own_sd, own_ends=own_ends,
                   quantities=quantities, with_start=_trend_with_start(points) if own else (math.nan, math.nan))


def _trend_with_start(points: Points) -> tuple[float, float]:
    """Correlation over targets of their own trend with their level at use 0, and its two-sided p value.

    The errors of a target's slope and start are correlated by -(mean use) x (error variance of the slope); that part is
    taken off the covariance. With lines that merely diverge the mean of a target's readings goes with its slope too,
    which is why it is not used.
    """
    from scipy.special import stdtr

    n = int(points.targets.max()) + 1
    rows = [np.flatnonzero(points.targets == i) for i in range(n)]
    rows = [r for r in rows if len(r) > 1 and np.ptp(points.uses[r]) > 0]
    spare = sum(len(r) - 2 for r in rows)
    if len(rows) < 5 or spare < 1:
        return math.nan, math.nan
    centre = np.array([points.uses[r].mean() for r in rows])
    squares = np.array([float(((points.uses[r] - c) ** 2).sum()) for r, c in zip(rows, centre, strict=True)])
    slopes = np.array([_slope(points.uses[r], points.y[r]) for r in rows])
    means = np.array([points.y[r].mean() for r in rows])
    left = sum(float((((points.y[r] - m) - b * (points.uses[r] - c)) ** 2).sum())
               for r, m, b, c in zip(rows, means, slopes, centre, strict=True))
    error = left / spare / squares
    starts = means - centre * slopes

    x, y = starts - starts.mean(), slopes - slopes.mean()
    found = float(x @ y) / (len(rows) - 1) + float(np.mean(centre * error))
    bottom = math.sqrt(float(np.var(starts, ddof=1)) * float(np.var(slopes, ddof=1)))
    if not bottom > 0:
        return math.nan, math.nan
    r, df = max(-1.0, min(1.0, found / bottom)), len(rows) - 2
    return r, float(2 * stdtr(df, -abs(r * math.sqrt(df / max(1 - r * r, 1e-15)))))


def _slope(x: FloatArray, y: FloatArray) -> float:
    x = x - x.mean()
    return float(x @ y / (x @ x))


def _no_trend(points: Points, question: ReliabilityQuestion, found: Along) -> Finding:
    many = plural(question.target)
    within = any(np.ptp(points.uses[points.targets == i]) > 0 for i in range(int(points.targets.max()) + 1))
    if not within:
        return Finding(severity="warning", code="no-use-within-target", question=question.name,
                       message=f"no {question.target} has readings at two different uses, so what use does to readings "
                       f"cannot be told from how {many} differ", mend=f"Read the same {many} again after further uses")
    return Finding(severity="warning", code="no-trend-residual", question=question.name,
                   message=f"with {len(points.y)} readings nothing is left over beside the {many} and a trend along "
                   f"{found.unit}, so the trend has no interval", mend=f"Read more {many}, or more often")


def _own_lines_possible(points: Points) -> bool:
    """Whether targets can have lines of their own: three uses or more in at least three of them, half of all."""
    n = int(points.targets.max()) + 1
    several = sum(len(np.unique(points.uses[points.targets == i])) >= 3 for i in range(n))
    return several >= 3 and 2 * several >= n


def _judged(points: Points, conditional: Trend, shared: Trend | None, own: bool, k: int,
            level: float) -> tuple[Slope, ...]:
    lines = "targets' own lines" if own else "one line for all targets"
    fitted = _kenward_roger(points, own, level)
    if fitted is None:
        (low, high), p = trend_interval(conditional, level)
        fitted = conditional.slope, low, high, p, f"least squares within targets, {lines}, {PIVOTAL}"
    alone = Slope(value=fitted[0], low=fitted[1], high=fitted[2], p=fitted[3], headline=True, method=fitted[4])
    if shared is None:
        return (alone,)
    (low, high), p = trend_interval(shared, level)
    first = k >= FEW_USES
    both = Slope(value=shared.slope, low=low, high=high, p=p, headline=first,
                 method=f"least squares within targets, {lines} and an occasion shared by all targets at each use, "
                        f"{PIVOTAL}")
    other = replace(alone, headline=not first)
    return (both, other) if first else (other, both)


def _kenward_roger(points: Points, own: bool, level: float) -> tuple[float, float, float, float, str] | None:
    """Return the trend with its interval, p value and method from the mixed model without shared occasions."""
    from scipy.special import stdtr

    from drift.engine.mixed import NestedDesign, fit_mixed, fixed_intervals

    u = points.uses - points.uses.mean()
    one = np.ones_like(u)
    z = np.column_stack([one, u]) if own else one
    try:
        design = NestedDesign.build(points.y, np.column_stack([one, u]), [(z, points.targets)])
        found = fixed_intervals(design, fit_mixed(design), contrast=[0.0, 1.0], level=level)
    except ValueError:
        return None
    error, df = float(found.std_error[0]), float(found.df[0])
    if not (math.isfinite(df) and error > 0):
        return None
    value = float(found.estimate[0])
    lines = "a line for each target" if own else "one line for all targets"
    nothing = " and nothing else shared at one use" if points.linked else ""
    return (value, float(found.low[0]), float(found.high[0]), float(2 * stdtr(df, -abs(value) / error)),
            f"mixed model (REML) with {lines}{nothing}, {df:.1f} degrees of freedom, Kenward-Roger t interval")


def _quantities(points: Points, removed: Removed, trend: Trend, question: ReliabilityQuestion, coefficient: str, k: int,
                level: float) -> list[Quantity]:
    value = moments(points, removed, trend)
    draws = drift_draws(points, removed, trend)
    agreement, divisor = question.agree == "value", float(k) if question.use == "mean" else 1.0
    spread = trend.spread if agreement else trend.spread_inside
    sem = f"SEM ({'agreement' if agreement else 'consistency'})"
    at = Draws(target=np.array([value["target"]]), facet=np.array([value["facet"]]), noise=np.array([value["noise"]]),
               slope_squared=np.array([value["slope squared"]]))
    made = []
    for state in (LEFT_IN, REMOVED):
        much = spread if state == LEFT_IN else 0.0
        for name, is_sem in ((coefficient, False), (sem, True)):
            point = float(_size(at, much, agreement, divisor, is_sem)[0])
            low, high = _ends(_size(draws, much, agreement, divisor, is_sem), level)
            made.append(Quantity(name=name, state=state, value=point, low=min(low, point), high=max(high, point),
                                 method=_method(state, removed), percent_unit=is_sem))
    return made


def _size(d: Draws, spread: float, agreement: bool, divisor: float, is_sem: bool) -> FloatArray:
    error = (d.noise + d.slope_squared * spread + (d.facet if agreement else 0.0)) / divisor
    if is_sem:
        return np.asarray(np.sqrt(error))
    return np.asarray(d.target / np.maximum(d.target + error, 1e-300))


def _ends(draws: FloatArray, level: float) -> Interval:
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def _method(state: str, removed: Removed) -> str:
    start = "method of moments (Henderson 3) with a common line along use"
    if state == LEFT_IN:
        return f"{start}, the line's variance over these uses counted as error; {PIVOTAL}"
    lost = f"{removed.facets.df} degrees of freedom left between uses" if removed.facets.df else (
        "no degrees of freedom left between uses")
    return f"{start} removed, {lost} and {removed.df_inner} in the residual; {PIVOTAL}"


def per_use(found: Drifted) -> list[tuple[float, str, bool]]:
    """Return the multiples of the slope that are printed: factor, words, whether in percent of the mean reading."""
    unit = found.along.unit
    rows = [(1.0, f"per {unit}", False), (10.0, f"per 10 {plural(unit)}", False)]
    if found.mean > 0:
        rows += [(100 / found.mean, f"per {unit}", True), (1000 / found.mean, f"per 10 {plural(unit)}", True)]
    return rows


def labels_of(group_labels: Mapping[str, str], question: ReliabilityQuestion) -> dict[str, str]:
    """Return the labels of a group's estimates."""
    return {"question": question.name, **group_labels}
