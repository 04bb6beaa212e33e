"""Draws of a population of sensors from what their own lines say: mean and covariance, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Population:
    """Draws of mean and covariance; ``mean`` has shape (n_draws, p), ``root`` (n_draws, p, p).

    ``root @ root.T`` is the covariance of the true lines of new sensors (of new batches where batches are known).
    """

    mean: Floats
    root: Floats

    def __post_init__(self) -> None:
        for name in ("mean", "root"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.mean)


def population_draws(lines: ArrayLike, error: ArrayLike, *, n_draws: int, rng: np.random.Generator,
                     batch: ArrayLike | None = None, error_df: int = 0) -> Population:
    """Draw mean and covariance of true lines, given the estimated lines of some sensors.

    Parameters
    ----------
    lines : array_like, shape (n_sensors, p)
        Coefficients of each sensor's own line or lines.
    error : array_like, shape (p, p)
        Mean covariance of their estimation errors.
    n_draws : int
    rng : numpy.random.Generator
    batch : array_like of int, shape (n_sensors,), optional
        Batch codes; then the draws are of sensors from new batches.
    error_df : int
        Degrees of freedom behind ``error``; 0 takes it as known.

    Returns
    -------
    Population

    Notes
    -----
    Mean and size of the covariance are drawn from their pivotal (fiducial) distributions under normal lines: S
    (n - 1)/chi2_{n-1} and mean + N(0, that/n); with batches the unweighted between and within sums of products, each
    over its own chi-square, as in the two-level tolerance bound. The shape of each matrix is taken as estimated, so
    that the variance of any one line value has exactly the pivotal distribution that its tolerance bound has. The
    estimation errors are then taken out and what is left is projected on the positive semidefinite matrices. The draws
    are quasi-random (a Kronecker sequence, shifted at random), so that few of them show the distribution well.

    References
    ----------
    Krishnamoorthy, K. and Mathew, T. (2009), Statistical Tolerance Regions, Wiley, chapters 1 and 5.
    """
    y, e = np.asarray(lines, dtype=np.float64), np.asarray(error, dtype=np.float64)
    from scipy.special import chdtri, ndtri

    n, p = y.shape
    if n < 2:
        raise ValueError("a population needs two sensors or more")
    u = np.clip((kronecker(n_draws, p + 3) + rng.random(p + 3)) % 1, 1e-12, 1 - 1e-12)

    def chisquare(df: int, column: int) -> Floats:
        return np.asarray(chdtri(float(df), u[:, p + column]))

    codes = None if batch is None else np.unique(np.asarray(batch), return_inverse=True)[1]
    if codes is not None and int(codes.max()) >= 1:
        size = np.bincount(codes)
        b = len(size)
        means = np.stack([np.bincount(codes, y[:, j]) / size for j in range(p)], axis=1)
        between, within = _products(means), (y - means[codes]).T @ (y - means[codes])
        centre, units = means.mean(0), b
        mean_cov = between / chisquare(b - 1, 0)[:, None, None]
        total = mean_cov.copy()
        if n > b:
            share = 1 - float((1 / size).mean())
            total += share * within / chisquare(n - b, 1)[:, None, None]
    else:
        centre, units = y.mean(0), n
        mean_cov = total = _products(y) / chisquare(n - 1, 0)[:, None, None]
    mean = centre + np.einsum("kij,kj->ki", _root(mean_cov / units), ndtri(u[:, :p]))
    scale = error_df / chisquare(error_df, 2) if error_df > 0 else np.ones(n_draws)
    return Population(mean, _root(total - scale[:, None, None] * e, unit=np.sqrt(np.diagonal(total, axis1=1, axis2=2))))


def kronecker(n: int, p: int) -> Floats:
    """First n points of the Kronecker sequence of the generalised golden ratio, shape (n, p)."""
    g = 2.0
    for _ in range(60):
        g = (1 + g) ** (1 / (p + 1))
    return np.asarray((np.arange(n)[:, None] * g ** -np.arange(1.0, p + 1)) % 1)


def _products(y: Floats) -> Floats:
    d = y - y.mean(0)
    return np.asarray(d.T @ d)


def _root(cov: Floats, unit: Floats | None = None) -> Floats:
    """Square root of the nearest positive semidefinite matrices, coordinates in units of their own SD."""
    sd = np.sqrt(np.maximum(np.diagonal(cov, axis1=1, axis2=2), 0.0)) if unit is None else unit
    sd = np.where(sd > 0, sd, 1.0)
    values, vectors = np.linalg.eigh(cov / (sd[:, :, None] * sd[:, None, :]))
    # The symmetric root: it alone does not depend on the signs a linear algebra library gives its vectors.
    symmetric = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.transpose(0, 2, 1)
    return np.asarray(sd[:, :, None] * symmetric)
