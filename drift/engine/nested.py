"""Nested designs reduced to sufficient statistics: one pass over the rows, then only cross-products of nodes.

A model ``y = X beta + sum_l Z_l b_l + e`` with nested grouping levels needs, whatever its variances, only the
cross-products of the distinct columns of ``[X, Z_1, ..., Z_L, y]`` within each innermost node. Where the innermost
level has one column (an occasion effect) its nodes are pooled further: within one parent, nodes with the same
``z'z`` enter only through the sum of outer products of their ``z'[X, Z, y]``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


class Level(NamedTuple):
    """One grouping level: its columns, its codes and whether its effects may correlate."""

    columns: ArrayLike
    codes: ArrayLike
    correlated: bool = True


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

    @property
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


@dataclass(frozen=True, eq=False)
class NestedDesign:
    """Sufficient statistics of a nested design; made by :meth:`build`.

    Attributes
    ----------
    n_rows, n_fixed : int
        Rows ``N`` and columns ``p`` of ``X``.
    levels : tuple of LevelShape
        Outermost first.
    stats : NodeStatistics
        Cross-products in working scale.
    columns : tuple of arrays or None
        Distinct working columns in sorted row order; None stands for the constant column one.
    response : (N,) floats
        Working response in sorted row order.
    order : (N,) ints or None
        Sorted order of the rows; None where they came sorted.
    fixed : (p,) ints
        Position of each column of ``X`` among the distinct columns.
    fixed_back : (p, p) floats
        ``beta_raw = response_scale * fixed_back @ beta_working + fixed_shift``.
    fixed_shift : (p,) floats
        Part of ``beta`` taken off before the pass.
    response_scale : float
        Standard deviation taken out of ``y``.
    """

    n_rows: int
    n_fixed: int
    levels: tuple[LevelShape, ...]
    stats: NodeStatistics
    columns: tuple[Floats | None, ...]
    response: Floats
    order: Ints | None
    fixed: Ints
    fixed_back: Floats
    fixed_shift: Floats
    response_scale: float

    @property
    def n_columns(self) -> int:
        """Number of distinct working columns."""
        return len(self.columns)

    @property
    def is_pooled(self) -> bool:
        """Whether the innermost level is pooled."""
        return self.stats.pooled is not None

    @property
    def n_parameters(self) -> int:
        """Number of relative covariance parameters."""
        return sum(len(level.rows_cols[0]) for level in self.levels)

    @classmethod
    def build(cls, y: ArrayLike, X: ArrayLike, levels: Sequence[Any]) -> NestedDesign:
        """Reduce rows to the sufficient statistics of a Gaussian model with nested random effects.

        Parameters
        ----------
        y : (N,) array
            Response.
        X : (N, p) array
            Fixed-effect columns, an intercept included where one is wanted. Full column rank.
        levels : sequence of (columns, codes) or (columns, codes, correlated)
            Outermost first. ``columns`` is ``(N, q)`` (or ``(N,)`` for one column), ``codes`` an ``(N,)`` array of
            integers. A node is a code *within* its parent node, so codes may start anew in each parent.
            ``correlated=False`` keeps the covariance matrix of that level diagonal.

        Returns
        -------
        NestedDesign
            Holds references to nothing of the caller's that it could change.

        Raises
        ------
        ValueError
            Wrong shapes, values that are not finite, ``X`` without full rank, no rows left for the residual, a level
            with one node, or an innermost level whose variance cannot be told from the residual's (one row a node).

        Notes
        -----
        Columns are centred (where the model allows it without changing its meaning) and scaled, and ``y`` is centred,
        before any product is formed, so a common offset of 1e9 costs no digits of the variances.
        """
        response, fixed = _checked_rows(y, X)
        parsed = [_checked_level(level, len(response), i + 1) for i, level in enumerate(levels)]
        if not parsed:
            raise ValueError("a mixed model needs at least one grouping level")
        order, starts, heads = _sorted_nodes([codes for _, codes, _ in parsed])
        if order is not None:
            response, fixed = response[order], fixed[order]
            parsed = [(z[order], codes, c) for z, codes, c in parsed]
        return _assemble(response, fixed, parsed, order, starts, heads)


def _checked_rows(y: ArrayLike, X: ArrayLike) -> tuple[Floats, Floats]:
    """Return ``y`` and ``X`` as finite float arrays of matching shape."""
    response = np.asarray(y, dtype=np.float64)
    fixed = np.asarray(X, dtype=np.float64)
    if response.ndim != 1:
        raise ValueError(f"y must have one axis, not {response.ndim}")
    if fixed.ndim != 2 or len(fixed) != len(response):
        raise ValueError(f"X must have shape ({len(response)}, p), not {fixed.shape}")
    if fixed.shape[1] == 0:
        raise ValueError("X needs at least one column")
    if len(response) <= fixed.shape[1]:
        raise ValueError(f"{len(response)} rows cannot carry {fixed.shape[1]} fixed effects and a residual")
    for name, values in (("y", response), ("X", fixed)):
        with np.errstate(over="ignore", invalid="ignore"):
            total = values.sum()
        if not np.isfinite(total) and not np.isfinite(values).all():
            raise ValueError(f"{name} holds values that are not finite")
    return response, fixed


def _checked_level(level: Any, n_rows: int, number: int) -> tuple[Floats, NDArray[Any], bool]:
    """Return columns (N, q), integer codes and the correlation flag of one level."""
    columns, codes, *rest = level
    z = np.asarray(columns, dtype=np.float64)
    if z.ndim == 1:
        z = z[:, None]
    if z.ndim != 2 or len(z) != n_rows or z.shape[1] == 0:
        raise ValueError(f"level {number}: columns must have shape ({n_rows}, q), not {np.shape(columns)}")
    code = np.asarray(codes)
    if code.shape != (n_rows,) or code.dtype.kind not in "iu":
        raise ValueError(f"level {number}: codes must be {n_rows} integers, not {code.dtype} of shape {code.shape}")
    with np.errstate(over="ignore", invalid="ignore"):
        total = z.sum()
    if not np.isfinite(total) and not np.isfinite(z).all():
        raise ValueError(f"level {number}: columns hold values that are not finite")
    return z, code, bool(rest[0]) if rest else True


def _sorted_nodes(codes: list[NDArray[Any]]) -> tuple[Ints | None, list[Ints], list[NDArray[np.int64]]]:
    """Return the row order (None if already sorted), and first row and code of every node of every level."""
    starts = _run_starts(codes)
    if not _increasing(codes, starts):
        node = np.zeros(len(codes[0]), dtype=np.int64)
        for code in codes:
            values, inverse = np.unique(code, return_inverse=True)
            node = np.unique(node * len(values) + inverse, return_inverse=True)[1].astype(np.int64)
        order = np.argsort(node, kind="stable")
        codes = [code[order] for code in codes]
        starts = _run_starts(codes)
        return order, starts, [code[s].astype(np.int64) for code, s in zip(codes, starts, strict=True)]
    return None, starts, [code[s].astype(np.int64) for code, s in zip(codes, starts, strict=True)]


def _run_starts(codes: list[NDArray[Any]]) -> list[Ints]:
    """First row of every run of equal codes, runs of outer levels cutting inner ones."""
    changed: NDArray[np.bool_] | None = None
    starts = []
    for code in codes:
        here = code[1:] != code[:-1]
        changed = here if changed is None else changed | here
        starts.append(np.concatenate(([0], np.flatnonzero(changed) + 1)))
    return starts


def _increasing(codes: list[NDArray[Any]], starts: list[Ints]) -> bool:
    """Whether codes rise strictly from node to node within each parent, so that no node comes twice."""
    outer = np.zeros(1, dtype=np.intp)
    for code, start in zip(codes, starts, strict=True):
        head = code[start]
        parent = np.searchsorted(outer, start, side="right")
        if np.any((head[1:] <= head[:-1]) & (parent[1:] == parent[:-1])):
            return False
        outer = start
    return True


class _Columns:
    """Distinct working columns, collected from ``X`` and the levels."""

    def __init__(self, n_rows: int) -> None:
        self.n_rows = n_rows
        self.raw: list[Floats | None] = []
        self.shift: list[float] = []
        self.scale: list[float] = []
        self._probe = np.unique(np.linspace(0, n_rows - 1, 7).astype(np.intp))

    def add(self, column: Floats) -> tuple[int, float]:
        """Return position and multiplier of a column, storing it if it is new."""
        probe = column[self._probe]
        if np.all(probe == probe[0]) and bool((column == column[0]).all()):
            if probe[0] == 0.0:
                raise ValueError("a column holds only zeros")
            if None not in self.raw:
                self.raw.append(None)
                self.shift.append(0.0)
                self.scale.append(1.0)
            return self.raw.index(None), float(probe[0])
        for k, known in enumerate(self.raw):
            if known is not None and np.array_equal(known[self._probe], probe) and np.array_equal(known, column):
                return k, 1.0
        self.raw.append(np.ascontiguousarray(column))
        self.shift.append(0.0)
        self.scale.append(1.0)
        return len(self.raw) - 1, 1.0

    def standardise(self, centre: bool) -> list[Floats | None]:
        """Centre (where asked) and scale every column that is not constant."""
        out: list[Floats | None] = []
        for k, column in enumerate(self.raw):
            if column is None:
                out.append(None)
                continue
            self.shift[k] = float(column.mean()) if centre else 0.0
            work = column - self.shift[k]
            if centre:  # a second pass: the first mean of a large offset is itself rounded
                extra = float(work.mean())
                self.shift[k] += extra
                work = column - self.shift[k]
            self.scale[k] = float(np.sqrt(np.dot(work, work) / self.n_rows)) or 1.0
            work /= self.scale[k]
            out.append(work)
        return out


def _assemble(
    response: Floats,
    fixed: Floats,
    parsed: list[tuple[Floats, NDArray[Any], bool]],
    order: Ints | None,
    starts: list[Ints],
    heads: list[NDArray[np.int64]],
) -> NestedDesign:
    """Build the design from rows in sorted order."""
    n_rows, n_fixed = fixed.shape
    store = _Columns(n_rows)
    in_fixed = [store.add(fixed[:, j]) for j in range(n_fixed)]
    in_levels = [[store.add(z[:, j]) for j in range(z.shape[1])] for z, _, _ in parsed]
    positions = np.array([k for k, _ in in_fixed], dtype=np.intp)
    if len(set(positions.tolist())) < n_fixed:
        raise ValueError("X has two columns that are equal or both constant")
    one = store.raw.index(None) if None in store.raw else None
    has_intercept = one is not None and one in positions
    work = store.standardise(centre=has_intercept)
    multiplier = np.array([m for _, m in in_fixed])
    fixed_back = _back_map(positions, multiplier, store, one)
    shift = np.zeros(n_fixed)
    if has_intercept:
        at = int(np.flatnonzero(positions == one)[0])
        mean = float(response.mean())
        centred = response - mean
        mean += float(centred.mean())
        shift[at] = mean / multiplier[at]
        centred = response - mean
    else:
        basis = fixed / np.sqrt(np.einsum("ij,ij->j", fixed, fixed) / n_rows)
        shift = np.linalg.lstsq(basis, response, rcond=None)[0] / np.sqrt(np.einsum("ij,ij->j", fixed, fixed) / n_rows)
        centred = response - fixed @ shift
    scale = float(np.sqrt(np.dot(centred, centred) / n_rows))
    if not scale > 1e-300:
        raise ValueError("y does not vary, so there is no variance to estimate")
    centred /= scale
    shapes = _level_shapes(parsed, in_levels, store, one, has_intercept, starts, heads)
    stats = _statistics(work, centred, shapes, n_rows)
    design = NestedDesign(
        n_rows=n_rows, n_fixed=n_fixed, levels=shapes, stats=stats, columns=tuple(work), response=centred,
        order=order, fixed=positions, fixed_back=fixed_back, fixed_shift=shift, response_scale=scale,
    )
    _check_estimable(design)
    return design


def _back_map(positions: Ints, multiplier: Floats, store: _Columns, one: int | None) -> Floats:
    """Matrix that turns working coefficients of these columns into raw ones."""
    size = len(positions)
    forward = np.zeros((size, size))
    where = {int(k): i for i, k in enumerate(positions)}
    for i, k in enumerate(positions):
        forward[i, i] = store.scale[k] * multiplier[i]
        if store.shift[k] != 0.0 and one is not None:
            forward[where[one], i] += store.shift[k]
    return np.linalg.inv(forward)


def _level_shapes(
    parsed: list[tuple[Floats, NDArray[Any], bool]],
    in_levels: list[list[tuple[int, float]]],
    store: _Columns,
    one: int | None,
    has_intercept: bool,
    starts: list[Ints],
    heads: list[NDArray[np.int64]],
) -> tuple[LevelShape, ...]:
    """Shape, tree links and column maps of every level."""
    shapes = []
    outer = np.zeros(1, dtype=np.intp)
    for number, ((z, _, correlated), found, start, head) in enumerate(
        zip(parsed, in_levels, starts, heads, strict=True), 1
    ):
        size = z.shape[1]
        positions = np.array([k for k, _ in found], dtype=np.intp)
        if len(set(positions.tolist())) < size:
            raise ValueError(f"level {number}: two columns are equal or both constant")
        if len(start) < 2:
            raise ValueError(f"level {number} has one node, so its variance cannot be estimated")
        multiplier = np.array([m for _, m in found])
        columns = np.zeros((len(store.raw), size))
        if size == 1 or not correlated or one not in positions:
            # Centring would change the meaning of these effects: keep the raw column, only scaled.
            back = np.zeros((size, size))
            for j, k in enumerate(positions):
                size_of = float(np.hypot(store.shift[k], store.scale[k]))
                columns[k, j] = store.scale[k] / size_of
                if store.shift[k] != 0.0 and one is not None:
                    columns[one, j] += store.shift[k] / size_of
                back[j, j] = 1.0 / (size_of * multiplier[j])
        else:
            columns[positions, np.arange(size)] = 1.0
            back = _back_map(positions, multiplier, store, one)
        slopes = [j for j, k in enumerate(positions) if k != one]
        names = tuple(
            "intercept" if k == one else ("slope" if len(slopes) == 1 else f"slope {slopes.index(j) + 1}")
            for j, k in enumerate(positions)
        )
        shapes.append(
            LevelShape(
                size=size, n_nodes=len(start), starts=start,
                parent=np.searchsorted(outer, start, side="right") - 1,
                children=np.searchsorted(start, outer), map=columns, back=back,
                correlated=correlated or size == 1, names=names, codes=head,
            )
        )
        outer = start
    return tuple(shapes)


def _statistics(
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
    z = _combine(work, inner.map[:, 0], n_rows)
    sums, weight = leaf_sums(columns, z, inner.starts, lengths)
    inside = _within(columns, z, sums, weight, lengths, outer)
    return _pool(sums, weight, inner, inside)


def _combine(work: Sequence[Floats | None], coefficients: Floats, n_rows: int) -> Floats | None:
    """Combination of working columns; None for exactly the constant one."""
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
    """Sums of runs along the last axis."""
    if lengths[0] * len(lengths) == values.shape[-1] and np.all(lengths == lengths[0]):
        size = int(lengths[0])
        shaped = values.reshape(*values.shape[:-1], len(lengths), size)
        if size <= 4:  # a few strided additions beat a reduction over a very short axis
            total = shaped[..., 0].copy()
            for k in range(1, size):
                total += shaped[..., k]
            return total
        return shaped.sum(axis=-1)
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
        left.append(rest if max(rest.max(), -rest.min()) > 1e-13 * max(1.0, float(np.abs(total / safe).max())) else None)
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
    return np.bincount(entry, weights=values, minlength=n_entries)


def _check_estimable(design: NestedDesign) -> None:
    """Refuse designs in which a coefficient or a variance cannot be told apart."""
    stats = design.stats
    total = stats.base.sum(axis=-1)[..., 0]
    if stats.pooled is not None:
        total = total + stats.pooled.sum(axis=-1)[..., 0]
        if stats.count.sum() >= design.n_rows:
            raise ValueError(
                f"level {len(design.levels)} has one row per node: its variance cannot be told from the residual's"
            )
    gram = total[np.ix_(design.fixed, design.fixed)]
    size = np.sqrt(np.diag(gram))
    if not np.linalg.eigvalsh(gram / np.outer(size, size))[0] > 1e-11:
        raise ValueError("the columns of X are linearly dependent")
