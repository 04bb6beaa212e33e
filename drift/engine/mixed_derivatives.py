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
from drift.engine.nested import NestedDesign
from drift.engine.nested_likelihood import relative_factors
from drift.engine.nested_statistics import Floats, Ints, LevelShape

FEW_NODES = 64  # up to here the derivatives of a single level are written out


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
    base = stats.base[:d, :d, 0]
    keep = design.fixed if not response else np.append(design.fixed, d - 1)
    if stats.pooled is None and len(levels) == 1:
        level, factor, _ = levels[0]
        chosen, weight = _distinct(base[None], level) if not response else (None, np.ones(base.shape[-1]))
        if len(weight) <= FEW_NODES:
            nodes = base if chosen is None else base[..., chosen]
            log_det, cross = _one_level(level, factor, sigma2, nodes, weight)
            spare = design.n_rows - level.size * level.n_nodes  # eigenvalues of V that equal the residual variance
            log_det[0] += spare * np.log(sigma2)
            log_det[1] += spare / sigma2
            log_det[1 + algebra.k] -= spare / sigma2**2
            return CovarianceJets(algebra, log_det, cross[:, keep[:, None], keep], factors, sigma2)
    unit = _reciprocal_jet(algebra, sigma2, 0.0, np.zeros(1), None)
    a = unit[:, :, None, None] * base  # the unit jet has one entry, which becomes the rows axis
    if stats.pooled is None:
        log_det = _scalar_log_jet(algebra, unit, np.array([float(design.n_rows)]))
    else:
        _, factor, at = levels.pop()
        shrunk = _reciprocal_jet(algebra, sigma2, float(factor[0, 0]) ** 2, stats.weight, int(at))
        entries = shrunk[:, None, None, :] * stats.pooled[:d, :d, 0]
        if entries.shape[-1] != a.shape[-1]:
            entries = np.add.reduceat(entries, stats.first, axis=-1)
        a = a + entries
        log_det = _scalar_log_jet(algebra, unit, np.array([design.n_rows - float(stats.count.sum())]))
        log_det = log_det + _scalar_log_jet(algebra, shrunk, stats.count)
    for level, factor, at in reversed(levels):
        kept: Ints | None = None
        if not response:
            kept, multiplicity = _distinct(a, level)
        if kept is None:
            a, piece = _eliminate(algebra, a, level, factor, int(at))
            log_det = log_det + piece.sum(axis=1)
        else:
            a, piece = _eliminate(algebra, a[..., kept], level, factor, int(at))
            log_det = log_det + piece @ multiplicity
            a = a * multiplicity
        a = _sum_nodes(a, level, kept)
    cross = a.sum(axis=-1)
    return CovarianceJets(algebra, log_det, cross[:, keep[:, None], keep], factors, sigma2)


def _one_level(
    level: LevelShape, factor: Floats, sigma2: float, nodes: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    """Log-determinants (of the part that the effects reach) and cross-products where there is one level only.

    The derivatives of ``V^-1`` written out; ``V^-1 Z = Z (sigma2 + Sigma Z'Z)^-1`` makes them products of q x q
    matrices. The same as eliminating the level by jets, in fewer calls.
    """
    q, c, size = level.size, len(level.map), len(level.rows_cols[0])
    sigma = factor @ factor.T
    w = nodes.transpose(2, 0, 1)
    b = level.map.T @ w[:, :c]
    g = b[:, :, :c] @ level.map
    k = np.linalg.inv(sigma2 * np.eye(q) + sigma @ g)
    k_t = k.swapaxes(1, 2)
    h = k_t @ b  # Z'V^-1 W
    h2 = k_t @ h  # Z'V^-2 W
    u = g @ k  # Z'V^-1 Z
    h_t = h.swapaxes(1, 2)
    shared = sigma @ h
    w1 = (w - b.swapaxes(1, 2) @ shared) / sigma2
    w2 = (w1 - h_t @ shared) / sigma2
    w3 = (w2 - h2.swapaxes(1, 2) @ shared) / sigma2
    rows, cols = level.rows_cols
    unit = np.zeros((size, q, q))  # derivatives of Sigma
    unit[np.arange(size), rows, cols] = unit[np.arange(size), cols, rows] = 1.0
    eh, eu = unit @ h[:, None], unit @ u[:, None]
    i, j = JetAlgebra(size).pairs
    mixed = h2.swapaxes(1, 2)[:, None] @ eh
    double = eh[:, i].swapaxes(2, 3) @ (u[:, None] @ eh[:, j])
    cross = np.concatenate(
        [w1[:, None], -w2[:, None], -h_t[:, None] @ eh, 2.0 * w3[:, None], mixed + mixed.swapaxes(2, 3),
         double + double.swapaxes(2, 3)],
        axis=1,
    )
    k_k, euk = k @ k, eu @ k[:, None]
    log_det = np.concatenate(
        [-np.log(np.linalg.det(k))[:, None], np.trace(k, axis1=1, axis2=2)[:, None], np.trace(eu, axis1=2, axis2=3),
         -np.trace(k_k, axis1=1, axis2=2)[:, None], -np.trace(euk, axis1=2, axis2=3),
         -(eu[:, i] * eu[:, j].swapaxes(2, 3)).sum(axis=(2, 3))],
        axis=1,
    )
    if len(weight) == 1:
        return weight[0] * log_det[0], weight[0] * cross[0]
    return weight @ log_det, np.tensordot(weight, cross, 1)


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


def _distinct(a: Floats, level: LevelShape) -> tuple[Ints | None, Floats]:
    """Nodes that differ from all others of the same parent, and how many each stands for; None where all do."""
    n = a.shape[-1]
    size = np.abs(a[:2]).max(axis=(1, 2, 3), keepdims=True)
    if (np.abs(a[:2] - a[:2, ..., :1]) <= 1e-13 * size).all():
        return level.children, np.diff(np.append(level.children, n)).astype(np.float64)
    if n < 64:
        return None, np.ones(n)
    keys = np.concatenate([level.parent[None], np.round(a[:2] / size, 13).reshape(-1, n)])
    order = np.lexsort(keys[::-1])
    new = np.append(True, (keys[:, order[1:]] != keys[:, order[:-1]]).any(axis=0))
    if new.sum() > n // 2:
        return None, np.ones(n)
    return order[new], np.diff(np.append(np.flatnonzero(new), n)).astype(np.float64)


def _sum_nodes(a: Floats, level: LevelShape, kept: Ints | None) -> Floats:
    """Sum nodes into their parents."""
    n_parents = len(level.children)
    if n_parents == 1:
        whole: Floats = a.sum(axis=-1, keepdims=True)
        return whole
    first = level.children if kept is None else np.searchsorted(level.parent[kept], np.arange(n_parents))
    out: Floats = np.add.reduceat(a, first, axis=-1)
    return out


def _eliminate(
    algebra: JetAlgebra, a: Floats, level: LevelShape, factor: Floats, at: int
) -> tuple[Floats, Floats]:
    """Cross-products with the random effects of one level integrated out, and ``log|I + Sigma Z'V^-1 Z|``."""
    size = level.size
    sigma = np.zeros((algebra.length, size, size, 1))
    sigma[0, ..., 0] = factor @ factor.T
    rows, cols = level.rows_cols
    for number, (r, c) in enumerate(zip(rows, cols, strict=True)):
        sigma[1 + at + number, r, c, 0] = sigma[1 + at + number, c, r, 0] = 1.0
    n_columns = len(level.map)
    if np.count_nonzero(level.map) == size and np.all(level.map.max(axis=0) == 1.0):
        places = level.map.argmax(axis=0)
        half = a[:, places]
        inner = half[:, :, places]
    else:
        half = np.einsum("cq,kcdn->kqdn", level.map, a[:, :n_columns])
        inner = np.einsum("kqdn,dr->kqrn", half[:, :, :n_columns], level.map)
    kernel = algebra.product(sigma, inner)
    kernel[0] += np.eye(size)[..., None]
    inverse = algebra.inverse(kernel)
    middle = algebra.product(inverse, sigma)
    taken = algebra.product(half.swapaxes(1, 2), algebra.product(middle, half))
    return a - taken, algebra.log_det(kernel, inverse)
