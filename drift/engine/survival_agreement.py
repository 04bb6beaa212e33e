"""Agreement survival: which share of differences is larger than a distance, counted and by the normal model."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import Strata, pivotal_draws

FloatArray = NDArray[np.float64]


def share_beyond(sizes: ArrayLike, at: ArrayLike, *, weights: ArrayLike | None = None) -> FloatArray:
    """Return the share of absolute differences that are larger than each distance.

    Parameters
    ----------
    sizes : array, shape (n,)
        Absolute differences; the sign does not matter.
    at : array, shape (n_at,)
        Distances.
    weights : array, shape (n,), optional
        Of each difference; equal ones by default.

    Returns
    -------
    array, shape (n_at,)
        One minus the empirical distribution function, which steps down at each size and is 0 from the largest on.

    References
    ----------
    Luiz RR, Costa AJL, Kale PL, Werneck GL (2003), Journal of Clinical Epidemiology 56:963-967.
    """
    d = np.abs(np.asarray(sizes, float))
    w = np.ones(len(d)) if weights is None else np.asarray(weights, float)
    order = np.argsort(d, kind="stable")
    beyond = np.concatenate([[0.0], np.cumsum(w[order])])
    return np.asarray(1.0 - beyond[np.searchsorted(d[order], np.asarray(at, float), side="right")] / beyond[-1], float)


def normal_beyond(mean: ArrayLike, sd: ArrayLike, at: ArrayLike) -> FloatArray:
    """Return the share of normal differences that are further than ``at`` from zero.

    ``Phi((-at - mean)/sd) + Phi((mean - at)/sd)``: tails are added, so that small shares keep their digits.
    """
    from scipy import special

    m, s = np.asarray(mean, float), np.maximum(np.asarray(sd, float), np.finfo(float).tiny)
    x = np.asarray(at, float)
    return np.asarray(special.ndtr((-x - m) / s) + special.ndtr((m - x) / s), float)


def model_beyond(strata: Strata, at: ArrayLike, level: float, *, rng: np.random.Generator,
                 n_draws: int = 2000) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share of single differences on new targets that are further from zero than each distance, by the normal model.

    Parameters
    ----------
    strata : Strata
        Of the differences; targets and sensors that repeat have mean squares of their own in it.
    at : array, shape (n_at,)
        Distances.
    level : float
        Of the pointwise interval.
    rng : numpy.random.Generator
    n_draws : int

    Returns
    -------
    value, low, high : arrays, shape (n_at,)

    Notes
    -----
    The ends are quantiles of the share over draws of mean and SD from their generalised pivotal distribution
    (Weerahandi 1993), one distance at a time: the band holds the truth at any one distance, not at all together.
    The share grows with the size of the mean, and a drawn mean squared exceeds the true one by twice the variance of
    the mean (once from the estimate, once from the draw). At the upper end that errs to the safe side; for the lower
    end it is taken out again, without which that end misses in up to a tenth of studies where the true bias is zero.
    """
    x = np.asarray(at, float)
    means, sds = pivotal_draws(strata, rng, n_draws)
    tail = 0.5 - level / 2
    nearer = np.sqrt(np.maximum(means**2 - 2 * strata.mean_variance, 0.0))
    low = np.quantile(normal_beyond(nearer[:, None], sds[:, None], x), tail, axis=0)
    high = np.quantile(normal_beyond(means[:, None], sds[:, None], x), 1 - tail, axis=0)
    return normal_beyond(strata.mean, strata.sd, x), low, high
