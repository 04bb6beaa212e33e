"""Concordance correlation of two methods and of several, from arrays with one reading of each method per target.

Everything here follows from three numbers of a table of n targets by k methods: the variance of row sums, the sum of
the methods' variances, and the differences of their means. With two methods, S = a + b and D = a - b,

    CCC = 2 s_ab / (s_a^2 + s_b^2 + (m_a - m_b)^2) = (V_S - V_D) / (V_S + V_D + 2 mean(D)^2),

and with k methods and the mean squares of the two-way table without replicates (targets MSR, methods MSC, residual MSE;
divisor n - 1)

    overall CCC = (MSR - MSE) / (MSR + (k - 1) MSE + k MSC / n),

which is ICC(A,1) of McGraw & Wong (1996) but for one term: ICC(A,1) subtracts MSE from MSC, because the means of n
readings differ by chance even where the methods do not.

References
----------
Lin LI-K (1989). A concordance correlation coefficient to evaluate reproducibility. Biometrics 45:255-268.
Lin LI-K (2000). A note on the concordance correlation coefficient. Biometrics 56:324-325 (corrected variance).
Barnhart HX, Haber M, Song J (2002). Overall concordance correlation coefficient for evaluating agreement among
    multiple observers. Biometrics 58:1020-1027.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.meansquares import Interval
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]
FLAT = 1e-12  # of the largest reading: a spread below it is rounding


@dataclass(frozen=True, kw_only=True)
class Concordance:
    """Concordance correlation of two methods with its two factors, ``value = precision * accuracy``.

    Parameters
    ----------
    value : float
        CCC; NaN where neither method varies and the means are equal.
    precision : float
        Pearson correlation; NaN where a method does not vary.
    accuracy : float
        C_b = 2 / (v + 1/v + u^2), in (0, 1]; NaN where a method does not vary.
    location_shift, scale_shift : float
        u = (mean a - mean b) / sqrt(s_a s_b) and v = s_a / s_b.
    n, ddof : int
        Targets, and what is taken from n in the divisor of variances (0 in Lin 1989).
    """

    value: float
    precision: float
    accuracy: float
    location_shift: float
    scale_shift: float
    n: int
    ddof: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Overall:
    """Overall concordance correlation of k methods (Barnhart, Haber & Song 2002).

    Parameters
    ----------
    value, precision, accuracy : float
        Overall CCC and its factors, ``value = precision * accuracy``; NaN where they are not defined.
    pairs : tuple of (int, int)
        Columns of each pair, in the order (0, 1), (0, 2), ...
    pairwise, weights : array, shape (k (k - 1) / 2,)
        CCC of each pair and the share with which it enters: ``value = weights @ pairwise``.
    n, k, ddof : int
    """

    value: float
    precision: float
    accuracy: float
    pairs: tuple[tuple[int, int], ...]
    pairwise: FloatArray
    weights: FloatArray
    n: int
    k: int
    ddof: int

    def __post_init__(self) -> None:
        for name in ("pairwise", "weights"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom > 0 else math.nan


def checked(table: ArrayLike) -> FloatArray:
    """Return a table of finite readings, at least 2 x 2, less its grand mean (sums of squares would cancel)."""
    y = np.asarray(table, dtype=np.float64)
    if y.ndim != 2 or min(y.shape) < 2 or not np.all(np.isfinite(y)):
        raise ValueError("a complete table of at least two targets and two methods is needed")
    y = y - y[0, 0]
    return np.asarray(y - y.mean(), dtype=np.float64)


def moments(table: ArrayLike, *, ddof: int) -> tuple[FloatArray, FloatArray]:
    """Return means (about the grand mean), shape (k,), and covariances with divisor n - ddof, shape (k, k).

    A method whose spread is rounding has a variance of exactly zero.
    """
    size = float(np.max(np.abs(np.asarray(table, dtype=np.float64))))
    y = checked(table)
    mean = y.mean(axis=0)
    z = y - mean
    z[:, np.max(np.abs(z), axis=0) <= FLAT * size] = 0.0
    return mean, z.T @ z / (len(y) - ddof)


def concordance(a: ArrayLike, b: ArrayLike, *, ddof: int = 0) -> Concordance:
    """Concordance correlation coefficient of two methods, one pair per target.

    Parameters
    ----------
    a, b : array, shape (n,)
        Readings of the same targets [unit], finite, n at least 2.
    ddof : int
        0: divisor n, as Lin (1989) prints it; 1: divisor n - 1.

    Returns
    -------
    Concordance

    Raises
    ------
    ValueError
        For fewer than two pairs or missing readings.

    References
    ----------
    Lin (1989), equations 1 to 3.
    """
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    mean, s = moments(np.column_stack([x, y]), ddof=ddof)
    shift, (va, vb, cov) = float(mean[0] - mean[1]), (float(s[0, 0]), float(s[1, 1]), float(s[0, 1]))
    size = float(np.max(np.abs([x, y])))
    shift = 0.0 if abs(shift) <= FLAT * size else shift
    value = _ratio(2 * cov, va + vb + shift**2)
    both = math.sqrt(va) * math.sqrt(vb)
    if not both > 0:
        return Concordance(value=value, precision=math.nan, accuracy=math.nan, location_shift=math.nan,
                           scale_shift=math.nan, n=len(x), ddof=ddof)
    # Rounding can put a perfect correlation a digit beyond one.
    r = min(max(cov / both, -1.0), 1.0)
    return Concordance(value=min(max(value, -1.0), 1.0), precision=r, accuracy=2 * both / (va + vb + shift**2),
                       location_shift=shift / math.sqrt(both), scale_shift=math.sqrt(va / vb), n=len(x), ddof=ddof)


def lin_variance_z(c: Concordance) -> float:
    """Variance of Fisher's z of the CCC with the corrected coefficients (Lin 2000).

    ``[(1 - r^2) p^2 / (q r^2) + 2 p^3 (1 - p) u^2 / (r q^2) - p^4 u^4 / (2 r^2 q^2)] / (n - 2)`` with q = 1 - p^2,
    p the CCC, r the Pearson correlation, u the location shift. Terms in p / r are C_b, so that r near zero costs
    nothing. NaN with fewer than three targets or where the CCC is 1 or not defined.
    """
    p, r, u, cb, n = c.value, c.precision, c.location_shift, c.accuracy, c.n
    if not (n > 2 and abs(p) < 1 and math.isfinite(cb)):
        return math.nan
    left = 1 - p**2
    terms = ((1 - r**2) * cb**2 / left + 2 * p**2 * cb * (1 - p) * u**2 / left**2
             - p**2 * cb**2 * u**4 / (2 * left**2))
    return max(terms, 0.0) / (n - 2)


def lin_interval(c: Concordance, level: float) -> Interval:
    """Interval of the CCC by Fisher's z with the variance of Lin (2000), as published."""
    from scipy.special import ndtri

    variance = lin_variance_z(c)
    if not math.isfinite(variance):
        return math.nan, math.nan
    z, half = math.atanh(c.value), float(ndtri(0.5 + level / 2)) * math.sqrt(variance)
    return math.tanh(z - half), math.tanh(z + half)


def lin_std_error(c: Concordance) -> float:
    """Return the standard error of the CCC from the variance of Lin (2000): that of z times 1 - CCC^2."""
    return math.sqrt(lin_variance_z(c)) * (1 - c.value**2)


def scale_interval(c: Concordance, level: float) -> Interval:
    """Exact interval of the scale shift v = SD a / SD b of paired normal readings.

    ``v^2`` lies between ``s_a^2 / s_b^2`` times ``K -/+ sqrt(K^2 - 1)`` with ``K = 1 + 2 (1 - r^2) t^2 / (n - 2)``.

    References
    ----------
    Pitman EJG (1939). A note on normal correlation. Biometrika 31:9-12; Morgan WA (1939). Biometrika 31:13-19.
    """
    from scipy.special import stdtrit

    if c.n < 3 or not math.isfinite(c.scale_shift):
        return math.nan, math.nan
    t = float(stdtrit(c.n - 2, 0.5 + level / 2))
    k = 1 + 2 * (1 - c.precision**2) * t**2 / (c.n - 2)
    reach = k + math.sqrt(max(k**2 - 1, 0.0))
    return c.scale_shift / math.sqrt(reach), c.scale_shift * math.sqrt(reach)


def correlation_interval(r: float, n: int, level: float) -> Interval:
    """Fisher's z interval of a correlation (Fisher 1921), variance 1 / (n - 3); NaN for fewer than four targets."""
    from scipy.special import ndtri

    if n < 4 or not abs(r) < 1:
        return math.nan, math.nan
    half = float(ndtri(0.5 + level / 2)) / math.sqrt(n - 3)
    return math.tanh(math.atanh(r) - half), math.tanh(math.atanh(r) + half)


def overall_concordance(table: ArrayLike, *, ddof: int = 1) -> Overall:
    """Overall concordance correlation of k methods read on the same targets.

    Parameters
    ----------
    table : array, shape (n_targets, k)
        One column a method [unit], complete; n and k at least 2.
    ddof : int
        1: divisor n - 1 (usual for several methods); 0: divisor n, as Lin (1989) for two.

    Returns
    -------
    Overall
        With two methods ``value`` is :func:`concordance` of them.

    Raises
    ------
    ValueError
        For an incomplete table, fewer than two targets or fewer than two methods.

    Notes
    -----
    ``value = 2 sum s_jl / ((k - 1) sum s_j^2 + sum (m_j - m_l)^2)``, sums over pairs j < l: the mean of the pairwise
    CCCs with weights ``s_j^2 + s_l^2 + (m_j - m_l)^2``. Precision is the mean of the Pearson correlations with weights
    ``s_j s_l``.

    References
    ----------
    Barnhart, Haber & Song (2002), equations 3 to 6.
    """
    mean, s = moments(table, ddof=ddof)
    n, k = np.asarray(table).shape
    pairs = tuple(combinations(range(k), 2))
    i, j = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    sd = np.sqrt(np.diag(s))
    tops, together = 2 * s[i, j], 2 * sd[i] * sd[j]
    bottoms = sd[i] ** 2 + sd[j] ** 2 + (mean[i] - mean[j]) ** 2
    top, bottom, both = float(tops.sum()), float(bottoms.sum()), float(together.sum())
    pairwise = np.divide(tops, bottoms, out=np.full(len(pairs), math.nan), where=bottoms > 0)
    weights = bottoms / bottom if bottom > 0 else np.full(len(pairs), math.nan)
    return Overall(value=_ratio(top, bottom), precision=_ratio(top, both),
                   accuracy=_ratio(both, bottom) if both > 0 else math.nan, pairs=pairs, pairwise=pairwise,
                   weights=weights, n=int(n), k=int(k), ddof=ddof)
