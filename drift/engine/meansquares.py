"""Mean squares of one-way and two-way tables from centred sums, and the intervals that follow from them.

Symbols as in McGraw & Wong (1996): n targets, k facet levels, m replicates in a cell; MSR between targets,
MSC between facet levels, MSE residual (with replicates: target x facet interaction), MSW within. All sums
are taken about the first value and then about the mean, so that an offset of 1e9 costs no digits that the
readings themselves hold.

References
----------
McGraw KO, Wong SP (1996). Forming inferences about some intraclass correlation coefficients. Psychological
    Methods 1:30-46, tables 4 and 7.
Shrout PE, Fleiss JL (1979). Intraclass correlations: uses in assessing rater reliability. Psychological
    Bulletin 86:420-428.
Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Dekker, section 3.2 (modified
    large sample) and chapter 4 (unequal numbers).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Interval = tuple[float, float]

COEFFICIENTS = ("ICC(1)", "ICC(k)", "ICC(C,1)", "ICC(C,k)", "ICC(A,1)", "ICC(A,k)")


@dataclass(frozen=True, kw_only=True)
class OneWay:
    """Analysis of variance of a one-way layout, equal or unequal numbers.

    ``k0`` is the coefficient of the between-target variance in the expected mean square between targets;
    it equals the common number of readings where numbers are equal.
    """

    n: int
    n_readings: int
    k0: float
    mean: float
    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    counts: FloatArray
    means: FloatArray

    @property
    def ms_between(self) -> float:
        """Mean square between targets."""
        return self.ss_between / self.df_between if self.df_between > 0 else math.nan

    @property
    def ms_within(self) -> float:
        """Mean square within targets."""
        return self.ss_within / self.df_within if self.df_within > 0 else math.nan

    @property
    def f_ratio(self) -> float:
        """F of targets; infinite where nothing varies within them."""
        return _ratio(self.ms_between, self.ms_within)


@dataclass(frozen=True, kw_only=True)
class TwoWay:
    """Mean squares of a complete n x k table with m readings in each cell, on the scale of one reading.

    ``ms_residual`` is the target x facet mean square: the residual where m = 1, the interaction where
    m > 1. ``ms_within`` is the mean square between readings of one cell (NaN where m = 1) and
    ``one_way`` the layout that ignores the facet.
    """

    n: int
    k: int
    m: int
    mean: float
    ms_target: float
    ms_facet: float
    ms_residual: float
    ms_within: float
    one_way: OneWay

    @property
    def df(self) -> tuple[int, int, int, int]:
        """Degrees of freedom of target, facet, residual (interaction) and within cell."""
        n, k = self.n, self.k
        return n - 1, k - 1, (n - 1) * (k - 1), n * k * (self.m - 1)

    def components(self) -> dict[str, float]:
        """Unbiased variance components of target, facet, interaction and residual; they may be negative.

        Without replicates ``interaction`` is NaN and is part of ``residual``.
        """
        inner = self.ms_residual
        parts = {"target": (self.ms_target - inner) / (self.k * self.m),
                 "facet": (self.ms_facet - inner) / (self.n * self.m)}
        if self.m == 1:
            return {**parts, "interaction": math.nan, "residual": inner}
        return {**parts, "interaction": (inner - self.ms_within) / self.m, "residual": self.ms_within}


def _ratio(top: float, bottom: float) -> float:
    if bottom > 0:
        return top / bottom
    return math.inf if top > 0 else math.nan


def centred(values: ArrayLike) -> tuple[FloatArray, float]:
    """Return values less their mean, and the mean; the first finite value is taken off before averaging.

    Parameters
    ----------
    values : array_like of float, any shape
        NaN is ignored in the mean and stays NaN.
    """
    y = np.array(values, dtype=np.float64)
    finite = y[np.isfinite(y)]
    if finite.size == 0:
        return y, math.nan
    pivot = float(finite[0])
    # For readings within a factor of two of the pivot this difference is exact (Sterbenz), so nothing is lost.
    y -= pivot
    shift = math.fsum(finite - pivot) / finite.size
    return y - shift, pivot + shift


def one_way(values: ArrayLike, codes: ArrayLike) -> OneWay:
    """Analyse a one-way layout from centred sums.

    Parameters
    ----------
    values : array_like of float, shape (n_readings,)
        Finite readings.
    codes : array_like of int, shape (n_readings,)
        Target of each reading, 0 to n - 1, every number used.

    Returns
    -------
    OneWay

    References
    ----------
    Ebel RL (1951). Psychometrika 16:407-424: k0 for unequal numbers.
    """
    y, mean = centred(values)
    code = np.asarray(codes, dtype=np.intp)
    counts = np.bincount(code).astype(np.float64)
    n, total = len(counts), len(y)
    means = np.bincount(code, weights=y) / counts
    # A second pass takes off what rounding left in the means (corrected two-pass sums).
    resid = y - means[code]
    left = np.bincount(code, weights=resid) / counts
    means, resid = means + left, resid - left[code]
    ss_within = float(resid @ resid)
    ss_between = math.fsum(counts * (means - math.fsum(counts * means) / total) ** 2)
    k0 = (total - float(counts @ counts) / total) / (n - 1) if n > 1 else math.nan
    return OneWay(n=n, n_readings=total, k0=k0, mean=mean, ss_between=ss_between, ss_within=ss_within,
                  df_between=n - 1, df_within=total - n, counts=counts, means=means + mean)


def two_way(table: ArrayLike) -> TwoWay:
    """Mean squares of a complete two-way table.

    Parameters
    ----------
    table : array_like of float, shape (n_targets, k_levels) or (n_targets, k_levels, m_replicates)
        No missing cells; n and k at least 2.

    Raises
    ------
    ValueError
        If the table is not complete or too small.
    """
    raw = np.asarray(table, dtype=np.float64)
    cube = raw[:, :, None] if raw.ndim == 2 else raw
    if cube.ndim != 3 or cube.shape[0] < 2 or cube.shape[1] < 2 or not np.all(np.isfinite(cube)):
        raise ValueError("a complete table of at least 2 x 2 finite readings is needed")
    n, k, m = cube.shape
    y, mean = centred(cube)
    cells = y.mean(axis=2)
    rows, cols = cells.mean(axis=1), cells.mean(axis=0)
    rows, cols = rows - rows.mean(), cols - cols.mean()
    inner = cells - cells.mean() - rows[:, None] - cols[None, :]
    within = y - cells[:, :, None]
    codes = np.repeat(np.arange(n), k * m)
    return TwoWay(n=n, k=k, m=m, mean=mean,
                  ms_target=k * m * float(rows @ rows) / (n - 1),
                  ms_facet=n * m * float(cols @ cols) / (k - 1),
                  ms_residual=m * float(np.vdot(inner, inner)) / ((n - 1) * (k - 1)),
                  ms_within=float(np.vdot(within, within)) / (n * k * (m - 1)) if m > 1 else math.nan,
                  one_way=one_way(cube.reshape(-1), codes))


def step_up(single: float, k: float) -> float:
    """Return the coefficient of the mean of k readings from that of one (Spearman-Brown).

    A coefficient at or below -1/(k - 1) has no stepped-up value and gives minus infinity.
    """
    if math.isnan(single):
        return math.nan
    bottom = 1.0 + (k - 1.0) * single
    return k * single / bottom if bottom > 1e-12 else -math.inf


def icc_points(squares: TwoWay) -> dict[str, float]:
    """Return the six distinct coefficients from the mean squares of a complete table.

    With replicates a single reading is one reading of one cell and "k" is the mean of one reading at each
    of the k facet levels. Where nothing varies all values are NaN.

    References
    ----------
    McGraw & Wong (1996), table 4; ICC(C,1) with replicates has interaction and within-cell variance in
    its denominator (case 2A).
    """
    part = squares.components()
    target, facet = part["target"], part["facet"]
    residual = part["residual"] + (part["interaction"] if squares.m > 1 else 0.0)
    flat, k = squares.one_way, squares.k
    between = (flat.ms_between - flat.ms_within) / (k * squares.m)

    def share(top: float, rest: float) -> float:
        # A sum of variances that cancels to rounding has no quotient (targets' means that do not differ at all).
        return top / (top + rest) if top + rest > 1e-12 * max(abs(top), abs(rest)) else math.nan

    return {"ICC(1)": share(between, flat.ms_within), "ICC(k)": share(between, flat.ms_within / k),
            "ICC(C,1)": share(target, residual), "ICC(C,k)": share(target, residual / k),
            "ICC(A,1)": share(target, facet + residual), "ICC(A,k)": share(target, (facet + residual) / k)}


def f_interval(f_ratio: float, df1: float, df2: float, k: float, level: float) -> Interval:
    """Exact interval of an intraclass correlation (one reading) from its F ratio.

    Parameters
    ----------
    f_ratio : float
        Mean square of targets over that of error; may be infinite.
    df1, df2 : float
        Degrees of freedom of the two.
    k : float
        Readings a target.
    level : float
        Confidence level, two-sided.

    References
    ----------
    McGraw & Wong (1996), table 7; Shrout & Fleiss (1979), equations for ICC(1,1) and ICC(3,1).
    """
    if not f_ratio >= 0:
        return math.nan, math.nan
    if math.isinf(f_ratio):
        return 1.0, 1.0
    low, high = f_intervals(f_ratio, df1, df2, k, level)
    return float(low), float(high)


def f_intervals(f_ratios: ArrayLike, df1: float, df2: float, k: float, level: float) -> FloatArray:
    """Return :func:`f_interval` of many finite F ratios at once, shape (..., 2)."""
    from scipy.special import fdtri

    f, p = np.asarray(f_ratios, dtype=np.float64), 0.5 + level / 2
    low, high = f / float(fdtri(df1, df2, p)), f * float(fdtri(df2, df1, p))
    return np.stack([(low - 1) / (low + k - 1), (high - 1) / (high + k - 1)], axis=-1)


def agreement_df(squares: TwoWay, value: float) -> float:
    """Satterthwaite degrees of freedom v of the F interval of ICC(A,1) (McGraw & Wong 1996, table 7)."""
    n, k = squares.n, squares.k
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    facet, residual = a * squares.ms_facet, b * squares.ms_residual
    bottom = facet**2 / (k - 1) + residual**2 / ((n - 1) * (k - 1))
    return (facet + residual) ** 2 / bottom if bottom > 0 else math.nan


def agreement_interval(squares: TwoWay, level: float) -> Interval:
    """F/Satterthwaite interval of ICC(A,1) for a complete table without replicates.

    It is too short where facet levels are few and differ (coverage down to 0.73 for a nominal 0.95).

    References
    ----------
    McGraw & Wong (1996), table 7; Shrout & Fleiss (1979), interval of ICC(2,1).
    """
    value = icc_points(squares)["ICC(A,1)"]
    if not math.isfinite(value):
        return math.nan, math.nan
    df2 = agreement_df(squares, value) if value < 1 else math.nan
    if not df2 > 0:
        return (1.0, 1.0) if value >= 1 else (math.nan, math.nan)
    from scipy.special import fdtri

    n, k, p = squares.n, squares.k, 0.5 + level / 2
    msr, msc, mse = squares.ms_target, squares.ms_facet, squares.ms_residual
    lower_f, upper_f = float(fdtri(n - 1, df2, p)), float(fdtri(df2, n - 1, p))
    rest = k * msc + (k * n - k - n) * mse
    return (n * (msr - lower_f * mse) / (lower_f * rest + n * msr),
            n * (upper_f * msr - mse) / (rest + n * upper_f * msr))


def classical_intervals(squares: TwoWay, level: float) -> dict[str, Interval]:
    """Return the classical intervals of the six coefficients of a complete table without replicates."""
    n, k = squares.n, squares.k
    flat = squares.one_way
    single = {"1": f_interval(flat.f_ratio, n - 1, flat.df_within, k, level),
              "C": f_interval(_ratio(squares.ms_target, squares.ms_residual), n - 1, squares.df[2], k, level),
              "A": agreement_interval(squares, level)}
    out: dict[str, Interval] = {}
    for case, ends in single.items():
        up = (step_up(ends[0], k), step_up(ends[1], k))
        one, mean = ("ICC(1)", "ICC(k)") if case == "1" else (f"ICC({case},1)", f"ICC({case},k)")
        out[one], out[mean] = ends, up
    return out


def wald_interval(squares: OneWay, level: float) -> Interval:
    """Exact interval of the one-way ICC of one reading with unequal numbers.

    Inverts the F pivot sum w_i (mean_i - mean_w)^2 / ((n - 1) MSW) with w_i = 1 / (theta + 1 / n_i), which
    has an F distribution at the true variance ratio theta (Wald 1940; Burdick & Graybill 1992, section 4.3).
    The lower end is cut at the smallest value the design admits, reached as theta tends to -1/max(n_i).
    """
    if squares.df_within < 1 or squares.df_between < 1:
        return math.nan, math.nan
    if not squares.ms_within > 0:
        return (1.0, 1.0) if squares.ms_between > 0 else (math.nan, math.nan)
    from scipy.special import fdtri

    counts, means = squares.counts, squares.means - squares.mean
    floor = -1.0 / float(counts.max())

    def pivot(theta: float) -> float:
        weights = 1.0 / (theta + 1.0 / counts)
        centre = float(weights @ means) / float(weights.sum())
        return float(weights @ (means - centre) ** 2) / (squares.df_between * squares.ms_within)

    ends = []
    for p in (0.5 + level / 2, 0.5 - level / 2):
        goal = float(fdtri(squares.df_between, squares.df_within, p))
        theta = decreasing_root(pivot, goal, floor * (1 - 1e-9))
        ends.append(theta / (1 + theta))
    return ends[0], ends[1]


def decreasing_root(function: Callable[[float], float], goal: float, floor: float) -> float:
    """Solve ``function(x) = goal`` for a decreasing function on (floor, infinity) by bisection.

    Returns ``floor`` where the function is below the goal everywhere.
    """
    low, step = floor, 1.0
    if function(low) <= goal:
        return low
    while function(low + step) > goal and step < 1e18:
        step *= 2.0
    high = low + step
    for _ in range(200):
        mid = 0.5 * (low + high)
        if mid in (low, high):
            break
        if function(mid) > goal:
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def chi_square_sd(mean_square: float, df: float, level: float) -> Interval:
    """Exact interval of a standard deviation from a mean square with ``df`` degrees of freedom."""
    if not df > 0 or not mean_square >= 0:
        return math.nan, math.nan
    from scipy.special import chdtri

    tail = (1 - level) / 2
    return (math.sqrt(df * mean_square / float(chdtri(df, tail))),
            math.sqrt(df * mean_square / float(chdtri(df, 1 - tail))))


def mls_sum(mean_squares: Sequence[float], df: Sequence[float], weights: Sequence[float], level: float) -> Interval:
    """Return the modified large-sample interval of a sum of expected mean squares with weights of at least zero.

    References
    ----------
    Graybill FA, Wang CM (1980). Confidence intervals on nonnegative linear combinations of variances. Journal
    of the American Statistical Association 75:869-873; Burdick & Graybill (1992), section 3.2.
    """
    from scipy.special import chdtri

    ms, dof = np.asarray(mean_squares, dtype=np.float64), np.asarray(df, dtype=np.float64)
    parts = np.asarray(weights, dtype=np.float64) * ms
    tail = (1 - level) / 2
    below, above = 1 - dof / chdtri(dof, tail), dof / chdtri(dof, 1 - tail) - 1
    total = float(parts.sum())
    return total - float(np.sqrt(((below * parts) ** 2).sum())), total + float(np.sqrt(((above * parts) ** 2).sum()))
