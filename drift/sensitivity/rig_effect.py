"""What a step of the rig does to the drift of worn sensors that were checked on both sides of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.calibration import codes_of, words
from drift.records import Tables
from drift.sensitivity.control_days import day_numbers
from drift.sensitivity.controls_fit import Fit
from drift.sensitivity.design import WearData


@dataclass(frozen=True, kw_only=True)
class Effect:
    """Of one step: worn sensors checked on both sides, and the slope that the step adds, by construction.

    ``slope`` is on the response scale, per unit of exposure; empty where the step is no common one.
    """

    sensors: int
    slope: dict[str, float]


def effects_on_wear(fit: Fit, tables: Tables, data: WearData) -> tuple[Effect, ...]:
    """Return what each step adds to the mean of the sensors' own slopes, if worn sensors moved as the others did.

    Notes
    -----
    The least-squares slope of a sensor's checks gains the step times the slope of an indicator of the checks after it
    on the exposure; a construction gains the mean of that over its sensors.
    """
    day = worn_days(tables, data)
    dated = np.isfinite(day)
    code, first = codes_of([data.sensor])
    made = []
    for moved in fit.steps:
        late = np.where(dated, (day >= moved.step.at).astype(np.float64), np.nan)
        size = moved.common[0] if moved.common is not None else float(np.nanmean([v for v, _, _ in moved.own]))
        slopes: dict[str, list[float]] = {}
        both = 0
        for s in range(len(first)):
            mine = (code == s) & dated
            gain, crossed = _gain(data.use[mine], late[mine])
            both += crossed
            if math.isfinite(gain):
                slopes.setdefault(str(data.construction[first[s]]), []).append(gain)
        made.append(Effect(sensors=both, slope={c: size * float(np.mean(v)) for c, v in slopes.items()}))
    return tuple(made)


def worn_days(tables: Tables, data: WearData) -> np.ndarray:
    """Return the day of each mounting, NaN without one."""
    assert tables.checks is not None
    return day_numbers(words(tables.checks, "time")[data.kept_rows])


def _gain(use: np.ndarray, late: np.ndarray) -> tuple[float, bool]:
    """Slope of the indicator on the exposure, and whether the sensor was checked on both sides."""
    crossed = bool(len(late) and late.min() < late.max())
    x = use - use.mean() if len(use) else use
    return (float(x @ late / (x @ x)) if len(use) and float(x @ x) > 0 else math.nan), crossed
