"""Maximum likelihood of a calibration curve with readings at full scale or at zero."""

from __future__ import annotations

from dataclasses import replace
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

    def value(at: Floats) -> tuple[float, Floats]:
        with np.errstate(all="ignore"):
            z = root * (y - values(fit.model, at, x)) / sigma
        if not np.all(np.isfinite(z)):
            return -np.inf, z
        return float(np.where(cut, log_ndtr(np.where(cut, -sign * z, 0.0)), -0.5 * z * z).sum()), z

    theta = start
    best, z = value(theta)
    for _ in range(60):
        columns = root[:, None] * gradient(fit.model, theta, x)
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
    return theta


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
