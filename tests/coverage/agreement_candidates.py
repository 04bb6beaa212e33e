"""Candidate intervals of ICC(A,1) of a complete table, for many studies at once: what the default is chosen from.

All of them depend on a study through the ratios u and v only (sums of squares of targets and of facet levels over that
of the residual). The one that needs most work (the calibrated bootstrap) is tabulated over log u and log v.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.special import chdtri, fdtri

from drift.engine.agreement_interval import Ratios, Sums, intervals

FloatArray = NDArray[np.float64]
Ends = tuple[FloatArray, FloatArray]
SHORTEST = "shortest calibrated interval"


def point(u: FloatArray, v: FloatArray, n: int, k: int) -> FloatArray:
    """ICC(A,1) from unbiased mean squares, which may be negative (McGraw & Wong 1996, table 4)."""
    r, c, e = _squares(u, v, n, k)
    return np.asarray((r - e) / (r + (k - 1) * e + k * (c - e) / n))


def _squares(u: FloatArray, v: FloatArray, n: int, k: int) -> tuple[FloatArray, FloatArray, float]:
    """Mean squares of targets, facet levels and residual in units of the residual sum of squares."""
    return u / (n - 1), v / (k - 1), 1 / ((n - 1) * (k - 1))


def classical(u: FloatArray, v: FloatArray, n: int, k: int, level: float) -> Ends:
    """F/Satterthwaite interval (McGraw & Wong 1996, table 7)."""
    r, c, e = _squares(u, v, n, k)
    value = point(u, v, n, k)
    a, b = k * value / (n * (1 - value)), 1 + k * value * (n - 1) / (n * (1 - value))
    df = (a * c + b * e) ** 2 / ((a * c) ** 2 / (k - 1) + (b * e) ** 2 / ((n - 1) * (k - 1)))
    p = 0.5 + level / 2
    lower, upper = fdtri(n - 1, df, p), fdtri(df, n - 1, p)
    rest = k * c + (k * n - k - n) * e
    return n * (r - lower * e) / (lower * rest + n * r), n * (upper * r - e) / (rest + n * upper * r)


def modified_large_sample(u: FloatArray, v: FloatArray, n: int, k: int, level: float) -> Ends:
    """Modified large-sample interval of a ratio of variances, without replicates.

    Burdick RK, Borror CM, Montgomery DC (2003). A review of methods for measurement systems capability analysis.
    Journal of Quality Technology 35:342-354, and (2005) Design and Analysis of Gauge R&R Studies, SIAM, chapter 3
    (the formula from memory; its two limiting cases, one facet variance far above and one at zero, are tested).
    """
    r, c, e = _squares(u, v, n, k)
    p, q = 0.5 + level / 2, 0.5 - level / 2
    df = (n - 1) * (k - 1)

    def bound(tail: float, share: float) -> FloatArray:
        ratio = n * share * (r - fdtri(n - 1, df, tail) * e) / (
            k * (share * fdtri(n - 1, k - 1, tail) * c + (n - 1) * e))
        ratio = np.maximum(ratio, 0.0)
        return np.asarray(ratio / (1 + ratio))

    return (bound(p, (n - 1) / float(chdtri(n - 1, 1 - p))), bound(q, (n - 1) / float(chdtri(n - 1, 1 - q))))


def pivotal(u: FloatArray, v: FloatArray, n: int, k: int, level: float, points: int = 2048) -> Ends:
    """Generalised pivotal interval with equal tails, on a fixed lattice."""
    root = 1.2207440846057596
    w = (0.5 + np.arange(1, points + 1)[:, None] * root ** -np.arange(1.0, 4.0)) % 1.0
    c1, c2, c3 = chdtri(n - 1, w[:, 0]), chdtri(k - 1, w[:, 1]), chdtri((n - 1) * (k - 1), w[:, 2])
    low, high = np.empty(len(u)), np.empty(len(u))
    for i in range(0, len(u), 1000):
        s = slice(i, i + 1000)
        target = np.maximum(u[s, None] / c1 - 1 / c3, 0.0) / k
        facet = np.maximum(v[s, None] / c2 - 1 / c3, 0.0) / n
        value = target / (target + facet + 1 / c3)
        low[s], high[s] = np.quantile(value, [0.5 - level / 2, 0.5 + level / 2], axis=1)
    return low, high


def shortest(u: FloatArray, v: FloatArray, n: int, k: int, level: float) -> Ends:
    """Interval that the package prints."""
    sums = Sums(target=u[:, None], target_weights=np.array([float(k)]), facet=v[:, None],
                facet_weights=np.array([float(n)]))
    r = Ratios(df=(n - 1, k - 1, (n - 1) * (k - 1)), weights=(float(k), float(n)))
    found = intervals(sums, r, level=level)
    return found[:, 0], found[:, 1]


def _profiled(odds: FloatArray, u: FloatArray, v: FloatArray, n: int, k: int, farthest: FloatArray) -> FloatArray:
    """Restricted log likelihood at a value of the coefficient, the facet variance chosen best (>= 0).

    ``odds`` is k rho / (1 - rho); the search over log theta2 (its expected mean square over that of the residual) is a
    grid, then golden sections.
    """
    def at(t: FloatArray) -> FloatArray:
        theta2 = np.exp(t)
        return _log_likelihood(1 + odds * ((theta2 - 1) / n + 1), theta2, u, v, n, k)

    parts = 12
    value, where = np.full(u.shape, -np.inf), np.zeros(u.shape)
    for share in np.linspace(0.0, 1.0, parts + 1):
        found = at(share * farthest)
        where = np.where(found > value, share, where)
        value = np.maximum(found, value)
    low, high = np.maximum(where - 1 / parts, 0) * farthest, np.minimum(where + 1 / parts, 1) * farthest
    golden = (math.sqrt(5) - 1) / 2
    a, b = high - golden * (high - low), low + golden * (high - low)
    fa, fb = at(a), at(b)
    for _ in range(20):
        left = fa > fb
        low, high = np.where(left, low, a), np.where(left, b, high)
        new = np.where(left, high - golden * (high - low), low + golden * (high - low))
        fn = at(new)
        a, b, fa, fb = (np.where(left, new, b), np.where(left, a, new), np.where(left, fn, fb), np.where(left, fa, fn))
    return np.maximum(np.maximum(fa, fb), value)


def _log_likelihood(theta1: FloatArray, theta2: FloatArray, u: FloatArray, v: FloatArray, n: int,
                    k: int) -> FloatArray:
    d1, d2, d3 = n - 1, k - 1, (n - 1) * (k - 1)
    return np.asarray(-0.5 * (d1 * np.log(theta1) + d2 * np.log(theta2)
                              + (d1 + d2 + d3) * np.log1p(u / theta1 + v / theta2)))


def _highest(u: FloatArray, v: FloatArray, n: int, k: int) -> FloatArray:
    """Largest restricted log likelihood with both variances at least zero, in closed form."""
    d1, d2, d3 = n - 1, k - 1, (n - 1) * (k - 1)
    f1, f2, one = u * d3 / d1, v * d3 / d2, np.ones_like(u)
    both = _log_likelihood(np.maximum(f1, 1), np.maximum(f2, 1), u, v, n, k)
    target = _log_likelihood(np.maximum(u / d1 * (d2 + d3) / (1 + v), 1), one, u, v, n, k)
    facet = _log_likelihood(one, np.maximum(v / d2 * (d1 + d3) / (1 + u), 1), u, v, n, k)
    return np.maximum(np.maximum(np.where((f1 >= 1) & (f2 >= 1), both, -np.inf), target), facet)


def profile(u: FloatArray, v: FloatArray, n: int, k: int, level: float) -> Ends:
    """Profile-likelihood interval: twice the fall of the restricted log likelihood within the chi-square quantile."""
    d3 = (n - 1) * (k - 1)
    cut = float(chdtri(1, 1 - level))
    farthest = np.log(np.maximum(v * d3 / (k - 1), 3.0)) + 6
    highest = _highest(u, v, n, k)

    def kept(z: FloatArray) -> NDArray[np.bool_]:
        return np.asarray(2 * (highest - _profiled(np.expm1(z), u, v, n, k, farthest)) <= cut)

    target = (np.maximum(u * d3 / (n - 1), 1) - 1) / k
    facet = (np.maximum(v * d3 / (k - 1), 1) - 1) / n
    best = np.log1p(k * target / (1 + facet))
    zero = kept(np.zeros_like(u))
    ends = []
    for up in (False, True):
        inside, outside = best.copy(), best + 1.0 if up else np.zeros_like(u)
        while up and kept(outside).any():
            outside = np.where(kept(outside), outside + 1.0, outside)
        for _ in range(22):
            mid = (inside + outside) / 2
            ok = kept(mid)
            inside, outside = np.where(ok, mid, inside), np.where(ok, outside, mid)
        z = (inside + outside) / 2 if up else np.where(zero, 0.0, (inside + outside) / 2)
        ends.append(np.expm1(z) / k / (1 + np.expm1(z) / k))
    return ends[0], ends[1]


class Bootstrapped:
    """Parametric-bootstrap percentile interval of one size, its percentiles calibrated by a second bootstrap.

    Tabulated over log u and log v and read off linearly.

    References
    ----------
    Loh WY (1987). Calibrating confidence coefficients. JASA 82:155-162.
    """

    def __init__(self, n: int, k: int, level: float, reach: tuple[tuple[float, float], tuple[float, float]]) -> None:
        """``reach`` are the smallest and largest log u and log v to be met."""
        self.n, self.k, self.level = n, k, level
        self.lu, self.lv = (np.linspace(low, high, size) for (low, high), size in zip(reach, (40, 48), strict=True))
        u, v = (np.exp(x).ravel() for x in np.meshgrid(self.lu, self.lv, indexing="ij"))
        self.low, self.high = (self._spline(x) for x in self._ends(u, v))

    def _spline(self, values: FloatArray) -> RectBivariateSpline:
        # Linear, because the ends have a kink where a variance is estimated as zero.
        return RectBivariateSpline(self.lu, self.lv, values.reshape(len(self.lu), len(self.lv)), kx=1, ky=1)

    def __call__(self, u: FloatArray, v: FloatArray) -> Ends:
        """Return the ends at u and v."""
        return self.low.ev(np.log(u), np.log(v)), self.high.ev(np.log(u), np.log(v))

    def _ends(self, u: FloatArray, v: FloatArray, draws: int = 999) -> Ends:
        n, k = self.n, self.k
        rng = np.random.default_rng(20261125)
        c1, c2, c3 = (rng.chisquare(d, draws) for d in (n - 1, k - 1, (n - 1) * (k - 1)))
        r, c, e = _squares(u, v, n, k)
        theta1, theta2 = np.maximum(r / e, 1.0), np.maximum(c / e, 1.0)
        estimate = np.maximum(point(u, v, n, k), 0.0)
        levels = np.concatenate([[0.001, 0.0025], np.linspace(0.005, 0.995, 45), [0.9975, 0.999]])
        table = np.stack([np.quantile(np.maximum(point(a * c1 / c3, b * c2 / c3, n, k), 0.0), levels)
                          for a, b in zip(theta1, theta2, strict=True)])
        splines = [self._spline(column) for column in table.T]
        low, high = np.empty(len(u)), np.empty(len(u))
        take = slice(0, 399)
        tail = 0.5 - self.level / 2
        for i in range(len(u)):
            at = (np.log(theta1[i] * c1[take] / c3[take]), np.log(theta2[i] * c2[take] / c3[take]))
            again = np.stack([s.ev(*at) for s in splines], axis=1)
            # How often a lower (upper) percentile of the second bootstrap holds the estimate of the first.
            below, above = (again <= estimate[i]).mean(axis=0), (again >= estimate[i]).mean(axis=0)
            low[i] = table[i, np.flatnonzero(below >= 1 - tail).max(initial=0)]
            high[i] = table[i, np.flatnonzero(above >= 1 - tail).min(initial=len(levels) - 1)]
        return low, high


@cache
def candidates(n: int, k: int, level: float) -> dict[str, Callable[[FloatArray, FloatArray], Ends]]:
    """Return every candidate of one size by name."""
    df = (n - 1) * (k - 1)
    # As far as ICC 0.95 with the largest facet variance of the grid and all but one in a hundred thousand studies go.
    reach = ((math.log(fdtri(n - 1, df, 1e-5) * (n - 1) / df), math.log(fdtri(n - 1, df, 1 - 1e-5) * 40 * k)
              + math.log((n - 1) / df)),
             (math.log(fdtri(k - 1, df, 1e-5) * (k - 1) / df), math.log(fdtri(k - 1, df, 1 - 1e-5) * 2 * n)
              + math.log((k - 1) / df)))
    bootstrapped = Bootstrapped(n, k, level, reach)
    return {
        "F/Satterthwaite interval": lambda u, v: classical(u, v, n, k, level),
        "modified large-sample interval": lambda u, v: modified_large_sample(u, v, n, k, level),
        "profile likelihood interval": lambda u, v: profile(u, v, n, k, level),
        "calibrated parametric bootstrap interval": bootstrapped,
        "generalised pivotal interval": lambda u, v: pivotal(u, v, n, k, level),
        SHORTEST: lambda u, v: shortest(u, v, n, k, level)}
