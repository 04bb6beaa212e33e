"""In how many studies of a design bounds of the limits would settle a verdict: many studies at once."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.limits_of_agreement import MULTIPLIER, Strata, limit_factor, pivotal_draws, upper_limit_bound

FloatArray = NDArray[np.float64]


def upper_limit_bounds(strata: Strata, means: FloatArray, mean_squares: FloatArray, probability: float, *,
                       multiplier: float = MULTIPLIER) -> FloatArray:
    """Return :func:`drift.engine.limits_of_agreement.upper_limit_bound` of many studies of one design.

    Parameters
    ----------
    strata : Strata
        Of the design; its mean and mean squares are not used.
    means : array, shape (n_studies,)
    mean_squares : array, shape (n_studies, n_strata)
    probability : float
        One-sided confidence.
    """
    from scipy import special

    df, c, of_mean = strata.df, strata.total, strata.of_mean
    if strata.exact:
        factor = _factor(1 / float(of_mean[0]), probability, multiplier, float(df[0]))
        return np.asarray(means + np.sqrt(mean_squares[:, 0]) * factor, float)
    variance, up = np.maximum(mean_squares @ c, 0.0), probability >= 0.5
    low, high = (df / special.chdtri(df, p) for p in (min(probability, 1 - probability),
                                                      max(probability, 1 - probability)))
    reach = np.where((c > 0) == up, high - 1, 1 - low)
    distance = np.sqrt(np.sum((c * mean_squares * reach) ** 2, axis=1))
    sd, bound = np.sqrt(variance), np.sqrt(np.maximum(variance + distance if up else variance - distance, 0.0))
    terms = mean_squares * of_mean
    of_bias = np.maximum(terms.sum(axis=1), 0.0)
    adding = df[of_mean > 0]
    ratio = terms.sum(axis=1) ** 2 / np.maximum(np.sum(terms**2 / df, axis=1), np.finfo(float).tiny)
    t = special.stdtrit(np.maximum(np.maximum(ratio, 1.0), float(adding.min()) if len(adding) else 1.0), probability)
    away = np.sqrt(t**2 * of_bias + (multiplier * (bound - sd)) ** 2)
    return np.asarray(means + multiplier * sd + (away if up else -away), float)


@lru_cache(maxsize=256)
def _factor(n: float, probability: float, multiplier: float, df: float) -> float:
    """Exact factor of one limit; pairs of one table and both limits share it."""
    return limit_factor(n, probability, multiplier=multiplier, df=df)


def settled_share(strata: Strata, harmless: float, normal: FloatArray, *, confidence: float = 0.95,
                  multiplier: float = MULTIPLIER) -> float:
    """Return the share of studies in which the limits are shown to lie within a harmless difference, or not to.

    Parameters
    ----------
    strata : Strata
        What is taken to be true: bias, expected mean squares and the design.
    harmless : float
    normal : array, shape (n_studies, n_strata + 1)
        Standard normal deviates; the same ones for designs that are compared. Mean squares are made from them by the
        cube of Wilson & Hilferty (1931), so that they move smoothly with the size of the design.
    confidence : float
        Of each one-sided bound.

    Notes
    -----
    With several strata the outer bounds are moved out as far as the pivotal bound lies beyond that by MOVER at the
    expected mean squares, as the verdict rests on the further one.
    """
    spread = 2 / (9 * strata.df)
    squares = strata.mean_squares * np.maximum(1 - spread + normal[:, 1:] * np.sqrt(spread), 0.0) ** 3
    means = strata.mean + normal[:, 0] * np.sqrt(strata.mean_variance)
    inside, outside = settled_studies(strata, means, squares, harmless, inner=1 - confidence, outer=1 - confidence,
                                      reach=further_reach(strata, confidence, multiplier=multiplier),
                                      multiplier=multiplier)
    return float(np.mean(inside | outside))


def settled_studies(strata: Strata, means: FloatArray, mean_squares: FloatArray, harmless: float, *, inner: float,
                    outer: float, reach: float = 1.0, multiplier: float = MULTIPLIER
                    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell of many studies whether both outer bounds lie inside a harmless difference, and whether an inner does not.

    Parameters
    ----------
    strata, means, mean_squares
        As for :func:`upper_limit_bounds`.
    harmless : float
    inner, outer : float
        Tail of each bound.
    reach : float
        As from :func:`further_reach`.
    """
    inside, outside = np.ones(len(means), dtype=bool), np.zeros(len(means), dtype=bool)
    for sign in (-1.0, 1.0):
        value = sign * means + multiplier * np.sqrt(np.maximum(mean_squares @ strata.total, 0.0))
        near, far = (upper_limit_bounds(strata, sign * means, mean_squares, p, multiplier=multiplier)
                     for p in (inner, 1 - outer))
        outside |= near > harmless
        inside &= value + reach * (far - value) < harmless
    return inside, outside


def further_reach(strata: Strata, confidence: float, *, multiplier: float = MULTIPLIER) -> float:
    """Return how many times further than MOVER the pivotal bound reaches, at least one."""
    if strata.exact:
        return 1.0
    centred = replace(strata, mean=0.0)
    means, sds = pivotal_draws(centred, np.random.default_rng(1), 2000)
    value = multiplier * strata.sd
    reach = upper_limit_bound(centred, confidence, multiplier=multiplier) - value
    return max(1.0, (float(np.quantile(means + multiplier * sds, confidence)) - value) / reach) if reach > 0 else 1.0
