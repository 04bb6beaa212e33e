"""Readings at full scale: what they still say of the load, and readings above it, which nobody made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drift.calibration.curve_words import number
from drift.calibration.fitting import Fitted
from drift.calibration.rows import Series
from drift.calibration.with_reference import in_quadrature
from drift.engine.curve_models import falls
from drift.engine.inverse_prediction import InverseSet
from drift.errors import DriftError, Finding
from drift.results import Estimate
from drift.study import CalibrationQuestion

NAN = math.nan


def refuse_above_full_scale(series: Sequence[Series], question: CalibrationQuestion) -> None:
    """Refuse readings asked about that are above the full scale of every sensor: none can have given them.

    Raises
    ------
    DriftError
        With every such reading.
    """
    scales = [s.full_scale for s in series]
    if not scales or not all(math.isfinite(v) for v in scales):
        return
    top = max(scales)
    wrong = [y for y in question.invert if y > top]
    if wrong:
        raise DriftError(tuple(Finding(
            severity="error", code="above-full-scale", file="study.toml", column="[[calibration]] invert",
            value=f"{y:g}", question=question.name, expected=f"at most {top:g}",
            message=f"the reading is above the full scale of {top:g}, so no sensor gave it",
            mend="Correct the value, or the full scale.") for y in wrong))


def bound_of(fitted: Fitted, found: InverseSet) -> tuple[str, float]:
    """Return "at least" or "at most" and the end of the exact set on that side; NaN where the set has none there.

    Notes
    -----
    A reading at full scale says that the sensor would have read so much or more. A load is ruled out by it where so
    high a reading would be rarer than (1 - level)/2: what remains is the exact set of a reading of that value, taken
    on one side, with confidence (1 + level)/2.
    """
    fit = fitted.fit
    assert fit is not None
    down = falls(fit.model, np.asarray(fit.coefficients), fit.low, fit.high)
    end = NAN if not found.pieces else found.pieces[-1][1] if down else found.pieces[0][0]
    return ("at most" if down else "at least"), end if math.isfinite(end) else NAN


def bound_words(fitted: Fitted, found: InverseSet, unit: str) -> str:
    """Return the bound in words: ``at least 500.7 kPa``."""
    word, end = bound_of(fitted, found)
    return f"{word} {number(end)}{f' {unit}' if unit else ''}" if math.isfinite(end) else "not bounded by this curve"


def estimate_of_bound(e: Estimate, fitted: Fitted, found: InverseSet, *, level: float,
                      reference: float = 0.0) -> Estimate:
    """Return the load at a saturated reading: no value, one end, the confidence of that end.

    ``reference`` is the relative standard uncertainty of the reference where it is to be in the bound.
    """
    word, end = bound_of(fitted, found)
    if reference and math.isfinite(end):
        middle = found.estimate if math.isfinite(found.estimate) else end
        end = in_quadrature(middle, end, end, reference * abs(middle), level=level)[0 if word == "at least" else 1]
    there = math.isfinite(end)
    low, high = (end, NAN) if word == "at least" else (NAN, end)
    how = (f"the reading is censored at full scale: one-sided bound, the {'lower' if word == 'at least' else 'upper'} "
           f"end of the {100 * level:g} % exact set by inversion"
           f"{', in quadrature with 1.96 u of the reference' if reference else ''}" if there else
           "the reading is censored at full scale, and the curve is too uncertain to bound the load")
    return replace(e, value=NAN, std_error=NAN, low=low, high=high, level=(1 + level) / 2 if there else NAN,
                   bound=word if there else None, method=how)

