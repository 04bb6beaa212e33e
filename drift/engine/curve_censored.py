"""Maximum likelihood of a calibration curve with readings at full scale or at zero."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.engine.curve_models import gradient, values

if TYPE_CHECKING:
    from drift.engine.curves import CurveFit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_LOG_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))


def _mills(u: Floats) -> Floats:
    """Return phi(u)/Phi(u), in logs so that far tails survive."""
    from scipy.special import log_ndtr

    return np.asarray(np.exp(-0.5 * u * u - _LOG_ROOT_TWO_PI - log_ndtr(u)), dtype=np.float64)


def with_censored(fit: CurveFit, x: Floats, y: Floats, right: Bools, left: Bools) -> CurveFit:
    """Refit a curve with its censored readings in the likelihood.

    Parameters
    ----------
    fit : CurveFit
        Least squares through the exact readings: start and variance model.
    x, y : array, shape (n,)
    right, left : array of bool, shape (n,)

    Returns
    -------
    CurveFit
        Coefficients at the maximum; covariance from the observed information of coefficients and sigma together;
        degrees of freedom those of the exact readings.

    Notes
    -----
    Right-censored: log Phi(u), u = (mu - c)/sigma; left-censored: log Phi(-u). Given sigma the coefficients take damped
    Newton steps; sigma^2 = sum E(r^2)/(n - q).

    References
    ----------
    J. Tobin (1958), Econometrica 26, 24-36; T. Amemiya (1973), Econometrica 41, 997-1016.
    """
    root = 1 / np.sqrt(fit.spread.variance(x))
    sign = np.where(right, 1.0, -1.0)
    cut = right | left
    theta, n, q = np.array(fit.coefficients), len(x), fit.q
    scale = float(np.abs(y).max())
    sigma = max(fit.sigma, 1e-9 * scale)
    for _ in range(200):
        theta = _newton(fit, theta, sigma, x, y, root, cut, sign)
        z = root * (y - values(fit.model, theta, x)) / sigma
        u = -sign * z
        expected = np.where(cut, 1 + _second(u, cut), z * z)
        new = max(sigma * float(np.sqrt(expected.sum() / (n - q))), 1e-9 * scale)
        done = abs(new - sigma) <= 1e-11 * sigma
        sigma = new
        if done:
            break
    z = root * (y - values(fit.model, theta, x)) / sigma
    covariance = _covariance(root[:, None] * gradient(fit.model, theta, x), z, cut, sign, sigma)
    residual = z[~cut] * sigma
    return replace(fit, coefficients=theta, covariance=covariance, sigma=sigma, sse=float(residual @ residual))


def _second(u: Floats, cut: Bools) -> Floats:
    """Return the expected squared error beyond the bound, in sigma^2, less one: -u lambda(u)."""
    lam = _mills(np.where(cut, u, 0.0))
    return np.where(cut, -u * lam, 0.0)


def _newton(fit: CurveFit, start: Floats, sigma: float, x: Floats, y: Floats, root: Floats, cut: Bools,
            sign: Floats) -> Floats:
    from scipy.special import log_ndtr

    flat = fit.model == "saturating"
    curve, slopes = (_rising, _rising_gradient) if flat else (partial(values, fit.model), partial(gradient, fit.model))

    def value(at: Floats) -> tuple[float, Floats]:
        with np.errstate(all="ignore"):
            z = root * (y - curve(at, x)) / sigma
        if not np.all(np.isfinite(z)):
            return -np.inf, z
        return float(np.where(cut, log_ndtr(np.where(cut, -sign * z, 0.0)), -0.5 * z * z).sum()), z

    theta = np.array([start[0] * start[1], start[1]]) if flat else start
    best, z = value(theta)
    for _ in range(60):
        columns = root[:, None] * slopes(theta, x)
        u = -sign * z
        lam = _mills(np.where(cut, u, 0.0))
        score = np.where(cut, sign * lam, z)
        weight = np.sqrt(np.where(cut, np.maximum(lam * (lam + u), 0.0), 1.0))
        size = _size(columns)
        hessian = (weight[:, None] * columns / size).T @ (weight[:, None] * columns / size)
        step = np.linalg.solve(hessian, (columns / size).T @ score) / size * sigma
        part = 1.0
        for _ in range(30):
            new, z_new = value(theta + part * step)
            if new >= best - 1e-12 * abs(best):
                break
            part /= 2
        gain = abs(new - best)
        theta, best, z = theta + part * step, new, z_new
        if gain <= 1e-14 * max(1.0, abs(best)):
            break
    return _saturating(theta, float(np.abs(x).max())) if flat else theta


STRAIGHT = 1e-6  # a curve that bends by less than this share over its loads is a line


def _rising(at: Floats, x: Floats) -> Floats:
    """Return s (1 - exp(-b p))/b, the saturating curve by its slope at zero and its bend.

    Readings that do not saturate leave ceiling and bend to grow and shrink together without end; slope and bend have
    a maximum then, with the line at b = 0 between them.
    """
    t = at[1] * x
    near = np.abs(t) < STRAIGHT
    return np.asarray(at[0] * x * np.where(near, 1 - t / 2, -np.expm1(-t) / np.where(near, 1.0, t)))


def _rising_gradient(at: Floats, x: Floats) -> Floats:
    t = at[1] * x
    near = np.abs(t) < 1e-4
    by_bend = np.where(near, -0.5 + t / 3, (np.exp(-t) * (1 + t) - 1) / np.where(near, 1.0, t) ** 2)
    return np.column_stack([_rising(np.array([1.0, at[1]]), x), at[0] * x * x * by_bend])


def _saturating(at: Floats, most: float) -> Floats:
    """Return ceiling and bend; a line is a curve that bends hardly."""
    bend = at[1] if abs(at[1]) * most > STRAIGHT else math.copysign(STRAIGHT / most, at[1])
    return np.array([at[0] / bend, bend])


def _size(columns: Floats) -> Floats:
    """Return the length of each column; one for a column of zeros, which the system then shows as singular."""
    size = np.sqrt(np.sum(columns * columns, axis=0))
    return np.asarray(np.where(size > 0, size, 1.0))


def _covariance(columns: Floats, z: Floats, cut: Bools, sign: Floats, sigma: float) -> Floats:
    """Coefficients' part of the inverse of the observed information of (theta, sigma)."""
    u = -sign * z
    lam = _mills(np.where(cut, u, 0.0))
    bend = lam * (lam + u)
    by_mean = np.where(cut, bend, 1.0)
    mixed = np.where(cut, sign * (lam - u * bend), 2 * z)
    by_sigma = np.where(cut, u * u * bend - 2 * u * lam, 3 * z * z - 1)
    size = _size(columns)
    scaled = columns / size
    q = columns.shape[1]
    information = np.empty((q + 1, q + 1))
    information[:q, :q] = scaled.T @ (by_mean[:, None] * scaled)
    information[:q, q] = information[q, :q] = scaled.T @ mixed
    information[q, q] = max(by_sigma.sum(), 1e-12)
    try:
        inverse = np.linalg.inv(information)[:q, :q]
    except np.linalg.LinAlgError:
        return np.full((q, q), np.nan)
    if np.any(np.diag(inverse) <= 0):
        inverse = np.linalg.inv(information[:q, :q])
    return np.asarray(inverse * sigma**2 / np.outer(size, size), dtype=np.float64)
