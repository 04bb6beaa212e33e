"""Mean-square estimates of nested designs: exact REML and ML where the design is balanced, else a good start.

Every node of the innermost level that is not pooled gives its own least-squares coefficients ``b_i``. In a balanced
design the covariance matrices follow from the scatter of ``b_i`` between and within the nodes of each level.
All functions work on a batch of responses that share their design.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drift.engine.nested import NestedDesign
from drift.engine.nested_likelihood import Method
from drift.engine.nested_statistics import Floats, Ints, LevelShape, NodeStatistics

Bools = NDArray[np.bool_]


def mean_square_theta(
    design: NestedDesign, method: Method, stats: NodeStatistics | None = None
) -> tuple[Floats, Bools] | None:
    """Relative covariance parameters from mean squares, and whether they may be the exact answer.

    Parameters
    ----------
    design : NestedDesign
    method : {"REML", "ML"}
    stats : NodeStatistics, optional
        Statistics of other responses on the same rows.

    Returns
    -------
    theta : (batch, m) floats
    inside : (batch,) bools
        True where the nodes look alike and every estimate lies inside the parameter space, so that in a balanced
        design ``theta`` is the (restricted) maximum-likelihood estimate; the caller checks this by the gradient. None
        stands for the pair where no mean squares exist (too few usable nodes, or no degrees of freedom).

    References
    ----------
    Balanced random-coefficient models: Laird & Ware (1982), section 3; nested classifications: Searle, Casella &
    McCulloch (1992), Variance Components, sections 3.6 and 4.3.
    """
    stats = design.stats if stats is None else stats
    n_obs = float(design.n_rows)
    nodes = stats.base
    rank = 0
    error = np.ones(nodes.shape[2])
    if stats.pooled is not None:
        rest, rank = _left_over(stats.base.sum(axis=-1), design.fixed)
        n_inner = float(stats.count.sum())
        df = n_obs - n_inner - (rank if method == "REML" else 0)
        if df <= 0 or not (rest > 0).all():
            return None
        error = rest / df
        nodes = _by_owner(stats)
        n_obs = n_inner
    outer = design.levels if stats.pooled is None else design.levels[:-1]
    parts = _Parts.of(nodes, design.fixed, whole=stats.pooled is None)
    if not outer:
        df = n_obs - (design.n_fixed - rank if method == "REML" else 0)
        if df <= 0:
            return None
        weight = float((stats.weight * stats.count).sum() / stats.count.sum())
        relative = (parts.square.sum(axis=-1) / df / error - 1.0) / weight
        return np.sqrt(np.maximum(relative, 1e-2 / weight))[:, None], relative > 0
    lines = _node_lines(parts, outer[-1].map, n_obs, design.fixed, method)
    if lines is None:
        return None
    inside = np.full(len(error), lines.alike)
    last: list[Floats] = []
    if stats.pooled is not None:
        weight = float(stats.count.sum() / (stats.count / np.where(stats.weight > 0, stats.weight, 1.0)).sum())
        relative = (lines.scatter / error - 1.0) / weight
        inside = relative > 0
        last = [np.sqrt(np.maximum(relative, 1e-2 / weight))[:, None]]
    else:
        error = lines.scatter
    noise = lines.scatter[:, None, None] * lines.mean_inverse
    found = _level_scatter(design, outer, lines, noise, error, method)
    if found is None:
        return None
    pieces, interior = found
    return np.concatenate(pieces + last, axis=1), inside & interior


class _Parts(NamedTuple):
    """Node cross-products split into the shared design part and the part of ``y`` less its least-squares fit."""

    design: Floats  # (c, c, nodes)
    cross: Floats  # (c, batch, nodes)
    square: Floats  # (batch, nodes)

    @classmethod
    def of(cls, nodes: Floats, fixed: Ints, *, whole: bool) -> _Parts:
        """Split, with ``y`` replaced by its ordinary least-squares residual."""
        shared = nodes[:-1, :-1, 0]
        total = shared.sum(axis=-1)
        right = nodes[fixed, -1].sum(axis=-1)
        gram = total[fixed[:, None], fixed]
        # a fixed column that varies only inside pooled nodes leaves nothing here
        beta = np.linalg.solve(gram, right) if whole else np.linalg.lstsq(gram, right, rcond=1e-12)[0]
        fitted = np.einsum("cpn,pb->cbn", shared[:, fixed], beta)
        cross = nodes[:-1, -1] - fitted
        square = nodes[-1, -1] - np.einsum("pbn,pb->bn", nodes[fixed, -1] + cross[fixed], beta)
        return cls(shared, cross, square)


class _Lines(NamedTuple):
    """Least-squares coefficients per node (of the usable nodes), and their noise."""

    coefficients: Floats  # (batch, usable, q)
    usable: Ints
    mean_inverse: Floats  # (q, q)
    scatter: Floats  # (batch,)
    alike: bool  # whether the nodes may all have one design


def _by_owner(stats: NodeStatistics) -> Floats:
    """Pooled cross-products summed into the nodes that own them."""
    if stats.pooled is None:
        return stats.base
    n_nodes = stats.base.shape[-1]
    if stats.pooled.shape[-1] == n_nodes:
        return stats.pooled
    if n_nodes == 1:
        whole: Floats = stats.pooled.sum(axis=-1, keepdims=True)
        return whole
    out: Floats = np.add.reduceat(stats.pooled, stats.first, axis=-1)
    return out


def _left_over(total: Floats, fixed: Ints) -> tuple[Floats, int]:
    """Residual sums of squares of ``y`` on the fixed columns inside nodes, and the rank of those columns."""
    gram = total[:-1, :-1, 0][np.ix_(fixed, fixed)]
    if not np.any(gram):
        return total[-1, -1], 0
    values, vectors = np.linalg.eigh(gram)
    keep = values > 1e-9 * values[-1]
    right = vectors[:, keep].T @ total[fixed, -1]
    return total[-1, -1] - (right**2 / values[keep, None]).sum(axis=0), int(keep.sum())


def _node_lines(parts: _Parts, columns: Floats, n_obs: float, fixed: Ints, method: Method) -> _Lines | None:
    """Least-squares coefficients of every node that carries them."""
    q = columns.shape[1]
    if np.count_nonzero(columns) == q and np.all(columns.sum(axis=0) == 1.0):
        at = columns.argmax(axis=0)
        half = parts.design[at]
        gram = half[:, at].transpose(2, 0, 1)
        right = parts.cross[at]
    else:
        half = np.einsum("cq,cdn->qdn", columns, parts.design)
        gram = np.einsum("qdn,dr->nqr", half, columns)
        right = np.einsum("cq,cbn->qbn", columns, parts.cross)
    smallest = _smallest_eigenvalue(gram)
    typical = float(np.sort(smallest)[len(smallest) // 2])
    usable = np.flatnonzero((smallest > 1e-6 * typical) & (smallest > 1e-10 * np.trace(gram, axis1=1, axis2=2)))
    if len(usable) < q + 2:
        return None
    everything = len(usable) == len(gram)
    square = parts.square
    if not everything:
        gram, half, right, square = gram[usable], half[..., usable], right[..., usable], square[:, usable]
    inverse = np.linalg.inv(gram).astype(np.float64, copy=False)
    by_node = right.transpose(2, 0, 1)
    solved = np.matmul(inverse, by_node)
    explained = (by_node * solved).sum(axis=(0, 1))
    rank = 0
    if method == "REML" and not set(fixed.tolist()) <= set(np.flatnonzero(columns.any(axis=1)).tolist()):
        shared = parts.design if everything else parts.design[..., usable]
        cross = half[:, fixed].transpose(2, 0, 1)
        total = shared[fixed[:, None], fixed].sum(axis=-1)
        left = total - np.matmul(cross.swapaxes(1, 2), np.matmul(inverse, cross)).sum(axis=0)
        size = np.sqrt(np.diag(total))
        rank = int((np.linalg.eigvalsh(left / np.outer(size, size)) > 1e-9).sum())
    df = n_obs * len(usable) / parts.design.shape[-1] - q * len(usable) - rank
    rest = square.sum(axis=1) - explained
    if df <= 0 or not (rest > 0).all():
        return None
    alike = bool(np.ptp(smallest) <= 1e-9 * typical)
    return _Lines(solved.transpose(2, 0, 1), usable, inverse.mean(axis=0), rest / df, alike)


def _smallest_eigenvalue(gram: Floats) -> Floats:
    """Smallest eigenvalue of each matrix."""
    if gram.shape[1] == 1:
        return gram[:, 0, 0]
    if gram.shape[1] == 2:
        half_trace = 0.5 * (gram[:, 0, 0] + gram[:, 1, 1])
        out: Floats = half_trace - np.hypot(0.5 * (gram[:, 0, 0] - gram[:, 1, 1]), gram[:, 0, 1])
        return out
    return np.linalg.eigvalsh(gram)[:, 0].astype(np.float64, copy=False)


def _level_scatter(
    design: NestedDesign, outer: tuple[LevelShape, ...], lines: _Lines, noise: Floats, error: Floats, method: Method
) -> tuple[list[Floats], Bools] | None:
    """Relative factors of the levels that are not pooled, outermost first, and whether all lie inside."""
    batch = len(error)
    pieces: list[Floats] = []
    inside = np.ones(batch, dtype=bool)
    below, values, live = noise, lines.coefficients, lines.usable
    q = values.shape[2]
    between = max(design.n_fixed // q, 1)
    for number in range(len(outer) - 1, -1, -1):
        level = outer[number]
        if level.map.shape != outer[-1].map.shape or not np.array_equal(level.map, outer[-1].map):
            break
        if number == 0:
            df = len(live) - (between if method == "REML" else 0)
            centred = values
        else:
            parents, first, count = np.unique(level.parent[live], return_index=True, return_counts=True)
            means = np.add.reduceat(values, first, axis=1) / count[:, None]
            centred = values - np.repeat(means, count, axis=1)
            df = len(live) - len(parents)
        if df <= 0:
            return None
        spread = np.matmul(centred.swapaxes(1, 2), centred) / df
        factor, interior = _factor(
            (spread - below) / error[:, None, None], below / error[:, None, None], level.correlated
        )
        inside &= interior
        rows, cols = level.rows_cols
        pieces.append(factor[:, rows, cols])
        if number > 0:
            below = spread / count.mean()
            values, live = means, parents
    for level in reversed(outer[: len(outer) - len(pieces)]):
        rows, cols = level.rows_cols
        pieces.append(np.repeat(0.5 * (rows == cols)[None], batch, axis=0))
        inside[:] = False
    return pieces[::-1], inside


def _factor(covariance: Floats, noise: Floats, correlated: bool) -> tuple[Floats, Bools]:
    """Cholesky factors of relative covariance matrices, pushed inside where they are not positive definite."""
    q = covariance.shape[1]
    scale = np.sqrt(np.diagonal(noise, axis1=1, axis2=2))
    if not correlated:
        variance = np.diagonal(covariance, axis1=1, axis2=2) / scale**2
        factor = np.zeros_like(covariance)
        factor[:, np.arange(q), np.arange(q)] = np.sqrt(np.maximum(variance, 0.05)) * scale
        return factor, (variance > 0).all(axis=1)
    scaled = covariance / (scale[:, :, None] * scale[:, None, :])
    values, vectors = np.linalg.eigh(scaled)
    inside = values[:, 0] > 1e-8 * np.maximum(values[:, -1], 1e-300)
    if not inside.all():
        out = ~inside
        pushed = (vectors[out] * np.maximum(values[out], 0.05)[:, None, :]) @ vectors[out].swapaxes(1, 2)
        scaled[out] = pushed
    return np.linalg.cholesky(scaled) * scale[:, :, None], inside
