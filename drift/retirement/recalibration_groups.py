"""What the recalibration interval needs of each construction: slopes, scatter of checks, the mean path."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.engine.worst_window import worst_excess
from drift.records import Tables
from drift.results import Result
from drift.retirement.groups import Exposure, Group, cap_of, make_groups
from drift.retirement.limits import Limit, Paths, paths_of
from drift.study import Study

Floats = NDArray[np.float64]

DOUBT = 0.01
PATH_ERRORS = 0.5
LEAST_AT_A_USE = 3
BINS = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class Changes:
    """Slopes of the sensors of one construction, as a relative change per use upwards (a fall of sensitivity counts).

    ``slope`` has shape (n_sensors,); ``error_sd`` is the SD of one calibration, that of an occasion about its sensor's
    line; ``path_use`` and ``path`` are the mean path, for the worst stretch; ``bent`` are the words of the wear
    analysis where it saw that paths are not straight.
    """

    group: Group
    slope: Floats
    error_sd: float
    error_df: int
    path_use: Floats
    path: Floats
    bent: str
    cap: float
    step: float
    refused: str
    mend: str

    @property
    def name(self) -> str:
        """The construction."""
        return self.group.construction

    @property
    def span(self) -> float:
        """Longest stretch that the mean path was followed over; 0 without one."""
        return float(self.path_use[-1] - self.path_use[0]) if len(self.path_use) > 1 else 0.0

    def excess(self, lengths: Floats) -> Floats:
        """Return the excess of the worst stretch over the mean line, whether or not a bend was seen."""
        return path_excess(self.path_use, self.path, self.slope, self.error_sd, lengths)


def fall_limit(study: Study, fall: float) -> Limit:
    """Limit on the fall of sensitivity, whatever [limits] says."""
    log = (study.sensitivity.scale if study.sensitivity else "log") == "log"
    return Limit(key="sensitivity_change", value=fall, unit="", relative=True, log=log, sign=-1.0,
                 words=f"change since the last calibration of {100 * fall:g} %")


def make_changes(wear: Result, study: Study, tables: Tables, *, exposure: Exposure, fall: float) -> list[Changes]:
    """Build one entry a construction, in order of name."""
    limit = fall_limit(study, fall)
    occasions = wear.table("occasions")
    groups = make_groups((limit,), occasions, wear.table("sensitivities"), tables, exposure=exposure, pooled=False)
    paths = paths_of(limit, occasions, wear.table("sensitivities"))
    return [_changes(found[0], paths, wear, exposure, limit) for found in groups]


def _changes(group: Group, paths: Paths, wear: Result, exposure: Exposure, limit: Limit) -> Changes:
    at = [int(np.flatnonzero(paths.sensor == s)[0]) for s in group.sensor]
    x, y = paths.x[at], paths.y[at]
    lines = fit_lines(x, y)
    rest = y - lines.intercept[:, None] - lines.slope[:, None] * x
    slope, refused, mend = group.slope, group.fitness.refused, group.fitness.mend
    if not limit.log and not refused:
        # The change is relative to the value at the calibration, which is smallest at one end of what was checked.
        least = np.minimum(1.0, 1.0 - slope * group.last)
        if not (np.all(lines.intercept > 0) and np.all(least > 0)):
            refused = "readings that start at or pass zero have no relative change"
            mend = "A tolerance in percent needs readings above zero throughout."
        else:
            slope, rest = slope / least, rest / (lines.intercept * least)[:, None]
    here = np.isfinite(rest)
    df = int(here.sum() - 2 * len(at))
    sd = math.sqrt(float((rest[here] ** 2).sum()) / df) if df > 0 else math.nan
    use, path = mean_path(x, -rest, float(slope.mean()) if len(slope) else 0.0)
    cap = cap_of([group])
    return Changes(group=group, slope=slope, error_sd=sd, error_df=df, path_use=use, path=path,
                   bent=_bent(wear, group.construction), cap=cap, step=exposure.step(cap), refused=refused, mend=mend)


def path_excess(use: Floats, path: Floats, slope: Floats, error_sd: float, lengths: Floats) -> Floats:
    """Return the excess of the worst stretch of a mean path over the mean line, with half the error of its change.

    A bend that no test shows can break the statement of an interval, so the stretch always counts. Where sensors'
    slopes point both ways, so may the bend. The largest of many stretches errs upwards by itself; half an error more
    keeps the statement after a strong break-in too (the coverage table holds such worlds).
    """
    mean = float(slope.mean())
    found = worst_excess(use, path, mean, lengths)
    if (slope > 0).any() and (slope < 0).any():
        found = np.maximum(found, worst_excess(use, 2 * mean * use - path, mean, lengths))
    return found + PATH_ERRORS * error_sd * math.sqrt(2 / len(slope))


def mean_path(x: Floats, rest: Floats, slope: float) -> tuple[Floats, Floats]:
    """Mean over sensors of what is off their lines, at each use with enough sensors, on top of the mean slope."""
    here = np.isfinite(x) & np.isfinite(rest)
    u, r = x[here], rest[here]
    if not len(u):
        return np.zeros(0), np.zeros(0)
    known, code, n = np.unique(u, return_inverse=True, return_counts=True)
    if np.mean(n[code] >= LEAST_AT_A_USE) < 0.8:  # schedules of their own: stretches of equal numbers of checks
        code = np.minimum((np.argsort(np.argsort(u, kind="stable"), kind="stable") * BINS) // len(u), BINS - 1)
        n = np.bincount(code)
        known = np.bincount(code, u) / np.maximum(n, 1)
    keep = n >= LEAST_AT_A_USE
    mean = np.bincount(code, r) / np.maximum(n, 1)
    return known[keep], slope * known[keep] + mean[keep]


def _bent(wear: Result, construction: str) -> str:
    table = next((t for t in wear.tables if t.name == "assumption checks"), None)
    if table is None:
        return ""
    return "; ".join(str(words) for name, c, p, words in zip(table["check"], table["construction"], table["p"],
                                                             table["finding"], strict=True)
                     if name in ("straight line", "break-in") and c == construction and p < DOUBT)
