"""Two crossed layouts compared when the same targets were measured in both: difference of ICC, ratio of SEM.

Each layout has its own variances; where a target, a facet level or a cell is in both, their effects may be correlated.
The sums of squares of one layout are then chi-square variables correlated with those of the other by the square of the
correlation of the effects behind them. A joint generalised pivotal quantity replaces the variances of both layouts by
the values that make all sums equal to such pairs of chi-square variables. The squared correlation is adjusted for its
degrees of freedom and never below zero, which leaves it somewhat high where there is no correlation; where too few
levels are shared to estimate it, it is set to zero, which widens: sums that rise and fall together make a difference
or ratio of the same function of both more certain. What this does to coverage is known by simulation only.

The residual alone has exact answers: the ratio of two correlated variances (Pitman, Morgan) where the layouts share
all cells, the F distribution where they share nothing.

References
----------
Morgan WA (1939). A test for the significance of the difference between the two variances in a sample from a normal
    bivariate population. Biometrika 31:13-19. Pitman EJG (1939). A note on normal correlation. Biometrika 31:9-12.
Kibble WF (1941). A two-variate gamma type distribution. Sankhya 5:137-150 (correlated chi-squares).
Weerahandi S (1993). Generalized confidence intervals. JASA 88:899-905.
Holm S (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of Statistics 6:65-70.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.crossed import CrossedDesign
from drift.engine.meansquares import Interval
from drift.engine.pivotal import Pivots
from drift.engine.repeated_uses import Squares, solve

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

DRAWS = 10_000
FEWEST = 5  # degrees of freedom from which a correlation is estimated rather than set to zero


class Link(NamedTuple):
    """Squared correlation of an effect in two layouts, and the degrees of freedom both share."""

    squared: float
    df: int


NO_LINK = Link(0.0, 0)


@dataclass(frozen=True, kw_only=True)
class Links:
    """What two layouts share: target, facet, inner (cell) and within-cell effects."""

    target: Link = NO_LINK
    facet: Link = NO_LINK
    inner: Link = NO_LINK
    within: Link = NO_LINK


@dataclass(frozen=True, kw_only=True, eq=False)
class Effects:
    """Effects of the additive fit of cell means: targets, facet levels, and residuals (NaN in empty cells)."""

    targets: FloatArray
    facets: FloatArray
    residuals: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Side:
    """Pivotal values of the variances of one layout, one a draw."""

    target: FloatArray
    facet: FloatArray
    noise: FloatArray
    within: FloatArray | None

    def coefficient(self, *, agreement: bool, divisor: float = 1.0) -> FloatArray:
        """ICC of one reading, or of the mean of ``divisor`` levels."""
        error = (self.noise + (self.facet if agreement else 0.0)) / divisor
        return np.asarray(self.target / np.maximum(self.target + error, 1e-300))

    def sem(self, *, agreement: bool, divisor: float = 1.0) -> FloatArray:
        """SEM of one reading, or of the mean of ``divisor`` levels."""
        return np.asarray(np.sqrt((self.noise + (self.facet if agreement else 0.0)) / divisor))


def effects(design: CrossedDesign) -> Effects:
    """Fit targets and facet levels to the cell means, every cell with the same weight."""
    met = (design.counts > 0).astype(np.float64)
    y = design.means * met
    per_row, per_col = met.sum(axis=1), met.sum(axis=0)
    information = np.diag(per_col) - met.T @ (met / per_row[:, None])
    totals = y.sum(axis=0) - met.T @ (y.sum(axis=1) / per_row)
    cols = np.linalg.lstsq(information, totals, rcond=None)[0]
    cols = cols - cols.mean()
    rows = ((y - cols) * met).sum(axis=1) / per_row
    residuals = np.where(met > 0, y - rows[:, None] - cols[None, :], np.nan)
    return Effects(targets=rows, facets=cols, residuals=residuals)


def correlation(x: ArrayLike, y: ArrayLike, df: int, *, centre: bool = True) -> Link:
    """Squared correlation of paired effects, adjusted for its degrees of freedom and not below zero.

    Parameters
    ----------
    x, y : array_like of float, shape (m,)
        Effects of the same units in the two layouts.
    df : int
        Degrees of freedom of their sums of squares.
    centre : bool
        Take the means off first (residuals have none).

    Returns
    -------
    Link
        ``1 - (1 - r^2) df / (df - 1)``, on average zero where there is no correlation and somewhat low where there
        is; no link where ``df`` is below 5.
    """
    a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if df < FEWEST or len(a) < 3:
        return NO_LINK
    if centre:
        a, b = a - a.mean(), b - b.mean()
    bottom = math.sqrt(float(a @ a)) * math.sqrt(float(b @ b))
    if not bottom > 0:
        return NO_LINK
    r = min(abs(float(a @ b)) / bottom, 1.0)
    return Link(min(max(1.0 - (1.0 - r * r) * df / (df - 1.0), 0.0), 1.0 - 1e-9), df)


def find_links(one: Effects, two: Effects, targets: tuple[IntArray, IntArray], facets: tuple[IntArray, IntArray],
               within: Link = NO_LINK) -> Links:
    """Estimate what two layouts share.

    Parameters
    ----------
    one, two : Effects
    targets, facets : tuple of int arrays
        Positions in each layout of the targets and facet levels that are in both.
    within : Link
        Of readings within cells, where they can be paired.
    """
    (t1, t2), (f1, f2) = targets, facets
    inner = NO_LINK
    if len(t1) > 1 and len(f1) > 1:
        r1, r2 = one.residuals[np.ix_(t1, f1)], two.residuals[np.ix_(t2, f2)]
        both = np.isfinite(r1) & np.isfinite(r2)
        df = int(both.sum()) - int(both.any(axis=1).sum()) - int(both.any(axis=0).sum()) + 1
        inner = correlation(r1[both], r2[both], df, centre=False)
    return Links(target=correlation(one.targets[t1], two.targets[t2], len(t1) - 1),
                 facet=correlation(one.facets[f1], two.facets[f2], len(f1) - 1), inner=inner, within=within)


def paired_chi_squares(df: tuple[int, int], link: Link, n: int, rng: np.random.Generator,
                       ) -> tuple[FloatArray, FloatArray]:
    """Draw pairs of chi-square variables of which ``link.df`` degrees of freedom are correlated.

    The pair of the diagonal of a Wishart matrix (Kibble 1941): given a negative binomial N both are independent, with
    (1 - rho^2) times a chi-square of df + 2 N degrees of freedom.
    """
    shared = min(link.df, *df) if link.squared > 0 else 0
    out = [np.zeros(n), np.zeros(n)]
    if shared > 0:
        extra = rng.negative_binomial(shared / 2, 1.0 - link.squared, n)
        out = [(1.0 - link.squared) * rng.chisquare(shared + 2.0 * extra) for _ in df]
    return tuple(u + rng.chisquare(d - shared, n) if d > shared else u  # type: ignore[return-value]
                 for u, d in zip(out, df, strict=True))


def joint_draws(one: Pivots, two: Pivots, links: Links, *, n: int = DRAWS,
                rng: np.random.Generator) -> tuple[Side, Side]:
    """Draw the variances of two layouts together."""
    u_inner = paired_chi_squares((one.df_inner, two.df_inner), links.inner, n, rng)
    u_target = paired_chi_squares((one.df_target, two.df_target), links.target, n, rng)
    u_facet = paired_chi_squares((one.df_facet, two.df_facet), links.facet, n, rng)
    if one.df_within and two.df_within:
        u_within: tuple[FloatArray | None, FloatArray | None] = paired_chi_squares(
            (one.df_within, two.df_within), links.within, n, rng)
    else:
        u_within = (rng.chisquare(one.df_within, n) if one.df_within else None,
                    rng.chisquare(two.df_within, n) if two.df_within else None)
    return (_side(one, u_target[0], u_facet[0], u_inner[0], u_within[0]),
            _side(two, u_target[1], u_facet[1], u_inner[1], u_within[1]))


def _side(p: Pivots, u_target: FloatArray, u_facet: FloatArray, u_inner: FloatArray,
          u_within: FloatArray | None) -> Side:
    inner = p.ss_inner / u_inner
    noise, within = inner, None
    if u_within is not None:
        within = p.ss_within / u_within
        noise = np.maximum(inner - within * p.inverse_m, 0.0) + within
    return Side(target=solve(Squares(squares=p.target_squares, weights=p.target_weights), u_target, inner),
                facet=solve(Squares(squares=p.facet_squares, weights=p.facet_weights), u_facet, inner),
                noise=noise, within=within)


def interval_and_p(draws: FloatArray, null: float, level: float) -> tuple[Interval, float]:
    """Equal-tailed quantiles of the draws, and twice the smaller share of them beyond the null value."""
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    below, above = float(np.mean(draws <= null)), float(np.mean(draws >= null))
    return (float(low), float(high)), min(1.0, max(2.0 * min(below, above), 1.0 / len(draws)))


@dataclass(frozen=True, kw_only=True)
class VarianceTest:
    """Ratio of two variances with its exact interval, likelihood-ratio statistic and exact p value."""

    ratio: float
    low: float
    high: float
    statistic: float
    p: float


def correlated_variances(ss_one: float, ss_two: float, cross: float, df: int, level: float) -> VarianceTest:
    """Compare two variances from the sums of squares and products of paired residuals.

    Parameters
    ----------
    ss_one, ss_two, cross : float
        Sums of squares and of products of the residuals of the same cells.
    df : int
        Their degrees of freedom, at least 2.
    level : float

    Notes
    -----
    The likelihood-ratio statistic of equal variances in a bivariate normal sample is -df log(1 - r_DS^2), r_DS the
    correlation of sums and differences; it rises with |r_DS|, so its exact p value is that of t = r_DS sqrt((df - 1) /
    (1 - r_DS^2)) (Pitman 1939, Morgan 1939). The interval inverts the same test.
    """
    from scipy.special import stdtr, stdtrit

    f, r2 = ss_one / ss_two, min(cross**2 / (ss_one * ss_two), 1.0)
    t = (f - 1.0) * math.sqrt(df - 1.0) / (2.0 * math.sqrt(f * max(1.0 - r2, 1e-15)))
    k = 1.0 + 2.0 * (1.0 - r2) * float(stdtrit(df - 1.0, 0.5 + level / 2)) ** 2 / (df - 1.0)
    root = math.sqrt(k * k - 1.0)
    return VarianceTest(ratio=f, low=f * (k - root), high=f * (k + root), statistic=df * math.log1p(t * t / (df - 1.0)),
                        p=float(2 * stdtr(df - 1.0, -abs(t))))


def independent_variances(ss_one: float, df_one: int, ss_two: float, df_two: int, level: float) -> VarianceTest:
    """Compare two independent variances: F interval, equal-tailed F test, and the likelihood-ratio statistic."""
    from scipy.special import fdtr, fdtrc, fdtri

    f = (ss_one / df_one) / (ss_two / df_two)
    tail = (1 - level) / 2
    pooled = (ss_one + ss_two) / (df_one + df_two)
    statistic = ((df_one + df_two) * math.log(pooled) - df_one * math.log(ss_one / df_one)
                 - df_two * math.log(ss_two / df_two))
    p = 2.0 * min(float(fdtr(df_one, df_two, f)), float(fdtrc(df_one, df_two, f)))
    return VarianceTest(ratio=f, low=f / float(fdtri(df_one, df_two, 1 - tail)),
                        high=f / float(fdtri(df_one, df_two, tail)), statistic=max(statistic, 0.0), p=min(p, 1.0))


def holm(p_values: ArrayLike) -> FloatArray:
    """Holm-adjusted p values; NaN stays NaN and is not counted."""
    p = np.asarray(p_values, dtype=np.float64)
    out = np.full(len(p), np.nan)
    good = np.flatnonzero(np.isfinite(p))
    order = good[np.argsort(p[good], kind="stable")]
    running = 0.0
    for i, at in enumerate(order):
        running = max(running, min(1.0, (len(order) - i) * float(p[at])))
        out[at] = running
    return out
