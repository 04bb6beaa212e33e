"""Limits of agreement with the mean of all methods: as published, and for methods that are the only ones asked of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import MULTIPLIER
from drift.engine.method_means import JointStrata

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class MeanLimit:
    """Half width of the limits of agreement with the mean of all methods, with an interval.

    ``sd`` is the root mean square deviation of a reading from the mean of its target; ``limit`` is 1.96 times it.
    """

    limit: float
    low: float
    high: float
    sd: float
    method: str


def published_limit(table: ArrayLike, level: float, *, multiplier: float = MULTIPLIER) -> MeanLimit:
    """Limits of agreement with the mean as published, methods taken as a sample from many.

    ``1.96 sqrt((SSB + SSE) / N)``: SSB between methods (k - 1 df) and SSE residual ((n - 1)(k - 1) df) of the two-way
    table, N readings. The interval adds the chi-square reaches of both sums of squares in quadrature.

    Parameters
    ----------
    table : array, shape (n_targets, k)
        One reading in every cell.

    References
    ----------
    Jones M, Dobson A, O'Brian S (2011). International Journal of Epidemiology 40:1308-1313. Christensen HS, Borgbjerg
    J, Borty L, Bogsted M (2020). BMC Medical Research Methodology 20:304, asymmetric interval.
    """
    from scipy import special

    y = np.asarray(table, float)
    n, k = y.shape
    z = y - y.mean(axis=1, keepdims=True)
    between = n * float(np.sum(z.mean(axis=0) ** 2))
    residual = float(np.sum((z - z.mean(axis=0)) ** 2))
    squares, df = np.array([between, residual]), np.array([k - 1.0, (n - 1.0) * (k - 1)])
    tail = 0.5 - level / 2
    above, below = df / special.chdtri(df, 1 - tail) - 1, 1 - df / special.chdtri(df, tail)
    whole = between + residual
    down, up = (math.sqrt(float(np.sum((reach * squares) ** 2))) for reach in (below, above))
    low, value, high = (multiplier * math.sqrt(max(e, 0.0) / (n * k)) for e in (whole - down, whole, whole + up))
    return MeanLimit(limit=value, low=low, high=high, sd=value / multiplier,
                     method="two-way random effects, sums of squares (Christensen et al. 2020), asymmetric interval")


def mean_limit(strata: JointStrata, level: float, *, multiplier: float = MULTIPLIER) -> MeanLimit:
    """Limits of agreement with the mean, the methods taken as they are (the only ones of interest).

    The squared limit is 1.96 squared times the mean over methods of ``(mean_j - mean)^2`` (B) and of the variance of
    reading j less the mean of all (W). In a complete table with one reading a cell the estimate is the published one.

    Notes
    -----
    W: traces of the strata, each with the degrees of freedom ``df tr(S)^2 / tr(S^2)`` (Satterthwaite 1946; Box 1954),
    the squared trace of the expectation estimated without bias; MOVER over strata. B: sum of squares of the means over
    its error as a noncentral F. The two intervals are put together by MOVER (Zou & Donner 2008).
    """
    from scipy import special

    k = strata.k
    tail = 0.5 - level / 2
    parts, df, of_mean = _traces(strata)
    within = float(parts.sum())
    chance = float(np.trace(of_mean)) / k
    apart = float(np.mean(strata.mean**2))
    between = max(apart - chance, 0.0)
    low, high = _between_ends(strata, of_mean, apart, tail)
    below = parts * (1 - df / special.chdtri(df, tail))
    above = parts * (df / special.chdtri(df, 1 - tail) - 1)
    centre = between + within
    ends = (centre - math.sqrt(float(np.sum(below**2)) + max(between - low, 0.0) ** 2),
            centre + math.sqrt(float(np.sum(above**2)) + max(high - between, 0.0) ** 2))
    value = max(apart - chance, -within) + within
    limits = (multiplier * math.sqrt(max(e, 0.0)) for e in (ends[0], value, ends[1]))
    low, limit, high = limits
    return MeanLimit(limit=limit, low=min(low, limit), high=max(high, limit), sd=limit / multiplier,
                     method="methods as they are; MOVER of chi-square and noncentral F")


def _traces(strata: JointStrata) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean variance of a reading about the mean of all by stratum, degrees of freedom, covariance of the means."""
    k = strata.k
    parts, dfs = [], []
    for g, df, total in zip(strata.matrices, strata.df, strata.total, strict=True):
        parts.append(total * float(np.trace(g)) / k)
        dfs.append(trace_df(g, float(df)))
    if strata.own is not None:
        assert strata.own_df is not None
        assert strata.own_total is not None
        there = strata.own_df > 0
        parts += list(strata.own[there] * strata.own_total[there] * (k - 1) / k**2)
        dfs += list(strata.own_df[there])
    return np.array(parts), np.array(dfs), np.einsum("s,sij->ij", strata.of_mean, strata.matrices)


def trace_df(matrix: ArrayLike, df: float) -> float:
    """Degrees of freedom of the trace of a matrix of mean squares and products."""
    g = np.asarray(matrix, float)
    trace, squares = float(np.trace(g)), float(np.sum(g**2))
    p = len(g) - 1
    if not trace > 0:
        return df
    if df > 1:  # unbiased for the trace of the squared expectation
        squares = df**2 / ((df - 1) * (df + 2)) * (squares - trace**2 / df)
    return float(df * min(max(trace**2 / max(squares, 1e-300), 1.0), p))


def _between_ends(strata: JointStrata, of_mean: FloatArray, apart: float, tail: float) -> tuple[float, float]:
    """Return ends of the mean squared distance of the methods' means, from a noncentral F."""
    from scipy import special

    trace = float(np.trace(of_mean))
    if not trace > 0:
        return apart, apart
    k = strata.k
    df = float(strata.df @ np.maximum(strata.of_mean, 0) / max(float(np.maximum(strata.of_mean, 0).sum()), 1e-300))
    nu = trace_df(of_mean, df) / df
    error_df = trace_df(of_mean, df)
    statistic = k * apart / trace

    def noncentrality(p: float) -> float:
        """Solve P(F <= statistic) = p; zero where even the central F is below."""
        if special.fdtr(nu, error_df, statistic) <= p:
            return 0.0
        low, high = 0.0, max(4.0 * nu * statistic, 10.0)
        while special.ncfdtr(nu, error_df, high, statistic) > p and high < 1e7:
            high *= 2
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if special.ncfdtr(nu, error_df, middle, statistic) > p else (low, middle)
        return (low + high) / 2

    scale = trace / nu / k
    return noncentrality(1 - tail) * scale, noncentrality(tail) * scale
