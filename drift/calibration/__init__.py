"""Static calibration: sensitivities of mountings, calibration curves with inverse prediction, gains of cells."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

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

if TYPE_CHECKING:
    from drift.calibration.cells import CellGainsResult, cell_gains
    from drift.calibration.curve import CalibrationCurve, Pressures
    from drift.calibration.curves import CalibrationResult, calibrate_curves, curves_of, static_components
    from drift.calibration.statics import Component

# What only some commands need loads when first asked for.
_HOMES = {"CellGainsResult": "cells", "cell_gains": "cells", "CalibrationCurve": "curve", "Pressures": "curve",
          "CalibrationResult": "curves", "calibrate_curves": "curves", "curves_of": "curves",
          "static_components": "curves", "Component": "statics"}

__all__ = ["Calibration", "CalibrationCurve", "CalibrationResult", "CellGainsResult", "Component", "LineFits",
           "Pressures", "bends", "calibrate", "calibrate_curves", "cell_gains", "codes_of", "curves_of", "fit_lines",
           "lack_of_fit", "numbers", "static_components", "variance_power", "words"]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{home}"), name)
