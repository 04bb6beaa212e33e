"""Exact chances of Kendall's S when values are in any order: ties kept, and several series together."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@lru_cache(maxsize=4096)
def order_chances(ties: tuple[int, ...]) -> Floats:
    """Return P(q inversions), q = 0, 1, ..., of a random order of values of which ``ties`` are equal to each other.

    Parameters
    ----------
    ties : tuple of int
        Sizes of the groups of equal values, ones included; in any order.

    Returns
    -------
    array
        S is the number of untied pairs less 2 q, where time has no ties.

    Notes
    -----
    Inversions of a multiset have the generating function [n]! / prod [t]! with [t]! = prod (1 - x^j)/(1 - x), j to t:
    counted in whole numbers, so that no chance is rounded before the last step.

    References
    ----------
    MacMahon PA (1916), Combinatory Analysis, volume 2, section 9. Kendall MG (1975), Rank Correlation Methods, chapter
    4 (the distribution with ties in one ranking).
    """
    n = sum(ties)
    size = (n * n - sum(t * t for t in ties)) // 2 + 1
    counts = np.array([1] + [0] * (size - 1), dtype=object)
    below = [j for t in ties for j in range(1, t + 1)]
    above = list(range(1, n + 1))
    for j in sorted(set(above)):  # factors that stand above and below cancel
        for _ in range(min(above.count(j), below.count(j))):
            above.remove(j)
            below.remove(j)
    for j in above:  # times (1 - x^j)
        if j < size:
            counts[j:] = counts[j:] - counts[:-j]
    for j in below:  # over (1 - x^j)
        if j < size:
            for first in range(j):
                counts[first::j] = np.cumsum(counts[first::j])
    total = int(counts.sum())
    out = np.array([int(c) / total for c in counts])
    out.setflags(write=False)
    return out


def together(chances: Sequence[Floats]) -> Floats:
    """Return the chances of the inversions of independent series added up."""
    out = np.ones(1)
    for c in sorted(chances, key=len):
        out = np.convolve(out, c)
    return out


def two_sided(chances: Floats, s: int) -> float:
    """Return P(abs S >= abs s); S goes from the number of untied pairs downwards in steps of two."""
    pairs = len(chances) - 1
    q = (pairs - abs(s)) // 2
    return min(1.0, 2 * float(chances[: q + 1].sum())) if s else 1.0


def rank_inside(chances: Floats, level: float) -> int:
    """Return the largest rank r such that the r-th slopes from both ends hold the true one with at least ``level``."""
    tail = (1 - level) / 2 * (1 + 1e-12)
    return int(np.searchsorted(np.cumsum(chances), tail, side="right"))
