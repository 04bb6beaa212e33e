"""Readings along use: their trend within targets, and what is left in facet and residual once it is removed.

The model of a reading is y = mu + a_i + (beta + g_i) u + b_j + e: target a_i, common trend beta per use, the target's
own deviation g_i from it, an occasion b_j that all targets met at facet level j share (absent where targets share no
level), residual e. Sums of squares of each effect with the others absorbed are reduced to independent squares by
eigenvalues, so that unequal spacing, missing readings and targets with uses of their own need no special case; a
generalised pivotal quantity replaces every variance by the value that makes its sum equal to a chi-square variable.

All intervals are quantiles over a fixed lattice: a result never depends on a seed.

References
----------
Weerahandi S (1993). Generalized confidence intervals. JASA 88:899-905.
Henderson CR (1953). Estimation of variance and covariance components. Biometrics 9:226-252 (method 3).
Searle SR, Casella G, McCulloch CE (1992). Variance Components. Wiley, section 5.5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.meansquares import Interval, centred

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

POINTS = 2048


@dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """Means of the readings that share target, facet level and use: the rows of the analysis.

    ``y`` is held less ``mean``; ``inverse_m`` is the mean of 1 / readings a point, ``ss_within`` the sum of squares
    of readings about their points. ``linked`` says whether targets share facet levels, so that an occasion can be
    told from the residual.
    """

    y: FloatArray
    targets: IntArray
    facets: IntArray
    uses: FloatArray
    mean: float
    inverse_m: float
    ss_within: float
    df_within: int
    linked: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Squares:
    """Independent squares of one effect, others absorbed: E = inner + weight x variance; ``df`` of them."""

    squares: FloatArray
    weights: FloatArray

    @property
    def df(self) -> int:
        """Degrees of freedom."""
        return len(self.squares)


@dataclass(frozen=True, kw_only=True, eq=False)
class Trend:
    """Trend within targets with what its variance is made of.

    ``slope`` is the least-squares slope on use with targets absorbed. Its variance is
    ``inner * residual + sum of occasions * occasion + own * own-line variance``. ``spread`` is the mean square of
    uses within targets, ``spread_inside`` that within targets and facet levels both (0 where use is the level).
    """

    slope: float
    residual_factor: float
    occasion_factor: float
    own_factor: float
    ss_inner: float
    df_inner: int
    occasions: Squares
    own_lines: Squares
    spread: float
    spread_inside: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Removed:
    """Squares of target, facet and residual with the trend absorbed (``facets`` may be empty)."""

    targets: Squares
    facets: Squares
    ss_inner: float
    df_inner: int


def build_points(values: ArrayLike, targets: ArrayLike, facets: ArrayLike, uses: ArrayLike, *,
                 linked: bool = True) -> Points:
    """Average the readings that share target, facet level and use.

    Parameters
    ----------
    values : array_like of float, shape (n_rows,)
        Finite readings.
    targets, facets : array_like of int, shape (n_rows,)
    uses : array_like of float, shape (n_rows,)
        Use of each reading.
    linked : bool
        False where facet levels are only bins of use, so that nothing is shared by the readings in one.
    """
    y, mean = centred(values)
    t, f = np.asarray(targets, dtype=np.intp), np.asarray(facets, dtype=np.intp)
    level, use_code = np.unique(np.asarray(uses, dtype=np.float64), return_inverse=True)
    key = (t * (int(f.max()) + 1) + f) * len(level) + use_code
    _, first, code, counts = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
    means = np.bincount(code, weights=y) / counts
    left = y - means[code]
    return Points(y=means, targets=t[first], facets=f[first], uses=level[use_code][first], mean=mean,
                  inverse_m=float(np.mean(1.0 / counts)), ss_within=float(left @ left), df_within=len(y) - len(first),
                  linked=linked)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Absorbed:
    """A projection off effects: targets, their own lines, and further columns; ``rank`` is what they use up."""

    codes: IntArray
    counts: FloatArray
    lines: FloatArray | None
    norms: FloatArray | None
    basis: FloatArray
    rank: int

    def off(self, x: FloatArray) -> FloatArray:
        """Take the absorbed effects out of the columns of ``x``."""
        return x - self.basis @ (self.basis.T @ x) if self.basis.shape[1] else x

    def groups_off(self, x: FloatArray) -> FloatArray:
        """Take targets and their own lines out of the columns of ``x``, shape (n_points, q)."""
        x = x - (_sums(self.codes, x) / self.counts[:, None])[self.codes]
        if self.lines is not None and self.norms is not None:
            slopes = _sums(self.codes, self.lines[:, None] * x) / self.norms[:, None]
            x = x - self.lines[:, None] * slopes[self.codes]
        return x

    def __call__(self, x: FloatArray) -> FloatArray:
        """Project one column or several off everything; twice, for what rounding leaves."""
        wide = x[:, None] if x.ndim == 1 else x
        for _ in range(2):
            wide = self.off(self.groups_off(wide))
        return wide[:, 0] if x.ndim == 1 else wide


def _sums(codes: IntArray, x: FloatArray) -> FloatArray:
    out = np.zeros((int(codes.max()) + 1, x.shape[1]))
    np.add.at(out, codes, x)
    return out


def _absorb(points: Points, *, targets: bool, lines: bool, columns: FloatArray) -> _Absorbed:
    """Prepare a projection off targets (else the mean), their own lines where asked, and further columns."""
    codes = points.targets if targets else np.zeros_like(points.targets)
    counts = np.bincount(codes).astype(np.float64)
    own = norms = None
    rank = len(counts)
    if lines:
        own = _within(points)
        squares = np.bincount(codes, weights=own**2)
        moving = squares > 1e-12 * squares.max()
        own, norms = np.where(moving[codes], own, 0.0), np.where(moving, squares, 1.0)
        rank += int(moving.sum())
    bare = _Absorbed(codes=codes, counts=counts, lines=own, norms=norms, basis=np.zeros((len(codes), 0)), rank=rank)
    basis = _basis(bare.groups_off(columns), np.sqrt((columns**2).sum(axis=0))) if columns.shape[1] else bare.basis
    return _Absorbed(codes=codes, counts=counts, lines=own, norms=norms, basis=basis, rank=rank + basis.shape[1])


def _indicators(codes: IntArray) -> FloatArray:
    return np.asarray(np.eye(int(codes.max()) + 1)[codes])


def _basis(columns: FloatArray, sizes: FloatArray) -> FloatArray:
    """Orthonormal basis of columns, rank by singular values against the sizes the columns had."""
    u, s, _ = np.linalg.svd(columns / np.where(sizes > 0, sizes, 1.0), full_matrices=False)
    return np.asarray(u[:, s > 1e-7])


NOTHING = Squares(squares=np.empty(0), weights=np.empty(0))


def _reduce(effect: FloatArray, absorbed: _Absorbed, y: FloatArray) -> Squares:
    """Squares and weights of an effect's columns with the absorbed ones taken out."""
    free = absorbed(effect)
    weights, vectors = np.linalg.eigh(free.T @ free)
    keep = weights > 1e-10 * float((effect**2).sum(axis=0).max())
    return Squares(squares=np.asarray((vectors.T @ (free.T @ y))[keep] ** 2 / weights[keep]),
                   weights=np.asarray(weights[keep]))


def _residual(absorbed: _Absorbed, y: FloatArray) -> tuple[float, int]:
    left = absorbed(y)
    return float(left @ left), len(y) - absorbed.rank


def _within(points: Points) -> FloatArray:
    """Take the target's own mean use off every use."""
    n = np.bincount(points.targets)
    return np.asarray(points.uses - (np.bincount(points.targets, weights=points.uses) / n)[points.targets])


def without_trend(points: Points) -> Removed | None:
    """Reduce the points with the common trend absorbed; None where nothing is left for the residual.

    Where use is a function of the facet level the trend lies among the facet's own degrees of freedom and only they
    lose one; where targets met a level at different uses the residual loses one as well.
    """
    y, zt = points.y, _indicators(points.targets)
    u = (points.uses - points.uses.mean())[:, None]
    zf = _indicators(points.facets) if points.linked else np.zeros((len(y), 0))
    ss, df = _residual(_absorb(points, targets=True, lines=False, columns=np.hstack([u, zf])), y)
    if df < 1:
        return None
    targets = _reduce(zt, _absorb(points, targets=False, lines=False, columns=np.hstack([u, zf])), y)
    facets = (_reduce(zf, _absorb(points, targets=True, lines=False, columns=u), y) if points.linked else NOTHING)
    return Removed(targets=targets, facets=facets, ss_inner=ss, df_inner=df)


def fit_trend(points: Points, *, own_lines: bool, occasions: bool) -> Trend | None:
    """Fit the trend within targets; None where use does not vary within any target or nothing is left over.

    Parameters
    ----------
    own_lines : bool
        Whether each target may have a line of its own.
    occasions : bool
        Whether targets share the occasions of their facet levels.
    """
    y, zt, u = points.y, _indicators(points.targets), _within(points)
    sxx = float(u @ u)
    if not sxx > 1e-12 * float(points.uses @ points.uses + 1e-300):
        return None
    weight = u / sxx
    shared = occasions and points.linked
    zf = _indicators(points.facets) if shared else np.zeros((len(y), 0))
    common = np.zeros((len(y), 0)) if own_lines else u[:, None]
    ss, df = _residual(_absorb(points, targets=True, lines=own_lines, columns=np.hstack([common, zf])), y)
    if df < 1:
        return None
    own = (_reduce(zt * u[:, None], _absorb(points, targets=True, lines=False, columns=np.hstack([u[:, None], zf])), y)
           if own_lines else NOTHING)
    met = _reduce(zf, _absorb(points, targets=True, lines=own_lines, columns=common), y) if shared else NOTHING
    both = _absorb(points, targets=True, lines=False, columns=_indicators(points.facets) if points.linked
                   else np.zeros((len(y), 0)))
    inside, left = _residual(both, u)
    occasion = float(((zf.T @ weight) ** 2).sum()) if shared else 0.0
    own_factor = float(((zt.T @ (weight * u)) ** 2).sum()) if own_lines else 0.0
    return Trend(slope=float(weight @ y), residual_factor=1.0 / sxx, occasion_factor=occasion, own_factor=own_factor,
                 ss_inner=ss, df_inner=df, occasions=met, own_lines=own, spread=sxx / max(len(y) - zt.shape[1], 1),
                 spread_inside=inside / left if left > 0 and inside > 1e-12 * sxx else 0.0)


@cache
def lattice(dimensions: int) -> FloatArray:
    """Points of an additive-recurrence lattice in the unit cube, shape (POINTS, dimensions)."""
    root = 2.0
    for _ in range(64):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    out = (0.5 + np.arange(1, POINTS + 1)[:, None] * steps) % 1.0
    out = np.clip(out, 0.5 / POINTS, 1 - 0.5 / POINTS)
    out.setflags(write=False)
    return np.asarray(out)


@lru_cache(maxsize=64)
def _chi_squares(df: int, dimensions: int, column: int) -> FloatArray:
    """Chi-square quantiles at one column of the lattice."""
    from scipy.special import chdtri

    out = np.asarray(chdtri(df, lattice(dimensions)[:, column]))
    out.setflags(write=False)
    return out


def solve(effect: Squares, goal: FloatArray, inner: FloatArray) -> FloatArray:
    """Variance at which the sum of squares over their expectations equals ``goal``; 0 where even 0 leaves it below."""
    if effect.df == 0 or not float(effect.squares.sum()) > 0:
        return np.zeros(len(inner))
    squares, weights = effect.squares, effect.weights
    if np.ptp(weights) <= 1e-12 * weights.max():
        return np.asarray(np.maximum((squares.sum() / goal - inner) / weights[0], 0.0))
    s: FloatArray = np.maximum((float(squares.sum()) / goal - inner) / weights.max(), 0.0)
    for _ in range(60):
        v = inner + weights[:, None] * s
        parts = squares[:, None] / v
        # The form is convex and decreasing: Newton from the left never overshoots.
        new: FloatArray = np.maximum(s + (parts.sum(axis=0) - goal) / (weights @ (parts / v)), 0.0)
        if np.all(np.abs(new - s) <= 1e-9 * (s + 1e-300)):
            return new
        s = new
    return s


def _variance_draws(trend: Trend, dimensions: int, columns: tuple[int, int, int],
                    ) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pivotal values of the slope's variance, the occasion and the own-line variance, from columns of the lattice."""
    inner = trend.ss_inner / _chi_squares(trend.df_inner, dimensions, columns[0])
    occasion = own = np.zeros(POINTS)
    if trend.occasions.df:
        occasion = solve(trend.occasions, _chi_squares(trend.occasions.df, dimensions, columns[1]), inner)
    if trend.own_lines.df:
        own = solve(trend.own_lines, _chi_squares(trend.own_lines.df, dimensions, columns[2]), inner)
    variance = trend.residual_factor * inner + trend.occasion_factor * occasion + trend.own_factor * own
    return variance, occasion, own


def trend_interval(trend: Trend, level: float) -> tuple[Interval, float]:
    """Interval of the slope and the two-sided p value of no trend.

    The slope given its variance is normal; averaging over the pivotal values of the variance gives the distribution,
    which is Student's t where the residual is its only source.
    """
    from scipy.special import ndtr

    sd = np.sqrt(_variance_draws(trend, 3, (0, 1, 2))[0])
    if not np.any(sd > 0):
        return (math.nan, math.nan), math.nan
    p = float(2 * np.mean(ndtr(-abs(trend.slope) / np.maximum(sd, 1e-300))))
    goal, low, high = (1 - level) / 2, 0.0, 10 * float(sd.max())
    for _ in range(200):
        mid = 0.5 * (low + high)
        if float(np.mean(ndtr(-mid / sd))) > goal:
            low = mid
        else:
            high = mid
        if high - low <= 1e-10 * high:
            break
    return (trend.slope - high, trend.slope + high), p


def own_line_interval(trend: Trend, level: float) -> tuple[float, Interval]:
    """SD between targets of the trend per use, with its interval (method of moments; generalised pivotal)."""
    lines = trend.own_lines
    if lines.df == 0:
        return math.nan, (math.nan, math.nan)
    inner = trend.ss_inner / trend.df_inner
    value = max((float(lines.squares.sum()) - lines.df * inner) / float(lines.weights.sum()), 0.0)
    draws = np.sqrt(_variance_draws(trend, 3, (0, 1, 2))[2])
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return math.sqrt(value), (float(low), float(high))


@dataclass(frozen=True, kw_only=True, eq=False)
class Draws:
    """Pivotal values of the variances and of the squared slope, one a lattice point."""

    target: FloatArray
    facet: FloatArray
    noise: FloatArray
    slope_squared: FloatArray


def drift_draws(points: Points, removed: Removed, trend: Trend) -> Draws:
    """Pivotal values of target, facet and residual with the trend removed, and of what the trend adds.

    Left in, the trend adds slope^2 times the mean square of the uses within targets (``Trend.spread``).
    The uses are those of the study: the spread they were read over is known, not drawn.
    """
    inner = removed.ss_inner / _chi_squares(removed.df_inner, 6, 0)
    within = points.ss_within / _chi_squares(points.df_within, 6, 3) if points.df_within else 0.0
    noise = np.maximum(inner - points.inverse_m * within, 0.0) + within if points.df_within else inner
    facet = (solve(removed.facets, _chi_squares(removed.facets.df, 6, 1), inner) if removed.facets.df
             else np.zeros(POINTS))
    target = solve(removed.targets, _chi_squares(removed.targets.df, 6, 2), inner)
    variance = _variance_draws(trend, 6, (0, 1, 4))[0]
    return Draws(target=target, facet=facet, noise=noise,
                 slope_squared=_slope_squared(trend.slope, variance, lattice(6)[:, 5]))


def _slope_squared(slope: float, variance: FloatArray, p: FloatArray) -> FloatArray:
    """Pivotal values of the squared slope: the noncentrality at which what was seen has probability ``p``.

    Squaring a pivotal value of the slope instead would count its uncertainty twice where there is no trend.
    """
    from scipy.special import ndtr

    sd = np.sqrt(np.maximum(variance, 1e-300))
    t = np.minimum(abs(slope) / sd, 1e8)
    low, high = np.zeros_like(t), t + 9.0
    for _ in range(45):
        mid = 0.5 * (low + high)
        above = ndtr(t - mid) - ndtr(-t - mid) > p
        low, high = np.where(above, mid, low), np.where(above, high, mid)
    return np.asarray((0.5 * (low + high) * sd) ** 2)


def moments(points: Points, removed: Removed, trend: Trend) -> dict[str, float]:
    """Unbiased variances of target, facet and noise and the unbiased squared slope, none below zero.

    Henderson's method 3: each effect's sum of squares, the others absorbed, equated with its expectation. In complete
    tables facet and slope^2 x spread add up to the usual facet variance (mean squares), unless one was cut at zero.
    """
    inner = removed.ss_inner / removed.df_inner
    within = points.ss_within / points.df_within if points.df_within else 0.0
    noise = max(inner - points.inverse_m * within, 0.0) + within if points.df_within else inner

    def part(effect: Squares) -> float:
        if effect.df == 0:
            return 0.0
        return max((float(effect.squares.sum()) - effect.df * inner) / float(effect.weights.sum()), 0.0)

    facet = part(removed.facets)
    # Own lines are part of the residual here, as they are in the two-way table whose facet variance this adds up to.
    variance = trend.residual_factor * inner + trend.occasion_factor * facet
    return {"target": part(removed.targets), "facet": facet, "noise": noise,
            "slope squared": max(trend.slope**2 - variance, 0.0)}
