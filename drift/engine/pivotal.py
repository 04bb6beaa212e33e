"""Generalised pivotal intervals of the crossed model, without random numbers.

Three sums of squares carry the design: of targets (facet levels absorbed), of facet levels (targets absorbed)
and of the rest. Each, divided by its own variances, is chi-square; a missing cell only gives the first two
unequal coefficients, found as eigenvalues of the reduced design. A generalised pivotal quantity replaces the
variances by the values that make those sums equal to independent chi-square variables; here the variable with
the fewest degrees of freedom is integrated analytically and the others on a fixed lattice, so that a result
never depends on a seed.

For a complete table the three sums are independent and this is the usual generalised interval; with missing
cells the first two are each exact and their dependence on each other is neglected; with unequal replicates
the harmonic mean number of readings a cell is used (unweighted cell means).

References
----------
Weerahandi S (1993). Generalized confidence intervals. JASA 88:899-905.
Krishnamoorthy K, Mathew T (2009). Statistical Tolerance Regions. Wiley, sections 1.4 and 5.
Harville DA, Fenech AP (1985). Confidence intervals for a variance ratio, or for heritability, in an
    unbalanced mixed linear model. Biometrics 41:137-152.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossed import CrossedDesign
from drift.engine.meansquares import Interval, decreasing_root

FloatArray = NDArray[np.float64]

POINTS = 2048
STRATA = 512


@dataclass(frozen=True, kw_only=True)
class Pivots:
    """Reduced sums of squares of a connected crossed layout.

    ``target_squares[l]`` has expectation ``inner + target_weights[l] * target variance``, likewise for the
    facet; ``inner`` is the variance of a cell mean about the additive model (interaction + residual / m,
    where 1 / m is ``inverse_m``). ``draws`` are its pivotal values and those of interaction and residual.
    """

    target_squares: FloatArray
    target_weights: FloatArray
    df_target: int
    facet_squares: FloatArray
    facet_weights: FloatArray
    df_facet: int
    ss_inner: float
    df_inner: int
    ss_within: float
    df_within: int
    inverse_m: float
    draws: tuple[FloatArray, FloatArray, FloatArray]


def _reduced(own: FloatArray, met: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Squares and eigenvalues of the row effects after absorbing the columns (``own`` is rows' counts)."""
    per_column = met.sum(axis=0)
    information = np.diag(own) - (met / per_column) @ met.T
    totals = (y * met).sum(axis=1) - met @ ((y * met).sum(axis=0) / per_column)
    weights, vectors = np.linalg.eigh(information)
    keep = np.arange(len(weights)) >= 1
    return (vectors.T @ totals)[keep] ** 2 / weights[keep], weights[keep]


def build_pivots(design: CrossedDesign) -> Pivots:
    """Reduce a connected layout with ``df_inner`` > 0 to its pivots."""
    met = (design.counts > 0).astype(np.float64)
    n, k = met.shape
    y = design.means * met
    df_t, df_f = n - 1, k - 1
    if met.all():
        rows, cols = y.mean(axis=1), y.mean(axis=0)
        rows, cols = rows - rows.mean(), cols - cols.mean()
        inner = y - y.mean() - rows[:, None] - cols[None, :]
        ts, tw = np.array([k * float(rows @ rows)]), np.array([float(k)])
        fs, fw = np.array([n * float(cols @ cols)]), np.array([float(n)])
        ss_inner = float(np.vdot(inner, inner))
    else:
        ts, tw = _reduced(met.sum(axis=1), met, y)
        fs, fw = _reduced(met.sum(axis=0), met.T, y.T)
        ss_inner = _additive_residual(met, y)
    inverse = float((met / np.maximum(design.counts, 1)).sum() / met.sum())
    draws = inner_draws(ss_inner, design.df_inner, design.ss_within, design.df_within, inverse)
    return Pivots(target_squares=ts, target_weights=tw, df_target=df_t, facet_squares=fs, facet_weights=fw,
                  df_facet=df_f, ss_inner=ss_inner, df_inner=design.df_inner, ss_within=design.ss_within,
                  df_within=design.df_within, inverse_m=inverse, draws=draws)


def _additive_residual(met: FloatArray, y: FloatArray) -> float:
    """Sum of squares of cell means about the additive fit, from residuals rather than a difference of sums."""
    per_row, per_col = met.sum(axis=1), met.sum(axis=0)
    information = np.diag(per_col) - met.T @ (met / per_row[:, None])
    totals = y.sum(axis=0) - met.T @ (y.sum(axis=1) / per_row)
    cols = np.linalg.lstsq(information, totals, rcond=None)[0]
    rows = ((y - cols) * met).sum(axis=1) / per_row
    resid = (y - rows[:, None] - cols[None, :]) * met
    return float(np.vdot(resid, resid))


def _lattice() -> FloatArray:
    """Points of an additive-recurrence lattice in the unit cube, shape (POINTS, 3)."""
    root = 1.2207440846057596  # real root of x^4 = x + 1: the recurrence of lowest discrepancy in three dimensions
    steps = root ** -np.arange(1.0, 4.0)
    return (0.5 + np.arange(1, POINTS + 1)[:, None] * steps) % 1.0


def _strata() -> FloatArray:
    """Midpoints of equal parts of the unit interval, for integrals over one variable only."""
    return (np.arange(STRATA) + 0.5) / STRATA


@lru_cache(maxsize=64)
def _chi_squares(df: int, points: int) -> FloatArray:
    """Chi-square values, upper tail, at lattice coordinate ``points`` (0, 1 or 2), or at the strata (-1)."""
    from scipy.special import chdtri

    found: FloatArray = np.asarray(chdtri(df, _strata() if points < 0 else _lattice()[:, points]))
    found.setflags(write=False)
    return found


def inner_draws(ss_inner: float, df_inner: int, ss_within: float, df_within: int,
                 inverse_m: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pivotal values of inner variance, interaction and residual on the lattice."""
    inner = ss_inner / _chi_squares(df_inner, 0)
    if df_within == 0:
        return inner, np.zeros(POINTS), inner
    within = ss_within / _chi_squares(df_within, 1)
    return inner, np.maximum(inner - within * inverse_m, 0.0), within


def _form(squares: FloatArray, weights: FloatArray, variance: FloatArray, inner: FloatArray) -> FloatArray:
    """Sum of squares over their variances, one value a lattice point."""
    return np.asarray((squares / (inner[:, None] + weights * np.maximum(variance, 0.0)[:, None])).sum(axis=1))


def _solve(squares: FloatArray, weights: FloatArray, goal: FloatArray, inner: FloatArray) -> FloatArray:
    """Variance at which the form equals ``goal``, 0 where even a variance of 0 leaves it below."""
    total = float(squares.sum())
    if total <= 1e-14 * float(inner.min()):
        return np.zeros(len(inner))
    s: FloatArray = np.maximum((total / goal - inner) / weights.max(), 0.0)
    for _ in range(60):
        v = inner[:, None] + weights * s[:, None]
        gap = (squares / v).sum(axis=1) - goal
        step = gap / (squares * weights / v**2).sum(axis=1)
        # The form is convex and decreasing: Newton from the left never overshoots.
        new: FloatArray = np.maximum(s + step, 0.0)
        if np.all(np.abs(new - s) <= 1e-12 * (s + 1e-300)):
            return new
        s = new
    return s


def _ends(cdf: Callable[[float], float], level: float, start: float, ceiling: float = math.inf) -> Interval:
    """Quantiles of a distribution function on [0, ceiling) at the two tails of ``level``."""
    ends = []
    for p in ((1 - level) / 2, (1 + level) / 2):
        if cdf(0.0) >= p:
            ends.append(0.0)
            continue
        if math.isfinite(ceiling):
            ends.append(_root(cdf, p, 0.0, ceiling))
            continue
        high = start
        while cdf(high) < p and high < 1e12 * start:
            high *= 4.0
        ends.append(_root(cdf, p, 0.0, high))
    return ends[0], ends[1]


def _root(cdf: Callable[[float], float], p: float, low: float, high: float) -> float:
    """Solve ``cdf(x) = p`` in a bracket by Chandrupatla's method (1997, Adv. Eng. Softw. 28:145-149)."""
    a, b = high, low
    fa, fb = cdf(a) - p, cdf(b) - p
    if fa <= 0:
        return high
    c, fc, t = a, fa, 0.5
    for _ in range(60):
        x = a + t * (b - a)
        fx = cdf(x) - p
        if (fx > 0) == (fa > 0):
            c, fc = a, fa
        else:
            c, b, fc, fb = b, a, fb, fa
        a, fa = x, fx
        best = a if abs(fa) < abs(fb) else b
        tolerance = 1e-8 * abs(best) + 1e-12 * (high - low)
        limit = tolerance / abs(b - a) if b != a else 1.0
        if limit > 0.5 or fa == 0 or abs(fa) < 1e-11:
            return best
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        if phi**2 < xi and (1 - phi) ** 2 < 1 - xi:
            t = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        else:
            t = 0.5
        t = min(max(t, limit), 1 - limit)
    return 0.5 * (a + b)


def component_cdf(p: Pivots, name: str) -> Callable[[float], float]:
    """Return the pivotal distribution function of the variance of ``"target"`` or ``"facet"``.

    Its quantiles are the ends of the interval, so that an interval holds a value where the function lies between.
    """
    from scipy.special import chdtrc

    squares, weights, df = ((p.target_squares, p.target_weights, p.df_target) if name == "target" else
                            (p.facet_squares, p.facet_weights, p.df_facet))
    inner = p.ss_inner / _chi_squares(p.df_inner, -1)

    def cdf(s: float) -> float:
        return float(np.mean(chdtrc(df, _form(squares, weights, np.full(len(inner), s), inner))))

    return cdf


def component_intervals(p: Pivots, level: float) -> dict[str, Interval]:
    """Intervals of the variances of target, facet, interaction and residual.

    The residual's is exact (chi-square); the interaction's is NaN without replicates.
    """
    scale = float(np.median(p.ss_inner / _chi_squares(p.df_inner, -1))) + 1e-300
    out: dict[str, Interval] = {}
    for name, squares, weights, df in (("target", p.target_squares, p.target_weights, p.df_target),
                                       ("facet", p.facet_squares, p.facet_weights, p.df_facet)):
        start = max(float(squares.sum()) / (df * float(weights.max())), scale)
        out[name] = _ends(component_cdf(p, name), level, start)
    out["residual"] = residual_interval(p, level)
    out["interaction"] = (difference_interval((p.ss_inner / p.df_inner, p.df_inner),
                                              (p.ss_within / p.df_within, p.df_within), p.inverse_m, level)
                          if p.df_within else (math.nan, math.nan))
    return out


def residual_interval(p: Pivots, level: float) -> Interval:
    """Exact interval of the variance within cells, or without replicates of cells about the additive model."""
    from scipy.special import chdtri

    ss, df = (p.ss_within, p.df_within) if p.df_within else (p.ss_inner, p.df_inner)
    return ss / float(chdtri(df, (1 - level) / 2)), ss / float(chdtri(df, (1 + level) / 2))


def difference_interval(first: tuple[float, float], second: tuple[float, float], weight: float,
                        level: float) -> Interval:
    """Generalised pivotal interval of the variance max(first - weight * second, 0).

    Parameters
    ----------
    first, second : tuple of float
        Mean square and degrees of freedom of two independent chi-square sums.
    weight : float
        What share of the second is contained in the first.
    level : float
    """
    return _ends(difference_cdf(first, second, weight), level, max(first[0], 1e-300))


def difference_cdf(first: tuple[float, float], second: tuple[float, float],
                   weight: float) -> Callable[[float], float]:
    """Return the pivotal distribution function that :func:`difference_interval` takes its ends from."""
    from scipy.special import chdtrc

    (ms1, df1), (ms2, df2) = first, second
    inner = weight * ms2 * df2 / _chi_squares(int(df2), -1)

    def cdf(s: float) -> float:
        return float(np.mean(chdtrc(df1, ms1 * df1 / (s + inner + 1e-200 * ms1))))

    return cdf


def agreement_pivotal(p: Pivots, level: float) -> Interval:
    """Generalised pivotal interval of ICC(A,1): target over target + facet + interaction + residual."""
    from scipy.special import chdtr, chdtri

    inner, interaction, residual = p.draws
    rest = interaction + residual
    target = _solve(p.target_squares, p.target_weights, chdtri(p.df_target, _lattice()[:, 2]), inner)

    def cdf(r: float) -> float:
        if r <= 0:
            return float(np.mean(target <= 0))
        needed = target * (1 - r) / r - rest
        form = _form(p.facet_squares, p.facet_weights, needed, inner)
        return float(np.mean(np.where(needed <= 0, 1.0, chdtr(p.df_facet, form))))

    return _ends(cdf, level, 1.0, 1.0)


def consistency_pivotal(p: Pivots, level: float) -> Interval:
    """Interval of ICC(C,1): target over target + interaction + residual.

    Without replicates it is exact, for missing cells too (inversion of an F ratio; Harville & Fenech 1985);
    with replicates it is a generalised pivotal interval.
    """
    from scipy.special import chdtrc, fdtri

    if p.df_within == 0:
        ms = p.ss_inner / p.df_inner
        floor = -1.0 / float(p.target_weights.max())
        ends = []
        for q in ((1 + level) / 2, (1 - level) / 2):
            goal = float(fdtri(p.df_target, p.df_inner, q)) * p.df_target * ms

            def form(theta: float) -> float:
                return float((p.target_squares / (1 + p.target_weights * theta)).sum())

            theta = decreasing_root(form, goal, floor * (1 - 1e-9))
            ends.append(theta / (1 + theta))
        return ends[0], ends[1]
    inner, interaction, residual = p.draws
    rest = interaction + residual

    def cdf(r: float) -> float:
        variance = rest * r / (1 - r) if r < 1 else np.full(POINTS, 1e300)
        return float(np.mean(chdtrc(p.df_target, _form(p.target_squares, p.target_weights, variance, inner))))

    return _ends(cdf, level, 1.0, 1.0)


def noise_pivotal(p: Pivots, level: float) -> Interval:
    """Interval of the variance of facet + interaction + residual (the square of the agreement SEM)."""
    from scipy.special import chdtrc

    inner, interaction, residual = p.draws
    rest = interaction + residual

    def cdf(s: float) -> float:
        form = _form(p.facet_squares, p.facet_weights, s - rest, inner)
        return float(np.mean(np.where(s < rest, 0.0, chdtrc(p.df_facet, form))))

    return _ends(cdf, level, float(np.median(rest)) + 1e-300)
