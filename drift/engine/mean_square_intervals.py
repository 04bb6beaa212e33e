"""Modified large-sample intervals of linear combinations of mean squares, and of ratios of two combinations.

An estimate sum_j a_j MS_j is given the interval that is exact when a single mean square matters or only two do, and
close in between. A ratio tau / (tau + delta) of two combinations lies above c when (1 - c) tau - c delta is above
zero, so the bound of the ratio is where the bound of that combination crosses zero.

References
----------
Graybill FA, Wang CM (1980). Confidence intervals on nonnegative linear combinations of variances. JASA 75:869-873.
Ting N, Burdick RK, Graybill FA, Jeyaratnam S, Lu TFC (1990). Confidence intervals on linear combinations of
    variance components that are unrestricted in sign. Journal of Statistical Computation and Simulation 35:135-143.
Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Dekker, section 3.3.
Burdick RK, Borror CM, Montgomery DC (2005). Design and Analysis of Gauge R&R Studies. SIAM, appendix B.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
HALVINGS = 34  # of the unit interval: 6e-11


@dataclass(frozen=True, eq=False)
class _Constants:
    """Constants of the interval for a tail: each alone, of a pair of opposite sign, of a pair of equal sign."""

    g: FloatArray
    h: FloatArray
    g_pair: FloatArray  # [q, r]: q positive, r negative, lower bound
    h_pair: FloatArray  # [q, r]: upper bound
    same: FloatArray    # [q, t], symmetric, zero diagonal, before division by (number - 1)


@lru_cache(maxsize=256)
def _constants(df: tuple[float, ...], tail: float) -> _Constants:
    from scipy.special import chdtri, fdtri

    n = np.array(df)
    g, h = 1.0 - n / chdtri(n, tail), n / chdtri(n, 1 - tail) - 1.0
    upper, lower = fdtri(n[:, None], n[None, :], 1 - tail), fdtri(n[:, None], n[None, :], tail)
    g_pair = ((upper - 1) ** 2 - g[:, None] ** 2 * upper**2 - h[None, :] ** 2) / upper
    h_pair = ((1 - lower) ** 2 - h[:, None] ** 2 * lower**2 - g[None, :] ** 2) / lower
    both = n[:, None] + n[None, :]
    joint = 1.0 - both / chdtri(both, tail)
    same = (joint**2 * both**2 / (n[:, None] * n[None, :]) - g[:, None] ** 2 * n[:, None] / n[None, :]
            - g[None, :] ** 2 * n[None, :] / n[:, None])
    np.fill_diagonal(same, 0.0)
    return _Constants(g, h, g_pair, h_pair, same)


def bound(mean_squares: ArrayLike, df: ArrayLike, weights: ArrayLike, tail: float,
          side: Literal["lower", "upper"]) -> FloatArray:
    """Return one-sided bounds of linear combinations of expected mean squares.

    Parameters
    ----------
    mean_squares, df : array_like, shape (r,)
    weights : array_like, shape (..., r)
        One combination a row; weights of any sign.
    tail : float
        Error probability of the bound, such as 0.025.
    side : {"lower", "upper"}

    Returns
    -------
    array, shape (...)
    """
    c = _constants(tuple(np.asarray(df, dtype=np.float64).tolist()), tail)
    part = np.asarray(weights, dtype=np.float64) * np.asarray(mean_squares, dtype=np.float64)
    up, down = np.maximum(part, 0.0), np.maximum(-part, 0.0)
    if side == "lower":
        own, other, pair, alike = (c.g * up) ** 2, (c.h * down) ** 2, c.g_pair, up
    else:
        own, other, pair, alike = (c.h * up) ** 2, (c.g * down) ** 2, c.h_pair, down
    several = np.maximum((alike > 0).sum(axis=-1) - 1, 1)
    variance = (own.sum(axis=-1) + other.sum(axis=-1) + ((up @ pair) * down).sum(axis=-1)
                + ((alike @ c.same) * alike).sum(axis=-1) / (2 * several))
    half = np.sqrt(np.maximum(variance, 0.0))
    return np.asarray(part.sum(axis=-1) + (half if side == "upper" else -half))


def linear_interval(mean_squares: ArrayLike, df: ArrayLike, weights: ArrayLike, level: float) -> FloatArray:
    """Return two-sided intervals of linear combinations, shape (..., 2)."""
    tail = (1 - level) / 2
    return np.stack([bound(mean_squares, df, weights, tail, "lower"),
                     bound(mean_squares, df, weights, tail, "upper")], axis=-1)


def share_interval(mean_squares: ArrayLike, df: ArrayLike, top: ArrayLike, rest: ArrayLike,
                   level: float) -> FloatArray:
    """Return intervals of top / (top + rest), both linear combinations of expected mean squares.

    Parameters
    ----------
    mean_squares, df : array_like, shape (r,)
    top, rest : array_like, shape (..., r)
        Weights of the two combinations; ``rest`` is a variance of error.
    level : float

    Returns
    -------
    array, shape (..., 2)
        Within 0 to 1.
    """
    up, down = np.asarray(top, dtype=np.float64), np.asarray(rest, dtype=np.float64)
    tail = (1 - level) / 2
    low, high = np.zeros((*up.shape[:-1], 2)), np.ones((*up.shape[:-1], 2))
    # The bound of (1 - c) top - c rest falls with c; the share's bound is where it crosses zero.
    for _ in range(HALVINGS):
        c = 0.5 * (low + high)
        for j, side in enumerate(("lower", "upper")):
            at = bound(mean_squares, df, (1 - c[..., j, None]) * up - c[..., j, None] * down, tail,
                       side)  # type: ignore[arg-type]
            low[..., j] = np.where(at > 0, c[..., j], low[..., j])
            high[..., j] = np.where(at > 0, high[..., j], c[..., j])
    return 0.5 * (low + high)
