"""Do several methods err alike? Tests whose distribution under equality is simulated, not approximated."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.method_means import orthonormal, sampled_squares

FloatArray = NDArray[np.float64]


def equal_variances_p(matrix: ArrayLike, df: float, rng: np.random.Generator, n_draws: int = 4000) -> float:
    """p-value of equal error variances from mean squares and products of a complete table, exact but for simulation.

    The statistic is the spread of the variances of (reading less mean of all) over methods, relative to their mean:
    the score statistic of the model. When the variances are equal its distribution depends on k and df alone, and is
    simulated.

    Parameters
    ----------
    matrix : array, shape (k, k)
        Centred.
    df : float

    References
    ----------
    Shukla GK (1972). Heredity 29:237-245 (variances of methods against the mean); Barnard GA (1963), Monte Carlo tests.
    """
    g = np.asarray(matrix, float)
    k = len(g)
    if k < 3 or not np.trace(g) > 0 or df < 2:
        return float("nan")
    c = orthonormal(k)
    drawn = sampled_squares(np.eye(k - 1), df, n_draws, rng)
    null = np.einsum("ip,npq,iq->ni", c, drawn, c)
    statistic = np.var(null, axis=1) / np.mean(null, axis=1) ** 2
    own = np.diag(g)
    mine = float(np.var(own) / np.mean(own) ** 2)
    return (1 + int(np.sum(statistic >= mine))) / (n_draws + 1)


def equal_own_variances_p(squares: ArrayLike, df: ArrayLike, rng: np.random.Generator, n_draws: int = 4000) -> float:
    """p-value of equal within-target variances of unlinked replicates: Bartlett's statistic, simulated.

    References
    ----------
    Bartlett MS (1937). Proceedings of the Royal Society A 160:268-282.
    """
    ms, nu = np.asarray(squares, float), np.asarray(df, float)
    there = nu > 0
    if there.sum() < 2 or not np.all(ms[there] > 0):
        return float("nan")
    ms, nu = ms[there], nu[there]

    def statistic(s: FloatArray) -> FloatArray:
        return np.asarray(nu.sum() * np.log(s @ nu / nu.sum()) - np.log(s) @ nu, float)

    null = statistic(rng.chisquare(nu, (n_draws, len(nu))) / nu)
    return (1 + int(np.sum(null >= float(statistic(ms))))) / (n_draws + 1)
