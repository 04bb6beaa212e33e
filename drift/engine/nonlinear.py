"""Nonlinear least squares by damped Gauss-Newton steps with a complex-step Jacobian."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Function = Callable[[NDArray[np.complex128]], NDArray[np.complex128]]
_STEP = 1e-30


@dataclass(frozen=True, kw_only=True, eq=False)
class NonlinearFit:
    """Where the sum of squares is least.

    Parameters
    ----------
    coefficients, std_errors : array, shape (p,)
    covariance : array, shape (p, p)
        Of the coefficients: residual variance times the inverse of J'J. NaN without degrees of freedom.
    sse, residual_sd : float
        (Weighted) sum of squares, and its root over the degrees of freedom.
    df : int
    converged : bool
    iterations : int
    """

    coefficients: Floats
    std_errors: Floats
    covariance: Floats
    sse: float
    residual_sd: float
    df: int
    converged: bool
    iterations: int

    def __post_init__(self) -> None:
        for name in ("coefficients", "std_errors", "covariance"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def complex_jacobian(function: Function, theta: Floats) -> Floats:
    """Return derivatives of ``function`` by each coefficient, shape (n, p), exact to rounding.

    References
    ----------
    W. Squire and G. Trapp (1998), SIAM Review 40, 110-112, equation 5 (complex step).
    """
    p = len(theta)
    columns = []
    for j in range(p):
        at = theta.astype(np.complex128)
        at[j] += 1j * _STEP
        columns.append(np.imag(function(at)) / _STEP)
    return np.column_stack(columns)


def nonlinear_least_squares(function: Function, y: ArrayLike, start: ArrayLike, *, weights: ArrayLike | None = None,
                            linear: Sequence[int] = (), max_iterations: int = 2000) -> NonlinearFit:
    """Fit y = function(theta) + error by (weighted) least squares.

    Parameters
    ----------
    function : callable
        Takes theta, shape (p,), complex; returns fitted values, shape (n,). Written with numpy functions that take
        complex numbers (no ``abs``, no comparison of theta).
    y : array_like, shape (n,)
    start : array_like, shape (p,)
    weights : array_like, shape (n,), optional
        Inverse variances up to a factor.
    linear : sequence of int
        Positions of coefficients in which the function is linear. Where the start leads nowhere, the others are tried
        at a hundredth to a hundred times theirs, each with the linear ones solved for, and the best is gone on from.
    max_iterations : int

    Returns
    -------
    NonlinearFit
        ``converged`` is False where no step falls further before the gradient vanishes.

    Notes
    -----
    Levenberg-Marquardt steps in the scale of the Jacobian's columns, each solved by QR of the Jacobian with the damping
    below it, never by normal equations; the last steps are undamped. It has converged when the residuals are orthogonal
    to the Jacobian: |Q'r| <= 1e-9 |r|.

    References
    ----------
    D. W. Marquardt (1963), SIAM J. Appl. Math. 11, 431-441; D. M. Bates and D. G. Watts (1988), Nonlinear Regression
    Analysis and Its Applications, section 2.2.3 (relative offset).
    """
    target = np.asarray(y, dtype=np.float64)
    root = np.ones(len(target)) if weights is None else np.sqrt(np.asarray(weights, dtype=np.float64))
    theta = np.array(start, dtype=np.float64)

    def fitted(at: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return root * function(at)

    first = theta
    theta, converged, iteration = _descend(fitted, root * target, theta, max_iterations)
    if not converged and len(linear):
        theta, converged, iteration = _from_afar(fitted, root * target, first, linear, max_iterations)
    jacobian = complex_jacobian(fitted, theta)
    residual = root * target - np.real(fitted(theta.astype(np.complex128)))
    sse = float(residual @ residual)
    df = len(target) - len(theta)
    sd = float(np.sqrt(sse / df)) if df > 0 else float("nan")
    covariance = sd**2 * inverse_gram(jacobian)
    with np.errstate(invalid="ignore"):
        errors = np.sqrt(np.diag(covariance))
    return NonlinearFit(coefficients=theta, std_errors=errors, covariance=covariance, sse=sse, residual_sd=sd, df=df,
                        converged=converged, iterations=iteration)


def _from_afar(fitted: Function, target: Floats, start: Floats, linear: Sequence[int],
               most: int) -> tuple[Floats, bool, int]:
    """Start again from other sizes of the nonlinear coefficients, the linear ones solved for."""
    inside = np.isin(np.arange(len(start)), linear)
    found: list[tuple[float, Floats]] = []
    for power in np.arange(-2.0, 2.01, 0.5):
        theta = np.where(inside, 0.0, start * 10.0**power)
        with np.errstate(all="ignore"):
            base = np.real(fitted(theta.astype(np.complex128)))
            columns = complex_jacobian(fitted, theta)[:, inside]
        if not (np.all(np.isfinite(columns)) and np.all(np.isfinite(base))):
            continue
        theta[inside] = np.linalg.lstsq(columns, target - base, rcond=None)[0]
        residual = target - np.real(fitted(theta.astype(np.complex128)))
        found.append((float(residual @ residual), theta))
    taken = 0
    for _, theta in sorted(found, key=lambda f: f[0])[:3]:
        end, converged, taken = _descend(fitted, target, theta, most)
        if converged:
            return end, True, taken
    return start, False, taken


def inverse_gram(jacobian: Floats) -> Floats:
    """Return the inverse of J'J from the QR of J with columns scaled; NaN where J has not full rank."""
    scale = np.sqrt(np.sum(jacobian * jacobian, axis=0))
    if not np.all(np.isfinite(scale)) or np.any(scale == 0):
        return np.full((jacobian.shape[1],) * 2, np.nan)
    r = np.linalg.qr(jacobian / scale, mode="r")
    if jacobian.shape[0] < jacobian.shape[1] or np.min(np.abs(np.diag(r))) < 1e-14:
        return np.full((jacobian.shape[1],) * 2, np.nan)
    inverse = np.linalg.inv(r)
    return np.asarray(inverse @ inverse.T / np.outer(scale, scale), dtype=np.float64)


def _descend(fitted: Function, target: Floats, theta: Floats, most: int) -> tuple[Floats, bool, int]:
    """Take damped steps until the residuals are orthogonal to the Jacobian."""
    def residuals(at: Floats) -> Floats:
        with np.errstate(all="ignore"):
            return target - np.real(fitted(at.astype(np.complex128)))

    r = residuals(theta)
    value, damping, p = float(r @ r), 1e-3, len(theta)
    scale = np.zeros(p)
    for iteration in range(1, most + 1):
        with np.errstate(all="ignore"):
            jacobian = complex_jacobian(fitted, theta)
        if not np.all(np.isfinite(jacobian)):
            return theta, False, iteration
        size = np.sqrt(np.sum(jacobian * jacobian, axis=0))
        scale = np.maximum(scale, size)
        scale[scale == 0] = 1.0
        q, _ = np.linalg.qr(jacobian / np.where(size > 0, size, 1.0))
        if float(np.linalg.norm(q.T @ r)) <= 1e-9 * max(float(np.linalg.norm(r)), 1e-13 * float(
                np.linalg.norm(target))):
            return theta, True, iteration
        for _ in range(60):
            stacked = np.vstack([jacobian / scale, np.sqrt(damping) * np.eye(p)])
            step = np.linalg.lstsq(stacked, np.concatenate([r, np.zeros(p)]), rcond=None)[0] / scale
            trial = residuals(theta + step)
            new = float(trial @ trial) if np.all(np.isfinite(trial)) else np.inf
            if new < value:
                break
            damping *= 4.0
        else:  # rounding: nothing falls any more
            return theta, float(np.linalg.norm(q.T @ r)) <= 1e-6 * float(np.linalg.norm(r)), iteration
        theta, r, value, damping = theta + step, trial, new, max(damping / 5.0, 1e-14)
    return theta, False, most
