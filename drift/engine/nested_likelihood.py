"""REML and ML criterion of a nested design with its analytic gradient, for many parameter vectors at once.

Random effects are eliminated from the innermost level outward. With ``Psi = Lambda Lambda'`` every column
``lambda`` of ``Lambda`` is a scalar effect of unit relative variance, whose elimination is the rank-one step
``A <- A - (A lambda)(A lambda)' / (1 + lambda' A lambda)``; the gradient is the same recursion run backward.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from drift.engine.nested import NestedDesign
from drift.engine.nested_statistics import Floats, Ints, LevelShape, NodeStatistics

Method = Literal["REML", "ML"]
LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True, eq=False)
class Evaluation:
    """Criterion (minus twice the log-likelihood, working scale) and what comes with it.

    Attributes
    ----------
    value : (batch,) floats
    gradient : (batch, n_parameters) floats
        Zero-length where it was not asked for.
    sigma2 : (batch,) floats
        Profiled residual variance (or the one given).
    beta : (batch, p) floats
        Working coefficients.
    inverse : (batch, p, p) floats
        ``(X' V^-1 X)^-1`` with relative ``V``.
    residual : (batch,) floats
        ``r' V^-1 r`` with relative ``V``.
    """

    value: Floats
    gradient: Floats
    sigma2: Floats
    beta: Floats
    inverse: Floats
    residual: Floats


def relative_factors(levels: tuple[LevelShape, ...], theta: Floats) -> list[Floats]:
    """Relative Cholesky factors ``(batch, q, q)`` of every level."""
    out = []
    at = 0
    for level in levels:
        rows, cols = level.rows_cols
        factor = np.zeros((len(theta), level.size, level.size))
        factor[:, rows, cols] = theta[:, at : at + len(rows)]
        at += len(rows)
        out.append(factor)
    return out


@dataclass(eq=False)
class _Step:
    """One eliminated scalar effect, kept for the way back."""

    before: Floats
    image: Floats
    inverse: Floats
    direction: Floats


def evaluate(
    design: NestedDesign,
    theta: Floats,
    *,
    method: Method = "REML",
    stats: NodeStatistics | None = None,
    sigma2: Floats | None = None,
    gradient: bool = True,
) -> Evaluation:
    """Criterion and gradient at each row of ``theta`` (batch, n_parameters).

    Parameters
    ----------
    design : NestedDesign
    theta : (batch, n_parameters) floats
        Free entries of the relative Cholesky factors, level by level, outermost first.
    method : {"REML", "ML"}
    stats : NodeStatistics, optional
        Statistics of other responses on the same rows (one per batch entry).
    sigma2 : (batch,) floats, optional
        Residual variance; profiled out where absent.
    gradient : bool
        Whether the gradient is wanted.
    """
    factors = relative_factors(design.levels, theta)
    found, slopes = evaluate_factors(
        design, factors, method=method, stats=stats, sigma2=sigma2, gradient=gradient
    )
    if not gradient:
        return found
    pieces = [s[:, level.rows_cols[0], level.rows_cols[1]] for level, s in zip(design.levels, slopes, strict=True)]
    return replace(found, gradient=np.concatenate(pieces, axis=1))


def evaluate_factors(
    design: NestedDesign,
    factors: list[Floats],
    *,
    method: Method = "REML",
    stats: NodeStatistics | None = None,
    sigma2: Floats | None = None,
    gradient: bool = True,
) -> tuple[Evaluation, list[Floats]]:
    """As :func:`evaluate`, for any factors ``(batch, q, q)``; returns the gradient by every entry of each factor."""
    stats = design.stats if stats is None else stats
    n_columns = design.n_columns
    batch = len(factors[0])
    directions = [np.matmul(level.map, f).transpose(2, 1, 0) for level, f in zip(design.levels, factors, strict=True)]
    log_det = np.zeros(batch)
    levels = list(design.levels)
    a = stats.base
    shrink: Floats | None = None
    if stats.pooled is not None:
        levels = levels[:-1]
        shrink = 1.0 / (1.0 + stats.weight * (factors[-1][:, 0] ** 2))
        log_det = log_det - np.log(shrink) @ stats.count
        a = a + _to_owner(stats.pooled * shrink, stats.first, a.shape[-1])
    steps: list[list[_Step]] = []
    for level, columns in zip(reversed(levels), reversed(directions[: len(levels)]), strict=True):
        done = []
        for direction in columns:
            image = np.einsum("ijbn,jb->ibn", a[:, :n_columns], direction)
            pivot = np.einsum("jbn,jb->bn", image[:n_columns], direction)
            pivot += 1.0
            log_det = log_det + np.log(pivot).sum(axis=-1)
            inverse = 1.0 / pivot
            done.append(_Step(a, image, inverse, direction))
            a = a - image[:, None] * (image * inverse)[None]
        steps.append(done)
        a = _to_owner(a, level.children, len(level.children))
    found, adjoint = _finish(design, method, sigma2, gradient, a[..., 0], log_det)
    if adjoint is None:
        return found, []
    return found, _backward(design, stats, factors, adjoint, steps, levels, shrink)


def _to_owner(values: Floats, first: Ints, n_owners: int) -> Floats:
    """Sum nodes (last axis) into their owners."""
    n = values.shape[-1]
    if n == n_owners:
        return values
    if n_owners == 1:
        whole: Floats = values.sum(axis=-1, keepdims=True)
        return whole
    out: Floats = np.add.reduceat(values, first, axis=-1)
    return out


def _finish(
    design: NestedDesign, method: Method, sigma2: Floats | None, gradient: bool, root: Floats, log_det: Floats
) -> tuple[Evaluation, Floats | None]:
    """Profile beta (and sigma2) out at the root; return the adjoint of the root if wanted."""
    fixed, p, n = design.fixed, design.n_fixed, design.n_rows
    gram = root[fixed[:, None], fixed].transpose(2, 0, 1)
    right = root[fixed, -1].T
    sign, log_gram = np.linalg.slogdet(gram)
    lost = ~(sign > 0)  # rounding at extreme parameters: no minimum lies there
    if lost.any():
        gram = np.where(lost[:, None, None], np.eye(p), gram)
        log_det = np.where(lost, np.inf, log_det)
        log_gram = np.where(lost, np.inf, log_gram)
    inverse = np.linalg.inv(gram).astype(np.float64, copy=False)
    beta = np.matmul(inverse, right[..., None])[..., 0]
    residual = root[-1, -1] - np.einsum("bi,bi->b", right, beta)
    df = n - p if method == "REML" else n
    scale2: Floats = residual / df if sigma2 is None else sigma2
    with np.errstate(divide="ignore", invalid="ignore"):
        value = log_det + df * (LOG_2PI + np.log(scale2)) + residual / scale2
    if method == "REML":
        value = value + log_gram
    adjoint = _root_adjoint(design, beta, inverse, scale2, method) if gradient else None
    return Evaluation(value, np.zeros((len(value), 0)), scale2, beta, inverse, residual), adjoint


def _root_adjoint(design: NestedDesign, beta: Floats, inverse: Floats, scale2: Floats, method: Method) -> Floats:
    """Return the derivative of the criterion with respect to the root cross-products, (d, d, batch, 1)."""
    d = design.n_columns + 1
    batch = len(beta)
    vector = np.zeros((d, batch))
    vector[design.fixed] = -beta.T
    vector[-1] = 1.0
    adjoint = vector[:, None] * (vector / scale2)[None]
    if method == "REML":
        adjoint[design.fixed[:, None], design.fixed] += inverse.transpose(1, 2, 0)
    return adjoint[..., None]


def _backward(
    design: NestedDesign,
    stats: NodeStatistics,
    factors: list[Floats],
    adjoint: Floats,
    steps: list[list[_Step]],
    levels: list[LevelShape],
    shrink: Floats | None,
) -> list[Floats]:
    """Gradient with respect to all entries of the relative factors, (batch, q, q) per level."""
    c = design.n_columns
    pieces: list[Floats] = []
    deeper = shrink is not None
    for number, (level, done) in enumerate(zip(levels, reversed(steps), strict=True)):
        if adjoint.shape[-1] > 1 and level.n_nodes != adjoint.shape[-1]:
            adjoint = adjoint[..., level.parent]
        slopes = np.empty((len(factors[0]), level.size, level.size))
        last_level = number == len(levels) - 1
        for j in range(level.size - 1, -1, -1):
            step = done[j]
            g = np.einsum("ijbn,jbn->ibn", adjoint, step.image)
            inner = np.einsum("ibn,ibn->bn", g, step.image)
            back = np.einsum("ijbn,jbn->ibn", step.before[:c], g)
            slope = 2.0 * np.einsum("ibn,bn->ib", (inner * step.inverse + 1.0) * step.image[:c] - back, step.inverse)
            slopes[:, :, j] = np.matmul(slope.T, level.map)
            if j > 0 or not last_level or deeper:
                adjoint = _adjoint_inside(adjoint, g, inner, step, c)
        pieces.append(slopes)
    if shrink is not None and stats.pooled is not None:
        if adjoint.shape[-1] > 1 and adjoint.shape[-1] != len(stats.owner):
            adjoint = adjoint[..., stats.owner]
        trace = (adjoint * stats.pooled).sum(axis=(0, 1))
        by_entry = stats.count * shrink - trace * shrink**2
        pieces.append(2.0 * factors[-1] * (by_entry @ stats.weight)[:, None, None])
    return pieces


def _adjoint_inside(adjoint: Floats, g: Floats, inner: Floats, step: _Step, c: int) -> Floats:
    """Adjoint of the cross-products before one elimination, given that after it."""
    w, lam = step.inverse, step.direction[..., None]
    half = g * w
    half[:c] -= (0.5 * w * (w * inner + 1.0)) * lam
    product = half[:, None] * lam[None]
    out = adjoint - np.zeros_like(g)  # brings a shared adjoint to the shape of the nodes
    out[:, :c] -= product
    out[:c] -= product.swapaxes(0, 1)
    return out
