"""Exact first and second derivatives of a mixed model with respect to its covariance parameters.

The parameters are those in which the covariance of the response is linear: the residual variance first, then the
entries of the covariance matrix of every level (lower triangle, or diagonal), outermost level first. Everything is
in working scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.engine.jets import JetAlgebra
from drift.engine.mixed_fit import MixedFit
from drift.engine.nested import Floats, LevelShape, NestedDesign
from drift.engine.nested_likelihood import relative_factors


@dataclass(frozen=True, eq=False)
class CovarianceJets:
    """Log-determinant of V and cross-products with its inverse, with derivatives.

    Attributes
    ----------
    algebra : JetAlgebra
    log_det : (jet,) floats
        ``log|V|``.
    cross : (jet, d, d) floats
        ``W' V^-1 W`` for ``W = [fixed columns, y]``; without ``y`` where it was not asked for.
    factors : tuple of (q, q) floats
        Absolute Cholesky factors of the covariance matrices in working scale.
    sigma2 : float
        Residual variance in working scale.
    """

    algebra: JetAlgebra
    log_det: Floats
    cross: Floats
    factors: tuple[Floats, ...]
    sigma2: float


def covariance_jets(design: NestedDesign, fit: MixedFit, *, response: bool) -> CovarianceJets:
    """Propagate second-order derivatives through the elimination of the random effects.

    Parameters
    ----------
    design : NestedDesign
    fit : MixedFit
        Fit of the same design.
    response : bool
        Whether the cross-products with ``y`` are wanted; without them equal nodes are computed once.
    """
    sigma2 = fit.sigma2 / design.response_scale**2
    factors = tuple(np.sqrt(sigma2) * f[0] for f in relative_factors(design.levels, fit.theta[None]))
    sizes = [len(level.rows_cols[0]) for level in design.levels]
    algebra = JetAlgebra(1 + sum(sizes))
    first = 1 + np.concatenate(([0], np.cumsum(sizes)[:-1]))
    d = design.n_columns + (1 if response else 0)
    stats = design.stats
    levels = list(zip(design.levels, factors, first, strict=True))
    base = np.moveaxis(stats.base[:d, :d, 0], -1, 0)
    unit = _reciprocal_jet(algebra, sigma2, 0.0, np.zeros(1), None)
    a = unit[:, :, None, None] * base
    if stats.pooled is None:
        log_det = _scalar_log_jet(algebra, unit, np.array([float(design.n_rows)]))
        multiplicity = np.ones(len(base))
    else:
        inner, factor, at = levels.pop()
        shrunk = _reciprocal_jet(algebra, sigma2, float(factor[0, 0]) ** 2, stats.weight, int(at))
        pooled = np.moveaxis(stats.pooled[:d, :d, 0], -1, 0)
        entries = shrunk[:, :, None, None] * pooled
        if entries.shape[1] != a.shape[1]:
            entries = np.add.reduceat(entries, stats.first, axis=1)
        a = a + entries
        log_det = _scalar_log_jet(algebra, unit, np.array([design.n_rows - float(stats.count.sum())]))
        log_det = log_det + _scalar_log_jet(algebra, shrunk, stats.count)
        multiplicity = np.ones(a.shape[1])
        del inner
    for level, factor, at in reversed(levels):
        kept, multiplicity = _distinct(a, level) if not response else (slice(None), multiplicity)
        if response:
            multiplicity = np.ones(a.shape[1])
        a, piece = _eliminate(algebra, a[:, kept], level, factor, int(at))
        log_det = log_det + piece @ multiplicity
        a = a * multiplicity[:, None, None]
        a = _sum_nodes(a, level, kept)
    cross = a.sum(axis=1)
    keep = design.fixed if not response else np.append(design.fixed, d - 1)
    return CovarianceJets(algebra, log_det, cross[:, keep[:, None], keep], factors, sigma2)


def _reciprocal_jet(algebra: JetAlgebra, sigma2: float, tau2: float, weight: Floats, at: int | None) -> Floats:
    """Jet of ``1 / (sigma2 + weight tau2)``, (jet, entries)."""
    value = 1.0 / (sigma2 + weight * tau2)
    slope = np.zeros((algebra.k, len(weight)))
    slope[0] = 1.0
    if at is not None:
        slope[at] = weight
    i, j = algebra.pairs
    out = np.empty((algebra.length, len(weight)))
    out[0] = value
    out[1 : 1 + algebra.k] = -(value**2) * slope
    out[1 + algebra.k :] = 2.0 * value**3 * slope[i] * slope[j]
    return out


def _scalar_log_jet(algebra: JetAlgebra, reciprocal: Floats, count: Floats) -> Floats:
    """Jet of ``-sum count log(reciprocal)``."""
    k = algebra.k
    i, j = algebra.pairs
    relative = reciprocal / reciprocal[0]
    out = np.empty(algebra.length)
    out[0] = -np.log(reciprocal[0]) @ count
    out[1 : 1 + k] = -relative[1 : 1 + k] @ count
    out[1 + k :] = -(relative[1 + k :] - relative[1 : 1 + k][i] * relative[1 : 1 + k][j]) @ count
    return out


def _distinct(a: Floats, level: LevelShape) -> tuple[np.ndarray, Floats]:
    """Nodes that differ from all others of the same parent, and how many each stands for."""
    n = a.shape[1]
    if n < 64:
        return np.arange(n), np.ones(n)
    flat = np.round(a[0].reshape(n, -1) / np.abs(a[0]).max(), 13)
    keys = np.column_stack([level.parent, flat, np.round(a[1].reshape(n, -1) / np.abs(a[1]).max(), 13)])
    _, first, count = np.unique(keys, axis=0, return_index=True, return_counts=True)
    if len(first) > n // 2:
        return np.arange(n), np.ones(n)
    order = np.argsort(first)
    return first[order], count[order].astype(np.float64)


def _sum_nodes(a: Floats, level: LevelShape, kept: np.ndarray | slice) -> Floats:
    """Sum nodes into their parents."""
    n_parents = len(level.children)
    if n_parents == 1:
        return a.sum(axis=1, keepdims=True)
    parent = level.parent[kept]
    out: Floats = np.add.reduceat(a, np.searchsorted(parent, np.arange(n_parents)), axis=1)
    return out


def _eliminate(
    algebra: JetAlgebra, a: Floats, level: LevelShape, factor: Floats, at: int
) -> tuple[Floats, Floats]:
    """Cross-products with the random effects of one level integrated out, and ``log|I + Sigma Z'V^-1 Z|``."""
    size = level.size
    sigma = np.zeros((algebra.length, 1, size, size))
    sigma[0, 0] = factor @ factor.T
    rows, cols = level.rows_cols
    for number, (r, c) in enumerate(zip(rows, cols, strict=True)):
        sigma[1 + at + number, 0, r, c] = sigma[1 + at + number, 0, c, r] = 1.0
    columns = np.zeros((a.shape[-1], size))
    columns[: len(level.map)] = level.map
    half = np.matmul(columns.T, a)
    kernel = algebra.product(np.broadcast_to(sigma, (algebra.length, a.shape[1], size, size)), half @ columns)
    kernel[0] += np.eye(size)
    middle = algebra.product(algebra.inverse(kernel), np.broadcast_to(sigma, kernel.shape))
    taken = algebra.product(half.swapaxes(-1, -2), algebra.product(middle, half))
    return a - taken, algebra.log_det(kernel)
