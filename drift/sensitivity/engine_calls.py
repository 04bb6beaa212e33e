"""Thin adaptor to the mixed-model engine."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ASKED = 2
_MANY = 1e9


def fit_rows(response: Floats, columns: Floats, levels: Any) -> tuple[Any, Any]:
    """Reduce rows and fit them by REML: design and fit.

    Raises
    ------
    ValueError
        When the rows leave no scatter, or cannot tell the variances apart.
    """
    from drift.engine.mixed import NestedDesign, fit_mixed

    # A residual variance on its way to zero divides by zero; it is refused here, in words.
    with np.errstate(all="ignore"):
        design = NestedDesign.build(response, columns, levels)
        fit = fit_mixed(design, method="REML")
    if not (np.isfinite(fit.beta).all() and fit.sigma2 > 1e-18 * float(np.var(response))):
        raise ValueError("the residual variance is zero")
    return design, fit


def contrast_errors(design: Any, fit: Any, wanted: Floats) -> tuple[Floats, Floats]:
    """Kenward-Roger standard errors and degrees of freedom of each row of ``wanted``."""
    from drift.engine.mixed import kenward_roger

    with np.errstate(invalid="ignore", divide="ignore"):
        se, df = kenward_roger(design, fit, wanted)
    if not np.isfinite(se[:_ASKED]).all():
        raise ValueError("the Kenward-Roger variance is not positive")
    # Variances that do not move the contrast leave it with unbounded degrees of freedom: the normal limit.
    return np.asarray(se), np.minimum(np.asarray(df), _MANY)


def predicted_effects(design: Any, fit: Any) -> list[Floats]:
    """BLUPs of every level, nodes in the order of the design."""
    from drift.engine.mixed import blups

    return [np.asarray(b) for b in blups(design, fit, fixed_known=True).effects]


def spread_intervals(design: Any, fit: Any, level: float) -> dict[tuple[int, str], list[tuple[float, float, str]]]:
    """Profile intervals of SDs and correlations: (level from 1, or 0 for the residual; kind) to ends and method."""
    from drift.engine.mixed import variance_intervals

    ends = variance_intervals(design, fit, level=level)
    found: dict[tuple[int, str], list[tuple[float, float, str]]] = {}
    for number, kind, low, high in zip(ends.levels, ends.kinds, ends.low, ends.high, strict=True):
        key = (number, "sd" if kind == "residual" else kind)
        found.setdefault(key, []).append((float(low), float(high), ends.method))
    return found


def joint_test(response: Floats, columns: Floats, levels: Any, place: list[int]) -> tuple[Floats, float]:
    """Fit by REML and test some coefficients together: their values and the Kenward-Roger p-value."""
    from drift.engine.mixed import kenward_roger_test

    design, fit = fit_rows(response, columns, levels)
    found = kenward_roger_test(design, fit, np.eye(columns.shape[1])[place])
    return np.asarray(fit.beta)[place], float(found.p_value)
