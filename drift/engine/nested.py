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

from drift.engine.nested_statistics import Floats, Ints, LevelShape, NodeStatistics, node_statistics


class Level(NamedTuple):
    """One grouping level: its columns, its codes and whether its effects may correlate."""

    columns: ArrayLike
    codes: ArrayLike
    correlated: bool = True


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
        parsed = [_checked_level(level, fixed, i + 1) for i, level in enumerate(levels)]
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


def _checked_level(level: Any, fixed: Floats, number: int) -> tuple[Floats, NDArray[Any], bool]:
    """Return columns (N, q), integer codes and the correlation flag of one level."""
    columns, codes, *rest = level
    n_rows = len(fixed)
    z = np.asarray(columns, dtype=np.float64)
    if z.ndim == 1:
        z = z[:, None]
    if z.ndim != 2 or len(z) != n_rows or z.shape[1] == 0:
        raise ValueError(f"level {number}: columns must have shape ({n_rows}, q), not {np.shape(columns)}")
    code = np.asarray(codes)
    if code.shape != (n_rows,) or code.dtype.kind not in "iu":
        raise ValueError(f"level {number}: codes must be {n_rows} integers, not {code.dtype} of shape {code.shape}")
    if z is not fixed:  # the fixed columns have been looked at
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
        self.one: int | None = None  # position of the constant column, stored as None
        self._probe = np.array([0, n_rows // 7, n_rows // 3, n_rows // 2, 2 * n_rows // 3, n_rows - 1], dtype=np.intp)

    def add(self, column: Floats) -> tuple[int, float]:
        """Return position and multiplier of a column, storing it if it is new."""
        probe = column[self._probe]
        if np.all(probe == probe[0]) and bool((column == column[0]).all()):
            if probe[0] == 0.0:
                raise ValueError("a column holds only zeros")
            if self.one is None:
                self.one = len(self.raw)
                self.raw.append(None)
                self.shift.append(0.0)
                self.scale.append(1.0)
            return self.one, float(probe[0])
        for k, known in enumerate(self.raw):
            if known is not None and np.array_equal(known[self._probe], probe) and np.array_equal(known, column):
                return k, 1.0
        self.raw.append(column)
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
            if centre:
                work, self.shift[k] = _centred(column)
            else:
                work = column.copy()
            self.scale[k] = float(np.sqrt(np.dot(work, work) / self.n_rows)) or 1.0
            work /= self.scale[k]
            out.append(work)
        return out


def _centred(values: Floats) -> tuple[Floats, float]:
    """Values less their mean, and the mean."""
    mean = float(np.add.reduce(values)) / len(values)
    out = values - mean
    rest = float(np.add.reduce(out)) / len(values)
    if abs(rest) > 1e-17 * abs(mean):  # the mean of values with a large offset is itself rounded
        mean += rest
        out = values - mean
    return out, mean


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
    in_levels = [
        in_fixed if z is fixed else [store.add(z[:, j]) for j in range(z.shape[1])] for z, _, _ in parsed
    ]
    positions = np.array([k for k, _ in in_fixed], dtype=np.intp)
    if len(set(positions.tolist())) < n_fixed:
        raise ValueError("X has two columns that are equal or both constant")
    one = store.one
    has_intercept = one is not None and one in positions
    work = store.standardise(centre=has_intercept)
    multiplier = np.array([m for _, m in in_fixed])
    fixed_back = _back_map(positions, multiplier, store, one)
    shift = np.zeros(n_fixed)
    if has_intercept:
        at = int(np.flatnonzero(positions == one)[0])
        centred, mean = _centred(response)
        shift[at] = mean / multiplier[at]
    else:
        basis = fixed / np.sqrt(np.einsum("ij,ij->j", fixed, fixed) / n_rows)
        shift = np.linalg.lstsq(basis, response, rcond=None)[0] / np.sqrt(np.einsum("ij,ij->j", fixed, fixed) / n_rows)
        centred = response - fixed @ shift
    scale = float(np.sqrt(np.dot(centred, centred) / n_rows))
    if not scale > 1e-300:
        raise ValueError("y does not vary, so there is no variance to estimate")
    centred /= scale
    shapes = _level_shapes(parsed, in_levels, store, one, (in_fixed, fixed_back), starts, heads)
    stats = node_statistics(work, centred, shapes, n_rows)
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
    return np.linalg.inv(forward).astype(np.float64, copy=False)


def _level_shapes(
    parsed: list[tuple[Floats, NDArray[Any], bool]],
    in_levels: list[list[tuple[int, float]]],
    store: _Columns,
    one: int | None,
    known: tuple[list[tuple[int, float]], Floats],
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
            back = known[1] if found == known[0] else _back_map(positions, multiplier, store, one)
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


def _check_estimable(design: NestedDesign) -> None:
    """Refuse designs in which a coefficient or a variance cannot be told apart."""
    stats = design.stats
    total = stats.base.sum(axis=-1)[..., 0]
    inner = design.levels[-1]
    if inner.size > 1 and design.n_rows <= inner.size * inner.n_nodes:
        most = int(np.diff(np.append(inner.starts, design.n_rows)).max())
        if most <= inner.size:
            raise ValueError(
                f"level {len(design.levels)} has at most {most} rows per node for {inner.size} effects: its variances "
                "cannot be told from the residual's"
            )
    if stats.pooled is not None:
        total = total + stats.pooled.sum(axis=-1)[..., 0]
        if stats.count.sum() >= design.n_rows:
            raise ValueError(
                f"level {len(design.levels)} has one row per node: its variance cannot be told from the residual's"
            )
    gram = total[design.fixed[:, None], design.fixed]
    size = np.sqrt(np.diag(gram))
    if not np.linalg.eigvalsh(gram / np.outer(size, size))[0] > 1e-11:
        raise ValueError("the columns of X are linearly dependent")
