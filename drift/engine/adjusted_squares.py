"""Mean squares of an unbalanced layout, each adjusted for every effect that does not hold its own.

The sum of squares of effect S is what S explains beyond all effects T that do not hold S. Its expectation then has
the residual, S, and the effects that hold S, as in a balanced layout, whatever cells are missing; for a balanced
layout these are the sums of squares of the ordinary analysis of variance. Degrees of freedom are ranks.

References
----------
Searle SR, Casella G, McCulloch CE (1992). Variance Components. Wiley, section 5.5 (Henderson's method 3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.factorial import Effect, Layout, Squares, balanced_squares, separate

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

RANK = 1e-9


@dataclass(frozen=True, eq=False)
class _Cells:
    """Scaled cells (square root of the count), sorted by target and padded."""

    place: IntArray
    shape: tuple[int, int]
    y: FloatArray       # (n, m)
    root: FloatArray    # (n, m), 0 where padded
    codes: dict[Effect, IntArray]
    sizes: dict[Effect, int]


@dataclass(frozen=True)
class _Space:
    """What is left of a space of effects: residual sum of squares, dimension left, trace with every effect."""

    rss: float
    left: int
    traces: dict[Effect, float]


def adjusted_squares(layout: Layout, effects: Sequence[Effect] | None = None) -> Squares:
    """Return the adjusted analysis of variance of any layout.

    Parameters
    ----------
    layout : Layout
    effects : sequence of frozenset, optional
        Effects in the model, default those that have a variance of their own. Without replicates the largest effect
        is the residual.

    Returns
    -------
    Squares
        A row for each effect and last the residual; degrees of freedom are 0 where nothing tells an effect apart.
    """
    rows = separate(layout) if effects is None else tuple(effects)
    if layout.balanced and rows == separate(layout):
        return balanced_squares(layout)
    cells = _cells(layout)
    everything = frozenset(rows)
    spaces: dict[frozenset[Effect], _Space] = {}

    def space(inside: frozenset[Effect]) -> _Space:
        key = frozenset(e for e in inside if not any(e < other for other in inside))
        if key not in spaces:
            spaces[key] = _space(cells, key, rows)
        return spaces[key]

    r = len(rows)
    ss, df, matrix = np.zeros(r + 1), np.zeros(r + 1), np.eye(r + 1)
    for j, effect in enumerate(rows):
        before = space(frozenset(e for e in rows if not e >= effect))
        after = space(frozenset(e for e in rows if not e > effect))
        df[j] = before.left - after.left
        ss[j] = max(before.rss - after.rss, 0.0)
        if df[j] > 0:
            matrix[j, :r] = [(before.traces[e] - after.traces[e]) / df[j] if e >= effect else 0.0 for e in rows]
            matrix[j, r] = 1.0
    rest = space(everything)
    ss[r] = rest.rss + layout.ss_within
    df[r] = rest.left + layout.df_within
    return Squares(ss=ss, df=df, coefficients=matrix)


def _cells(layout: Layout) -> _Cells:
    target = layout.levels[layout.effects.index(frozenset({0}))]
    sizes = np.bincount(target)
    n, m = len(sizes), int(sizes.max())
    order = np.argsort(target, kind="stable")
    rank = np.empty(len(target), dtype=np.intp)
    rank[order] = np.arange(len(target)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    place = target * m + rank
    root, y = np.zeros(n * m), np.zeros(n * m)
    root[place] = np.sqrt(layout.counts)
    y[place] = layout.means * root[place]
    return _Cells(place, (n, m), y.reshape(n, m), root.reshape(n, m),
                  dict(zip(layout.effects, layout.levels, strict=True)),
                  dict(zip(layout.effects, layout.sizes, strict=True)))


def _kernel(cells: _Cells, effect: Effect) -> FloatArray:
    """Scaled cells of one target that share a level, shape (n, m, m)."""
    n, m = cells.shape
    padded = -1 - np.arange(n * m, dtype=np.intp)
    padded[cells.place] = cells.codes[effect]
    grid = padded.reshape(n, m)
    return np.asarray((grid[:, :, None] == grid[:, None, :]) * cells.root[:, :, None] * cells.root[:, None, :])


def _incidence(cells: _Cells, effect: Effect) -> FloatArray:
    n, m = cells.shape
    out = np.zeros((n * m, cells.sizes[effect]))
    out[cells.place, cells.codes[effect]] = cells.root.reshape(-1)[cells.place]
    return out.reshape(n, m, -1)


def _projector(cells: _Cells, inner: Sequence[Effect]) -> tuple[FloatArray, int]:
    """Projector of each target's cells on its effects, and the sum of the ranks."""
    n, m = cells.shape
    if not inner:
        return np.zeros((n, m, m)), 0
    if len(inner) == 1:
        codes, size = cells.codes[inner[0]], cells.sizes[inner[0]]
        weight = np.bincount(codes, weights=cells.root.reshape(-1)[cells.place] ** 2, minlength=size)
        of_cell = np.ones(n * m)
        of_cell[cells.place] = weight[codes]
        return _kernel(cells, inner[0]) / of_cell.reshape(n, m)[:, :, None], size
    kernel = sum(_kernel(cells, e) for e in inner)
    values, vectors = np.linalg.eigh(kernel)
    keep = values > RANK * values[:, -1:]
    kept = vectors * keep[:, None, :]
    return np.asarray(kept @ np.swapaxes(kept, 1, 2)), int(keep.sum())


def _space(cells: _Cells, inside: frozenset[Effect], rows: Sequence[Effect]) -> _Space:
    n, m = cells.shape
    inner = sorted((e for e in inside if 0 in e), key=sorted)
    outer = sorted((e for e in inside if 0 not in e), key=sorted)
    projector, rank = _projector(cells, inner)
    columns = ([_incidence(cells, e) for e in outer] if outer else
               [] if inner else [cells.root[:, :, None]])

    def off(v: FloatArray) -> FloatArray:
        return np.asarray(v - projector @ v)

    y = off(cells.y[:, :, None])
    u = off(np.concatenate(columns, axis=2)) if columns else np.zeros((n, m, 0))
    flat = u.reshape(n * m, -1)
    basis = np.zeros((0, 0))
    if flat.shape[1]:
        values, vectors = np.linalg.eigh(flat.T @ flat)
        keep = values > RANK * max(float(values[-1]), float((cells.root**2).sum()) * 1e-3)
        rank += int(keep.sum())
        basis = vectors[:, keep] / np.sqrt(values[keep])
        flat = flat @ basis  # orthonormal
        whole = y.reshape(-1)
        y = (whole - flat @ (flat.T @ whole)).reshape(n, m, 1)
    traces: dict[Effect, float] = {}
    for e in rows:
        if any(e <= other for other in inside):
            traces[e] = 0.0
        elif 0 in e:
            kernel = _kernel(cells, e)
            trace = float(np.einsum("nii->", kernel)) - float(np.vdot(projector, kernel))
            if flat.shape[1]:
                summed = np.zeros((cells.sizes[e], flat.shape[1]))
                np.add.at(summed, cells.codes[e], (flat * cells.root.reshape(-1, 1))[cells.place])
                trace -= float(np.vdot(summed, summed))
            traces[e] = trace
        else:
            z = off(_incidence(cells, e)).reshape(n * m, -1)
            trace = float(np.vdot(z, z))
            if flat.shape[1]:
                cross = flat.T @ z
                trace -= float(np.vdot(cross, cross))
            traces[e] = trace
    return _Space(float(np.vdot(y, y)), len(cells.place) - rank, traces)
