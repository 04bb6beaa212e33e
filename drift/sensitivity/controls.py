"""Never-worn sensors: whether the rig itself moved while the others were worn."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import calibrate, codes_of, numbers, words
from drift.errors import Finding
from drift.records import Tables
from drift.results import Estimate
from drift.sensitivity.design import NOT_WORN, QUESTION, WearData, full_scale_of, label_of
from drift.sensitivity.model import t_interval
from drift.study import ScreeningSpec

Floats = NDArray[np.float64]
Words = NDArray[np.object_]

#: Days over which the change of never-worn sensors is stated.
SPAN = 100.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Controls:
    """Change of never-worn sensors over calendar time."""

    estimates: tuple[Estimate, ...] = ()
    findings: tuple[Finding, ...] = ()


def controls(tables: Tables, data: WearData, *, level: float, screening: ScreeningSpec) -> Controls:
    """Estimate the common trend of never-worn sensors over the days on which they were checked.

    One slope over the sensors' own means, with a t interval on the scatter about it. A trend here is the rig's (or
    the ageing of stored sensors), and worn sensors share it.

    References
    ----------
    D. R. Cox (1958), Planning of Experiments, ch. 1 (controls).
    """
    checks = tables.checks
    assert checks is not None
    role = label_of(checks, tables.sensors, "role")
    mine = np.isin(role.astype(str), sorted(NOT_WORN)) & ~(np.nan_to_num(numbers(checks, "exclude")) > 0)
    if not mine.any():
        return Controls()
    found = calibrate(checks, exposure=data.spec.exposure, full_scale=full_scale_of(checks, data.spec, tables.sensors),
                      saturated_limit=screening.saturated_fraction, keep=mine, question=QUESTION)
    value = found.sensitivity if found.form != "reading" else found.reading
    place = {int(r): i for i, r in enumerate(checks.row)}
    day = np.array([words(checks, "time")[place[int(r)]][:10] for r in found.row], dtype=object)
    good = (value > 0 if data.log else np.isfinite(value)) & (day != "")
    names = sorted(set(found.sensor[good].tolist()))
    dates = day[good].astype("datetime64[D]").astype(np.int64).astype(np.float64) if good.any() else np.zeros(0)
    days = len(set(dates.tolist()))
    if days < 3 or not names:
        note = Finding(severity="note", code="controls-without-trend", question=QUESTION, column="time",
                       message="There are never-worn sensors, but not three dated days of checking them, so whether "
                               "the rig moved cannot be said", mend="Check them on every day, and record the time.")
        return Controls(findings=(note,))
    return _trend(np.log(value[good]) if data.log else value[good], dates, found.sensor[good], data, level)


def _trend(response: Floats, dates: Floats, sensor: Words, data: WearData, level: float) -> Controls:
    """Fit one slope over day means within sensors, and word it."""
    cell, first = codes_of([sensor, dates])
    count = np.bincount(cell)
    y, x = np.bincount(cell, weights=response) / count, dates[first]
    own, _ = codes_of([sensor[first]])
    n = np.bincount(own)
    dx, dy = x - (np.bincount(own, weights=x) / n)[own], y - (np.bincount(own, weights=y) / n)[own]
    sxx, df = float(dx @ dx), float(len(y) - len(n) - 1)
    if sxx <= 0 or df < 1:
        return Controls()
    slope = float(dx @ dy) / sxx
    se = math.sqrt(float(((dy - slope * dx) ** 2).sum()) / df / sxx)
    low, high = t_interval(SPAN * slope, SPAN * se, df, level)
    value, unit = SPAN * slope, f"{data.units['reading']} per {SPAN:g} days".strip()
    if data.log:
        value, low, high, unit = (100 * math.expm1(value), 100 * math.expm1(low), 100 * math.expm1(high),
                                  f"% per {SPAN:g} days")
    estimate = Estimate(name="change of never-worn sensors", of={"question": QUESTION}, value=value, unit=unit, low=low,
                        high=high, level=level, method="one slope over day means within sensors, t interval",
                        n=len(n))
    moved = low > 0 or high < 0
    text = f"{len(n)} never-worn sensor{'s' * (len(n) > 1)} changed by {estimate.text()}"
    if moved:
        finding = Finding(severity="warning", code="rig-moved", question=QUESTION,
                          message=f"{text}: the rig moved, and part of the drift of the worn sensors may be the rig's",
                          mend="Correct each day's readings by the never-worn sensors, or mend the rig.")
    else:
        finding = Finding(severity="note", code="rig-steady", question=QUESTION,
                          message=f"{text}: no movement of the rig is seen")
    return Controls(estimates=(estimate,), findings=(finding,))
