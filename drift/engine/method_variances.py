"""Error variance of each of several methods: REML with a variance for every method, and profile intervals.

Model: reading = mean of its method + true value of its target + error, errors independent with a variance of each
method's own. Targets are fixed effects, so nothing is assumed about how true values are spread, and a target counts as
soon as two methods have read it. With three methods and complete targets an estimate inside its range is Grubbs's; one
below zero there is zero here, and the others are what the likelihood makes of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MethodVariances:
    """Fit of the model with a variance for every method.

    Parameters
    ----------
    mean : array, shape (k,)
        Means of the methods about their mean.
    variances : array, shape (k,)
        Error variance of each method [unit squared]; zero at the boundary.
    boundary : tuple of bool
    mean_covariance : array, shape (k, k)
        Of ``mean``.
    criterion : float
        Minus twice the restricted log-likelihood, constants of the contrasts left out.
    n : int
        Targets with at least two methods.
    patterns : tuple
        Sums of the data that the likelihood needs.
    """

    mean: FloatArray
    variances: FloatArray
    boundary: tuple[bool, ...]
    mean_covariance: FloatArray
    criterion: float
    n: int
    patterns: tuple[_Pattern, ...]

    def __post_init__(self) -> None:
        for name in ("mean", "variances", "mean_covariance"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def grubbs(squares: ArrayLike) -> FloatArray:
    """Error variances of k >= 3 methods from the variances of all differences, possibly negative.

    ``s2_i = [sum_j V_ij - sum_{j<l} V_jl / (k - 1)] / (k - 2)``; with three methods ``(V_12 + V_13 - V_23) / 2``.

    Parameters
    ----------
    squares : array, shape (..., k, k)
        Variance of the difference of every pair, zero on the diagonal.

    References
    ----------
    Grubbs FE (1948). Journal of the American Statistical Association 43:243-264.
    """
    v = np.asarray(squares, float)
    k = v.shape[-1]
    rows = v.sum(axis=-1)
    return np.asarray((rows - rows.sum(axis=-1, keepdims=True) / 2 / (k - 1)) / (k - 2), float)


def variogram(matrices: ArrayLike) -> FloatArray:
    """Return the mean square of the difference of every pair from centred matrices, shape (..., k, k)."""
    g = np.asarray(matrices, float)
    diagonal = np.diagonal(g, axis1=-2, axis2=-1)
    return np.asarray(diagonal[..., :, None] + diagonal[..., None, :] - 2 * g, float)


@dataclass(frozen=True, eq=False)
class _Pattern:
    """Targets read by the same methods: which, how many, means and products about them."""

    there: NDArray[np.int64]
    n: float
    mean: FloatArray
    products: FloatArray  # sum over targets of (y - mean)(y - mean)'


def _patterns(table: FloatArray) -> list[_Pattern]:
    found: dict[tuple[int, ...], list[int]] = {}
    for i, row in enumerate(np.isfinite(table)):
        found.setdefault(tuple(np.nonzero(row)[0]), []).append(i)
    made = []
    for methods, rows in found.items():
        if len(methods) < 2:
            continue
        there = np.array(methods)
        y = table[np.array(rows)][:, there]
        y = y - y.mean(axis=1, keepdims=True)
        mean = y.mean(axis=0)
        made.append(_Pattern(there, float(len(rows)), mean, (y - mean).T @ (y - mean)))
    return made


def connected(table: ArrayLike) -> bool:
    """Tell whether every two methods are linked by targets that both (or a chain of methods) have read."""
    there = np.isfinite(np.asarray(table, float)).astype(float)
    met = there.T @ there > 0
    reach = np.eye(met.shape[0], dtype=bool)
    for _ in range(met.shape[0]):
        reach = (reach.astype(float) @ met.astype(float)) > 0
    return bool(reach.all())


class _Likelihood:
    """Restricted likelihood of the variances for many sets of variances at once, shape (n_sets, k).

    Products and means of a pattern are shared, or stand for every set by themselves: many studies of one layout.
    """

    def __init__(self, patterns: Sequence[_Pattern], k: int) -> None:
        self.patterns, self.k = patterns, k
        self.df = sum(p.n * (len(p.there) - 1) for p in patterns) - (k - 1)

    def state(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Criterion (n_sets,), its half gradient, approximate information, means and their covariance.

        The information leaves out what the estimated means take away, which changes steps, not where they end.
        """
        b, k = theta.shape
        whole, right = np.zeros((b, k, k)), np.zeros((b, k))
        deviance, weights = np.zeros(b), []
        for p in self.patterns:
            w, log_det = _weights(theta[:, p.there])
            weights.append(w)
            deviance += p.n * log_det + np.sum(w * p.products, axis=(1, 2))
            _add(whole, p.there, p.n * w)
            right[:, p.there] += p.n * (w @ p.mean)
        scale = np.einsum("bii->b", whole) / k**2
        raised = whole + scale[:, None, None]
        q = np.linalg.inv(raised) - 1.0 / (k**2 * scale)[:, None, None]
        mean = np.einsum("bij,bj->bi", q, right)
        deviance += np.linalg.slogdet(raised)[1] - np.log(k * scale)
        score, information = np.zeros((b, k)), np.zeros((b, k, k))
        for p, w in zip(self.patterns, weights, strict=True):
            off = p.mean - mean[:, p.there]
            products = p.products + p.n * off[:, :, None] * off[:, None, :]
            deviance += p.n * np.einsum("bi,bij,bj->b", off, w, off)
            back = w @ (q if len(p.there) == k else q[:, p.there[:, None], p.there]) @ w
            score[:, p.there] += np.einsum("bij,bjk,bki->bi", w, products, w) - p.n * np.einsum("bii->bi", w - back)
            _add(information, p.there, p.n * w**2)
        return deviance, score, information, mean, q

    def fit(self, fixed: NDArray[np.bool_], start: FloatArray, floor: FloatArray, *,
            steps: int = 200, gain_below: float = 1e-14) -> tuple[FloatArray, FloatArray]:
        """Maximise over the variances that are not ``fixed``, never below ``floor``; return them and the criterion.

        Damped scoring: the damping of a set grows tenfold after a step that would not help, and falls after one that
        does.
        """
        theta = np.maximum(start, floor[:, None])
        deviance = np.empty(len(theta))
        left, now = np.arange(len(theta)), self  # sets that are still moving, and their likelihood
        here, dev, score, information, _, _ = (theta.copy(), *self.state(theta))
        damping = np.full(len(theta), 1e-4)
        at = np.arange(self.k)
        for _ in range(steps):
            low, held = floor[left, None], fixed[left]
            free = ~held & ((here > low * (1 + 1e-9)) | (score > 0))
            matrix = np.where(free[:, :, None] & free[:, None, :], information, 0.0)
            matrix[:, at, at] = np.where(free, matrix[:, at, at] * (1 + damping[:, None]), 1.0)
            step = np.linalg.solve(matrix, np.where(free, score, 0.0)[:, :, None])[:, :, 0]
            trial = np.where(held, here, np.maximum(here + step, low))
            new = now.state(trial)
            better = new[0] <= dev + 1e-13 * np.abs(dev)
            gain = np.where(better, dev - new[0], np.inf)
            here, dev = np.where(better[:, None], trial, here), np.where(better, new[0], dev)
            score = np.where(better[:, None], new[1], score)
            information = np.where(better[:, None, None], new[2], information)
            moving = (gain >= gain_below * (1 + np.abs(dev))) & (damping <= 1e8)
            damping = np.where(better, np.maximum(damping / 10, 1e-12), damping * 10)
            theta[left], deviance[left] = here, dev
            if not moving.any():
                break
            if moving.sum() < 0.7 * len(left):
                left, now = left[moving], now.of(moving)
                here, dev, damping = here[moving], dev[moving], damping[moving]
                score, information = score[moving], information[moving]
        return theta, deviance

    def of(self, some: NDArray[np.bool_]) -> _Likelihood:
        """Return the likelihood of some of the sets."""
        return _Likelihood([p if p.products.ndim == 2 else replace(p, products=p.products[some])
                            for p in self.patterns], self.k)


def _add(whole: FloatArray, there: NDArray[np.int64], part: FloatArray) -> None:
    """Add to the rows and columns of some methods, in place."""
    if len(there) == whole.shape[1]:
        whole += part
    else:
        whole[:, there[:, None], there] += part


def _weights(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverse covariance of contrasts, ``W - W 1 1' W / 1' W 1`` with W = diag(1 / theta), and log |C' diag C|."""
    w = 1.0 / theta
    whole = w.sum(axis=1)
    m = theta.shape[1]
    matrix = -w[:, :, None] * w[:, None, :] / whole[:, None, None]
    at = np.arange(m)
    # w - w^2 / whole as w (others) / whole: a variance near zero would cancel.
    matrix[:, at, at] = w * (w @ (1.0 - np.eye(m))) / whole[:, None]
    return matrix, np.log(theta).sum(axis=1) + np.log(whole) - np.log(m)


FLOOR = 1e-7  # of the mean square: where a variance counts as zero


def fit_variances(table: ArrayLike) -> MethodVariances:
    """Fit a variance for every method by restricted maximum likelihood.

    Parameters
    ----------
    table : array, shape (n_targets, k)
        One reading a cell, NaN where there is none; k at least 3.

    Returns
    -------
    MethodVariances

    Raises
    ------
    ValueError
        If the methods are not linked by shared targets, or two methods never differ.

    Notes
    -----
    Fisher scoring with an active set at zero. At most one variance can be zero: with two the likelihood has no upper
    bound, unless all differences are equal.

    References
    ----------
    Grubbs (1948); Pinheiro & Bates (2000), section 5.2 (variance a method by its stratum).
    """
    y = np.asarray(table, float)
    if y.shape[1] < 3 or not connected(y):
        raise ValueError("three methods or more, linked by shared targets, are needed")
    return _fitted(_patterns(y), y.shape[1])


def fit_squares(matrix: ArrayLike, df: float) -> MethodVariances:
    """Fit a variance for every method to mean squares and products of one stratum of a complete table.

    Parameters
    ----------
    matrix : array, shape (k, k)
        Centred, as in :class:`~drift.engine.method_means.JointStrata`.
    df : float
    """
    g = np.asarray(matrix, float)
    return _fitted([_whole(g, df)], len(g))


def _whole(matrices: FloatArray, df: float) -> _Pattern:
    k = matrices.shape[-1]
    return _Pattern(np.arange(k), df + 1.0, np.zeros(k), matrices * df)


def _scale(patterns: Sequence[_Pattern]) -> FloatArray:
    """Mean square of the contrasts, about the size of a variance."""
    squares = sum(np.einsum("...ii->...", p.products) for p in patterns)
    return np.atleast_1d(np.asarray(squares / sum(max(p.n - 1, 1.0) * (len(p.there) - 1) for p in patterns), float))


def _fitted(patterns: list[_Pattern], k: int) -> MethodVariances:
    likelihood, scale = _Likelihood(patterns, k), _scale(patterns)
    if not scale[0] > 0:
        raise ValueError("the methods never differ, so that their variances cannot be told apart")
    floor = FLOOR * scale
    theta, deviance = likelihood.fit(np.zeros((1, k), dtype=bool), np.full((1, k), float(scale[0])), floor)
    at_zero = theta[0] <= floor[0] * (1 + 1e-6)
    if at_zero.sum() > 1:
        raise ValueError("two methods never differ, so that their variances cannot be told apart")
    _, _, _, mean, q = likelihood.state(theta)
    return MethodVariances(mean[0] - np.mean(mean[0]), np.where(at_zero, 0.0, theta[0]),
                           tuple(bool(z) for z in at_zero), q[0], float(deviance[0]),
                           round(sum(p.n for p in patterns)), tuple(patterns))


def profile_intervals(fit: MethodVariances, df: float, level: float, *,
                      methods: Sequence[int] | None = None) -> FloatArray:
    """Interval of the variance of each method: where the profile of the restricted likelihood is high enough.

    A value is inside while minus twice the log ratio to the maximum is at most the quantile of F(1, df); zero is inside
    where it may be. The chi-square quantile, its limit, is too small with few targets (coverage 0.89 with five).

    Parameters
    ----------
    fit : MethodVariances
    df : float
        Targets less one, or the degrees of freedom of the stratum.
    level : float
    methods : sequence of int, optional
        Only of these, in their order.

    Returns
    -------
    array, shape (k, 2)
    """
    from scipy import special

    n, which = len(fit.variances), list(range(len(fit.variances)) if methods is None else methods)
    k, own = len(which), fit.variances[which]
    likelihood, scale = _Likelihood(fit.patterns, n), float(_scale(fit.patterns)[0])
    critical = float(special.fdtri(1.0, max(df, 1.0), level))
    floor = np.full(2 * k, FLOOR * scale)
    fixed = np.vstack([np.eye(n, dtype=bool)[which]] * 2)
    start = np.maximum(np.tile(fit.variances, (2 * k, 1)), FLOOR * scale)
    mine = np.tile(np.log(np.maximum(own, FLOOR * scale)), 2)

    def beyond(logs: FloatArray) -> FloatArray:
        nonlocal start
        start = start.copy()
        start[fixed] = np.exp(logs)
        start, deviance = likelihood.fit(fixed, start, np.minimum(floor, np.exp(logs)), steps=60, gain_below=1e-7)
        return np.asarray(np.sqrt(np.maximum(deviance - fit.criterion, 0.0)) - math.sqrt(critical))

    # The first half looks downwards from the estimate, the second upwards, where the end is first stepped over.
    inside, near = mine.copy(), np.full(2 * k, -math.sqrt(critical))
    outside = np.concatenate([np.minimum(math.log(FLOOR * scale), mine[:k]), mine[k:] + 1.0])
    far = beyond(outside)
    for _ in range(40):
        grow = (far <= 0) & (np.arange(2 * k) >= k)
        if not grow.any():
            break
        inside, near = np.where(grow, outside, inside), np.where(grow, far, near)
        outside = np.where(grow, outside + 1.0, outside)
        far = beyond(outside)
    open_end = far <= 0
    side = np.zeros(2 * k)
    for _ in range(14):  # Illinois steps: the root of the ratio is nearly linear in the log of a variance
        width = outside - inside
        if np.all((np.abs(width) < 1e-6) | open_end):
            break
        share = np.where(open_end, 0.5, np.clip(near / np.minimum(near - far, -1e-300), 0.02, 0.98))
        trial = inside + share * width
        value = beyond(trial)
        out = value > 0
        near, far = (np.where(out & (side > 0), near / 2, near), np.where(~out & (side < 0), far / 2, far))
        inside, outside = np.where(out, inside, trial), np.where(out, trial, outside)
        near, far = np.where(out, near, value), np.where(out, value, far)
        side = np.where(out, 1.0, -1.0)
    ends = np.exp(np.where(np.abs(near) < np.abs(far), inside, outside))
    low = np.where(open_end[:k] | (own <= 0), 0.0, ends[:k])
    return np.column_stack([low, np.where(open_end[k:], np.inf, ends[k:])])


def likelihood_ratios(matrices: ArrayLike, df: float, truth: ArrayLike, methods: ArrayLike) -> FloatArray:
    """Minus twice the log ratio at the true variance of one method, for many complete studies at once.

    Parameters
    ----------
    matrices : array, shape (n_studies, k, k)
        Centred mean squares and products of one stratum each.
    df : float
    truth : array, shape (k,)
    methods : array of int, shape (n_studies,)
        Whose variance is looked at in each study.

    Returns
    -------
    array, shape (n_studies,)
    """
    g, true, which = np.asarray(matrices, float), np.asarray(truth, float), np.asarray(methods)
    n, k = len(g), g.shape[1]
    pattern = _whole(g, df)
    likelihood, scale = _Likelihood([pattern], k), _scale([pattern])
    floor = FLOOR * scale
    theta, best = likelihood.fit(np.zeros((n, k), dtype=bool), np.repeat(scale[:, None], k, axis=1), floor,
                                 gain_below=1e-9)
    theta[np.arange(n), which] = true[which]
    fixed = np.zeros((n, k), dtype=bool)
    fixed[np.arange(n), which] = True
    held = likelihood.fit(fixed, theta, np.minimum(floor, true[which]), gain_below=1e-9)[1]
    return np.maximum(held - best, 0.0)


def likelihood_ratio(fit: MethodVariances, method: int, truth: float) -> float:
    """Minus twice the log ratio of the restricted likelihood at one variance, the others at their best."""
    n = len(fit.variances)
    likelihood, scale = _Likelihood(fit.patterns, n), float(_scale(fit.patterns)[0])
    fixed = np.eye(n, dtype=bool)[[method]]
    start = np.maximum(fit.variances[None], FLOOR * scale)
    start[0, method] = truth
    return max(float(likelihood.fit(fixed, start, np.array([min(FLOOR * scale, truth)]))[1][0]) - fit.criterion, 0.0)
