"""A reading at full scale: what is still known of the pressure, with drift corrected as for every pressure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.budget.curve import Curve
from drift.engine.uncertainty import Propagated

if TYPE_CHECKING:
    from drift.budget.analysis import Ground
    from drift.budget.subjects import Subject


def least_pressure(gum: Propagated) -> float:
    """Return the lower end of the interval that a reading of full scale would have; NaN where it has none.

    A reading at full scale is that or more, so that this end is a one-sided bound with confidence (1 + level)/2.
    """
    low = gum.value - gum.expanded
    return max(low, 0.0) if math.isfinite(low) else math.nan


def saturated_words(ground: Ground, curve: Curve, subject: Subject, gum: Propagated, *, reading: float,
                    displayed: float, drift_known: bool) -> str:
    """Say that the sensor is saturated, how high the pressure is at least, and what the calibration alone makes of it.

    Parameters
    ----------
    ground, curve, subject
    gum : Propagated
        Of the pressure at a reading of full scale, drift corrected where it is known.
    reading, displayed : float
        Reading, and the pressure at full scale by the calibration without correction for drift.
    drift_known : bool
    """
    unit, of_reading = ground.pressure_unit, ground.reading_unit
    where = "at" if reading == curve.full_scale else "above"
    lead = (f"a reading of {reading:.4g} {of_reading} is {where} full scale ({curve.full_scale:g} {of_reading}): the "
            "sensor is saturated")
    least = least_pressure(gum)
    if not math.isfinite(least):
        return f"{lead}, and its calibration curve never gets there, so that the pressure has no bound"
    sure = f"{100 * (1 + ground.level) / 2:g} %"
    said = f"{lead}, and its pressure is only known to be at least {least:.4g} {unit} ({sure}"
    if not subject.since:
        return f"{said}; by the calibration full scale is reached at {displayed:.4g} {unit})"
    if not drift_known:
        return (f"{said}; full scale is reached at {displayed:.4g} {unit} by the calibration, drift neither corrected "
                "nor in it)")
    return (f"{said}; with drift corrected full scale is reached at {gum.value:.4g} {unit} at that use, at "
            f"{displayed:.4g} {unit} when it was calibrated)")
