"""Curves over sensors that differ in start and slope: maximum likelihood, and the score of sensors left out.

A family of curves is a set of candidates, each a matrix of columns (one for every value of a break, a power or a time
constant), so that what enters nonlinearly is searched and the rest is least squares. Sensors are reduced to their sums
of products once; leaving one out is taking its sums away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.optimise import newton

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_LOWER = (np.array([0, 1, 1]), np.array([0, 0, 1]))
#: With more sensors than this the variance ratios of all stand in for those of all but one.
REFITTED = 40


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidates:
    """Columns of a family of curves over the same rows.

    Parameters
    ----------
    fixed : array, shape (n_candidates, n_rows, p)
        A column of zeros is a term that the candidate does without.
    random : array, shape (n_candidates, n_rows, 2)
        Start and slope, in which sensors differ.
    signs : array, shape (p,)
        +1 or -1 where a coefficient must have that sign, 0 where it is free.
    values : array, shape (n_candidates,)
        What enters nonlinearly; NaN where nothing does.
    extra : int
        Parameters that are searched, for the count of what was fitted.
    """

    fixed: Floats
    random: Floats
    signs: Floats
    values: Floats
    extra: int = 0


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveFit:
    """The best candidate of a family.

    Parameters
    ----------
    best : int
    deviance : array, shape (n_candidates,)
        -2 log likelihood of every candidate at its own variances; infinite where signs are broken.
    theta : array, shape (n_candidates, 3)
        Lower triangle of the factor of the sensors' covariance, relative to the residual SD.
    beta : array, shape (n_candidates, p)
    sigma2 : array, shape (n_candidates,)
    """

    best: int
    deviance: Floats
    theta: Floats
    beta: Floats
    sigma2: Floats


class Curves:
    """Rows of sensors, ready to be fitted by any family of candidates.

    Parameters
    ----------
    y : array, shape (n_rows,)
        Scaled inside to unit SD.
    sensor : array of int, shape (n_rows,)
        Numbers from 0.
    """

    def __init__(self, y: Floats, sensor: Ints) -> None:
        order = np.argsort(sensor, kind="stable")
        self.order, self.sensor = order, np.asarray(sensor)[order]
        self.centre = float(np.mean(y))
        self.scale = float(np.std(y)) or 1.0
        self.y = (np.asarray(y, float)[order] - self.centre) / self.scale
        self.counts = np.bincount(self.sensor)
        self.starts = np.concatenate([[0], np.cumsum(self.counts)[:-1]])
        self.m, self.n = len(self.counts), len(y)

    def sums(self, c: Candidates) -> Floats:
        """Sum products of [random, fixed, y] of each candidate and sensor: (k, m, 2 + p + 1, 2 + p + 1)."""
        k = len(c.fixed)
        w = np.concatenate([c.random[:, self.order], c.fixed[:, self.order],
                            np.broadcast_to(self.y, (k, self.n))[:, :, None]], axis=2)
        products = w[:, :, :, None] * w[:, :, None, :]
        return np.asarray(np.add.reduceat(products, self.starts, axis=1))

    def fit(self, c: Candidates, start: Floats | None = None) -> CurveFit:
        """Fit every candidate by maximum likelihood."""
        sums = self.sums(c)
        weights = np.ones((1, self.m), dtype=bool)
        where = np.zeros(len(c.fixed), dtype=np.intp)
        begin = np.array([[1.0, 0.0, 1.0]]) if start is None else start[None, :]
        if len(c.fixed) > 1 and start is None:  # the middle one first: its variances start all others
            middle = len(c.fixed) // 2
            begin = _optimum(sums[[middle]], begin, weights, where[:1])
        theta = _optimum(sums, np.broadcast_to(begin, (len(c.fixed), 3)).copy(), weights, where)
        dev, beta, sigma2, _ = _profile(sums, theta, weights[where])
        dev = np.where(_allowed(beta, c), dev, np.inf)
        best = int(np.argmin(dev))
        return CurveFit(best=best, deviance=dev, theta=theta, beta=beta, sigma2=sigma2)

    def left_out(self, c: Candidates, fit: CurveFit) -> Floats:
        """Log predictive density of each sensor's checks by a fit to all others, shape (m,).

        The candidate is chosen again without the sensor (at the variance ratios of each candidate's full fit), its
        variances are estimated again (up to 40 sensors), and the uncertainty of the coefficients is in the density.
        """
        sums = self.sums(c)
        without = ~np.eye(self.m, dtype=bool)
        dev, beta = _leave_one_out(sums, fit.theta)  # (k, m), (k, m, p)
        dev = np.where(_allowed(beta, c) & np.isfinite(fit.deviance)[:, None], dev, np.inf)
        chosen = np.argmin(dev, axis=0)
        theta = fit.theta[chosen]
        if self.m <= REFITTED:
            theta = _optimum(sums[chosen], theta, without, np.arange(self.m))
        _, beta, sigma2, information = _profile(sums[chosen], theta, without)
        p = np.array([int((c.fixed[k] != 0).any(axis=0).sum()) for k in chosen])
        n = self.n - self.counts
        sigma2 = sigma2 * n / np.maximum(n - p - c.extra, 1)
        return np.array([self._density(c, int(chosen[i]), i, theta[i], beta[i], float(sigma2[i]), information[i])
                         for i in range(self.m)])

    def _density(self, c: Candidates, k: int, i: int, theta: Floats, beta: Floats, sigma2: float,
                 information: Floats) -> float:
        rows = slice(self.starts[i], self.starts[i] + self.counts[i])
        own = self.order[rows]
        x, z = c.fixed[k][own], c.random[k][own] @ _factor(theta[None])[0]
        r = self.y[rows] - x @ beta
        v = sigma2 * (np.eye(len(own)) + z @ z.T + x @ np.linalg.solve(information, x.T))
        root = np.linalg.cholesky(v)
        u = np.linalg.solve(root, r)
        return float(-0.5 * (u @ u) - np.log(np.diag(root)).sum()
                     - len(own) * (0.5 * math.log(2 * math.pi) + math.log(self.scale)))

    def whitened(self, columns: Floats, random: Floats, theta: Floats) -> Floats:
        """Multiply columns (n_rows, q) by the inverse root of each sensor's covariance, rows in sorted order."""
        out = np.empty_like(columns[self.order])
        factor = _factor(theta[None])[0]
        for i in range(self.m):
            rows = slice(self.starts[i], self.starts[i] + self.counts[i])
            z = random[self.order[rows]] @ factor
            root = np.linalg.cholesky(np.eye(self.counts[i]) + z @ z.T)
            out[rows] = np.linalg.solve(root, columns[self.order[rows]])
        return out


def _factor(theta: Floats) -> Floats:
    out = np.zeros((len(theta), 2, 2))
    out[:, _LOWER[0], _LOWER[1]] = theta
    return out


def _allowed(beta: Floats, c: Candidates) -> Bools:
    """Tell which candidates keep the signs asked of their coefficients."""
    return np.asarray((beta * c.signs >= -1e-10).all(axis=-1), dtype=np.bool_)


def _parts(sums: Floats, theta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Log determinant and weighted products of [fixed, y] of every sensor, with G L M^-1 and L M^-1 L' Z'[X y]."""
    factor = _factor(theta)[:, None]
    g, cross, rest = sums[..., :2, :2], sums[..., :2, 2:], sums[..., 2:, 2:]
    gl = g @ factor
    m = np.swapaxes(factor, -1, -2) @ gl
    a, b, d = m[..., 0, 0] + 1, m[..., 0, 1], m[..., 1, 1] + 1
    det = a * d - b * b
    inverse = np.stack([np.stack([d, -b], axis=-1), np.stack([-b, a], axis=-1)], axis=-2) / det[..., None, None]
    lc = np.swapaxes(factor, -1, -2) @ cross
    inner = inverse @ lc
    weighted = rest - np.swapaxes(lc, -1, -2) @ inner
    return np.log(det), weighted, gl @ inverse, cross - gl @ inner


def _solve(total: Floats) -> tuple[Floats, Floats, Floats]:
    """Coefficients, residual sum of squares and information of summed products; columns of zeros get zero."""
    a, b, c = total[..., :-1, :-1].copy(), total[..., :-1, -1], total[..., -1, -1]
    index = np.arange(a.shape[-1])
    diagonal = a[..., index, index]
    a[..., index, index] = np.where(diagonal > 0, diagonal * (1 + 1e-12), 1.0)
    beta = np.asarray(np.linalg.solve(a, b[..., None])[..., 0])
    return beta, np.maximum(c - np.einsum("...p,...p->...", b, beta), 1e-300), a


def _profile(sums: Floats, theta: Floats, weights: Bools) -> tuple[Floats, Floats, Floats, Floats]:
    """Deviance, coefficients, residual variance and information of problems (k,) over the sensors of ``weights``."""
    logdet, weighted, _, _ = _parts(sums, theta)
    beta, rss, information = _solve(np.einsum("km,kmab->kab", weights.astype(float), weighted))
    n = weights @ sums_of_rows(sums)
    return (n * np.log(rss / n) + (weights * logdet).sum(axis=1) + n * (1 + math.log(2 * math.pi)), beta, rss / n,
            information)


def sums_of_rows(sums: Floats) -> Floats:
    """Return the rows of each sensor: the first random column is a constant one."""
    return np.asarray(sums[0, :, 0, 0])


def _optimum(sums: Floats, start: Floats, weights: Bools, which_weights: NDArray[np.intp]) -> Floats:
    """Minimise the deviance of each problem over the variance ratios."""
    rows = sums_of_rows(sums)

    def objective(theta: Floats, which: NDArray[np.intp]) -> tuple[Floats, Floats]:
        w = weights[which_weights[which]].astype(float)
        s = sums[which]
        logdet, weighted, glm, seen = _parts(s, theta)
        beta, rss, _ = _solve(np.einsum("km,kmab->kab", w, weighted))
        n = w @ rows
        value = n * np.log(rss / n) + (w * logdet).sum(axis=1)
        # Z'V^-1 r of every sensor, and the gradient by the lower triangle of L.
        zr = seen[..., -1] - np.einsum("kmap,kp->kma", seen[..., :-1], beta)
        factor = _factor(theta)
        pull = np.einsum("km,kma,kmb->kab", w, zr, zr) @ factor
        push = np.einsum("km,kmab->kab", w, glm)
        gradient = 2 * push - 2 * (n / rss)[:, None, None] * pull
        return value, gradient[:, _LOWER[0], _LOWER[1]]

    return newton(objective, start, max_iterations=40, tolerance=1e-4).x


def _leave_one_out(sums: Floats, theta: Floats) -> tuple[Floats, Floats]:
    """Deviance and coefficients of every candidate without each sensor, at given variance ratios: (k, m), (k, m, p)."""
    logdet, weighted, _, _ = _parts(sums, theta)
    total = weighted.sum(axis=1, keepdims=True) - weighted
    beta, rss, _ = _solve(total)
    counts = sums_of_rows(sums)
    n = counts.sum() - counts
    return n * np.log(rss / n) + logdet.sum(axis=1, keepdims=True) - logdet, beta
