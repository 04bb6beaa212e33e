"""Crossed layouts whose facet levels are fixed: what varies is targets and error, the levels' offsets are constants.

Facet levels are absorbed, so the target variance and the error variance come from restricted maximum likelihood of
the remaining contrasts, and the spread of the levels, theta^2 = sum (b_j - mean b)^2 / (k - 1), from comparisons
within targets. Its sum of squares is noncentral chi-square, not a multiple of a central one: the interval of a
sample of levels would be far too wide.

References
----------
McGraw KO, Wong SP (1996). Forming inferences about some intraclass correlation coefficients. Psychological Methods
    1:30-46, table 1 (two-way mixed model: theta_c^2) and table 4.
Weerahandi S (1993). Generalized confidence intervals. JASA 88:899-905.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.engine.meansquares import Interval
from drift.engine.pivotal import Pivots, _chi_squares, _ends

FloatArray = NDArray[np.float64]


def fixed_variances(p: Pivots) -> FloatArray:
    """REML variances of target, facet (theta^2, unbiased, cut at 0), interaction and residual; shape (4,).

    Parameters
    ----------
    p : Pivots
        With unequal replicates the harmonic mean number of readings a cell is used, as in the pivots.
    """
    rest, df_rest = p.ss_inner, p.df_inner
    pooled = False
    target, inner = _target_and_inner(p, rest, df_rest)
    within = p.ss_within / p.df_within if p.df_within else 0.0
    if p.df_within and inner < within * p.inverse_m:
        # No interaction is left: what is inside and within cells estimate one variance.
        pooled = True
        rest, df_rest = p.ss_inner + p.ss_within * p.inverse_m, p.df_inner + p.df_within
        target, inner = _target_and_inner(p, rest, df_rest)
    spread = max(_spread(p)[0] - inner * _spread(p)[1], 0.0)
    if not p.df_within:
        return np.array([target, spread, 0.0, inner])
    if pooled:
        return np.array([target, spread, 0.0, inner / p.inverse_m])
    return np.array([target, spread, inner - within * p.inverse_m, within])


def _target_and_inner(p: Pivots, rest: float, df_rest: int) -> tuple[float, float]:
    """Minimise the restricted criterion over theta = target over inner variance, on log(1 + w theta)."""
    q, w = _each(p.target_squares, p.target_weights, p.df_target)
    df = p.df_target + df_rest

    def at(x: float) -> tuple[float, float]:
        v = 1 + w * math.expm1(x) / float(w.max())
        inner = (float((q / v).sum()) + rest) / df
        return float(np.log(v).sum()) + df * math.log(inner), inner

    # Golden section after a coarse scan: one dimension, one minimum in practice, and zero is an ordinary end.
    grid = np.linspace(0.0, 30.0, 121)
    i = int(np.argmin([at(x)[0] for x in grid]))
    low, high = grid[max(i - 1, 0)], grid[min(i + 1, len(grid) - 1)]
    ratio = (math.sqrt(5) - 1) / 2
    for _ in range(80):
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        low, high = (low, b) if at(a)[0] <= at(b)[0] else (a, high)
    best = 0.5 * (low + high)
    best = 0.0 if i == 0 and at(0.0)[0] <= at(best)[0] else best
    return math.expm1(best) / float(w.max()) * at(best)[1], at(best)[1]


def _each(squares: FloatArray, weights: FloatArray, df: int) -> tuple[FloatArray, FloatArray]:
    """One square and weight a degree of freedom; complete tables hold their sum."""
    if len(weights) == df:
        return squares, weights
    return np.full(df, float(squares.sum()) / df), np.full(df, float(weights[0]))


def _spread(p: Pivots) -> tuple[float, float]:
    """Mean square of the estimated offsets, and how much of the inner variance it holds."""
    q, w = _each(p.facet_squares, p.facet_weights, p.df_facet)
    return float((q / w).mean()), float((1 / w).mean())


def fixed_spread_interval(p: Pivots, level: float) -> Interval:
    """Interval of theta^2, the spread of the fixed levels.

    A generalised pivotal interval: given the inner variance, theta^2 is the noncentrality at which the sum of
    squares of the offsets has a uniform probability.
    """
    square, share = _spread(p)
    df, inner = p.df_facet, p.ss_inner / _chi_squares(p.df_inner, -1)
    scaled = square * df / (inner * share)

    def cdf(s: float) -> float:
        return float(np.mean(1 - _noncentral(scaled, df, s * df / (inner * share))))

    return _ends(cdf, level, max(square, 1e-300))


def _noncentral(x: FloatArray, df: int, shift: FloatArray) -> FloatArray:
    """Distribution function of noncentral chi-square; normal on the root scale where its series gets long."""
    from scipy.special import chndtr, ndtr

    far = np.maximum(x, shift) > 1e4
    series = chndtr(np.where(far, 1.0, x), df, np.where(far, 0.0, shift))
    return np.asarray(np.where(far, ndtr(np.sqrt(x) - np.sqrt(shift + df - 1)), series))


def fixed_agreement_pivotal(p: Pivots, level: float) -> Interval:
    """Generalised pivotal interval of ICC(A,1) with fixed levels: target over target + theta^2 + noise.

    As :func:`drift.engine.pivotal.agreement_pivotal`, with the offsets' sum of squares noncentral instead of central
    chi-square: with two levels it is a fraction as wide, since nothing has to be known about levels that are not there.
    """
    from drift.engine.pivotal import _lattice, _solve

    points = slice(None, None, 4)  # noncentral chi-squares are dear, and the integrand is smooth
    inner, interaction, residual = (x[points] for x in p.draws)
    rest, u = interaction + residual, _lattice()[points, 2]
    target = _solve(p.target_squares, p.target_weights, _upper(p.df_target, u), inner)
    square, share = _spread(p)
    df = p.df_facet
    scaled = square * df / (inner * share)

    def cdf(r: float) -> float:
        if r <= 0:
            return float(np.mean(target <= 0))
        needed = target * (1 - r) / r - rest
        chance = _noncentral(scaled, df, np.maximum(needed, 0.0) * df / (inner * share))
        return float(np.mean(np.where(needed <= 0, 1.0, chance)))

    return _ends(cdf, level, 1.0, 1.0)


def _upper(df: int, u: FloatArray) -> FloatArray:
    from scipy.special import chdtri

    return np.asarray(chdtri(df, u))
