"""Sufficient statistics of nested nodes: cross-products of rows, with a one-column innermost level pooled.

Where the innermost level has one column ``z`` (an occasion effect), rows enter only through what is left of each column
after its regression on ``z`` inside each node, and through ``C = z'[columns, y]``; nodes of one parent with the same
``t = z'z`` are pooled into the sum of ``C C' / t``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class LevelShape:
    """One level after the pass over the rows.

    Attributes
    ----------
    size : int
        Number of random effects per node, ``q``.
    n_nodes : int
        Number of nodes.
    starts : (n_nodes,) ints
        First (sorted) row of each node.
    parent : (n_nodes,) ints
        Index of the parent node in the level outside (zeros for the outermost level).
    children : ints
        First node of this level in each parent, for ``reduceat``.
    map : (n_columns, q) floats
        Working columns of the level as combinations of the distinct working columns.
    back : (q, q) floats
        ``b_raw = back @ b_working`` up to the scale of ``y``.
    correlated : bool
        False where the covariance matrix of the level is diagonal.
    names : tuple of str
        ``"intercept"`` for a constant column, else ``"slope"`` (numbered if several).
    codes : (n_nodes,) ints
        The caller's code of each node.
    """

    size: int
    n_nodes: int
    starts: Ints
    parent: Ints
    children: Ints
    map: Floats
    back: Floats
    correlated: bool
    names: tuple[str, ...]
    codes: NDArray[np.int64]

    @cached_property
    def rows_cols(self) -> tuple[Ints, Ints]:
        """Positions of the free entries of the relative Cholesky factor."""
        if self.correlated:
            return np.tril_indices(self.size)
        return np.arange(self.size), np.arange(self.size)


@dataclass(frozen=True, eq=False)
class NodeStatistics:
    """What the likelihood needs; ``d`` is the number of distinct columns plus one for ``y`` (last).

    A batch axis (length 1, or one per simulated response) stands before the node axis.

    Attributes
    ----------
    base : (d, d, batch, nodes) floats
        Cross-products per node of the innermost level that is not pooled; with a pooled level inside it,
        the part of them that is orthogonal to the pooled column.
    pooled : (d, d, batch, entries) floats or None
        Sum over pooled nodes of ``C C' / t`` with ``C = z'[columns, y]`` and ``t = z'z``.
    weight : (entries,) floats
        ``t`` of each entry.
    count : (entries,) floats
        Number of nodes in each entry.
    owner : (entries,) ints
        Node of ``base`` that each entry belongs to.
    first : ints
        First entry of each node of ``base``, for ``reduceat``.
    """

    base: Floats
    pooled: Floats | None
    weight: Floats
    count: Floats
    owner: Ints
    first: Ints


def node_statistics(
    work: list[Floats | None], response: Floats, shapes: tuple[LevelShape, ...], n_rows: int
) -> NodeStatistics:
    """Cross-products of all distinct columns and ``y`` per node."""
    columns: list[Floats | None] = [*work, response]
    inner = shapes[-1]
    none = np.zeros(0)
    if inner.size > 1:
        base = _cross_products(columns, inner.starts, n_rows)
        return NodeStatistics(base[:, :, None, :], None, none, none, none.astype(np.intp), none.astype(np.intp))
    lengths = np.diff(np.append(inner.starts, n_rows))
    outer = shapes[-2].starts if len(shapes) > 1 else np.zeros(1, dtype=np.intp)
    z = combine(work, inner.map[:, 0], n_rows)
    sums, weight = leaf_sums(columns, z, inner.starts, lengths)
    inside = _within(columns, z, sums, weight, lengths, outer)
    return _pool(sums, weight, inner, inside)


def combine(work: Sequence[Floats | None], coefficients: Floats, n_rows: int) -> Floats | None:
    """Return the combination of working columns; None for exactly the constant one."""
    if all(c == (1.0 if w is None else 0.0) for w, c in zip(work, coefficients, strict=True)):
        return None
    out = np.zeros(n_rows)
    for column, c in zip(work, coefficients, strict=True):
        if c != 0.0:
            out += c if column is None else c * column
    return out


def leaf_sums(
    columns: Sequence[Floats | None], z: Floats | None, starts: Ints, lengths: Ints
) -> tuple[list[Floats], Floats]:
    """``z'w`` for every column ``w``, and ``z'z``, per innermost node."""
    counts = lengths.astype(np.float64)
    sums = []
    for column in columns:
        if z is None:
            sums.append(counts if column is None else sum_runs(column, starts, lengths))
        else:
            sums.append(sum_runs(z if column is None else z * column, starts, lengths))
    return sums, counts if z is None else sum_runs(z * z, starts, lengths)


def sum_runs(values: Floats, starts: Ints, lengths: Ints) -> Floats:
    """Sum runs along the last axis."""
    if lengths[0] * len(lengths) == values.shape[-1] and (lengths == lengths[0]).all():
        size = int(lengths[0])
        shaped = values.reshape(*values.shape[:-1], len(lengths), size)
        if size <= 4:  # a few strided additions beat a reduction over a very short axis
            total = shaped[..., 0].copy()
            for k in range(1, size):
                total += shaped[..., k]
            return total
        whole: Floats = shaped.sum(axis=-1)
        return whole
    out: Floats = np.add.reduceat(values, starts, axis=-1)
    return out


def _cross_products(columns: Sequence[Floats | None], starts: Ints, n_rows: int) -> Floats:
    """(d, d, nodes) cross-products of all columns."""
    d = len(columns)
    lengths = np.diff(np.append(starts, n_rows))
    out = np.empty((d, d, len(starts)))
    for i in range(d):
        for j in range(i, d):
            a, b = columns[i], columns[j]
            if a is None and b is None:
                out[i, j] = lengths
            elif a is None or b is None:
                out[i, j] = sum_runs(b if a is None else a, starts, lengths)  # type: ignore[arg-type]
            else:
                out[i, j] = sum_runs(a * b, starts, lengths)
            out[j, i] = out[i, j]
    return out


def _within(
    columns: Sequence[Floats | None], z: Floats | None, sums: list[Floats], weight: Floats, lengths: Ints, outer: Ints
) -> Floats:
    """Cross-products per outer node of what is left of each column after its regression on ``z`` in each node."""
    d = len(columns)
    n_rows = int(lengths.sum())
    safe = np.where(weight > 0, weight, 1.0)
    left: list[Floats | None] = []
    for column, total in zip(columns, sums, strict=True):
        if column is None and z is None:
            left.append(None)
            continue
        fit = np.repeat(total / safe, lengths)
        if z is not None:
            fit *= z
        rest = (1.0 if column is None else column) - fit
        # working columns have size one: what is left at rounding level is exactly nothing
        floor = 1e-13 * max(1.0, float(np.abs(total / safe).max()))
        left.append(rest if max(rest.max(), -rest.min()) > floor else None)
    out = np.zeros((d, d, len(outer)))
    spans = np.diff(np.append(outer, n_rows))
    for i in range(d):
        for j in range(i, d):
            a, b = left[i], left[j]
            if a is not None and b is not None:
                out[i, j] = out[j, i] = sum_runs(a * b, outer, spans)
    return out


def _pool(sums: list[Floats], weight: Floats, inner: LevelShape, inside: Floats) -> NodeStatistics:
    """Sum ``C C' / t`` over nodes with equal ``t`` in the same parent."""
    entry, owner, first_weight = entry_index(weight, inner)
    n_entries = len(owner)
    d = len(sums)
    pooled = np.empty((d, d, 1, n_entries))
    safe = np.where(weight > 0, weight, 1.0)
    for i in range(d):
        scaled = sums[i] / safe
        for j in range(i, d):
            pooled[i, j, 0] = pooled[j, i, 0] = pool_sum(scaled * sums[j], entry, n_entries, inner)
    count = pool_sum(np.ones(inner.n_nodes), entry, n_entries, inner)
    first = np.searchsorted(owner, np.arange(inside.shape[-1]))
    return NodeStatistics(inside[:, :, None, :], pooled, first_weight, count, owner, first)


def entry_index(weight: Floats, inner: LevelShape) -> tuple[Ints | None, Ints, Floats]:
    """Entry of each innermost node (None: one entry per parent), owner and ``t`` of each entry."""
    if np.all(weight == weight[0]):
        n_parents = len(inner.children)
        return None, np.arange(n_parents), np.full(n_parents, weight[0])
    values, kind = np.unique(weight, return_inverse=True)
    keys, entry = np.unique(inner.parent * len(values) + kind, return_inverse=True)
    return entry, keys // len(values), values[keys % len(values)]


def pool_sum(values: Floats, entry: Ints | None, n_entries: int, inner: LevelShape) -> Floats:
    """Sum innermost nodes into entries."""
    if entry is None:
        return sum_runs(values, inner.children, np.diff(np.append(inner.children, inner.n_nodes)))
    return np.bincount(entry, weights=values, minlength=n_entries).astype(np.float64, copy=False)
