"""A sensitivity that rises in sensors in general: no limit on a fall judges it, and today's readings are too high."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import codes_of
from drift.engine.tails import t_tail
from drift.errors import Finding
from drift.sensitivity.design import WearData

Floats = NDArray[np.float64]
SIZE = 0.05
FEWEST = 3


@dataclass(frozen=True, kw_only=True)
class Rise:
    """Mean rise of one construction on the response scale, with its two-sided ``p``; ``batches`` is 0 if not told."""

    construction: str
    slope: float
    p: float
    n: int
    batches: int


def rises_of(data: WearData | None) -> tuple[Rise, ...]:
    """Return the constructions whose mean sensitivity is shown to rise: t test of the sensors' own slopes at 5 %.

    Over batch means where there are three batches or more. Displayed pressures, which start anew with each calibration,
    and readings without a reference are left out.
    """
    if data is None or not data.has_reference or bool((data.epoch != "").any()):
        return ()
    code, first = codes_of([data.sensor])
    slope = np.array([_slope(data.use[code == s], data.response[code == s]) for s in range(len(first))])
    found = []
    for name in sorted(set(data.construction.tolist())):
        mine = np.isfinite(slope) & (data.construction[first] == name)
        unit = _batch_means(slope[mine], data.batch[first][mine])
        if len(unit) < FEWEST:
            continue
        se = float(unit.std(ddof=1)) / math.sqrt(len(unit))
        mean = float(unit.mean())
        p = 2 * t_tail(len(unit) - 1, abs(mean) / se) if se > 0 else 0.0
        if mean > 0 and p < SIZE:
            found.append(Rise(construction=str(name), slope=mean, p=p, n=int(mine.sum()),
                              batches=len(unit) if len(unit) < int(mine.sum()) else 0))
    return tuple(found)


def rise_sentences(rises: tuple[Rise, ...], data: WearData | None, *, use: float | None = None) -> str:
    """Return a sentence a construction, with a blank before it; ``use`` is that of the sensor in the hand."""
    if data is None:
        return ""
    return "".join(f" Caution: {_rise_text(r, data, use)}." for r in rises)


def _rise_text(r: Rise, data: WearData, use: float | None = None) -> str:
    """Say how a construction rises, and what that does to readings."""
    whose = f" of {r.construction} sensors" if r.construction else ""
    each = f"{_percent(r.slope):.2g} %" if data.log else f"{r.slope:.2g}"
    by_now = ""
    if data.log and use is not None and use > 0:
        at = f"use {use:g}" if data.per == "use" else f"{use:g} {data.per}"
        by_now = f", about {_percent(r.slope * use):.2g} % by {at}"
    return (f"sensitivity{whose} rises, by {each} per {data.per} on average; that is not wear, no limit on a fall "
            f"judges it, and readings are too high by as much{by_now}")


def rise_findings(rises: tuple[Rise, ...], data: WearData | None) -> tuple[Finding, ...]:
    """Return one warning a construction, with where to look."""
    if data is None:
        return ()
    made = []
    for r in rises:
        over = f" over the means of {r.batches} batches" if r.batches else ""
        made.append(Finding(
            severity="warning", code="rises-with-use", message=f"{_rise_text(r, data)} (t test of the own slopes of "
            f"{r.n} sensors{over}, p = {r.p:.2g})", mend="Look for the cause before sensors are used: the reference, "
            "contamination, temperature, cells, the rig. Recalibrate them."))
    return tuple(made)


def _percent(slope: float) -> float:
    return 100 * math.expm1(slope)


def _slope(x: Floats, y: Floats) -> float:
    good = np.isfinite(y)
    x, y = x[good], y[good]
    off = x - x.mean() if len(x) else x
    sxx = float(off @ off)
    return float(off @ y) / sxx if sxx > 0 else math.nan


def _batch_means(slope: Floats, batch: NDArray[np.object_]) -> Floats:
    names = set(batch.tolist())
    if "" in names or len(names) < FEWEST:
        return slope
    code, _ = codes_of([batch])
    return np.asarray(np.bincount(code, weights=slope) / np.bincount(code))
