"""Intervals of the overall concordance correlation of k methods: pivotal draws, and the jackknife on Fisher's z.

With k - 1 orthonormal contrasts D between the methods and the scaled row sum S = sum / sqrt(k) of every target,

    overall CCC = (V_S - E) / (V_S + (k - 1) E + k B),   E = mean variance of D,   B = mean square of the means of D,

so that the covariance matrix of (D, S) and the means of D are all that need be drawn. D is drawn from an inverse
Wishart distribution that gives each contrast n - 2 degrees of freedom, and S by its regression on D with n - 2 degrees
of freedom for what is left; with two methods these are the draws of :mod:`drift.engine.concordance_strata`. The
degrees of freedom were chosen by simulation (family ``concordance``): with n - k, which theory of the regression would
suggest, coverage falls to 0.87 where the means of four methods differ.
"""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.concordance import checked, overall_concordance
from drift.engine.concordance_strata import quantiles
from drift.engine.meansquares import Interval

FloatArray = NDArray[np.float64]


def _contrasts(k: int) -> FloatArray:
    """Orthonormal contrasts between k methods, shape (k, k - 1)."""
    basis = np.column_stack([np.ones(k), np.eye(k)[:, : k - 1]])
    return np.asarray(np.linalg.qr(basis)[0][:, 1:])


def _root(matrix: FloatArray) -> FloatArray:
    """Square root L of a positive semidefinite matrix, L L' = matrix, singular or not."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def overall_draws(table: ArrayLike, rng: np.random.Generator, n_draws: int = 10_000) -> FloatArray:
    """Draw the overall CCC from its generalised pivotal distribution.

    Parameters
    ----------
    table : array, shape (n_targets, k)
        Complete; n at least 3, k at least 2.
    rng : numpy.random.Generator
    n_draws : int

    Returns
    -------
    array, shape (n_draws,)

    Notes
    -----
    With n - 1 < k (fewer targets than the regression of S on k - 1 contrasts needs), S is drawn apart from D, as if the
    methods were equally spread; the interval is then wider than need be.
    """
    y = checked(table)
    n, k = y.shape
    p, d, s = k - 1, y @ _contrasts(k), y.sum(axis=1) / math.sqrt(k)
    mean = d.mean(axis=0)
    d, s = d - mean, s - s.mean()
    cross = d.T @ d
    triangle = np.zeros((n_draws, p, p))
    at = np.arange(p)
    triangle[:, at, at] = np.sqrt(rng.chisquare(n + k - 4 - at, (n_draws, p)))
    below = np.tril_indices(p, -1)
    triangle[:, below[0], below[1]] = rng.standard_normal((n_draws, len(below[0])))
    # Covariance of D is W' W; its mean variance is all that is needed of it, with W for what depends on D.
    w = np.linalg.solve(triangle, np.broadcast_to(_root(cross).T, triangle.shape))
    spread = np.einsum("nij,nij->n", w, w) / p
    means = mean + np.einsum("nij,ni->nj", w, rng.standard_normal((n_draws, p))) / math.sqrt(n)
    apart = np.einsum("nj,nj->n", means, means) / p
    total = _sum_variance(d, s, cross, w, rng)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((total - spread) / (total + (k - 1) * spread + k * apart))


def _sum_variance(d: FloatArray, s: FloatArray, cross: FloatArray, w: FloatArray,
                  rng: np.random.Generator) -> FloatArray:
    """Draw the variance of S from its regression on D."""
    n, p = d.shape
    values, vectors = np.linalg.eigh(cross)
    good = values > 1e-10 * max(float(values[-1]), 0.0)
    if n - 1 <= p or not good.any():
        return np.asarray(float(s @ s) / rng.chisquare(n - 2, len(w)))
    inverse = vectors[:, good] / np.sqrt(values[good])
    slope = inverse @ (inverse.T @ (d.T @ s))
    rest = s - d @ slope
    left = float(rest @ rest) / rng.chisquare(n - 2, len(w))
    noise = rng.standard_normal((len(w), int(good.sum()))) @ inverse.T
    slopes = slope + np.sqrt(left)[:, None] * noise
    return np.asarray(np.sum(np.einsum("nij,nj->ni", w, slopes) ** 2, axis=1) + left)


def overall_interval(table: ArrayLike, level: float, *, rng: np.random.Generator, n_draws: int = 10_000) -> Interval:
    """Return the pivotal interval of the overall CCC; NaN ends with fewer than three targets or no spread.

    It covers the value of either divisor: the parameter is the same.
    """
    y = checked(table)
    if len(y) < 3 or not np.any(y):
        return math.nan, math.nan
    return quantiles(overall_draws(y, rng, n_draws), level)


def pairwise_intervals(table: ArrayLike, level: float, *, rng: np.random.Generator,
                       n_draws: int = 10_000) -> FloatArray:
    """Pivotal interval of the CCC of every pair of methods, each at ``level``, shape (k (k - 1) / 2, 2).

    Pairs stand in the order of :class:`~drift.engine.concordance.Overall`.
    """
    y = checked(table)
    return np.array([overall_interval(y[:, list(pair)], level, rng=rng, n_draws=n_draws)
                     for pair in combinations(range(y.shape[1]), 2)])


def jackknife_z(value: float, left_out: ArrayLike, level: float) -> Interval:
    """Interval from the values without each target in turn, by pseudovalues of Fisher's z and Student's t.

    Parameters
    ----------
    value : float
        From all n targets.
    left_out : array, shape (n,)
    level : float
    """
    from scipy.special import stdtrit

    left = np.asarray(left_out, dtype=np.float64)
    n = len(left)
    if n < 3 or not abs(value) < 1 or not np.all(np.abs(left) < 1):
        return math.nan, math.nan
    pseudo = n * math.atanh(value) - (n - 1) * np.arctanh(left)
    centre = float(pseudo.mean())
    half = float(stdtrit(n - 1, 0.5 + level / 2)) * float(pseudo.std(ddof=1)) / math.sqrt(n)
    return math.tanh(centre - half), math.tanh(centre + half)


def overall_jackknife(table: ArrayLike, level: float, *, ddof: int = 1) -> Interval:
    """Jackknife interval of the overall CCC on Fisher's z, over targets."""
    y = checked(table)
    return jackknife_z(overall_concordance(y, ddof=ddof).value, leave_one_out(y, ddof=ddof), level)


def leave_one_out(table: ArrayLike, *, ddof: int = 1) -> FloatArray:
    """Overall CCC without each target in turn, shape (n_targets,), from down-dated sums."""
    y = checked(table)
    n, k = y.shape
    mean = y.mean(axis=0)
    z = y - mean
    # Without target i: the cross product falls by n / (n - 1) z_i z_i', the means move by -z_i / (n - 1).
    means = mean - z / (n - 1)
    trace = float(np.sum(z**2)) - n / (n - 1) * np.sum(z**2, axis=1)
    sums = z.sum(axis=1)
    whole = float(sums @ sums) - n / (n - 1) * sums**2
    divisor = n - 1 - ddof
    apart = k * np.sum((means - means.mean(axis=1, keepdims=True)) ** 2, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((whole - trace) / divisor / ((k - 1) * trace / divisor + apart))


def overall_bootstrap(table: ArrayLike, level: float, *, rng: np.random.Generator, n: int = 2000) -> Interval:
    """Percentile bootstrap interval of the overall CCC over targets; too short with few of them."""
    from drift.engine.resampling import multiplicities

    y = checked(table)
    return quantiles(_weighted(y, multiplicities(len(y), n, rng)), level)


def _weighted(y: FloatArray, w: FloatArray) -> FloatArray:
    n, k = y.shape
    means = w @ y / n
    squares = w @ y**2 / n - means**2
    sums = y.sum(axis=1)
    whole = w @ sums**2 / n - (w @ sums / n) ** 2
    trace = squares.sum(axis=1)
    apart = k * np.sum((means - means.mean(axis=1, keepdims=True)) ** 2, axis=1)
    factor = n / (n - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(factor * (whole - trace) / (factor * (k - 1) * trace + apart))
