"""Several methods read on the same targets: joint strata, limits with the mean, and simultaneous confidence.

Differences between k methods are contrasts of their readings, and what a study knows about all of them at once is held
as *joint strata*: independent matrices of mean squares and products with their degrees of freedom, and how they add to
the variance of one contrast and to that of its mean. Every pair of methods, and every method against the mean of the
others, is then one contrast, whose :class:`~drift.engine.limits_of_agreement.Strata` follow from the joint ones; with
one reading of each method per target they are those of the plain two-method analysis to the last digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import MULTIPLIER, Strata
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]
DRAWS = 4000


def method_pairs(k: int) -> tuple[tuple[int, int], ...]:
    """Return the pairs of k methods in the order (0, 1), (0, 2), ..."""
    return tuple(combinations(range(k), 2))


def pair_contrast(k: int, i: int, j: int) -> FloatArray:
    """Return the contrast of method i less method j, shape (k,)."""
    c = np.zeros(k)
    c[i], c[j] = 1.0, -1.0
    return c


def mean_contrast(k: int, j: int, *, others: bool) -> FloatArray:
    """Return the contrast of method j less the mean of the others, or less that of all, shape (k,)."""
    c = np.full(k, -1.0 / (k - 1) if others else -1.0 / k)
    c[j] += 1.0 + 1.0 / (k - 1) if others else 1.0
    return c


def orthonormal(k: int) -> FloatArray:
    """Return orthonormal contrasts between k methods, shape (k, k - 1)."""
    basis = np.column_stack([np.ones(k), np.eye(k)[:, : k - 1]])
    return np.asarray(np.linalg.qr(basis)[0][:, 1:], float)


@dataclass(frozen=True, eq=False)
class JointStrata:
    """What is known about all contrasts between k methods at once.

    Parameters
    ----------
    mean : array, shape (k,)
        Means of the methods about their mean.
    matrices : array, shape (n_strata, k, k)
        Mean squares and products; the mean square of contrast c in stratum s is ``c' matrices[s] c``.
    df, total, of_mean : array, shape (n_strata,)
        As in :class:`~drift.engine.limits_of_agreement.Strata`, alike for all contrasts.
    own : array, shape (k,), optional
        Mean squares within targets of each method by itself, for unlinked replicates.
    own_df, own_total : array, shape (k,), optional
        Their degrees of freedom, and with what coefficient each adds to the variance of one reading.
    """

    mean: FloatArray
    matrices: FloatArray
    df: FloatArray
    total: FloatArray
    of_mean: FloatArray
    own: FloatArray | None = None
    own_df: FloatArray | None = None
    own_total: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("mean", "matrices", "df", "total", "of_mean", "own", "own_df", "own_total"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, frozen_array(np.asarray(value, float)))

    @property
    def k(self) -> int:
        """Number of methods."""
        return len(self.mean)

    def of_contrast(self, c: ArrayLike) -> Strata:
        """Return the strata of one contrast, its mean included."""
        c = np.asarray(c, float)
        squares = np.einsum("i,sij,j->s", c, self.matrices, c)
        parts = [squares, self.df, self.total, self.of_mean]
        if self.own is not None:
            assert self.own_df is not None
            assert self.own_total is not None
            there = (c != 0) & (self.own_df > 0)
            more = [self.own, self.own_df, c**2 * self.own_total, np.zeros(self.k)]
            parts = [np.concatenate([p, m[there]]) for p, m in zip(parts, more, strict=True)]
        return Strata(float(c @ self.mean), *parts)


def from_variogram(squares: ArrayLike) -> FloatArray:
    """Return the centred matrix G with ``G_ii + G_jj - 2 G_ij = squares[i, j]``, made positive semidefinite.

    ``G = -J V J / 2`` with J the centring matrix. Mean squares of pairs that come from different targets need not fit
    together; negative eigenvalues are then set to zero.

    Parameters
    ----------
    squares : array, shape (k, k)
        Mean squares of the difference of every pair, zero on the diagonal.
    """
    v = np.asarray(squares, float)
    k = len(v)
    centre = np.eye(k) - 1.0 / k
    g = -0.5 * centre @ v @ centre
    values, vectors = np.linalg.eigh((g + g.T) / 2)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T, float)


def complete_strata(table: ArrayLike) -> JointStrata:
    """Joint strata of one reading of each method per target.

    Parameters
    ----------
    table : array, shape (n_targets, k)
    """
    y = np.asarray(table, float)
    z = y - y.mean(axis=1, keepdims=True)
    mean = z.mean(axis=0)
    z = z - mean
    n = len(y)
    return JointStrata(mean, (z.T @ z / (n - 1))[None], np.array([n - 1.0]), np.ones(1), np.array([1.0 / n]))


def consistent_means(differences: ArrayLike, variances: ArrayLike) -> FloatArray:
    """Means of k methods about their mean, by weighted least squares from the mean differences of pairs.

    Parameters
    ----------
    differences, variances : array, shape (k, k)
        Mean of method i less method j, and its variance; NaN where the two never met.

    Returns
    -------
    array, shape (k,)
        With every target read by every method these are the plain means.
    """
    d, v = np.asarray(differences, float), np.asarray(variances, float)
    k = len(d)
    there = np.isfinite(d) & np.isfinite(v) & ~np.eye(k, dtype=bool)
    scale = float(np.max(v[there], initial=0.0)) or 1.0
    w = np.where(there, 1.0 / np.maximum(np.where(there, v, 1.0), 1e-12 * scale), 0.0)
    laplacian = np.diag(w.sum(axis=1)) - w
    return np.asarray(np.linalg.lstsq(laplacian + np.mean(np.diag(laplacian)) / k,
                                      np.sum(np.where(there, w * np.where(there, d, 0.0), 0.0), axis=1),
                                      rcond=None)[0], float)


def gapped_contrast(table: ArrayLike, matrix: ArrayLike, contrast: ArrayLike) -> Strata:
    """Strata of one contrast where cells are missing: every pair of readings of one target enters.

    The mean of the contrast is put together from the mean differences of all pairs, each from the targets that both
    have read, by weighted least squares; its variance follows from how many targets two pairs share. The variance of
    the contrast is that of the targets that every method read, or put together from the variances of all pairs with
    Satterthwaite's (1946) degrees of freedom, whichever has more degrees of freedom.

    Parameters
    ----------
    table : array, shape (n_targets, k)
        One reading a cell, NaN where there is none; any two methods share three targets or more.
    matrix : array, shape (k, k)
        Centred mean squares and products.
    contrast : array, shape (k,)
    """
    y, g, c = np.asarray(table, float), np.asarray(matrix, float), np.asarray(contrast, float)
    k = y.shape[1]
    pairs = method_pairs(k)
    a = np.stack([pair_contrast(k, i, j) for i, j in pairs])
    there = np.isfinite(y)
    both = np.stack([there[:, i] & there[:, j] for i, j in pairs], axis=1)
    shared = both.astype(float).T @ both
    n = np.diag(shared)
    means = np.array([np.mean(y[b, i] - y[b, j]) for (i, j), b in zip(pairs, both.T, strict=True)])
    cross = a @ g @ a.T
    of_means = cross * shared / np.outer(n, n)
    of_squares = 2 * cross**2 * np.maximum(shared - 1, 0) / np.outer(n - 1, n - 1)
    shares = np.array([-c[i] * c[j] for i, j in pairs])
    each = np.diag(of_means)
    weights = 1 / np.maximum(each, 1e-9 * max(float(each.max()), 1e-300))  # two that never differ weigh much, not all
    laplacian = a.T @ (weights[:, None] * a)
    load = (weights[:, None] * a) @ np.linalg.pinv(laplacian) @ c
    variance = float(c @ g @ c)
    df = 2 * variance**2 / max(float(shares @ of_squares @ shares), 1e-300)
    of_mean = float(load @ of_means @ load) / max(variance, 1e-300)
    whole = y[there.all(axis=1)] @ c
    if len(whole) - 1 >= max(df, 1.0):
        variance, df = float(np.var(whole, ddof=1)), len(whole) - 1.0
    return Strata(float(load @ means), np.array([variance]), np.array([max(df, 1.0)]), np.ones(1), np.array([of_mean]))


def _root(matrix: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)), float)


def _triangles(df: float, p: int, n_draws: int, rng: np.random.Generator) -> FloatArray:
    """Draw lower triangles T with T T' Wishart(df, I), shape (n_draws, p, p); df above p - 1 (Bartlett 1933)."""
    made = np.zeros((n_draws, p, p))
    at = np.arange(p)
    made[:, at, at] = np.sqrt(rng.chisquare(df - at, (n_draws, p)))
    below = np.tril_indices(p, -1)
    made[:, below[0], below[1]] = rng.standard_normal((n_draws, len(below[0])))
    return made


def sampled_squares(matrix: ArrayLike, df: float, n_draws: int, rng: np.random.Generator) -> FloatArray:
    """Draw mean squares and products from their sampling distribution, Wishart(df, matrix) / df.

    Returns
    -------
    array, shape (n_draws, p, p)
    """
    root = _root(np.asarray(matrix, float))
    p = len(root)
    if df > p - 1 + 1e-9:
        half = root @ _triangles(df, p, n_draws, rng)
    else:
        half = root @ rng.standard_normal((n_draws, p, max(int(df), 1)))
        df = max(int(df), 1)
    return np.asarray(half @ np.swapaxes(half, 1, 2) / df, float)


@dataclass(frozen=True, kw_only=True)
class SimultaneousTails:
    """Tail probabilities at which each interval is taken so that all of a family hold together.

    Parameters
    ----------
    bias, limits : float
        Each tail of a two-sided interval of a mean difference, and of a limit.
    outer, inner : float
        Tail of the one-sided bounds of all limits, away from the bias and towards it.
    how : str
        "joint draws" or "Bonferroni".
    """

    bias: float
    limits: float
    outer: float
    inner: float
    how: str = "joint draws"


def bonferroni_tails(m: int, level: float, *, one_sided: float = 0.95) -> SimultaneousTails:
    """Share the error over m contrasts, twice as many limits: holds whatever the dependence."""
    alpha = 1 - level
    each = (1 - one_sided) / (2 * m)
    return SimultaneousTails(bias=alpha / 2 / m, limits=alpha / 4 / m, outer=each, inner=each, how="Bonferroni")


def simultaneous_tails(strata: JointStrata, contrasts: Sequence[FloatArray], level: float, rng: np.random.Generator, *,
                       one_sided: float = 0.95, n_draws: int = DRAWS) -> SimultaneousTails:
    """Find at what tail probability intervals of several contrasts must be taken to hold all together.

    Mean squares and means are drawn from their joint sampling distribution at the estimates; for every contrast the
    pivots of the mean and of both limits are ranked over the draws, and the tail is the quantile over draws of the
    smallest tail in a family (a maximum-type critical value, on the scale of probabilities). Each interval is then
    the exact (or MOVER) one of its pair at that tail, so only the dependence between pairs is simulated. Never below
    what Bonferroni gives.

    Parameters
    ----------
    strata : JointStrata
    contrasts : sequence of array, shape (k,)
    level : float
        Of the two-sided families together.
    one_sided : float
        Of the one-sided bounds together.

    References
    ----------
    Hothorn, Bretz & Westfall (2008), Biometrical Journal 50:346-363 (maximum-type critical values); Besag, Green,
    Higdon & Mengersen (1995), Statistical Science 10:3-66, section 6.3 (simultaneous regions from ranks of draws).
    """
    k, m = strata.k, len(contrasts)
    c = orthonormal(k)
    b = np.stack(contrasts) @ c  # (m, p)
    spread, of_mean = np.zeros((n_draws, m)), np.zeros((k - 1, k - 1))
    se2, true = np.zeros((n_draws, m)), np.zeros(m)
    for g, df, a, w in zip(strata.matrices, strata.df, strata.total, strata.of_mean, strict=True):
        inner = c.T @ g @ c
        drawn = np.einsum("mp,npq,mq->nm", b, sampled_squares(inner, float(df), n_draws, rng), b)
        spread, se2 = spread + a * drawn, se2 + w * drawn
        true, of_mean = true + a * np.einsum("mp,pq,mq->m", b, inner, b), of_mean + w * inner
    if strata.own is not None:
        assert strata.own_df is not None
        assert strata.own_total is not None
        there = strata.own_df > 0
        ratio = np.ones((n_draws, k))
        ratio[:, there] = rng.chisquare(strata.own_df[there], (n_draws, int(there.sum()))) / strata.own_df[there]
        squares = np.stack(contrasts) ** 2 * (strata.own * strata.own_total)
        spread, true = spread + ratio @ squares.T, true + squares.sum(axis=1)
    noise = rng.standard_normal((n_draws, k - 1)) @ (b @ _root(of_mean)).T
    sd, sigma = np.sqrt(np.maximum(spread, 1e-300)), np.sqrt(np.maximum(true, 0.0))
    bias = _ranks(noise / np.sqrt(np.maximum(se2, 1e-300)))
    # Pivots of the lower limit, and of the upper one turned round: alike, and each covers outwards while not too small.
    limits = _ranks(np.hstack([(-MULTIPLIER * sigma - noise) / sd, -(MULTIPLIER * sigma - noise) / sd]))
    alpha, least = 1 - level, bonferroni_tails(m, level, one_sided=one_sided)

    def tail(smallest: FloatArray, share: float, bonferroni: float) -> float:
        return max(float(np.quantile(smallest, share)), bonferroni)

    return SimultaneousTails(bias=tail(np.minimum(bias, 1 - bias).min(axis=1), alpha, least.bias),
                             limits=tail(np.minimum(limits, 1 - limits).min(axis=1), alpha, least.limits),
                             outer=tail(limits.min(axis=1), 1 - one_sided, least.outer),
                             inner=tail((1 - limits).min(axis=1), 1 - one_sided, least.inner))


def _ranks(values: FloatArray) -> FloatArray:
    """Share of the draws at or below each draw.

    Columns are pivots of the same kind; brought to one centre and spread they are ranked together, so that far tails
    are told from many draws. With one stratum all have the same distribution anyway.
    """
    z = (values - values.mean(axis=0)) / np.maximum(values.std(axis=0), 1e-300)
    n = z.size
    ranks = np.empty(n)
    ranks[np.argsort(z, axis=None)] = np.arange(n) + 0.5
    return np.asarray(ranks.reshape(values.shape) / n, float)
