"""York's line: standard uncertainties of each point on both sides, correlated or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
MOST_STEPS, TOLERANCE = 500, 1e-12


@dataclass(frozen=True, eq=False)
class YorkLine:
    """A line with errors on both sides of every point; arrays have the shape of the leading axes.

    Parameters
    ----------
    intercept, slope : array
    intercept_se, slope_se, covariance : array
        From the stated uncertainties alone, at the adjusted points (York et al. 2004).
    chi_square : array
        Weighted sum of squares S, to be compared with ``df`` = n - 2.
    df : array
    centre, centre_se : array
        The adjusted mean of x, where the line's value is independent of the slope, and the standard error there.
    converged : array of bool
    """

    intercept: FloatArray
    slope: FloatArray
    intercept_se: FloatArray
    slope_se: FloatArray
    covariance: FloatArray
    chi_square: FloatArray
    df: FloatArray
    centre: FloatArray
    centre_se: FloatArray
    converged: NDArray[np.bool_]

    @property
    def reduced(self) -> FloatArray:
        """S / (n - 2)."""
        return np.asarray(self.chi_square / self.df, dtype=np.float64)


def york(x: ArrayLike, y: ArrayLike, ux: ArrayLike, uy: ArrayLike, *, correlation: ArrayLike = 0.0,
         include: ArrayLike = 1.0) -> YorkLine:
    """Fit y = intercept + slope x with standard uncertainties of every x and y.

    Parameters
    ----------
    x, y, ux, uy : array_like, shape (..., n)
        Readings and their standard uncertainties; weights are 1 / u^2.
    correlation : array_like, shape (..., n)
        Of the two errors of a point.
    include : array_like, shape (..., n)
        0 leaves a point out.

    Returns
    -------
    YorkLine

    Raises
    ------
    ValueError
        With fewer than 3 points, or an uncertainty that is not above zero.

    Notes
    -----
    Standard errors are those of the unified equations of 2004, evaluated at the adjusted points. Papers that evaluate
    them at the observed points print other figures (0.29193 and 0.057617 for Pearson's data, not 0.29497 and 0.05799:
    Williamson JH (1968), Can J Phys 46:1845-1847).

    References
    ----------
    York D, Evensen NM, Lopez Martinez M, De Basabe Delgado J (2004), Unified equations for the slope, intercept, and
    standard errors of the best straight line, Am J Phys 72:367-375, equations 13a to 13d and section III.
    """
    x, y, ux, uy, r, keep = np.broadcast_arrays(*(np.asarray(v, float) for v in (x, y, ux, uy, correlation, include)))
    df = keep.sum(-1) - 2
    if np.any(df < 1):
        raise ValueError("York's line needs at least 3 points")
    if not (np.all(ux > 0) and np.all(uy > 0)):
        raise ValueError("every standard uncertainty must be above zero")
    wx, wy = ux**-2.0, uy**-2.0
    alpha = 1.0 / (ux * uy)
    b = _start(x, y, ux, uy, keep)
    done = np.zeros(b.shape, dtype=bool)
    for _ in range(MOST_STEPS):
        new = _step(b, x, y, wx, wy, alpha, r, keep)[0]
        with np.errstate(invalid="ignore"):
            done = np.abs(new - b) <= TOLERANCE * np.maximum(np.abs(new), 1e-300)
        b = new
        if np.all(done | ~np.isfinite(b)):
            break
    _, W, mx, my, beta = _step(b, x, y, wx, wy, alpha, r, keep)
    total = W.sum(-1)
    adjusted = mx[..., None] + beta
    centre = (W * adjusted).sum(-1) / total
    u = adjusted - centre[..., None]
    with np.errstate(divide="ignore", invalid="ignore"):
        vb = 1.0 / (W * u * u).sum(-1)
    va = 1.0 / total + centre**2 * vb
    a = my - b * mx
    chi = (W * (y - a[..., None] - b[..., None] * x) ** 2).sum(-1)
    return YorkLine(a, b, np.sqrt(va), np.sqrt(vb), -centre * vb, chi, df, centre, np.sqrt(1.0 / total), done)


def _start(x: FloatArray, y: FloatArray, ux: FloatArray, uy: FloatArray, keep: FloatArray) -> FloatArray:
    from drift.engine.comparison.deming import scatter, slope_of

    return slope_of(scatter(x, y, keep), np.median(uy, axis=-1) ** 2 / np.median(ux, axis=-1) ** 2)


def _step(b: FloatArray, x: FloatArray, y: FloatArray, wx: FloatArray, wy: FloatArray, alpha: FloatArray,
          r: FloatArray, keep: FloatArray) -> tuple[FloatArray, ...]:
    """Return the next slope with the weights, weighted means and adjustments it rests on (equation 13b)."""
    s = b[..., None]
    W = keep * wx * wy / (wx + s * s * wy - 2 * s * r * alpha)
    total = W.sum(-1)
    mx, my = (W * x).sum(-1) / total, (W * y).sum(-1) / total
    U, V = x - mx[..., None], y - my[..., None]
    beta = W * (U / wy + s * V / wx - (s * U + V) * r / alpha)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (W * beta * V).sum(-1) / (W * beta * U).sum(-1)
    return slope, W, mx, my, beta


def robust_variances(line: YorkLine, x: ArrayLike, y: ArrayLike, ux: ArrayLike, uy: ArrayLike,
                     codes: NDArray[np.int64] | None = None) -> tuple[float, float]:
    """Return variances of the slope and of the height at ``centre`` from the deviations themselves.

    The sandwich of the score W u (y - a - b x), added up over each cluster named by ``codes``, k / (k - 2) times its
    square for k clusters (n / (n - 2) without them); asymptotically that of the jackknife, for tables too long to be
    fitted without each. One line only (no leading axes).
    """
    x, y, ux, uy = (np.asarray(v, float) for v in (x, y, ux, uy))
    b, a = float(line.slope), float(line.intercept)
    W = 1.0 / (uy**2 + b * b * ux**2)
    gap = y - a - b * x
    u = x + W * b * ux**2 * gap - float(line.centre)
    turn, lift = W * u * gap, W * gap
    if codes is not None:
        turn, lift = (np.asarray(np.bincount(codes, weights=v), dtype=np.float64) for v in (turn, lift))
    factor = len(turn) / max(len(turn) - 2, 1)
    return (float(factor * np.sum(turn**2) / np.sum(W * u * u) ** 2), float(factor * np.sum(lift**2) / np.sum(W) ** 2))
