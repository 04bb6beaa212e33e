"""What policies need to know of each construction: the sensors' lines against all limits at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.engine.policy import Criteria
from drift.records import Tables
from drift.results import Result
from drift.retirement.groups import Exposure, Group, cap_of, fresh_before_start, make_groups
from drift.retirement.limits import Limit, declared_limits, paths_of
from drift.retirement.recalibration import Statement
from drift.retirement.recalibration_groups import fall_limit
from drift.study import Study

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Population:
    """Lines of the sensors of one construction against every limit, turned so that wear is upwards.

    ``lines`` has shape (n_sensors, p), ``error`` (p, p) is the mean covariance of its estimation errors on ``error_df``
    degrees of freedom, ``criteria`` says what the coordinates are, ``limits`` those of the criteria that have one.
    ``fresh`` is the average fresh value of ``quantity`` (the sensitivity, or the reading where there is no reference)
    in ``quantity_unit``. ``shift`` is, for each limit on the change from the fresh value, where the mean sensor's line
    starts: its early change, which the retire-after count takes off the limit too. The limits of the criteria are less
    it, so that lines start at 0.
    """

    construction: str
    sensors: tuple[str, ...]
    lines: Floats
    batch: NDArray[np.int64] | None
    batch_names: tuple[str, ...]
    error: Floats
    error_df: int
    criteria: Criteria
    limits: tuple[Limit, ...]
    groups: tuple[Group, ...]
    cap: float
    refused: str = ""
    mend: str = ""
    fresh: float = math.nan
    quantity: str = "sensitivity"
    quantity_unit: str = ""
    shift: tuple[float, ...] = ()

    @property
    def two_level(self) -> bool:
        """Whether draws are of sensors from new batches."""
        return bool(self.groups) and all(g.two_level for g in self.groups)

    @property
    def at_fresh(self) -> Floats:
        """Where the mean sensor starts on each line: 0 on a change from its fresh value."""
        c, mean = self.criteria, self.lines.mean(0)
        return np.where(c.start >= 0, mean[np.maximum(c.start, 0)], 0.0)

    def crossing(self) -> float:
        """Use at which the mean line first leaves a limit; ``inf`` where it never does."""
        mean, c, first = self.lines.mean(0), self.criteria, math.inf
        for start, slope, limit in zip(c.start, c.slope, c.limit, strict=True):
            gap = limit - (mean[start] if start >= 0 else 0.0)
            if mean[slope] > 0 and math.isfinite(limit):
                first = min(first, max(gap, 0.0) / float(mean[slope]))
        return first


def make_populations(wear: Result, study: Study, tables: Tables, *, exposure: Exposure,
                     statement: Statement | None) -> list[Population]:
    """Build one entry a construction, in order of name; ``statement`` is that of the recalibration interval, if any."""
    limits = declared_limits(study, tables)
    if not limits:
        return []
    own = next((i for i, x in enumerate(limits) if x.key == "sensitivity_change"), None)
    asked = limits if statement is None or own is not None else (*limits, fall_limit(study, 0.5))
    tolerance = -1 if statement is None else own if own is not None else len(limits)
    found = make_groups(asked, wear.table("occasions"), wear.table("sensitivities"), tables, exposure=exposure,
                        pooled=False, fresh=fresh_before_start(wear))
    return [_population(tuple(g), len(limits), tolerance, wear, statement) for g in found]


def _population(groups: tuple[Group, ...], n_limits: int, tolerance: int, wear: Result,
                statement: Statement | None) -> Population:
    refusal = next((g for g in groups if g.fitness.refused), None)
    common = [str(s) for s in groups[0].sensor if all(str(s) in set(map(str, g.sensor)) for g in groups)]
    at = [[list(map(str, g.sensor)).index(s) for s in common] for g in groups]
    lines: list[Floats] = []
    start, slope, owner = [], [], []
    for i, (g, rows) in enumerate(zip(groups, at, strict=True)):
        start.append(-1 if g.limit.relative else len(lines))
        if not g.limit.relative:
            lines.append(g.intercept[rows])
            owner.append((i, 0))
        slope.append(len(lines))
        lines.append(g.slope[rows])
        owner.append((i, 1))
    values = np.stack(lines, axis=1) if common else np.zeros((0, len(lines)))
    cov, error, df = _errors(groups, common, owner, wear)
    shift = tuple(float(g.intercept[rows].mean()) if g.limit.relative and len(rows) else 0.0
                  for g, rows in zip(groups, at, strict=True))
    limit = np.array([g.limit.threshold() - s if i < n_limits else math.inf
                      for i, (g, s) in enumerate(zip(groups, shift, strict=True))])
    s = statement
    criteria = Criteria(start=np.array(start), slope=np.array(slope), limit=limit, check=cov,
                        tolerance_slope=slope[tolerance] if tolerance >= 0 else -1,
                        distance=s.distance if s is not None else math.inf,
                        calibration_sd=float(math.sqrt(cov[tolerance, tolerance])) if s is not None and s.inside else 0)
    first = groups[0]
    codes = first.batch[at[0]] if first.batch is not None and common and all(g.two_level for g in groups) else None
    few = "" if refusal is not None or len(common) >= 5 else "fewer than 5 sensors have lines against every limit"
    fresh, quantity, unit = _fresh(groups, common, wear)
    return Population(construction=first.construction, sensors=tuple(common), lines=values, batch=codes,
                      fresh=fresh, quantity=quantity, quantity_unit=unit, shift=shift[:n_limits],
                      batch_names=first.batch_names, error=error, error_df=df, criteria=criteria,
                      limits=tuple(g.limit for g in groups[:n_limits]), groups=groups, cap=cap_of(list(groups)),
                      refused=refusal.fitness.refused if refusal is not None else few,
                      mend=refusal.fitness.mend if refusal is not None else "Check more sensors against every limit.")


def _fresh(groups: tuple[Group, ...], common: list[str], wear: Result) -> tuple[float, str, str]:
    """Average fresh value of the sensors' own lines (geometric where they are straight in logs), its name and unit."""
    mountings = wear.table("sensitivities")
    name = "sensitivity" if np.isfinite(mountings["sensitivity"]).any() else "reading"
    unit = next((c.unit for c in mountings.columns if c.name == name), "")
    limit = next((g.limit for g in groups if g.limit.relative), None)
    if limit is None or not common:
        return math.nan, name, unit
    paths = paths_of(limit, wear.table("occasions"), mountings)
    own = np.isin(paths.sensor.astype(str), common)
    start = float(np.nanmean(fit_lines(paths.x[own], paths.y[own]).intercept))
    return math.exp(start) if limit.log else start, name, unit


def _errors(groups: tuple[Group, ...], common: list[str], owner: list[tuple[int, int]],
            wear: Result) -> tuple[Floats, Floats, int]:
    """Covariance of one check over the limits, mean covariance of the lines' errors, and degrees of freedom.

    Residuals of one check are correlated over limits, since they come from the same readings; and so are the lines.
    """
    m, p = len(groups), len(owner)
    sums, pairs, inverse = np.zeros((m, m)), np.zeros((m, m)), np.zeros((2, 2))
    rests = [_residuals(g, common, wear) for g in groups]
    for k in range(len(common)):
        for i in range(m):
            for j in range(i, m):
                (xi, ri), (xj, rj) = rests[i][k], rests[j][k]
                _, a, b = np.intersect1d(xi, xj, return_indices=True)
                sums[i, j] += float(ri[a] @ rj[b])
                pairs[i, j] += max(len(a) - 2, 0)
        x = rests[0][k][0]
        design = np.stack([np.ones(len(x)), x], axis=1)
        inverse += np.linalg.inv(design.T @ design) / len(common)
    with np.errstate(divide="ignore", invalid="ignore"):
        cov = np.where(pairs > 0, sums / pairs, 0.0)
    cov = np.triu(cov) + np.triu(cov, 1).T
    error = np.array([[cov[i, j] * inverse[a, b] for j, b in owner] for i, a in owner]).reshape(p, p)
    return cov, error, int(pairs[0, 0]) if m else 0


def _residuals(g: Group, common: list[str], wear: Result) -> list[tuple[Floats, Floats]]:
    """Return uses and residuals of each sensor's checks about its own line, wear upwards."""
    paths = paths_of(g.limit, wear.table("occasions"), wear.table("sensitivities"))
    where = {str(s): i for i, s in enumerate(paths.sensor)}
    made = []
    for s in common:
        x, y = paths.x[where[s]], paths.y[where[s]]
        here = np.isfinite(x) & np.isfinite(y)
        x, y = x[here], y[here]
        line = fit_lines(x[None], y[None])
        rest = g.limit.sign * (y - line.intercept - line.slope * x)
        if g.limit.relative and not g.limit.log:
            rest = rest / float(line.intercept[0])
        made.append((x, np.asarray(rest, dtype=np.float64)))
    return made
