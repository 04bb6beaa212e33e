"""Small batched minimisers for smooth functions with analytic gradients; numpy only.

A batch of independent problems is solved at once: every array carries the batch axis first.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Objective = Callable[[Floats, NDArray[np.intp]], tuple[Floats, Floats]]


class Minimum(NamedTuple):
    """Where a batched minimiser stopped.

    ``value`` and ``gradient`` belong to the point before the last step. ``hessian`` is kept by :func:`newton` only.
    """

    x: Floats
    value: Floats
    gradient: Floats
    hessian: Floats
    converged: NDArray[np.bool_]
    iterations: int


def newton(objective: Objective, start: Floats, *, max_iterations: int = 80, tolerance: float = 1e-6) -> Minimum:
    """Minimise by Newton steps with the Hessian from central differences of the gradient.

    Eigenvalues of the Hessian enter by their absolute value, so saddle points repel; a stationary point with a
    negative eigenvalue is left along that eigenvector. Steps are halved until the function falls.

    Parameters
    ----------
    objective : callable
        Takes points (k, m) and the problem (k,) each belongs to; returns values (k,) and gradients (k, m).
    start : (batch, m) floats
    max_iterations : int
    tolerance : float
        A problem has converged when its full Newton step is smaller than this, relative to ``1 + |x|``. That step is
        still taken, so the error left is about its square, or 1e-8 of it (the error of the Hessian).

    Returns
    -------
    Minimum
    """
    x = np.array(start, dtype=np.float64)
    batch = len(x)
    value, grad, hessian = _bundle(objective, x, np.arange(batch))
    done = np.zeros(batch, dtype=bool)
    iteration = 0
    for iteration in range(1, max_iterations + 1):  # noqa: B007
        live = np.flatnonzero(~done)
        step, small, escape = _newton_step(x[live], grad[live], hessian[live], tolerance)
        finished = small & ~escape
        if finished.any():
            x[live[finished]] += step[finished]  # convergence is quadratic: nothing is left to look at
            done[live[finished]] = True
            live, step = live[~finished], step[~finished]
            if not len(live):
                break
        trial = x[live] + step
        new_value, new_grad, new_hessian = _bundle(objective, trial, live)
        # at the end of the road the decrease drowns in rounding: allow that much
        slack = 1e-11 * (1.0 + np.abs(value[live]))
        wanted = 1e-4 * np.einsum("bi,bi->b", step, grad[live])  # negative: the fall a step must bring
        worse = ~(new_value <= value[live] + wanted + slack)
        fraction = np.ones(len(live))
        for _ in range(40):
            if not worse.any():
                break
            again = np.flatnonzero(worse)
            fraction[again] *= 0.5
            trial[again] = x[live[again]] + fraction[again, None] * step[again]
            new_value[again], new_grad[again], new_hessian[again] = _bundle(objective, trial[again], live[again])
            target = value[live[again]] + fraction[again] * wanted[again] + slack[again]
            worse[again] = ~(new_value[again] <= target)
        good = ~worse
        x[live[good]], value[live[good]] = trial[good], new_value[good]
        grad[live[good]], hessian[live[good]] = new_grad[good], new_hessian[good]
        done[live] = worse
        if done.all():
            break
    return Minimum(x, value, grad, hessian, done, iteration)


def _bundle(objective: Objective, x: Floats, which: NDArray[np.intp]) -> tuple[Floats, Floats, Floats]:
    """Value, gradient and difference Hessian at every point, in one call of the objective."""
    batch, m = x.shape
    h = 1e-4 * (0.1 + np.abs(x))
    points = np.repeat(x[:, None], 2 * m + 1, axis=1)
    index = np.arange(m)
    points[:, 1 + index, index] += h
    points[:, 1 + m + index, index] -= h
    value, grad = objective(points.reshape(-1, m), np.repeat(which, 2 * m + 1))
    grad = grad.reshape(batch, 2 * m + 1, m)
    hessian = (grad[:, 1 : m + 1] - grad[:, m + 1 :]) / (2.0 * h[:, :, None])
    hessian = 0.5 * (hessian + hessian.swapaxes(1, 2))
    return value.reshape(batch, -1)[:, 0].copy(), grad[:, 0].copy(), hessian


def newton_hessian(objective: Objective, x: Floats) -> Floats:
    """Hessian ``(batch, m, m)`` at each point, by central differences of the gradient."""
    return _bundle(objective, x, np.arange(len(x)))[2]


def _newton_step(
    x: Floats, grad: Floats, hessian: Floats, tolerance: float
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """Saddle-free Newton step, whether it is negligible, and whether the point is a saddle to be left."""
    bad = ~np.isfinite(hessian.sum(axis=(1, 2)))
    if bad.any():
        hessian = np.where(bad[:, None, None], np.eye(x.shape[1]), hessian)
    values, vectors = np.linalg.eigh(hessian)
    size = np.abs(values)
    top = size.max(axis=1, keepdims=True)
    along = np.einsum("bij,bi->bj", vectors, grad)
    # A flat direction (two factors of the same covariance matrix) is not to be walked along.
    flat = (size <= 1e-7 * top) & (np.abs(along) <= 1e-6 * np.sqrt(np.maximum(top, 1.0)))
    scaled = np.where(flat, 0.0, along / np.maximum(size, 1e-9 * np.maximum(top, 1e-300)))
    step = -np.einsum("bij,bj->bi", vectors, scaled)
    limit = 0.5 + np.abs(x).max(axis=1, initial=0.0)
    length = np.abs(step).max(axis=1, initial=0.0)
    step *= np.minimum(1.0, limit / np.maximum(length, 1e-300))[:, None]
    small = length <= tolerance * (1.0 + np.abs(x).max(axis=1, initial=0.0))
    escape = np.asarray(small) & np.asarray(values[:, 0] < -1e-5 * top[:, 0])
    if escape.any():
        step[escape] = 0.1 * vectors[escape, :, 0]
    return step, small, escape


def quasi_newton(
    objective: Objective,
    start: Floats,
    inverse_hessian: Floats,
    *,
    max_iterations: int = 200,
    tolerance: float = 1e-7,
) -> Minimum:
    """Minimise many problems by BFGS from a common starting metric; one function call per iteration.

    Parameters
    ----------
    objective, start
        As for :func:`newton`.
    inverse_hessian : (m, m) floats
        Starting metric, best the inverse Hessian near the minima.
    tolerance : float
        A problem has converged when the predicted fall ``g' H g`` is below ``tolerance ** 2``.

    Returns
    -------
    Minimum
    """
    x = np.array(start, dtype=np.float64)
    batch, m = x.shape
    everything = np.arange(batch)
    value, grad = objective(x, everything)
    metric = np.broadcast_to(inverse_hessian, (batch, m, m)).copy()
    done = np.zeros(batch, dtype=bool)
    stuck = np.zeros(batch, dtype=np.intp)
    iteration = 0
    for iteration in range(1, max_iterations + 1):  # noqa: B007
        live = np.flatnonzero(~done)
        step = -np.einsum("bij,bj->bi", metric[live], grad[live])
        fall = -np.einsum("bi,bi->b", step, grad[live])
        done[live] = fall < tolerance**2
        if done.all():
            break
        keep = ~done[live]
        live, step, fall = live[keep], step[keep], fall[keep]
        limit = 0.5 + np.abs(x[live]).max(axis=1)
        step *= np.minimum(1.0, limit / np.maximum(np.abs(step).max(axis=1), 1e-300))[:, None]
        step *= (0.5 ** stuck[live])[:, None]
        trial = x[live] + step
        new_value, new_grad = objective(trial, live)
        accept = new_value <= value[live] - 1e-4 * fall * 0.5 ** stuck[live] + 1e-11 * (1.0 + np.abs(value[live]))
        stuck[live] = np.where(accept, 0, stuck[live] + 1)
        done[live[stuck[live] > 30]] = True
        moved = live[accept]
        s, change = step[accept], new_grad[accept] - grad[moved]
        x[moved], value[moved], grad[moved] = trial[accept], new_value[accept], new_grad[accept]
        metric[moved] = _bfgs(metric[moved], s, change)
    return Minimum(x, value, grad, np.zeros((batch, 0, 0)), done & (stuck <= 30), iteration)


def _bfgs(metric: Floats, s: Floats, change: Floats) -> Floats:
    """Inverse-Hessian update; skipped where the curvature along the step is not positive."""
    curvature = np.einsum("bi,bi->b", s, change)
    image = np.einsum("bij,bj->bi", metric, change)
    ok = curvature > 1e-12 * np.sqrt(np.einsum("bi,bi->b", s, s) * np.einsum("bi,bi->b", change, change)) + 1e-300
    rho = np.where(ok, 1.0 / np.where(ok, curvature, 1.0), 0.0)
    factor = (1.0 + rho * np.einsum("bi,bi->b", change, image)) * rho
    cross = s[:, :, None] * image[:, None, :]
    out: Floats = (
        metric
        - rho[:, None, None] * (cross + cross.swapaxes(1, 2))
        + factor[:, None, None] * s[:, :, None] * s[:, None, :]
    )
    return out
