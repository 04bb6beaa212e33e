"""Weighted Deming regression: errors in proportion to the reading on both sides, weights from the fitted truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.comparison.deming import Scatter, intercept_of, scatter, slope_of

FloatArray = NDArray[np.float64]
MOST_STEPS, TOLERANCE = 100, 1e-12


def true_values(x: FloatArray, y: FloatArray, slope: FloatArray, intercept: FloatArray, ratio: ArrayLike
                ) -> tuple[FloatArray, FloatArray]:
    """Return the points of the line nearest to the readings in the metric of the errors (Linnet 1990, equation 7)."""
    lam, b, a = (np.asarray(v, float)[..., None] for v in (ratio, slope, intercept))
    gap = y - a - b * x
    foot = x + b * gap / (lam + b * b)
    return foot, a + b * foot


def weights_at(x: FloatArray, y: FloatArray, slope: FloatArray, intercept: FloatArray, ratio: ArrayLike) -> FloatArray:
    """Return 1 / (mean of the two true values)^2, scaled to mean one; NaN where a mean is not above zero."""
    foot, height = true_values(x, y, slope, intercept, ratio)
    middle = 0.5 * (foot + height)
    with np.errstate(invalid="ignore", divide="ignore"):
        w = np.where(middle > 0, middle ** -2.0, np.nan)
        return np.asarray(w / np.mean(w, axis=-1, keepdims=True), dtype=np.float64)


def weighted_deming(x: ArrayLike, y: ArrayLike, ratio: ArrayLike, *, include: ArrayLike | None = None
                    ) -> tuple[Scatter, FloatArray, NDArray[np.bool_]]:
    """Fit by turns: weights from the line's true values, the line from the weights.

    Parameters
    ----------
    x, y : array_like, shape (..., n)
        Readings above zero.
    ratio : array_like, shape (...)
        Variance of the errors of y over that of x, at the same reading.
    include : array_like, shape (..., n), optional
        0 leaves a point out; the weights of the others are scaled by the number of all, which changes no line.

    Returns
    -------
    sums : Scatter
        Weighted; the weights that are in have mean one.
    weights : array, shape (..., n)
    converged : array of bool, shape (...)

    References
    ----------
    Linnet K (1990), Stat Med 9:1463-1473, section 2; Linnet K (1993), Clin Chem 39:424-432.
    """
    x, y, keep = np.broadcast_arrays(*(np.asarray(v, float) for v in (x, y, 1.0 if include is None else include)))
    sums = scatter(x, y, keep)
    slope = slope_of(sums, ratio)
    converged = np.zeros(slope.shape, dtype=bool)
    w = keep
    for _ in range(MOST_STEPS):
        w = weights_at(x, y, slope, intercept_of(sums, slope), ratio) * keep
        w = w * (keep.sum(-1) / w.sum(-1))[..., None]
        sums = scatter(x, y, w)
        new = slope_of(sums, ratio)
        with np.errstate(invalid="ignore"):
            converged = np.abs(new - slope) <= TOLERANCE * np.abs(new)
        slope = new
        if np.all(converged | ~np.isfinite(slope)):
            break
    return sums, w, converged
