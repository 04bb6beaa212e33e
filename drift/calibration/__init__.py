"""Static calibration: sensitivities of mountings, calibration curves with inverse prediction, gains of cells."""

from __future__ import annotations

from drift.calibration.cells import CellGainsResult, cell_gains
from drift.calibration.curve import CalibrationCurve, Pressures
from drift.calibration.curves import CalibrationResult, calibrate_curves, curves_of, static_components
from drift.calibration.sensitivity_of_mountings import (
    Calibration,
    LineFits,
    bends,
    calibrate,
    codes_of,
    fit_lines,
    lack_of_fit,
    numbers,
    variance_power,
    words,
)
from drift.calibration.statics import Component

__all__ = ["Calibration", "CalibrationCurve", "CalibrationResult", "CellGainsResult", "Component", "LineFits",
           "Pressures", "bends", "calibrate", "calibrate_curves", "cell_gains", "codes_of", "curves_of", "fit_lines",
           "lack_of_fit", "numbers", "static_components", "variance_power", "words"]
