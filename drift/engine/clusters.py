"""Bootstrap of bias, spread and limits of agreement by resampling whole targets, without resampled tables.

A resample of targets is its multiplicities: how often each target was drawn. Every target is first reduced to its
mean difference, its within-target sums of squares and their degrees of freedom; the figures of all replicates are then
one product of multiplicities with those sums. A target drawn twice counts as two targets.

With few targets this is worse than intervals from mean squares: resampled targets spread less than targets do (by
(n - 1) / n in variance), and few distinct extremes stand behind the ends of a percentile interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import MULTIPLIER
from drift.engine.readonly import frozen_array
from drift.engine.resampling import bca_interval, multiplicities, percentile_interval

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Statistic = Callable[[FloatArray], FloatArray]
CHUNK = 100_000  # multiplicities drawn at once: they stay in the processor's cache


@dataclass(frozen=True, eq=False)
class ClusterSums:
    """What is kept of each target.

    Parameters
    ----------
    means : array, shape (n_targets,)
        Mean difference of each target.
    inverse, squares, df : arrays, shape (n_targets, n_within)
        One over the number of readings, sum of squares within the target and its degrees of freedom: one column for
        linked pairs, one a method for unlinked readings.
    """

    means: FloatArray
    inverse: FloatArray
    squares: FloatArray
    df: FloatArray

    def __post_init__(self) -> None:
        for name in ("means", "inverse", "squares", "df"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    @property
    def n(self) -> int:
        """Number of targets."""
        return len(self.means)


def _within(values: ArrayLike, target: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, number and centred sum of squares of each target."""
    x, code = np.asarray(values, float), np.asarray(target)
    number = np.bincount(code).astype(float)
    if not number.all():
        raise ValueError("every target needs a reading; number targets 0, 1, 2, ... without gaps")
    means = np.asarray(np.bincount(code, weights=x) / number, float)
    return means, number, np.asarray(np.bincount(code, weights=(x - means[code]) ** 2), float)


def linked_sums(differences: ArrayLike, target: ArrayLike) -> ClusterSums:
    """Sum linked pairs up by target: one column within targets.

    Parameters
    ----------
    differences : array, shape (n_pairs,)
    target : array of int, shape (n_pairs,)
        Codes 0..n_targets - 1.
    """
    means, number, squares = _within(differences, target)
    return ClusterSums(means, (1 / number)[:, None], squares[:, None], (number - 1)[:, None])


def unlinked_sums(a: ArrayLike, target_a: ArrayLike, b: ArrayLike, target_b: ArrayLike) -> ClusterSums:
    """Sum unlinked readings of two methods up by target: one column within targets a method."""
    parts = [_within(a, target_a), _within(b, target_b)]
    if len(parts[0][0]) != len(parts[1][0]):
        raise ValueError("every target needs a reading of each method")
    columns = [np.column_stack(c) for c in zip(*((1 / n, s, n - 1) for _, n, s in parts), strict=True)]
    return ClusterSums(parts[0][0] - parts[1][0], *columns)


@dataclass(frozen=True, eq=False)
class Replicates:
    """Bias and SD of one difference of each replicate, shape (n_replicates,); limits follow from them."""

    bias: FloatArray
    sd: FloatArray
    multiplier: float = MULTIPLIER

    @property
    def lower(self) -> FloatArray:
        """Lower limits."""
        return self.bias - self.multiplier * self.sd

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""
        return self.bias + self.multiplier * self.sd


def bias_and_sd(sums: ClusterSums, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return bias and SD of one difference for multiplicities of the targets.

    Parameters
    ----------
    sums : ClusterSums
    w : array, shape (n_replicates, n_targets)
        How often each target counts.

    Notes
    -----
    Bias: mean of target means. Variance of one difference: that of target means (divisor n - 1) and, for each column
    within targets, ``(1 - mean of 1/m)`` times the pooled variance within (Bland & Altman 1999, section 5.2; Zou 2013).
    """
    centre = float(sums.means.mean())
    m, k = sums.means - centre, sums.inverse.shape[1]
    found = w @ np.column_stack([m, m**2, sums.inverse, sums.squares, sums.df])
    n = w.sum(axis=1)
    mean = found[:, 0] / n
    variance = np.maximum(found[:, 1] - n * mean**2, 0.0) / (n - 1)
    for j in range(k):
        inverse, squares, df = (found[:, 2 + j + i * k] for i in range(3))
        within = np.divide(squares, df, out=np.zeros_like(df), where=df > 0)
        variance += (1 - inverse / n) * within
    return mean + centre, np.sqrt(variance)


def resampled(n_targets: int, statistic: Statistic, *, n: int = 10_000, rng: np.random.Generator) -> FloatArray:
    """Draw bootstrap replicates of any statistic of the multiplicities of whole targets.

    Parameters
    ----------
    n_targets : int
    statistic : callable
        From multiplicities, shape (n_some, n_targets), to values, shape (n_some,) or (n_some, n_values): moments of
        targets weighted by them, or :func:`weighted_quantiles`.
    n : int
        Number of replicates.
    rng : numpy.random.Generator

    Returns
    -------
    array, shape (n,) or (n, n_values)
    """
    step = max(1, CHUNK // n_targets)
    return np.concatenate([statistic(multiplicities(n_targets, min(step, n - done), rng))
                           for done in range(0, n, step)])


def cluster_bootstrap(sums: ClusterSums, *, n: int = 10_000, rng: np.random.Generator,
                      multiplier: float = MULTIPLIER) -> Replicates:
    """Draw bootstrap replicates of bias, SD and limits of agreement, whole targets with replacement.

    Parameters
    ----------
    sums : ClusterSums
        Of :func:`linked_sums` or :func:`unlinked_sums`; at least two targets.
    n : int
        Number of replicates.
    rng : numpy.random.Generator
    multiplier : float
        Limits are bias -/+ multiplier x SD.

    Returns
    -------
    Replicates

    Raises
    ------
    ValueError
        With fewer than two targets.

    References
    ----------
    Davison & Hinkley (1997), Bootstrap Methods and their Application, section 3.8 (resampling of whole clusters).
    """
    if sums.n < 2:
        raise ValueError("resampling targets needs at least two of them")
    found = resampled(sums.n, lambda w: np.column_stack(bias_and_sd(sums, w)), n=n, rng=rng)
    return Replicates(found[:, 0], found[:, 1], multiplier)


def one_left_out(sums: ClusterSums, *, multiplier: float = MULTIPLIER) -> Replicates:
    """Return bias, SD and limits without each target in turn; NaN where one target would be left."""
    if sums.n < 3:
        return Replicates(np.full(sums.n, np.nan), np.full(sums.n, np.nan), multiplier)
    return Replicates(*bias_and_sd(sums, np.ones((sums.n, sums.n)) - np.eye(sums.n)), multiplier)


def cluster_intervals(sums: ClusterSums, level: float, *, method: Literal["percentile", "BCa"] = "BCa",
                      n: int = 10_000, rng: np.random.Generator,
                      multiplier: float = MULTIPLIER) -> dict[str, tuple[float, float]]:
    """Return bootstrap intervals of "bias", "SD of differences", "lower limit" and "upper limit".

    Parameters
    ----------
    sums, n, rng, multiplier
        As :func:`cluster_bootstrap`.
    level : float
    method : {"percentile", "BCa"}
        BCa: bias-corrected and accelerated (Efron 1987), acceleration from leaving out each target in turn.
    """
    made = cluster_bootstrap(sums, n=n, rng=rng, multiplier=multiplier)
    columns = {"bias": "bias", "SD of differences": "sd", "lower limit": "lower", "upper limit": "upper"}
    if method == "percentile":
        return {name: percentile_interval(getattr(made, c), level) for name, c in columns.items()}
    whole = Replicates(*bias_and_sd(sums, np.ones((1, sums.n))), multiplier)
    left = one_left_out(sums, multiplier=multiplier)
    return {name: bca_interval(getattr(made, c), float(getattr(whole, c)[0]), getattr(left, c), level)
            for name, c in columns.items()}


def weighted_quantiles(values: ArrayLike, target: ArrayLike, probabilities: ArrayLike, w: FloatArray) -> FloatArray:
    """Quantiles of all readings when each target counts as often as it was drawn.

    Parameters
    ----------
    values : array, shape (n_pairs,)
    target : array of int, shape (n_pairs,)
        Codes 0..n_targets - 1.
    probabilities : array, shape (n_values,)
    w : array, shape (n_replicates, n_targets)
        Multiplicities.

    Returns
    -------
    array, shape (n_replicates, n_values)
        The smallest reading at or below which a share of at least the probability lies (inverse of the distribution
        function), so that no resampled table is sorted.
    """
    x, code = np.asarray(values, float), np.asarray(target)
    order = np.argsort(x, kind="stable")
    below = np.cumsum(w[:, code[order]], axis=1)
    wanted = np.multiply.outer(below[:, -1], np.atleast_1d(np.asarray(probabilities, float)))
    at = np.stack([np.sum(below < wanted[:, [j]] - 1e-9, axis=1) for j in range(wanted.shape[1])], axis=1)
    return np.asarray(x[order][np.minimum(at, len(x) - 1)], float)
