"""REML of any set of crossed and nested random effects, unbalanced and with missing cells.

The model is y = mu + sum of random effects + residual on the cells of a :class:`~drift.engine.factorial.Layout`.
Effects that hold the target (factor 0) make blocks, one a target, that are inverted together as a padded stack;
the other effects are few and come in by Woodbury's identity. One evaluation of the criterion with its exact gradient
costs of the order of n_targets m^3 + n_cells q^2, with m cells a target and q levels of the other effects.

The search is over the variances themselves with the average of observed and expected information; a variance of zero
is an ordinary end point that is left again when the gradient says so.

References
----------
Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are unequal. Biometrika
    58:545-554.
Gilmour AR, Thompson R, Cullis BR (1995). Average information REML. Biometrics 51:1440-1450.
Searle SR, Casella G, McCulloch CE (1992). Variance Components. Wiley, chapter 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.factorial import Effect, Layout, separate

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

FALL = 1e-14  # a search has ended when a full step would lower minus twice the log-likelihood by less
SMALLEST = 1e-11  # residual variance over the variance of the readings: below it there is only rounding


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomEffectsFit:
    """REML estimates.

    ``variances`` has an entry for each of ``effects`` and last the residual. ``criterion`` is minus twice the
    restricted log-likelihood of the readings; ``std_error`` belongs to ``mean``; ``boundary`` says which variances
    ended at zero; ``gradient`` is that of the criterion in the variances.
    """

    effects: tuple[Effect, ...]
    variances: FloatArray
    mean: float
    std_error: float
    criterion: float
    gradient: FloatArray
    boundary: tuple[bool, ...]
    converged: bool
    iterations: int


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Cells sorted by target and padded to equal numbers; ``place`` (n_cells,) is where each cell stands."""

    place: IntArray
    shape: tuple[int, int]
    y: FloatArray                    # (n_cells,) in the order of the layout
    inverse_counts: FloatArray
    there: NDArray[np.bool_]         # (n, m)
    kernels: tuple[FloatArray, ...]  # (n, m, m) of the effects within targets
    inner: tuple[int, ...]           # which effects those are
    outer: tuple[int, ...]           # the others
    spans: tuple[slice, ...]         # columns of each outer effect
    design: FloatArray               # (n, m, q) incidence of the outer effects
    codes: tuple[IntArray, ...]      # of every effect


@dataclass(frozen=True, eq=False)
class _State:
    value: float
    gradient: FloatArray
    information: FloatArray
    mean: float
    variance_of_mean: float


def _blocks(layout: Layout, effects: tuple[Effect, ...]) -> _Blocks:
    codes = tuple(layout.levels[layout.effects.index(e)] for e in effects)
    target = layout.levels[layout.effects.index(frozenset({0}))]
    sizes = np.bincount(target)
    n, m = len(sizes), int(sizes.max())
    order = np.argsort(target, kind="stable")
    rank = np.empty(len(target), dtype=np.intp)
    rank[order] = np.arange(len(target)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    place = target * m + rank
    there = np.zeros(n * m, dtype=bool)
    there[place] = True
    inner = tuple(i for i, e in enumerate(effects) if 0 in e)
    outer = tuple(i for i, e in enumerate(effects) if 0 not in e)
    kernels = []
    for i in inner:
        padded = -1 - np.arange(n * m, dtype=np.intp)  # padding shares a level with nothing
        padded[place] = codes[i]
        grid = padded.reshape(n, m)
        kernels.append(((grid[:, :, None] == grid[:, None, :]) & (grid[:, :, None] >= 0)).astype(np.float64))
    q, spans, start = 0, [], 0
    for i in outer:
        q += int(codes[i].max()) + 1
        spans.append(slice(start, q))
        start = q
    design = np.zeros((n * m, q))
    for i, span in zip(outer, spans, strict=True):
        design[place, span.start + codes[i]] = 1.0
    return _Blocks(place, (n, m), layout.means, 1.0 / layout.counts, there.reshape(n, m), tuple(kernels), inner, outer,
                   tuple(spans), design.reshape(n, m, q), codes)


def _evaluate(layout: Layout, b: _Blocks, s: FloatArray) -> _State:
    """Criterion, exact gradient and average information at the variances ``s`` (residual last)."""
    n, m = b.shape
    q, r = b.design.shape[2], len(s)
    residual, df_w, ss_w = float(s[-1]), layout.df_within, layout.ss_within
    diagonal = np.ones(n * m)
    diagonal[b.place] = residual * b.inverse_counts
    block = np.zeros((n, m, m))
    block[:, np.arange(m), np.arange(m)] = diagonal.reshape(n, m)
    for i, kernel in zip(b.inner, b.kernels, strict=True):
        if s[i]:
            block += s[i] * kernel
    root = np.linalg.cholesky(block)
    logdet = 2.0 * float(np.log(np.einsum("nii->ni", root)).sum())
    inverse = np.linalg.inv(block)
    # Padding is a unit block: it leaves with the mask, its log determinant is zero.
    inverse *= b.there[:, :, None] & b.there[:, None, :]
    scale = np.zeros(q)
    for i, span in zip(b.outer, b.spans, strict=True):
        scale[span] = math.sqrt(s[i])
    flat_u = b.design.reshape(n * m, q)
    flat_a = (inverse @ b.design).reshape(n * m, q)
    h = flat_u.T @ flat_a
    small = np.eye(q) + scale[:, None] * h * scale
    c = scale[:, None] * np.linalg.inv(small) * scale
    logdet += float(np.linalg.slogdet(small)[1])

    def solve(v: FloatArray) -> FloatArray:
        """V^-1 times columns given in the order of the cells."""
        padded = np.zeros((n * m, v.shape[1]))
        padded[b.place] = v
        out = (inverse @ padded.reshape(n, m, -1)).reshape(n * m, -1)
        out -= flat_a @ (c @ (flat_u.T @ out))
        return np.asarray(out[b.place])

    ones = np.ones((len(b.y), 1))
    u = solve(ones)
    xvx = float(u.sum())
    mean = float(u[:, 0] @ b.y) / xvx
    py = solve((b.y - mean)[:, None])

    def project(v: FloatArray) -> FloatArray:
        out = solve(v)
        return np.asarray(out - u * (u.T @ v) / xvx)

    rss = float(py[:, 0] @ (b.y - mean)) + ss_w / residual
    value = (logdet + math.log(xvx) + rss + df_w * math.log(residual) + float(np.log(layout.counts).sum())
             + (layout.n_readings - 1) * math.log(2 * math.pi))
    gradient, moved = np.zeros(r), np.zeros((len(b.y), r))
    inner_kernels = dict(zip(b.inner, b.kernels, strict=True))
    cell_a = flat_a[b.place]
    hch = h @ c @ h
    outer_spans = dict(zip(b.outer, b.spans, strict=True))
    for i, codes in enumerate(b.codes):
        size = int(codes.max()) + 1
        of_py = np.bincount(codes, weights=py[:, 0], minlength=size)
        of_u = np.bincount(codes, weights=u[:, 0], minlength=size)
        moved[:, i] = of_py[codes]
        if i in inner_kernels:
            trace = float(np.vdot(inverse, inner_kernels[i]))
            if q:
                summed = _grouped(cell_a, codes, size)
                trace -= float(np.vdot(summed @ c, summed))
        else:
            span = outer_spans[i]
            trace = float(np.trace(h[span, span]) - np.trace(hch[span, span]))
        gradient[i] = trace - float(of_u @ of_u) / xvx - float(of_py @ of_py)
    w = b.inverse_counts
    moved[:, -1] = w * py[:, 0]
    own = np.einsum("nii->ni", inverse).reshape(-1)[b.place]
    if q:
        own = own - np.einsum("cq,cq->c", cell_a @ c, cell_a)
    gradient[-1] = (float(w @ (own - u[:, 0] ** 2 / xvx)) - float(w @ py[:, 0] ** 2)
                    + df_w / residual - ss_w / residual**2)
    information = moved.T @ project(moved)
    information[-1, -1] += ss_w / residual**3
    return _State(value, gradient, 0.5 * (information + information.T), mean, 1.0 / xvx)


def _grouped(rows: FloatArray, codes: IntArray, size: int) -> FloatArray:
    """Sum rows by code, shape (size, columns)."""
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(size))
    return np.asarray(np.add.reduceat(rows[order], starts, axis=0))


def fit_random_effects(layout: Layout, effects: tuple[Effect, ...] | None = None, *,
                       start: FloatArray | None = None, max_iter: int = 200) -> RandomEffectsFit:
    """Fit random effects by restricted maximum likelihood.

    Parameters
    ----------
    layout : Layout
    effects : tuple of frozenset, optional
        Effects of the layout in the model; default those that have a variance of their own.
    start : array, shape (n_effects + 1,), optional
        Variances to start from, residual last.

    Returns
    -------
    RandomEffectsFit

    Raises
    ------
    ValueError
        If the readings leave no variance for the residual.
    """
    inside = separate(layout) if effects is None else tuple(effects)
    b = _blocks(layout, inside)
    spread = float(np.average((layout.means - np.average(layout.means, weights=layout.counts)) ** 2,
                              weights=layout.counts)) + layout.ss_within / layout.n_readings
    if not spread > 0:
        raise ValueError("the readings do not vary")
    floor = np.zeros(len(inside) + 1)
    floor[-1] = SMALLEST * spread
    s = np.full(len(inside) + 1, spread / (len(inside) + 1)) if start is None else np.array(start, dtype=np.float64)
    s = np.maximum(s, np.maximum(floor, 1e-3 * spread * (np.arange(len(s)) == len(s) - 1)))
    state = _evaluate(layout, b, s)
    converged, iteration = False, 0
    for iteration in range(1, max_iter + 1):  # noqa: B007
        if s[-1] <= floor[-1]:
            raise ValueError("the readings leave no variance for the residual")
        held = (s <= floor) & (state.gradient >= 0)
        step, fall = _step(state, s, held, floor)
        if fall < FALL * (1.0 + abs(state.value)):
            converged = True
            break
        size, found = 1.0, None
        for _ in range(40):
            trial = np.maximum(s + size * step, floor)
            at = _evaluate(layout, b, trial)
            if at.value <= state.value + 1e-12 * (1.0 + abs(state.value)):
                found = trial, at
                break
            size *= 0.5
        if found is None or np.array_equal(found[0], s):
            # The end of the road: what is left of the fall is rounding of the criterion.
            converged = fall < 1e-7
            break
        s, state = found
    boundary = tuple(bool(x <= 0) for x in s[:-1])
    return RandomEffectsFit(effects=inside, variances=s, mean=state.mean + layout.shift,
                            std_error=math.sqrt(state.variance_of_mean), criterion=state.value,
                            gradient=state.gradient, boundary=boundary, converged=converged, iterations=iteration)


def _step(state: _State, s: FloatArray, held: NDArray[np.bool_], floor: FloatArray) -> tuple[FloatArray, float]:
    """Newton step on the free variances and the fall it predicts; those it would push below zero are held in turn."""
    fixed = held.copy()
    step = np.zeros_like(s)
    fall = 0.0
    for _ in range(len(s)):
        free = ~fixed
        step = np.where(held, 0.0, floor - s)
        if not free.any():
            break
        # Variances already sent to zero change the gradient that the others see.
        sent = fixed & ~held
        g = state.gradient[free] + state.information[np.ix_(free, sent)] @ (floor - s)[sent]
        info = state.information[np.ix_(free, free)]
        width = np.sqrt(np.where(np.diag(info) > 1e-200, np.diag(info), 1.0))
        values, vectors = np.linalg.eigh(info / np.outer(width, width))
        values = np.maximum(values, 1e-10 * max(float(values[-1]), 1e-300))
        step[free] = -(vectors @ ((vectors.T @ (g / width)) / values)) / width
        out = free & (s + step < floor) & (s > floor)
        stuck = free & (s <= floor) & (step < 0)
        if not (out | stuck).any():
            break
        fixed |= out
        fixed |= stuck
        held = held | stuck
    fall = -float(state.gradient @ step)
    return step, fall
