"""Outlying laboratories: Cochran, Grubbs (one and two), Mandel h and k, with critical values from distributions.

References
----------
ISO 5725-2:1994, sections 7.3.1 (Mandel), 7.3.3 (Cochran), 7.3.4 (Grubbs), tables 4 to 7.
ASTM E691, section 15 (h and k), whose critical values are those of level 0.5 %.
Grubbs FE (1950). Sample criteria for testing outlying observations. Annals of Mathematical Statistics 21:27-58.
Pearson ES, Chandra Sekar C (1936). The efficiency of statistical tools and a criterion for the rejection of outlying
    observations. Biometrika 28:308-320.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
POINTS, NODES = 240, 48


def cochran_critical(p: int, n: int, alpha: float) -> float:
    """Critical value of Cochran's C, the largest of ``p`` variances of ``n`` results over their sum.

    Notes
    -----
    1 / (1 + (p - 1) / F) with F the upper alpha / p point of F(n - 1, (p - 1)(n - 1)).
    """
    from scipy.special import fdtri

    f = float(fdtri(n - 1, (p - 1) * (n - 1), 1 - alpha / p))
    return 1 / (1 + (p - 1) / f)


def grubbs_critical(p: int, alpha: float) -> float:
    """Critical value of Grubbs' test for one outlying mean among ``p``, looked for at both ends.

    Notes
    -----
    (p - 1) t / sqrt(p (p - 2 + t^2)) with t the upper alpha / (2 p) point of Student's t, p - 2 degrees of freedom.
    """
    from scipy.special import stdtrit

    t = float(stdtrit(p - 2, 1 - alpha / (2 * p)))
    return (p - 1) * t / math.sqrt(p * (p - 2 + t**2))


def mandel_h_critical(p: int, alpha: float) -> float:
    """Critical value of Mandel's h, two-sided, for one laboratory of ``p``."""
    from scipy.special import stdtrit

    t = float(stdtrit(p - 2, 1 - alpha / 2))
    return (p - 1) * t / math.sqrt(p * (t**2 + p - 2))


def mandel_k_critical(own: float, rest: float, alpha: float) -> float:
    """Critical value of Mandel's k of a laboratory with ``own`` degrees of freedom, the others together ``rest``.

    Notes
    -----
    k^2 = s_i^2 / s_r^2 is (own + rest) / own times a beta variable; for equal numbers this is
    sqrt(p / (1 + (p - 1) / F)) with F the upper alpha point of F(n - 1, (p - 1)(n - 1)).
    """
    from scipy.special import fdtri

    f = float(fdtri(own, rest, 1 - alpha))
    return math.sqrt((own + rest) / own / (1 + rest / (own * f)))


@lru_cache(maxsize=128)
def _largest(n: int) -> tuple[FloatArray, FloatArray]:
    """Return values and masses of the largest of ``n`` values less their mean, over the root of their sum of squares.

    The largest of k is at t when one value is, and the others, taken by themselves, all lie below it: their own
    largest is then below t k / (k - 1) / sqrt(1 - t^2 k / (k - 1)). Pearson & Chandra Sekar (1936), from k = 2 up.
    """
    values, masses = np.array([math.sqrt(0.5)]), np.array([1.0])
    nodes, weights = np.polynomial.legendre.leggauss(POINTS)
    for k in range(3, n + 1):
        # t = sqrt((k - 1) / k) sin(angle): its density is then cos(angle)^(k - 3), without a pole at either end.
        least = math.asin(1 / (k - 1))  # the largest is at least 1 / sqrt(k (k - 1))
        angle = least + (math.pi / 2 - least) * (nodes + 1) / 2
        t = math.sqrt((k - 1) / k) * np.sin(angle)
        limit = t * k / (k - 1) / np.maximum(np.cos(angle), 1e-300)
        if k == 3:
            share = (limit > values[0]).astype(np.float64)
        else:
            below = np.concatenate([[0.0], np.cumsum(masses)])
            share = np.interp(limit, np.concatenate([[math.sqrt(1 / ((k - 1) * (k - 2)))], values,
                                                     [math.sqrt((k - 2) / (k - 1))]]),
                              np.concatenate([[0.0], (below[:-1] + below[1:]) / 2, [1.0]]))
        mass = weights * np.cos(angle) ** (k - 3) * share
        values, masses = t, mass / mass.sum()
    return values, masses


@lru_cache(maxsize=128)
def _share_in_wedge(n: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    values, masses = _largest(n - 2)
    return (nodes + 1) / 2, weights / 2, values, masses


def grubbs_two_probability(p: int, ratio: float) -> float:
    """Probability that the sum of squares without the two largest of ``p`` is at most ``ratio`` of the whole.

    Notes
    -----
    A given pair leaves the share w of the sum of squares with probability density of Beta((p - 3) / 2, 1), at a
    direction that is uniform in the plane of their difference and of their mean against the others. Both lie above the
    others for directions within a wedge, whose width depends on the largest of the others; the pairs exclude each
    other, so the probability is p (p - 1) / 2 times that of one pair.
    """
    if ratio <= 0 or p < 4:
        return 0.0
    u, weights, largest, masses = _share_in_wedge(p)
    power = (p - 3) / 2
    w = np.minimum(ratio, 1.0) * u ** (1 / power)  # equal steps of u are equal steps of probability
    a, b = math.sqrt(p / (2 * (p - 2))), math.sqrt(0.5)
    reach = math.hypot(a, b)
    cosine = np.sqrt(w)[:, None] * largest / (reach * np.sqrt(np.maximum(1 - w, 1e-300)))[:, None]
    angle = np.maximum(np.arccos(np.minimum(cosine, 1.0)) - math.atan2(b, a), 0.0) / math.pi
    return float(p * (p - 1) / 2 * min(ratio, 1.0) ** power * (weights @ (angle @ masses)))


@lru_cache(maxsize=256)
def grubbs_two_critical(p: int, alpha: float) -> float:
    """Critical value (lower) of Grubbs' test for two outlying means at one end, looked for at both ends."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if grubbs_two_probability(p, middle) < alpha / 2 else (low, middle)
    return (low + high) / 2


def grubbs(means: FloatArray) -> dict[str, float]:
    """Return Grubbs' statistics of means: ``high``, ``low`` (one outlying), ``two high``, ``two low``."""
    x = np.sort(np.asarray(means, dtype=np.float64))
    x = x - x.mean()
    total = float(x @ x)
    if not total > 0 or len(x) < 3:
        return dict.fromkeys(("high", "low", "two high", "two low"), math.nan)
    s = math.sqrt(total / (len(x) - 1))
    found = {"high": float(x[-1]) / s, "low": float(-x[0]) / s}
    for name, rest in (("two high", x[:-2]), ("two low", x[2:])):
        found[name] = float(((rest - rest.mean()) ** 2).sum()) / total if len(x) > 3 else math.nan
    return found
