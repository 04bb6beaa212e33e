"""Coverage factor of a sum whose variance estimates have few degrees of freedom, as a mixture of normals."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.population import kronecker

Floats = NDArray[np.float64]

POINTS = 2048
# Beyond these the t distribution is the normal one to three digits of its quantiles.
MANY = 500.0
_DENSITY = float(np.sqrt(2 / np.pi))  # twice the normal density at 0


def mixture_factor(covariance: ArrayLike, df: ArrayLike, pools: ArrayLike, *, level: float = 0.95) -> float:
    """Return the multiple of the combined standard uncertainty that holds a share of the sum of t distributions.

    Parameters
    ----------
    covariance : array_like, shape (n_inputs, n_inputs)
        Of the contributions c_i x_i to the output, c_i c_j u_ij.
    df : array_like, shape (n_inputs,)
        Degrees of freedom of each standard uncertainty.
    pools : array_like of int, shape (n_inputs,)
        Inputs with the same number owe their uncertainty to one variance estimate; it has the fewest degrees of freedom
        among them.
    level : float

    Notes
    -----
    Each variance estimate s_g^2 stands for a true one of s_g^2 nu_g / chi-square(nu_g), independently; given those the
    sum is normal. Its distribution is that mixture, which is what drawing every type A quantity from its scaled t
    distribution gives. One t distribution with Welch and Satterthwaite's degrees of freedom is too short for it where a
    part with very few of them has most of the variance: their number is worked out from the estimated shares, and looks
    large just when that part happens to be underestimated. The mixture is averaged over a quasi-random sequence, so
    that the factor has no noise of its own.

    References
    ----------
    JCGM 101:2008, 6.4.9 (scaled t distributions); Hall, B. D. and Willink, R. (2001), Metrologia 38, 9-15 (how
    Welch-Satterthwaite does with few degrees of freedom).
    """
    from scipy.special import ndtr, ndtri, stdtrit

    v, nu = np.asarray(covariance, dtype=np.float64), np.asarray(df, dtype=np.float64)
    names, pool = np.unique(np.asarray(pools, dtype=np.int64), return_inverse=True)
    member = (pool[:, None] == np.arange(len(names))).astype(np.float64)
    between = member.T @ v @ member
    total = float(between.sum())
    fewest = np.array([nu[pool == g].min() for g in range(len(names))])
    few = np.flatnonzero((fewest < MANY) & (np.abs(between).sum(axis=1) > 1e-9 * max(total, 0.0)))
    if not total > 0 or not len(few):
        return float(ndtri(0.5 + level / 2))
    if len(few) == 1 and np.isclose(between[few[0], few[0]], total, rtol=1e-9):
        return float(stdtrit(float(fewest[few[0]]), 0.5 + level / 2))
    scale = np.ones((POINTS, len(names)))
    scale[:, few] = _scales(tuple(fewest[few].tolist()))
    sd = np.sqrt(np.maximum(np.einsum("ki,ij,kj->k", scale, between, scale), 1e-12 * total) / total)
    # The share inside is concave in the factor, so that Newton's steps from below never pass the root.
    factor = 0.5 * float(sd.min())
    for _ in range(100):
        z = factor / sd
        step = (level - float((2 * ndtr(z) - 1).mean())) / float((np.exp(-z * z / 2) * _DENSITY / sd).mean())
        factor += step
        if step <= 1e-9 * factor:
            break
    return factor


@lru_cache(maxsize=64)
def _scales(df: tuple[float, ...]) -> Floats:
    """Return roots of df over chi-square at a quasi-random sequence, shape (POINTS, len(df)).

    From 30 degrees of freedom on the cube root is taken as normal (Wilson and Hilferty, 1931), which is near enough.
    """
    from scipy.special import chdtri, ndtri

    u = np.clip(kronecker(POINTS, len(df)) + 0.5 / POINTS, 1e-12, 1 - 1e-12)
    made = np.empty_like(u)
    for j, nu in enumerate(df):
        share = 2 / (9 * nu)
        made[:, j] = (chdtri(nu, u[:, j]) / nu if nu < 30 else
                      (1 - share + ndtri(1 - u[:, j]) * np.sqrt(share)) ** 3) ** -0.5
    made.setflags(write=False)
    return made
