"""Whether points follow a straight line: the cumulative sum of distances along it, against random signs."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
DRAWS, FEWEST_DRAWS, CELLS = 999, 199, 3_000_000  # cells: draws times points
LEAST = 6
SMALL = 64 * float(np.finfo(float).eps)


def foot_of(x: ArrayLike, y: ArrayLike, slope: float, intercept: float, ratio: ArrayLike) -> FloatArray:
    """Return the x of the point of the line that is nearest in the metric of the errors.

    At the true line its error is uncorrelated with the deviation from the line. ``ratio`` is the variance of the
    errors of y over that of x, of all points or of each.
    """
    x, y, lam = np.asarray(x, float), np.asarray(y, float), np.asarray(ratio, float)
    return np.asarray(x + slope * (y - intercept - slope * x) / (lam + slope * slope), dtype=np.float64)


def straightness(x: ArrayLike, y: ArrayLike, slope: float, intercept: float, *, ratio: ArrayLike = 1.0,
                 spread: ArrayLike = 1.0) -> tuple[float, float]:
    """Test by the cumulative sum along the line whether points follow it.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Independent points.
    slope, intercept : float
        Of the line that was fitted to them.
    ratio : array_like, shape () or (n,)
        Variance of the errors of y over that of x.
    spread : array_like, shape () or (n,)
        SD of the distance of a point from the line, up to a factor.

    Returns
    -------
    statistic, p : float, float
        Largest |cumulative sum| over the root of the sum of squares of what is summed, and how often random signs
        reach it. NaN with fewer than 6 points off the line.

    Notes
    -----
    Each point counts by its distance from the line over the median distance, at most by 1 and at least by -1: bare
    signs, as taken in 1983, make runs of their own where readings are rounded and many lie next to the line. A line
    that is off by c + d x moves the expected count of a point by a multiple of (c + d x) / SD, to first order. That
    part is taken out by least squares, so that the fit of the line, whichever it is, does not matter; where the SDs
    are estimated (``spread`` of each point), c + d x as well. What is left is judged against the same distances with
    random signs treated alike, since under a straight line a symmetric deviation of any size is as often above it as
    below. The sum is read where positions differ by more than a median distance. The signs come from a fixed seed, so
    that the same points always give the same p.

    References
    ----------
    Passing H, Bablok W (1983), J Clin Chem Clin Biochem 21:709-720, section "test for linearity" (cumulative sum of
    signs). MacNeill IB (1978), Properties of sequences of partial sums of polynomial regression residuals with
    applications to tests for change of regression at unknown times, Ann Stat 6:422-433 (what such sums do depends on
    what was fitted). Wu CFJ (1986), Jackknife, bootstrap and other resampling methods in regression analysis, Ann
    Stat 14:1261-1295 (random signs).
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    gap = y - intercept - slope * x
    off = np.abs(gap) > SMALL * max(float(np.max(np.abs(y))), float(np.max(np.abs(slope * x))), 1e-300)
    if np.count_nonzero(off) < LEAST:
        return math.nan, math.nan
    lam, sd = (np.broadcast_to(np.asarray(v, float), x.shape)[off] for v in (ratio, spread))
    at = foot_of(x[off], y[off], slope, intercept, lam)
    order = np.lexsort((y[off], x[off], at))
    at, sd, gap = at[order], sd[order], gap[off][order]
    width = float(np.median(np.abs(gap)))
    last = np.append(np.diff(np.floor((at - at[0]) * abs(slope) / width + 0.5)) > 0, True)
    score = np.clip(gap / sd / np.median(np.abs(gap / sd)), -1, 1)
    u = (at - np.mean(at)) / max(float(np.std(at)), 1e-300)
    columns = [np.ones_like(u), u] if np.ndim(spread) == 0 else [np.ones_like(u), u, 1 / sd, u / sd]
    basis = np.linalg.qr(np.column_stack(columns))[0]
    statistic = float(_largest(score[None, :], basis, last)[0])
    reached = drawn = 0
    for signs in _coins(len(at)):
        reached += int(np.count_nonzero(_largest(signs * score, basis, last) >= statistic * (1 - 1e-9)))
        drawn += len(signs)
    return statistic, (reached + 1) / (drawn + 1)


def _largest(counts: FloatArray, basis: FloatArray, last: NDArray[np.bool_]) -> FloatArray:
    """Return the largest standardised cumulative sum of each row, its straight part taken out."""
    left = counts - (counts @ basis) @ basis.T
    squares = np.einsum("ij,ij->i", left, left)
    total = np.abs(np.cumsum(left, axis=1)[:, last]).max(axis=1)
    return np.asarray(total / np.sqrt(np.maximum(squares, 1e-300)), dtype=np.float64)


@lru_cache(maxsize=4)
def _few(n: int) -> FloatArray:
    return _signs(np.random.default_rng(1983), DRAWS, n)


def _coins(n: int) -> list[FloatArray]:
    """Return random signs for n points, in pieces that fit into memory; fewer draws for very long tables."""
    if n * DRAWS <= CELLS // 3:
        return [_few(n)]
    rng = np.random.default_rng(1983)
    draws = int(min(DRAWS, max(FEWEST_DRAWS, CELLS // n)))
    step = max(1, CELLS // (3 * n))
    return [_signs(rng, min(step, draws - i), n) for i in range(0, draws, step)]


def _signs(rng: np.random.Generator, draws: int, n: int) -> FloatArray:
    return np.asarray(rng.integers(0, 2, (draws, n), dtype=np.int8) * 2.0 - 1.0, dtype=np.float64)
