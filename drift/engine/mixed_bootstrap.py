"""Parametric bootstrap of a mixed model: rows drawn from the fit, all replicates refitted at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.engine.mixed_fit import ZERO, MixedFit, criterion_of, criterion_offset
from drift.engine.nested import NestedDesign
from drift.engine.nested_balanced import mean_square_theta
from drift.engine.nested_likelihood import Method, evaluate, relative_factors
from drift.engine.nested_statistics import Floats, Ints, LevelShape, NodeStatistics, entry_index, leaf_sums, sum_runs
from drift.engine.optimise import newton, newton_hessian, quasi_newton

CHUNK_VALUES = 200_000  # rows x replicates held at once: stays inside a processor cache of a few megabytes
TOLERANCE = 1e-5  # a refit stops when the predicted fall of the criterion is below its square


@dataclass(frozen=True, kw_only=True, eq=False)
class MixedBootstrap:
    """Refits of simulated responses, one entry per replicate.

    Attributes
    ----------
    beta : (n, p) floats
    cov_beta : (n, p, p) floats
        ``(X'V^-1 X)^-1`` at each refit.
    sigma2 : (n,) floats
    covariances : tuple of (n, q, q) floats
        One per level, outermost first.
    criterion : (n,) floats
        Minus twice the (restricted) log-likelihood of each refit.
    converged : (n,) bools
    at_zero : (n, m) bools
        Which diagonal entries of the relative factors ended at zero, levels outermost first.
    """

    beta: Floats
    cov_beta: Floats
    sigma2: Floats
    covariances: tuple[Floats, ...]
    criterion: Floats
    converged: np.ndarray
    at_zero: np.ndarray


def parametric_bootstrap(
    design: NestedDesign,
    fit: MixedFit,
    n: int,
    rng: np.random.Generator,
    *,
    method: Method | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> MixedBootstrap:
    """Draw rows from a fitted model and refit, for all replicates at once.

    Parameters
    ----------
    design : NestedDesign
    fit : MixedFit
        Fit of that design, from which rows are drawn.
    n : int
        Number of replicates.
    rng : numpy.random.Generator
        One spawned child per replicate, so that replicate k is the same whatever ``n`` and the chunking.
    method : {"REML", "ML"}, optional
        Criterion of the refits; that of ``fit`` where absent.
    workers : int, optional
        Threads; as many as processors (at most 8) where absent. Does not change a number.
    progress : callable, optional
        Called with (replicates done, n).

    Returns
    -------
    MixedBootstrap

    Notes
    -----
    Every replicate draws its own random effects and its own residual for every row; the rows are reduced to the same
    sufficient statistics as the data, whose part without ``y`` is shared. The refits run as one batched quasi-Newton
    minimisation from the fitted parameters, started with the Hessian at the fit.

    References
    ----------
    Davison & Hinkley (1997), Bootstrap Methods and their Application, section 4.2.3 (parametric simulation).
    """
    if n < 1:
        raise ValueError(f"n must be at least 1, not {n}")
    used: Method = fit.method if method is None else method
    children = rng.spawn(n)
    reducer = _Reducer(design)
    metric = starting_metric(design, fit, used)
    size = max(1, min(n, CHUNK_VALUES // design.n_rows))

    def piece(first: int) -> MixedBootstrap:
        chunk = children[first : first + size]
        return refit(design, fit, simulate_statistics(reducer, fit, chunk), used, metric)

    parts = []
    # Drawing and arithmetic on large arrays run outside the interpreter lock, so threads suffice.
    with ThreadPoolExecutor(max_workers=min(workers or os.cpu_count() or 1, 8)) as pool:
        for part in pool.map(piece, range(0, n, size)):
            parts.append(part)
            if progress is not None:
                progress(min(len(parts) * size, n), n)
    return _joined(parts)


def _joined(parts: list[MixedBootstrap]) -> MixedBootstrap:
    """One result of several chunks."""

    def join(name: str) -> Any:
        return np.concatenate([getattr(part, name) for part in parts])

    levels = range(len(parts[0].covariances))
    return MixedBootstrap(
        beta=join("beta"), cov_beta=join("cov_beta"), sigma2=join("sigma2"), criterion=join("criterion"),
        converged=join("converged"), at_zero=join("at_zero"),
        covariances=tuple(np.concatenate([part.covariances[k] for part in parts]) for k in levels),
    )


def starting_metric(design: NestedDesign, fit: MixedFit, method: Method) -> Floats:
    """Inverse Hessian of the criterion of the data near the fit, made positive definite."""
    start = _inside_start(design, fit.theta)[None]
    values, vectors = np.linalg.eigh(newton_hessian(criterion_of(design, method), start)[0])
    floor = max(1e-4 * float(np.abs(values).max()), 1e-12)
    out: Floats = (vectors / np.maximum(np.abs(values), floor)) @ vectors.T
    return out


def refit(
    design: NestedDesign, fit: MixedFit, stats: NodeStatistics, method: Method, metric: Floats
) -> MixedBootstrap:
    """Fit every response of ``stats`` (batch axis); coefficients are added to those of ``fit``."""
    n = stats.base.shape[2]

    def objective(theta: Floats, which: Ints) -> tuple[Floats, Floats]:
        at = evaluate(design, theta, method=method, stats=_subset(stats, which))
        return at.value, at.gradient

    estimate = mean_square_theta(design, method, stats)
    start = np.repeat(_inside_start(design, fit.theta)[None], n, axis=0) if estimate is None else estimate[0]
    found = quasi_newton(objective, start, metric, tolerance=TOLERANCE)
    x, converged = found.x, found.converged
    failed = np.flatnonzero(~converged)
    if len(failed):
        again = newton(lambda theta, which: objective(theta, failed[which]), start[failed])
        x[failed], converged[failed] = again.x, again.converged
    theta = np.where(np.abs(x) < 10 * ZERO, 0.0, x)
    at = evaluate(design, theta, method=method, stats=stats, gradient=False)
    sigma2 = at.sigma2 * design.response_scale**2
    covariances, zero = [], []
    for level, factor in zip(design.levels, relative_factors(design.levels, theta), strict=True):
        raw = level.back @ factor
        covariances.append(sigma2[:, None, None] * (raw @ raw.swapaxes(1, 2)))
        zero.append(np.diagonal(factor, axis1=1, axis2=2) == 0.0)
    beta = fit.beta + design.response_scale * at.beta @ design.fixed_back.T
    cov = design.fixed_back @ at.inverse @ design.fixed_back.T * sigma2[:, None, None]
    return MixedBootstrap(
        beta=beta, cov_beta=cov, sigma2=sigma2, covariances=tuple(covariances),
        criterion=at.value + criterion_offset(design, method), converged=converged,
        at_zero=np.concatenate(zero, axis=1),
    )


def _inside_start(design: NestedDesign, theta: Floats) -> Floats:
    """Fitted parameters with zeros on the diagonal moved inside, where the gradient is not zero by symmetry."""
    out = np.array(theta)
    at = 0
    for level in design.levels:
        rows, cols = level.rows_cols
        per_node = np.sqrt(design.n_rows / level.n_nodes)
        for k, (i, j) in enumerate(zip(rows, cols, strict=True)):
            if i == j and abs(out[at + k]) < 0.3 / per_node:
                out[at + k] = 0.3 / per_node
        at += len(rows)
    return out


def _subset(stats: NodeStatistics, which: Ints) -> NodeStatistics:
    """Statistics of some of the responses."""
    n = stats.base.shape[2]
    if len(which) == n and which[0] == 0 and which[-1] == n - 1 and np.all(np.diff(which) == 1):
        return stats
    pooled = None if stats.pooled is None else stats.pooled[:, :, which]
    return NodeStatistics(stats.base[:, :, which], pooled, stats.weight, stats.count, stats.owner, stats.first)


def simulate_statistics(
    reducer: _Reducer, fit: MixedFit, children: Sequence[np.random.Generator]
) -> NodeStatistics:
    """Sufficient statistics of responses drawn row by row from the fit, one per generator.

    The fixed part is left out because no criterion depends on it; refitted coefficients are about zero.
    """
    design = reducer.design
    n = len(children)
    sigma = fit.sigma / design.response_scale
    factors = [sigma * f[0] for f in relative_factors(design.levels, fit.theta[None])]
    rows = np.empty((n, design.n_rows))
    sizes = [level.n_nodes * level.size for level in design.levels]
    effects = np.empty((n, sum(sizes)))
    for k, child in enumerate(children):
        child.standard_normal(out=effects[k])
        child.standard_normal(out=rows[k])
    rows *= sigma
    coefficients = np.zeros((n, 1, design.n_columns))
    at = 0
    for level, factor, size in zip(design.levels, factors, sizes, strict=True):
        own = effects[:, at : at + size].reshape(n, level.n_nodes, level.size)
        at += size
        parent = coefficients if coefficients.shape[1] == 1 else coefficients[:, level.parent]
        turn = factor.T @ level.map.T
        coefficients = parent + (own * turn[0] if level.size == 1 else own @ turn)
    base, pooled = reducer.reduce(rows, coefficients)
    stats = design.stats
    return NodeStatistics(base, pooled, stats.weight, stats.count, stats.owner, stats.first)


class _Reducer:
    """Turns rows (residuals plus coefficients per innermost node) into node statistics."""

    def __init__(self, design: NestedDesign) -> None:
        self.design = design
        inner = design.levels[-1]
        self.inner: LevelShape = inner
        self.lengths = np.diff(np.append(inner.starts, design.n_rows))
        self.columns = [np.ones(design.n_rows) if c is None else c for c in design.columns]
        if not design.is_pooled:
            return
        one = [k for k, c in enumerate(design.columns) if c is None]
        self.plain = bool(one) and np.array_equal(inner.map[:, 0], np.eye(design.n_columns)[one[0]])
        z = None if self.plain else sum(m * c for m, c in zip(inner.map[:, 0], self.columns, strict=True))
        self.z = z
        sums, weight = leaf_sums(self.columns, z, inner.starts, self.lengths)
        self.leaf = np.stack(sums)
        self.share = self.leaf / np.where(weight > 0, weight, 1.0)
        self.weight = np.where(weight > 0, weight, 1.0)
        outer = design.levels[-2].starts if len(design.levels) > 1 else np.zeros(1, dtype=np.intp)
        self.outer, self.spans = outer, np.diff(np.append(outer, design.n_rows))
        fits = np.repeat(self.share, self.lengths, axis=1)
        left = np.stack(self.columns) - (fits if z is None else fits * z)
        floor = 1e-13 * np.maximum(1.0, np.abs(self.share).max(axis=1))
        self.left = {k: v for k, v in enumerate(left) if np.abs(v).max() > floor[k]}
        entry, owner, _ = entry_index(weight, inner)
        if entry is None:
            self.sorted, self.first_leaf = None, inner.children
        else:
            self.sorted = np.argsort(entry, kind="stable")
            self.first_leaf = np.searchsorted(entry[self.sorted], np.arange(len(owner)))

    def reduce(self, rows: Floats, coefficients: Floats) -> tuple[Floats, Floats | None]:
        """Node statistics of responses given by residual rows (used up) and coefficients per innermost node."""
        stats = self.design.stats
        base = np.repeat(stats.base, len(rows), axis=2)
        pooled = None if stats.pooled is None else np.repeat(stats.pooled, len(rows), axis=2)
        c = self.design.n_columns
        if pooled is None or self.left:
            for k, column in enumerate(self.columns):
                rows += np.repeat(coefficients[:, :, k], self.lengths, axis=1) * column
        if pooled is None:
            for k, column in enumerate(self.columns):
                base[k, c] = base[c, k] = sum_runs(rows * column, self.inner.starts, self.lengths)
            base[c, c] = sum_runs(rows * rows, self.inner.starts, self.lengths)
            return base, None
        sums = sum_runs(rows if self.z is None else rows * self.z, self.inner.starts, self.lengths)
        squares = self._squares(rows)
        own = sum_runs(sums * sums / self.weight, *self._parents())
        base[c, c] = squares - own
        for k in range(c):
            if k in self.left:
                base[k, c] = base[c, k] = sum_runs(rows * self.left[k], self.outer, self.spans)
            else:
                base[k, c] = base[c, k] = 0.0
        if not self.left:
            sums += np.einsum("bnk,kn->bn", coefficients, self.leaf)
        for k in range(c):
            pooled[k, c] = pooled[c, k] = self._pool(sums * self.share[k])
        pooled[c, c] = self._pool(sums * sums / self.weight)
        return base, pooled

    def _squares(self, rows: Floats) -> Floats:
        """Return sums of squares of the rows of every outer node."""
        if np.all(self.spans == self.spans[0]):
            shaped = rows.reshape(len(rows), len(self.spans), -1)
            out: Floats = np.einsum("bns,bns->bn", shaped, shaped)
            return out
        return sum_runs(rows * rows, self.outer, self.spans)

    def _parents(self) -> tuple[Ints, Ints]:
        children = self.inner.children
        return children, np.diff(np.append(children, self.inner.n_nodes))

    def _pool(self, values: Floats) -> Floats:
        """Sum innermost nodes into entries."""
        if self.sorted is not None:
            values = values[:, self.sorted]
        lengths = np.diff(np.append(self.first_leaf, self.inner.n_nodes))
        return sum_runs(values, self.first_leaf, lengths)
