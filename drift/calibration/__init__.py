"""Static calibration: sensitivities of mountings, calibration curves with inverse prediction, gains of cells."""

from __future__ import annotations

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

__all__ = ["Calibration", "LineFits", "bends", "calibrate", "codes_of", "fit_lines", "lack_of_fit", "numbers",
           "variance_power", "words"]
