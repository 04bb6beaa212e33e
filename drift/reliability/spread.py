"""Whether the spread of repeated readings goes with their mean."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.reliability.rows import Group

# Below this p value the spread of repeated readings is said to go with their mean.
ALPHA = 0.05


def spread_grows(group: Group) -> tuple[float, float, int]:
    """Kendall's rank correlation of target means with within-target SDs, its p value and the targets used.

    Facet means are taken off first, so that a facet offset does not count as spread. NaN for fewer than ten
    targets with two or more readings.

    References
    ----------
    Bland & Altman (1996), BMJ 313:106; variance with ties of Kendall MG (1970), Rank Correlation Methods, ch. 4.
    """
    counts = np.bincount(group.targets).astype(float)
    several = counts > 1
    if several.sum() < 10:
        return math.nan, math.nan, int(several.sum())
    y = group.values - np.mean(group.values)
    means = np.bincount(group.targets, weights=y) / counts
    resid = y - means[group.targets]
    resid = resid - (np.bincount(group.facets, weights=resid) / np.bincount(group.facets))[group.facets]
    spread = np.sqrt(np.bincount(group.targets, weights=resid**2)[several] / (counts[several] - 1))
    tau, p = kendall(means[several], np.round(spread, 12))
    return tau, p, int(several.sum())


def kendall(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Kendall's tau-b with the two-sided p value of its normal approximation, ties counted."""
    from scipy.special import ndtr

    n = len(x)
    score = 0.0
    for i in range(n - 1):
        score += float(np.sign(x[i + 1:] - x[i]) @ np.sign(y[i + 1:] - y[i]))
    tx, ty = (np.unique(v, return_counts=True)[1].astype(float) for v in (x, y))
    pairs = n * (n - 1) / 2
    x_ties, y_ties = float((tx * (tx - 1) / 2).sum()), float((ty * (ty - 1) / 2).sum())
    if pairs in (x_ties, y_ties):
        return math.nan, math.nan
    main = n * (n - 1) * (2 * n + 5) - sum(float((t * (t - 1) * (2 * t + 5)).sum()) for t in (tx, ty))
    two = float((tx * (tx - 1)).sum()) * float((ty * (ty - 1)).sum()) / (2 * n * (n - 1))
    three = (float((tx * (tx - 1) * (tx - 2)).sum()) * float((ty * (ty - 1) * (ty - 2)).sum())
             / (9 * n * (n - 1) * (n - 2)))
    z = score / math.sqrt(main / 18 + two + three)
    return score / math.sqrt((pairs - x_ties) * (pairs - y_ties)), float(2 * ndtr(-abs(z)))
