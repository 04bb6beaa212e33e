"""Precision of a method over laboratories at one level: s_r, s_L, s_R with intervals, and their relation to the level.

References
----------
ISO 5725-2:1994, section 7.4 (precision), 7.5 (relation to the level).
ASTM E691: s_xbar, h and k.
Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Dekker, chapter 4 (unequal numbers).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.mean_square_intervals import linear_interval
from drift.engine.meansquares import Interval, chi_square_sd, one_way

FloatArray = NDArray[np.float64]
NOTHING: Interval = (math.nan, math.nan)
LIMIT = 2.8  # ISO 5725-6: 1.96 sqrt(2) = 2.77, rounded


@dataclass(frozen=True, kw_only=True, eq=False)
class Precision:
    """Precision at one level; ``intervals`` of ``m``, ``s_r``, ``s_L`` and ``s_R``.

    ``between`` is the unbiased between-laboratory variance, which may be negative; s_L is then zero. ``sds`` are NaN
    for laboratories with one result. ``s_r`` and ``s_L`` are NaN where no laboratory has two.
    """

    m: float
    s_r: float
    s_l: float
    s_reproducibility: float
    s_means: float
    between: float
    n_bar: float
    df_r: int
    counts: FloatArray
    means: FloatArray
    sds: FloatArray
    intervals: dict[str, Interval]

    @property
    def p(self) -> int:
        """Number of laboratories."""
        return len(self.counts)

    @property
    def usual_count(self) -> int:
        """Number of results that most laboratories have; ISO 5725-2 takes it for Cochran's critical value."""
        values, often = np.unique(self.counts[self.counts > 1], return_counts=True)
        return int(values[np.argmax(often)]) if len(values) else 1

    @property
    def h(self) -> FloatArray:
        """Mandel's h: deviation of a laboratory's mean from the mean of means, over the SD of means."""
        return (self.means - self.means.mean()) / self.s_means if self.s_means > 0 else np.full(self.p, np.nan)

    @property
    def k(self) -> FloatArray:
        """Mandel's k: SD of a laboratory over the pooled SD."""
        return self.sds / self.s_r if self.s_r > 0 else np.full(self.p, np.nan)

    @property
    def cochran(self) -> float:
        """Cochran's C."""
        total = float(np.nansum(self.sds**2))
        return float(np.nanmax(self.sds) ** 2) / total if total > 0 else math.nan


def precision(values: ArrayLike, laboratories: ArrayLike, *, level: float) -> Precision:
    """Estimate the precision of one level.

    Parameters
    ----------
    values : array_like of float, shape (n_results,)
    laboratories : array_like of int, shape (n_results,)
        Codes 0, 1, ...; at least two, every number used.
    level : float

    Notes
    -----
    s_r^2 pools the laboratories' variances; s_L^2 = (s_d^2 - s_r^2) / n_bar with s_d^2 the mean square between
    laboratories and n_bar = (N - sum n_i^2 / N) / (p - 1); s_R^2 = s_r^2 + s_L^2, and s_R = s_r where s_L^2 would be
    negative. s_r has the exact chi-square interval, s_L and s_R the modified large-sample interval; with unequal
    numbers that of the unweighted means with the harmonic mean number of results. m has the t interval of the
    laboratories' means. With one result a laboratory only s_R can be estimated, with the chi-square interval of p - 1
    degrees of freedom.
    """
    flat = one_way(values, laboratories)
    y, code = np.asarray(values, dtype=np.float64), np.asarray(laboratories, dtype=np.intp)
    resid = y - flat.means[code]
    own = np.bincount(code, weights=resid**2)
    sds = np.where(flat.counts > 1, np.sqrt(own / np.maximum(flat.counts - 1, 1)), np.nan)
    centre = float(flat.means.mean())
    s_means = float(np.std(flat.means - centre, ddof=1))
    m_ends = _t_interval(flat.mean, s_means / math.sqrt(flat.n), flat.n - 1, level)
    if flat.df_within < 1:
        s_r, s_l, s_R, between = math.nan, math.nan, s_means, math.nan
        found = {"s_r": NOTHING, "s_L": NOTHING,
                 "s_R": chi_square_sd(s_means**2, flat.n - 1, level) if s_means > 0 else NOTHING}
    else:
        within = flat.ms_within
        between = (flat.ms_between - within) / flat.k0
        s_r, s_l, s_R = math.sqrt(within), math.sqrt(max(between, 0.0)), math.sqrt(within + max(between, 0.0))
        found = _ends(flat.counts, s_means, within, flat.df_within, s_l, s_R, level)
    return Precision(m=flat.mean, s_r=s_r, s_l=s_l, s_reproducibility=s_R, s_means=s_means, between=between,
                     n_bar=flat.k0, df_r=flat.df_within, counts=flat.counts, means=flat.means, sds=sds,
                     intervals={"m": m_ends, **found})


def _ends(counts: FloatArray, s_means: float, within: float, df: int, s_l: float, s_R: float,
          level: float) -> dict[str, Interval]:
    h = float(np.mean(1 / counts))
    if not s_means > 0 and not within > 0:
        return {"s_r": NOTHING, "s_L": NOTHING, "s_R": NOTHING}
    squares, dfs = [s_means**2, within], [len(counts) - 1, df]
    ends = np.sqrt(np.maximum(linear_interval(squares, dfs, [[1.0, -h], [1.0, 1.0 - h]], level), 0.0))
    return {"s_r": chi_square_sd(within, df, level) if within > 0 else NOTHING,
            "s_L": (min(float(ends[0, 0]), s_l), max(float(ends[0, 1]), s_l)),
            "s_R": (min(float(ends[1, 0]), s_R), max(float(ends[1, 1]), s_R))}


def _t_interval(value: float, error: float, df: int, level: float) -> Interval:
    from scipy.special import stdtrit

    half = float(stdtrit(df, 0.5 + level / 2)) * error
    return (value - half, value + half) if error > 0 else NOTHING


@dataclass(frozen=True, kw_only=True)
class Relation:
    """One functional form of precision against the level; ``misfit`` is the root mean square of relative residuals."""

    form: str
    intercept: float
    intercept_ends: Interval
    slope: float
    slope_ends: Interval
    misfit: float

    def at(self, m: float) -> float:
        """Return the fitted SD at a level."""
        if self.form == "III":
            return 10 ** (self.intercept + self.slope * math.log10(m))
        return self.intercept + self.slope * m if self.form == "II" else self.slope * m


def relations(m: ArrayLike, s: ArrayLike, *, level: float) -> tuple[Relation, ...]:
    """Fit the three forms of ISO 5725-2, section 7.5, to SDs at q levels.

    Parameters
    ----------
    m, s : array_like of float, shape (q,)
        Levels and SDs, above zero, at least three.
    level : float

    Returns
    -------
    tuple of Relation
        I: s = b m; II: s = a + b m; III: lg s = c + d lg m.

    Notes
    -----
    I: b is the mean of s / m. II: weighted regression with weights 1 / s-hat^2, started from the observed SDs and
    repeated until it stands (the standard repeats it two or three times). III: plain regression of logarithms.
    Intervals are those of the regressions, q - 1 or q - 2 degrees of freedom.
    """
    x, y = np.asarray(m, dtype=np.float64), np.asarray(s, dtype=np.float64)
    q = len(x)
    ratio = y / x
    b = float(ratio.mean())
    first = Relation(form="I", intercept=math.nan, intercept_ends=NOTHING, slope=b, misfit=_misfit(y, b * x, 1),
                     slope_ends=_t_interval(b, float(ratio.std(ddof=1)) / math.sqrt(q), q - 1, level))
    fit = y.copy()
    for _ in range(20):
        beta, error = _weighted_line(x, y, 1 / fit**2)
        new = beta[0] + beta[1] * x
        if not np.all(new > 0):
            break
        fit = new
    second = Relation(form="II", intercept=float(beta[0]), intercept_ends=_t_interval(beta[0], error[0], q - 2, level),
                      slope=float(beta[1]), slope_ends=_t_interval(beta[1], error[1], q - 2, level),
                      misfit=_misfit(y, beta[0] + beta[1] * x, 2))
    beta, error = _weighted_line(np.log10(x), np.log10(y), np.ones(q))
    third = Relation(form="III", intercept=float(beta[0]), intercept_ends=_t_interval(beta[0], error[0], q - 2, level),
                     slope=float(beta[1]), slope_ends=_t_interval(beta[1], error[1], q - 2, level),
                     misfit=_misfit(y, 10 ** (beta[0] + beta[1] * np.log10(x)), 2))
    return first, second, third


def _weighted_line(x: FloatArray, y: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    centre = float(w @ x / w.sum())
    d = x - centre
    spread = float(w @ d**2)
    slope = float(w @ (d * y)) / spread
    level = float(w @ y / w.sum())
    resid = y - level - slope * d
    scale = float(w @ resid**2) / max(len(x) - 2, 1)
    return (np.array([level - slope * centre, slope]),
            np.sqrt(scale * np.array([1 / w.sum() + centre**2 / spread, 1 / spread])))


def _misfit(y: FloatArray, fit: FloatArray, used: int) -> float:
    if not np.all(fit > 0):
        return math.inf
    return math.sqrt(float((((y - fit) / fit) ** 2).sum()) / max(len(y) - used, 1))
