"""Which rows of the checks make one calibration curve, and what each of them is: exact, a bound, a hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.calibration.sensitivity_of_mountings import codes_of, numbers, words
from drift.engine.curve_choice import level_codes
from drift.errors import DriftError, Finding
from drift.ingest import account_rows, excluded_rows, select_where
from drift.records import CheckTable
from drift.results import Exclusion, RowAccount
from drift.study import CalibrationQuestion

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Words = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    """The readings of one sensor at one use (and one ``cal_id``), in the order of the file.

    Arrays have shape ``(n_rows,)``: load ``x``, reading ``y``; ``mounting``, ``cycle`` and ``level`` number what their
    names say; ``direction`` is "up", "down" or ""; ``hold`` seconds held (NaN unknown); ``right`` and ``left`` mark
    readings that are bounds; ``curve`` those the curve is fitted to; ``row`` is the row of the file.
    """

    sensor: str
    use: str
    cal_id: str
    date: str
    x: Floats
    y: Floats
    mounting: Ints
    mountings: tuple[str, ...]
    cycle: Ints
    direction: Words
    level: Ints
    hold: Floats
    right: Bools
    left: Bools
    curve: Bools
    row: Ints
    full_scale: float
    reference_unit: str
    reading_unit: str

    @property
    def of(self) -> dict[str, str]:
        """Labels of its estimates."""
        return {k: v for k, v in (("sensor", self.sensor), ("use", self.use), ("cal_id", self.cal_id)) if v}

    @property
    def exact(self) -> Bools:
        """Rows of the curve whose readings are values, not bounds."""
        return self.curve & ~self.right & ~self.left

    @property
    def label(self) -> str:
        """What it is, in words; empty where nothing tells it from another."""
        parts = [f"sensor {self.sensor}" if self.sensor else "", f"use {self.use}" if self.use else "", self.cal_id]
        return ", ".join(p for p in parts if p)

    @property
    def cells(self) -> Ints:
        """Cells of replicates: same mounting, level and direction."""
        return codes_of([self.mounting, self.level, self.direction])[0]


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """All series of a question, and where the rows went."""

    series: tuple[Series, ...]
    account: RowAccount
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]


def prepare(checks: CheckTable, question: CalibrationQuestion, *, full_scale: Any = None) -> Prepared:
    """Sort the rows of a checks table into calibrations.

    Parameters
    ----------
    checks : CheckTable
    question : CalibrationQuestion
    full_scale : float or mapping of sensor to float, optional
        Ceiling of the reading where the question names none.

    Raises
    ------
    DriftError
        If there is no reference, or no row is usable.
    """
    n = len(checks)
    outside = ~select_where(checks, question.where, question=question.name)
    flagged = excluded_rows(checks)
    x, y = numbers(checks, "reference"), numbers(checks, "reading")
    if not np.isfinite(x).any():
        raise DriftError(Finding(severity="error", code="missing-column", file=checks.file, column="reference",
                                 question=question.name, message="a calibration needs the known load of each reading",
                                 mend="Name its column with --reference, or in [columns.checks]"))
    reasons = np.full(n, "", dtype=object)
    reasons[~np.isfinite(x)] = "no reference"
    reasons[~np.isfinite(y)] = "no reading"
    unmatched = (reasons != "") & ~outside & ~flagged
    account, exclusions, used = account_rows(question.name, "checks", checks, outside=outside, excluded=flagged,
                                             unmatched=unmatched, reasons=reasons)
    if not used.any():
        raise DriftError(Finding(severity="error", code="no-rows", file=checks.file, question=question.name,
                                 message="no row is left for the calibration", mend="Look at where and exclude"))
    rows = np.flatnonzero(used)
    use = words(checks, "use")
    keys = [words(checks, "sensor"), numbers(checks, "use"), words(checks, "cal_id")]
    code, _ = codes_of([np.nan_to_num(k, nan=-1.0)[rows] if k.dtype.kind == "f" else k[rows] for k in keys])
    made = [_series(checks, rows[code == j], question, x, y, use, full_scale) for j in range(int(code.max()) + 1)]
    return Prepared(series=tuple(made), account=account, exclusions=exclusions, findings=())


def _series(checks: CheckTable, at: Ints, question: CalibrationQuestion, x: Floats, y: Floats, use: Words,
            full_scale: Any) -> Series:
    sensor = str(words(checks, "sensor")[at[0]])
    order = numbers(checks, "order")[at]
    at = at[np.argsort(np.where(np.isfinite(order), order, 0.0), kind="stable")] if np.isfinite(order).all() else at
    load, reading = x[at], y[at]
    mounts, mounting = np.unique(words(checks, "replicate")[at].astype(str), return_inverse=True)
    direction = words(checks, "direction")[at]
    given = numbers(checks, "level")[at]
    level = codes_of([given])[0] if np.isfinite(given).all() else level_codes(load)
    hold = numbers(checks, "hold_s")[at]
    top = question.full_scale if question.full_scale is not None else (
        full_scale.get(sensor, np.nan) if isinstance(full_scale, dict) else np.nan if full_scale is None
        else float(full_scale))
    right = reading >= top
    if "saturated" in checks:
        right = right | (np.nan_to_num(checks["saturated"][at]) > 0)
    left = _left(reading, load, question.floor)
    cycle = _cycles(words(checks, question.cycle or "cycle")[at], mounting, level, direction, hold)
    curve = _of_curve(question, direction, hold, mounting, cycle, level)
    time = words(checks, "time")[at]
    return Series(sensor=sensor, use=str(use[at[0]]), cal_id=str(words(checks, "cal_id")[at[0]]),
                  date=str(time[0])[:10] if time[0] else "", x=load, y=reading, mounting=mounting.astype(np.int64),
                  mountings=tuple(mounts), cycle=cycle, direction=direction, level=level, hold=hold, right=right,
                  left=left, curve=curve, row=np.asarray(checks.row)[at], full_scale=float(top),
                  reference_unit=checks.units.get("reference", ""), reading_unit=checks.units.get("reading", ""))


def _left(y: Floats, x: Floats, floor: float | None) -> Bools:
    """Mark readings that only say "no more than": at the floor, or zero under a load where none is ever below."""
    if floor is not None:
        return np.asarray((y <= floor) & (x > 0))
    return np.asarray((y == 0) & (x > 0) & bool((y >= 0).all()))


def _cycles(named: Words, mounting: Ints, level: Ints, direction: Words, hold: Floats) -> Ints:
    """Return a number for each cycle: by its column, else the k-th time a mounting meets a level in a direction."""
    if any(named):
        return np.unique(named.astype(str), return_inverse=True)[1].astype(np.int64)
    key = codes_of([mounting, level, direction, np.nan_to_num(hold, nan=-1.0)])[0]
    count: dict[int, int] = {}
    out = np.empty(len(key), dtype=np.int64)
    for i, k in enumerate(key.tolist()):
        out[i] = count.get(k, 0)
        count[k] = out[i] + 1
    return out


def _of_curve(question: CalibrationQuestion, direction: Words, hold: Floats, mounting: Ints, cycle: Ints,
              level: Ints) -> Bools:
    """Mark the rows of the curve: loading alone where both directions were read, and the shortest hold of each."""
    both = np.any(direction == "up") and np.any(direction == "down")
    keep = (direction != "down") if both and question.direction == "up" else np.ones(len(hold), dtype=np.bool_)
    if np.isfinite(hold).any():
        key = codes_of([mounting, cycle, level, direction])[0]
        shortest = np.full(int(key.max()) + 1, np.inf)
        np.minimum.at(shortest, key, np.nan_to_num(hold, nan=0.0))
        keep = keep & (np.nan_to_num(hold, nan=0.0) <= shortest[key])
    return np.asarray(keep, dtype=np.bool_)
