"""How well each family of wear predicts a sensor it has not seen: log density of its checks, one sensor left out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.engine.first_passage import CURRENT, FIXED, GAMMA, LOGNORMAL, WIENER, PassageFit, Paths, fit_passage

Floats = NDArray[np.float64]

SLOPES, CELLS = 121, 400


def left_out_scores(family: str, p: Paths, x: Floats, y: Floats, *, relative: bool) -> Floats:
    """Log density of each sensor's checks by the family fitted to the others, shape (n_sensors,).

    Parameters
    ----------
    x, y : ndarray, shape (n_sensors, n_checks)
        Checks, wear upwards, NaN where there is none.
    relative : bool
        The limit is a distance from the sensor's own start, so that every family has starts that vary.
    """
    found = np.full(len(x), np.nan)
    for i in range(len(x)):
        ok = np.isfinite(x[i]) & np.isfinite(y[i])
        fit = fit_passage(family, p.without(i))
        if bool(fit.usable):
            found[i] = log_density(fit, x[i][ok], y[i][ok], starts_vary=relative or family != FIXED)
    return found


def log_density(fit: PassageFit, u: Floats, y: Floats, *, starts_vary: bool) -> float:
    """Log density of the checks of one sensor by a fitted family, the error of a check included."""
    order = np.argsort(u, kind="stable")
    u, y = u[order], y[order]
    noise = max(float(fit.noise), 1e-6 * (float(np.ptp(y)) + 1e-9))
    start = float(fit.start_sd) if starts_vary else 0.0
    base = noise**2 * np.eye(len(u)) + start**2
    gone = y - float(fit.start)
    drift, spread = float(fit.drift), float(fit.spread)
    if fit.family in (FIXED, CURRENT):
        cov = base + spread**2 * np.outer(u, u) + float(fit.cov) * (u[:, None] + u[None, :])
        return _normal(gone - drift * u, cov)
    if fit.family == WIENER:
        return _normal(gone - drift * u, base + spread**2 * np.minimum(u[:, None], u[None, :]))
    if fit.family == LOGNORMAL:
        z = np.linspace(-6, 6, SLOPES)
        weight = np.exp(-z**2 / 2)
        each = np.array([_normal(gone - math.exp(drift + spread * k) * u, base) for k in z])
        return float(_log_sum(each + np.log(weight / weight.sum())))
    return _gamma(gone, u, drift, spread, start, noise)


def _normal(residual: Floats, cov: Floats) -> float:
    try:
        root = np.linalg.cholesky(cov)
    except np.linalg.LinAlgError:
        root = np.linalg.cholesky(cov + 1e-9 * np.trace(cov) * np.eye(len(cov)))
    z = np.linalg.solve(root, residual)
    return float(-0.5 * z @ z - np.log(np.diag(root)).sum() - 0.5 * len(residual) * math.log(2 * math.pi))


def _log_sum(x: Floats) -> float:
    top = float(x.max())
    return top + math.log(float(np.exp(x - top).sum())) if math.isfinite(top) else -math.inf


def _gamma(y: Floats, u: Floats, drift: float, spread: float, start: float, noise: float) -> float:
    """Filter a gamma process with checks in error on a grid of the value worn."""
    from scipy.special import gammainc

    reach = 6 * noise + 4 * start
    low, high = min(0.0, float(y.min())) - reach, max(float(y.max()), drift * float(u[-1])) + reach
    cell = (high - low) / CELLS
    at = low + cell * (np.arange(CELLS) + 0.5)
    sd, noise = max(start, cell / 2), max(noise, cell)  # no finer than the grid
    state = np.exp(-0.5 * (at / sd) ** 2)
    state /= state.sum()
    total, last = 0.0, 0.0
    edges = cell * (np.arange(CELLS + 1) - 0.5).clip(min=0.0)
    for use, value in zip(u, y, strict=True):
        if use > last:
            shape = drift**2 / spread**2 * (use - last)
            step = np.diff(gammainc(shape, edges * drift / spread**2))
            state = np.convolve(state, step)[:CELLS]
            last = float(use)
        density = np.exp(-0.5 * ((value - at) / noise) ** 2) / (noise * math.sqrt(2 * math.pi))
        state = state * density
        mass = float(state.sum())
        if mass <= 0:
            return -math.inf
        total += math.log(mass)
        state = state / mass
    return total


__all__ = ["GAMMA", "left_out_scores", "log_density"]
