"""What the uncertainty of the reference adds: one factor that all loads share, which levels do not average down."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.engine.curve_models import Model
from drift.engine.inverse_prediction import InverseSet, t_quantile

Floats = NDArray[np.float64]
ADDED = "with the reference"
GIVEN = "given the reference"


def moved_by_reference(model: Model, coefficients: Floats) -> Floats:
    """Return how each coefficient changes with the log of a factor common to all loads.

    Notes
    -----
    A curve f(p; b) through loads that were p exp(d) has the coefficients b(d) with f(p; b(d)) = f(p exp(d); b).
    """
    b = np.asarray(coefficients, dtype=np.float64)
    by_model: dict[Model, list[float]] = {
        "line": [0.0, 1.0], "through-zero": [1.0], "quadratic": [0.0, 1.0, 2.0], "saturating": [0.0, 1.0]}
    if model in by_model:
        return np.asarray(b * by_model[model])
    return np.array([b[1] * (b[0] if model == "power" else 1.0), 0.0])


def in_quadrature(value: float, low: float, high: float, other: float, *, level: float) -> tuple[float, float]:
    """Widen both sides of an interval by a standard uncertainty that counts as known.

    References
    ----------
    G. Y. Zou and A. Donner (2008), Statistics in Medicine 27, 1693-1702, equation 2 (each side by itself).
    """
    more = t_quantile(level, math.inf) * other
    return value - math.hypot(value - low, more), value + math.hypot(high - value, more)


def set_with_reference(found: InverseSet, reference: float, *, level: float) -> tuple[float, float] | None:
    """Return the interval of a load with the error of the reference; None where the set has no two ends."""
    if not (math.isfinite(found.low) and math.isfinite(found.high) and math.isfinite(found.estimate)):
        return None
    return in_quadrature(found.estimate, found.low, found.high, reference * abs(found.estimate), level=level)
