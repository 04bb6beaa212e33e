"""One group a construction (or all, pooled) and limit: the sensors' lines, ready for the rule."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.engine.sparse_lines import Checks, summarise_checks
from drift.records import Tables
from drift.results import Result, ResultTable
from drift.retirement.bound import MINIMUM_BATCHES, Counts, combine, early_change, retire_arrays, split_shares
from drift.retirement.eligibility import Fitness, judge, removed_for_wear, worn_sensors
from drift.retirement.limits import Limit, Paths, paths_of
from drift.retirement.sparse import SparseModel
from drift.study import Study

Floats = NDArray[np.float64]

EXTRAPOLATION = 1.25
POOLED = "all constructions"


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """The exposure column in words: ``name``, plural ``per`` and unit ``unit`` for tables."""

    name: str
    per: str
    unit: str

    @property
    def is_use(self) -> bool:
        """Whether whole uses are counted."""
        return self.name == "use"

    def step(self, cap: float) -> float:
        """Return what counts are multiples of: whole units, finer only where the whole span is short."""
        if self.is_use or not math.isfinite(cap) or cap >= 20:
            return 1.0
        return float(10.0 ** (math.floor(math.log10(cap)) - 2)) if cap > 0 else 1.0

    def show(self, value: float) -> str:
        """``41 uses``, ``1 use``, ``3,210 h``."""
        text = f"{value:,.0f}" if value == round(value) else f"{value:,.6g}"
        return f"{text} {'use' if self.is_use and value == 1 else self.per}"


def exposure_of(study: Study) -> Exposure:
    """Name and unit of what is counted."""
    spec = study.sensitivity
    name = spec.exposure if spec else "use"
    if name == "use":
        return Exposure(name=name, per="uses", unit="uses")
    unit = (spec.exposure_unit if spec else None) or name
    return Exposure(name=name, per=unit, unit=unit)


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Lines of the sensors of one construction against one limit, turned so that wear is upwards.

    Arrays have shape (n_sensors,); for a limit relative to the fresh value ``intercept`` is ``early``, the early change
    of the mean sensor, which is that of ``jump``, each line at the first check less that check. ``batch`` holds codes,
    or None where batches are unknown. All sensors, also those left out, are in ``all_sensors``. ``sparse`` is there
    where sensors with too few checks enter by a mixed model; lines then are through two checks or more.
    ``checks`` holds the sufficient statistics of the checks. Of the sensors removed for wear, ``passed`` were past the
    limit at their last check, and ``judged`` were within this and every other limit there: what led to removal is no
    reading. ``left_together`` where all were removed at one exposure; then neither is told.
    """

    construction: str
    limit: Limit
    sensor: NDArray[np.object_]
    intercept: Floats
    slope: Floats
    first: Floats
    last: Floats
    batch: NDArray[np.int64] | None
    batch_names: tuple[str, ...]
    without_batch: tuple[str, ...]
    all_sensors: tuple[str, ...]
    fitness: Fitness
    n_lost: int
    sparse: SparseModel | None = None
    checks: Checks | None = None
    judged: tuple[str, ...] = ()
    passed: tuple[str, ...] = ()
    left_together: bool = False
    jump: Floats | None = None

    @property
    def early(self) -> float:
        """Early change of the mean sensor that the lines start from; 0 where the limit is not relative to fresh."""
        return float(early_change(self.jump)) if self.jump is not None and len(self.jump) else 0.0

    def straight(self) -> Group:
        """Return the group without the early change, as if lines were straight from the fresh value on."""
        return replace(self, intercept=self.intercept - self.early, jump=None)

    @property
    def n(self) -> int:
        """Number of sensors whose lines enter."""
        return len(self.sensor)

    @property
    def two_level(self) -> bool:
        """Whether the statement is for a sensor from a new batch."""
        return self.sparse is None and self.batch is not None and len(self.batch_names) >= MINIMUM_BATCHES

    def faster(self, factor: float) -> Group:
        """Return the group with the slopes of the sensors removed by judgement times ``factor``."""
        mine = np.isin(self.sensor.astype(str), self.judged)
        slope = np.where(mine, factor * self.slope, self.slope)
        sparse = self.sparse
        if sparse is not None:
            added = np.where(mine, (factor - 1) * self.slope, 0.0)[:, None] * (sparse.x - self.first[:, None])
            sparse = replace(sparse, y=sparse.y + added)
        return replace(self, slope=slope, sparse=sparse)

    def counts(self, *, content: float, confidence: float, cap: float, step: float, factor: float = 1.0,
               without: int | None = None, ignore_batches: bool = False) -> Counts:
        """Apply the rule; ``factor`` changes the limit, ``without`` leaves out one sensor."""
        if self.sparse is not None:
            found = self.sparse.counts(self.limit.threshold(factor), content=content, confidence=confidence,
                                       without=without)
            return combine(found.line, found.companion, step=step, cap=cap)
        keep = np.ones(self.n, dtype=bool)
        if without is not None:
            keep[without] = False
        batch = self.batch[keep] if self.batch is not None and self.two_level and not ignore_batches else None
        start = self.intercept[keep]
        if without is not None and self.jump is not None:
            start = start - self.early + early_change(self.jump[keep])
        return retire_arrays(start, self.slope[keep], self.limit.threshold(factor), content=content,
                             confidence=confidence, batch=batch, step=step, cap=cap)


def make_groups(limits: tuple[Limit, ...], occasions: ResultTable, sensitivities: ResultTable, tables: Tables, *,
                exposure: Exposure, pooled: bool, modelled: bool = False,
                fresh: Mapping[str, float] | None = None,
                jumped: frozenset[str] = frozenset()) -> list[list[Group]]:
    """Build groups: outer list by construction in order of name, inner by limit.

    With ``modelled``, worn sensors with too few checks for their own line may enter by a mixed model; without, they
    are a reason to refuse. ``fresh`` holds fresh responses of sensors whose lines begin later (``start`` under
    [sensitivity]): a limit on the fall is then counted from them, so that what was lost before the line counts.
    ``jumped`` are sensors past a limit that jumps: their removal was no judgement.
    """
    removed = removed_for_wear(tables)
    all_paths = [paths_of(limit, occasions, sensitivities) for limit in limits]
    if not all_paths:
        return []
    worn = [worn_sensors(p.sensor, tables) for p in all_paths]
    labels = [np.full(len(p.sensor), POOLED, dtype=object) if pooled else p.construction
              for p in all_paths]
    names = sorted({str(c) for lab, w in zip(labels, worn, strict=True) for c in lab[w]})
    return [_explained([_group(limit, p, w & (lab == name), name, exposure, removed, pooled, modelled, fresh or {})
                        for limit, p, w, lab in zip(limits, all_paths, worn, labels, strict=True)], jumped)
            for name in names]


def _explained(groups: list[Group], jumped: frozenset[str]) -> list[Group]:
    """Take those out of ``judged`` that were past another limit at their last check."""
    known = jumped.union(*(g.passed for g in groups))
    return [replace(g, judged=tuple(s for s in g.judged if s not in known)) for g in groups]


def _group(limit: Limit, paths: Paths, mine: NDArray[np.bool_], name: str, exposure: Exposure,
           removed: frozenset[str], pooled: bool, modelled: bool, fresh: Mapping[str, float]) -> Group:
    raw = fit_lines(paths.x[mine], paths.y[mine])
    sensors, batches = paths.sensor[mine], paths.batch[mine]
    if pooled:
        batches = np.array([f"{c}, {b}" if b else "" for c, b in zip(paths.construction[mine], batches, strict=True)],
                           dtype=object)
    named = [str(b) for b in batches]
    # The mixed model has no level of batches, and a change relative to a start it does not know needs the log.
    modelled = (modelled and not (fresh and limit.relative) and (limit.log or not limit.relative)
                and not (all(named) and len(set(named)) >= MINIMUM_BATCHES))
    fit = judge(sensors, raw, relative=limit.relative, per=exposure.per, removed=removed,
                exposure_is_use=exposure.is_use, modelled=modelled, seen=frozenset(fresh))
    sparse = None
    if fit.short is not None and not fit.refused:
        at = np.flatnonzero(mine)[fit.use]
        sparse = SparseModel(np.where(np.isfinite(paths.y[at]), paths.x[at], np.nan), limit.sign * paths.y[at],
                             limit.relative, fit.short[fit.use])
        if sparse.refused:
            fit = replace(fit, refused=sparse.refused, mend="Check every sensor three times or more before removal.")
            sparse = None
    if not np.isfinite(paths.y[mine]).any():
        fit = _nothing(limit, len(sensors))
    use = fit.use
    intercept, slope = raw.intercept[use], raw.slope[use]
    origin, jump = intercept, None
    if limit.relative:
        origin = np.array([fresh.get(str(s), float(a)) for s, a in zip(sensors[use], intercept, strict=True)])
        slope = limit.sign * (slope if limit.log else slope / origin)
        intercept = limit.sign * (intercept - origin if limit.log else intercept / origin - 1) + 0.0
        if sparse is None and not fresh:
            jump = _jumps(limit, paths, np.flatnonzero(mine)[use], raw.intercept[use], raw.slope[use])
            intercept = intercept + (early_change(jump) if len(jump) else 0.0)
    else:
        intercept, slope = limit.sign * intercept, limit.sign * slope
    judged, passed = _judged(limit, paths, np.flatnonzero(mine)[use], origin, removed)
    labels = [str(b) for b in batches[use]]
    missing = tuple(str(s) for s, b in zip(sensors[use], labels, strict=True) if not b)
    known, code = np.unique(np.array(labels, dtype=object).astype(str), return_inverse=True)
    return Group(construction=name, limit=limit, sensor=sensors[use], intercept=intercept, slope=slope,
                 first=raw.first[use], last=raw.last[use], batch=None if missing or not labels else code,
                 batch_names=tuple(str(k) for k in known if k), without_batch=missing,
                 all_sensors=tuple(map(str, sensors)), fitness=fit, n_lost=paths.n_lost,
                 sparse=sparse, jump=jump, checks=_checks(limit, paths, np.flatnonzero(mine)[use], origin),
                 left_together=_together([str(s) for s in sensors[use]], raw.last[use], removed),
                 judged=judged, passed=passed)


def _together(named: list[str], last: Floats, removed: frozenset[str]) -> bool:
    return bool(named) and all(s in removed for s in named) and len(np.unique(last)) == 1


def _judged(limit: Limit, paths: Paths, at: NDArray[np.int64], start: Floats,
            removed: frozenset[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return sensors removed for wear, those within the limit at the last check and those past it.

    None where all left at once.
    """
    named = [str(s) for s in paths.sensor[at]]
    if not any(s in removed for s in named):
        return (), ()
    x = np.where(np.isfinite(paths.y[at]), paths.x[at], -np.inf)
    last = x.max(1)
    if _together(named, last, removed):
        return (), ()
    y = np.take_along_axis(paths.y[at], x.argmax(1)[:, None], 1)[:, 0]
    if limit.relative:
        y = y - start if limit.log else y / start - 1
    within = limit.sign * y <= limit.threshold()
    gone = [(s, bool(ok)) for s, ok in zip(named, within, strict=True) if s in removed]
    return tuple(s for s, ok in gone if ok), tuple(s for s, ok in gone if not ok)


def _jumps(limit: Limit, paths: Paths, at: NDArray[np.int64], intercept: Floats, slope: Floats) -> Floats:
    """Each sensor's line at its first check less that check, wear upwards, for a limit relative to the fresh value."""
    x = np.where(np.isfinite(paths.y[at]), paths.x[at], np.inf)
    first = x.argmin(1)[:, None]
    seen, use = np.take_along_axis(paths.y[at], first, 1)[:, 0], np.take_along_axis(x, first, 1)[:, 0]
    jump = limit.sign * (intercept + slope * use - seen)
    return np.asarray(jump if limit.log else jump / intercept)


def _checks(limit: Limit, paths: Paths, at: NDArray[np.int64], start: Floats) -> Checks | None:
    """Statistics of the checks of sensors, wear upwards; a change on the linear scale is in shares of the start."""
    if not len(at):
        return None
    unit = start[:, None] if limit.relative and not limit.log else 1.0
    y = limit.sign * paths.y[at] / unit
    return summarise_checks(np.where(np.isfinite(y), paths.x[at], np.nan), y)


def _nothing(limit: Limit, n: int) -> Fitness:
    """Refuse a limit about a quantity that no mounting gives."""
    what = {"saturation_pressure": ("a saturation pressure", "Press at two or more levels in each mounting and declare "
                                    "full_scale in [sensitivity]."),
            "sensitivity_change": ("a sensitivity", "Record the reference load of each check.")}.get(
        limit.key, ("a usable reading", "Look at the findings of the wear analysis."))
    return Fitness(use=np.zeros(n, dtype=bool), left_out=(), refused=f"no mounting gives {what[0]}", mend=what[1])


def cap_of(groups: list[Group]) -> float:
    """Largest count that can be stated: 1.25 times the median last check of the sensors with a line of their own."""
    last: dict[str, float] = {}
    for g in groups:
        # A sensor that left early does not say that the others were not seen any longer.
        seen = np.ones(g.n, dtype=bool) if g.sparse is None else ~g.sparse.short
        for s, at in zip(g.sensor[seen], g.last[seen], strict=True):
            last[str(s)] = max(last.get(str(s), -math.inf), float(at))
    return EXTRAPOLATION * float(np.median(list(last.values()))) if last else math.nan


def fresh_before_start(wear: Result) -> dict[str, float]:
    """Return the fresh response of each sensor among the occasions that ``start`` left out of its line."""
    table = next((t for t in wear.tables if t.name == "before start"), None)
    if table is None:
        return {}
    found: dict[str, tuple[float, float]] = {}
    for sensor, use, response in zip(table["sensor"], table["use"], table["response"], strict=True):
        if use <= 1 and use < found.get(str(sensor), (math.inf, 0.0))[0]:
            found[str(sensor)] = (float(use), float(response))
    return {s: r for s, (_, r) in found.items()}


__all__ = ["Exposure", "Group", "cap_of", "exposure_of", "fresh_before_start", "make_groups", "split_shares"]
