"""Tolerance bounds for a unit from a new batch: one-way random model, generalised pivotal quantity.

The pivotal quantity is averaged over its normal part in closed form and over its two chi-squares by quadrature, so the
bound needs no random draws, has no seed and is smooth in whatever the sample depends on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array
from drift.engine.tolerance import check_shares, one_sided_factor

Floats = NDArray[np.float64]

# Spacing of the quadrature over log chi-squares, and the least weight a node needs to be kept.
_BETWEEN_SPACING = 0.3
_WITHIN_SPACING = 0.12
_LEAST_WEIGHT = 1e-9


@lru_cache(maxsize=512)
def _chi2_nodes(df: int, spacing: float) -> tuple[Floats, Floats]:
    """Nodes and weights that average over a chi-square of ``df`` degrees of freedom (trapezium rule on its log).

    The density of log chi-square falls off exponentially to the left and doubly so to the right, and what is
    averaged is smooth there, so the trapezium rule converges faster than any power of the spacing.
    ``df = 0`` stands for a term that is absent: one node at infinity.
    """
    if df == 0:
        return frozen_array([np.inf]), frozen_array([1.0])
    from scipy.special import chdtri, gammaln

    low = math.log(float(chdtri(float(df), 1 - 1e-11)))
    high = math.log(float(chdtri(float(df), 1e-15)))
    step = min(spacing, 0.5 * math.sqrt(2 / df))  # the log of a chi-square has SD of about root 2/df
    t = np.arange(low, high + step, step)
    w = np.exp(df / 2 * t - np.exp(t) / 2 - df / 2 * math.log(2) - float(gammaln(df / 2)))
    return frozen_array(np.exp(t)), frozen_array(w / w.sum())


@dataclass(frozen=True)
class OneWay:
    """A sample of the one-way random model, reduced to what its tolerance bound needs.

    Parameters
    ----------
    mean : ndarray, shape (...,)
        Unweighted mean of the batch means.
    ss_between : ndarray, shape (...,)
        Sum over batches of (batch mean - mean)^2 (not multiplied by the batch size).
    ss_within : ndarray, shape (...,)
        Sum over units of (value - batch mean)^2.
    n_batches, df_within : int
        Number of batches b, and units minus batches (0 drops the within part).
    harmonic_m : float
        Harmonic mean of the batch sizes.
    """

    mean: Floats
    ss_between: Floats
    ss_within: Floats
    n_batches: int
    df_within: int
    harmonic_m: float

    def __post_init__(self) -> None:
        if self.n_batches < 2:
            raise ValueError("the two-level bound needs two or more batches")
        m, ssb, ssw = np.broadcast_arrays(np.asarray(self.mean, float),
                                          np.maximum(np.asarray(self.ss_between, float), 0),
                                          np.maximum(np.asarray(self.ss_within, float), 0))
        for name, value in (("mean", m), ("ss_between", ssb), ("ss_within", ssw)):
            object.__setattr__(self, name, frozen_array(value))


@lru_cache(maxsize=512)
def _node_pairs(df_between: int, df_within: int) -> tuple[Floats, Floats, Floats]:
    cb, wb = _chi2_nodes(df_between, _BETWEEN_SPACING)
    cw, ww = _chi2_nodes(df_within, _WITHIN_SPACING)
    weights = np.outer(wb, ww)
    i, j = np.nonzero(weights > _LEAST_WEIGHT)
    return frozen_array(cb[i]), frozen_array(cw[j]), frozen_array(weights[i, j] / weights[i, j].sum())


def two_level_confidence(sample: OneWay, limit: ArrayLike, *, content: float) -> Floats:
    """Confidence that the share ``content`` of units from new batches lies at or below ``limit``.

    The chance, over the generalised pivotal quantity mean + Z sqrt(SSB / (b c2_b)) + z_P sqrt(SSB / c2_b +
    (1 - 1/m) SSW / c2_w), of staying at or below the limit: Z is integrated in closed form, the chi-squares by
    quadrature, so there are no random draws.

    Parameters
    ----------
    sample : OneWay
        Shape (...,).
    limit : array_like, shape (...,)
        Limit.
    content : float
        P.

    Returns
    -------
    ndarray, shape (...,)
        The tolerance bound of :func:`two_level_bound` is within the limit where this is at least C.
    """
    from scipy.special import ndtri

    check_shares(content)
    return _confidence(sample, np.asarray(limit, float), float(ndtri(content)))


def _scaled(sample: OneWay, limit: Floats, z: float) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Return normal scores of staying within the limit at every node, their slope, weights, and a no-spread mask.

    Divided by sqrt(SSB) the score is (limit - mean) sqrt(b c2_b) - z sqrt(b) sqrt(1 + r c2_b / c2_w) with
    r = (1 - 1/m) SSW / SSB, so the nodes are shared by all samples.
    """
    cb, cw, weights = _node_pairs(sample.n_batches - 1, sample.df_within)
    within = (1 - 1 / sample.harmonic_m) * sample.ss_within
    flat = (sample.ss_between <= 0) & (within <= 0)
    # A sample whose batch means are all equal is the limit of ever smaller SSB.
    ssb = np.where(flat, 1.0, np.maximum(sample.ss_between, 1e-14 * within))
    root = np.sqrt(ssb)
    p = np.sqrt(sample.n_batches * cb)
    score = ((limit - sample.mean) / root)[..., None] * p
    spread = np.multiply.outer(within / ssb, cb / cw)
    spread += 1.0
    np.sqrt(spread, out=spread)
    spread *= z * math.sqrt(sample.n_batches)
    score -= spread
    return score, p / root[..., None], weights, flat


def _confidence(sample: OneWay, limit: Floats, z: float) -> Floats:
    from scipy.special import ndtr

    score, _, weights, flat = _scaled(sample, limit, z)
    return np.asarray(np.where(flat, (limit >= sample.mean).astype(float), ndtr(score) @ weights))


def _rows(sample: OneWay, pick: NDArray[np.int64] | slice) -> OneWay:
    """Return some of the samples, flattened."""
    return OneWay(sample.mean.ravel()[pick], sample.ss_between.ravel()[pick], sample.ss_within.ravel()[pick],
                  sample.n_batches, sample.df_within, sample.harmonic_m)


def two_level_bound(sample: OneWay, *, content: float, confidence: float) -> Floats:
    """Upper tolerance bound for a unit from a new batch (one-way random model, generalised pivotal quantity).

    Parameters
    ----------
    sample : OneWay
        Shape (...,).
    content, confidence : float
        P and C.

    Returns
    -------
    ndarray, shape (...,)
        C quantile of mean + Z sqrt(SSB / (b c2_b)) + z_P sqrt(SSB / c2_b + (1 - 1/m) SSW / c2_w), with Z standard
        normal and c2_b, c2_w independent chi-squares on b - 1 and ``df_within`` degrees of freedom.

    Raises
    ------
    ValueError
        If there are fewer than two batches or a share lies outside (0, 1).

    References
    ----------
    Krishnamoorthy, K. and Mathew, T. (2009), Statistical Tolerance Regions, Wiley, sections 5.3 and 5.4 (unequal
    batches: unweighted means and the harmonic mean of their sizes).
    """
    check_shares(content, confidence)
    from scipy.special import ndtr, ndtri

    z, target = float(ndtri(content)), float(ndtri(confidence))
    flat = _rows(sample, slice(None))
    spread = np.sqrt(flat.ss_between / (flat.n_batches - 1) + flat.ss_within / max(flat.df_within, 1))
    low, high = flat.mean - 40 * spread, np.full_like(flat.mean, np.inf)
    at = np.where(spread > 0, flat.mean + float(one_sided_factor(flat.n_batches, content, confidence)) * spread,
                  flat.mean)
    left = np.flatnonzero(spread > 0)  # only samples whose bound still moves are worked on
    for _ in range(100):  # Newton on the normal-score scale, where the confidence is nearly straight in the bound
        if not len(left):
            break
        x, width = at[left], spread[left]
        score, by_limit, weights, _ = _scaled(_rows(flat, left), x, z)
        reached = ndtri(np.clip(ndtr(score) @ weights, 1e-15, 1 - 1e-15))
        low[left], high[left] = np.where(reached < target, x, low[left]), np.where(reached < target, high[left], x)
        with np.errstate(divide="ignore", invalid="ignore"):
            np.square(score, out=score)
            score *= -0.5
            density = (np.exp(score, out=score) * by_limit) @ weights
            new = x + (target - reached) / (density * np.exp(reached * reached / 2))
        halfway = np.where(np.isfinite(high[left]), (low[left] + high[left]) / 2,
                           x + 2 * width + np.abs(x - flat.mean[left]))
        new = np.where((new >= low[left]) & (new <= high[left]), new, halfway)
        moves = np.abs(new - x) > 1e-10 * width
        at[left[moves]] = new[moves]
        left = left[moves]
    return at.reshape(sample.mean.shape)


def two_level_share(sample: OneWay, limit: float, *, level: float) -> tuple[float, float, float]:
    """Share of units from new batches beyond ``limit``, by the generalised pivotal quantity of the bound.

    Parameters
    ----------
    sample : OneWay
        Shape ().
    limit : float
        Values above it are beyond.
    level : float
        Confidence level of the two-sided interval.

    Returns
    -------
    share, low, high : float
        Quantiles of the pivotal share at 1/2 and (1 -/+ level)/2, dual to :func:`two_level_bound`.

    References
    ----------
    Krishnamoorthy, K. and Mathew, T. (2009), Statistical Tolerance Regions, Wiley, section 5.3.
    """
    check_shares(level)
    from scipy.special import ndtr

    tail = (1 - level) / 2

    def share_at(probability: float) -> float:
        # Confidence that the share is at most Phi(-z) falls as z grows.
        low, high = -40.0, 40.0
        for _ in range(60):
            z = (low + high) / 2
            if float(_confidence(sample, np.asarray(limit), z)) >= probability:
                low = z
            else:
                high = z
        return float(ndtr(-low))

    return share_at(0.5), share_at(tail), share_at(1 - tail)
