"""Whether the main effects of a layout can be told apart, and how well."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.intp]


def indicators(codes: Codes) -> NDArray[np.float64]:
    """Return centred indicator columns of a factor, one fewer than it has levels, orthonormal."""
    levels = np.unique(codes)
    if len(levels) < 2:
        return np.empty((len(codes), 0))
    one = (codes[:, None] == levels[None, :]).astype(np.float64)
    u, s, _ = np.linalg.svd(one - one.mean(0), full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s[0]])


def overlaps(factors: Mapping[str, Codes]) -> dict[tuple[str, str], float]:
    """Largest canonical correlation of the main effects of every two factors: 0 where balanced, 1 where aliased.

    Parameters
    ----------
    factors : mapping of str to ndarray of int, shape (n_rows,)

    Returns
    -------
    dict
        Keys are pairs of names. Two factors of which some contrast is the same have 1: it belongs to either.

    References
    ----------
    James, A. T. and Wilkinson, G. N. (1971), Factorization of the residual operator and canonical decomposition of
    nonorthogonal factors in the analysis of variance, Biometrika 58, 279-294.
    """
    bases = {name: indicators(np.asarray(codes)) for name, codes in factors.items()}
    found = {}
    for a, b in combinations(bases, 2):
        if bases[a].shape[1] and bases[b].shape[1]:
            found[a, b] = float(np.linalg.svd(bases[a].T @ bases[b], compute_uv=False)[0])
    return found


def inestimable(factors: Mapping[str, Codes]) -> tuple[str, ...]:
    """Name the factors of which some contrast cannot be told from the others together.

    Parameters
    ----------
    factors : mapping of str to ndarray of int, shape (n_rows,)
    """
    bases = {name: indicators(np.asarray(codes)) for name, codes in factors.items()}
    lost = []
    for name, own in bases.items():
        if not own.shape[1]:
            continue
        others = [b for other, b in bases.items() if other != name and b.shape[1]]
        if others:
            u, s, _ = np.linalg.svd(np.hstack(others), full_matrices=False)
            u = u[:, s > 1e-9 * s[0]]
            own = own - u @ (u.T @ own)
        kept = np.linalg.svd(own, compute_uv=False)
        if kept[-1] < 1e-6:
            lost.append(name)
    return tuple(lost)
