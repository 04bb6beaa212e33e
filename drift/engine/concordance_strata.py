"""Concordance from variance components: sums and differences of pairs, stratum by stratum.

With S = a + b and D = a - b of one pair on a new target (read by a new sensor, where sensors are a random factor),

    CCC = (V_S - V_D) / (V_S + V_D + 2 bias^2),

where V_S and V_D are the total variances, each a sum of independent mean squares: one for pairs on targets of their
own; between and within targets (and sensors) for repeated pairs, whose true value may vary within a target; between
target means and within each method for unlinked readings. In balanced designs with equal spread of the methods it is
the variance-components CCC

    (target + occasion) / (target + occasion + method^2 + method x target + residual)

of Carrasco & Jover (2003) and Carrasco, King & Chinchilli (2009): twice the covariance of the two readings of a pair is
(V_S - V_D) / 2. The squared bias is corrected for the variance of its estimate, as they do; with one pair per target
the estimate is then ICC(A,1).

Intervals. Every stratum's 2 x 2 matrix of S and D is drawn from a generalised pivotal distribution: first the variance
of D, then the regression of S on D and what is left, each with one degree of freedom less than the stratum has. That
choice and order were made by simulation (the family ``concordance`` of the coverage tables): the intervals hold from
five targets on, where Fisher's z with the published variances falls below 0.90 as soon as the means differ.

References
----------
Carrasco JL, Jover L (2003). Estimating the generalized concordance correlation coefficient through variance components.
    Biometrics 59:849-858.
Carrasco JL, King TS, Chinchilli VM (2009). The concordance correlation coefficient for repeated measures estimated by
    variance components. Journal of Biopharmaceutical Statistics 19:90-105.
Weerahandi S (1993). Generalized confidence intervals. Journal of the American Statistical Association 88:899-905.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import Strata, one_stratum, unpaired_strata
from drift.engine.meansquares import Interval
from drift.engine.paired_components import fit_paired
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]
MOST_LEVELS = 400  # of two factors together, beyond which REML of S as well as of D would take seconds
FEWEST = 0.5  # degrees of freedom a stratum is drawn with at least


@dataclass(frozen=True, eq=False)
class PairStrata:
    """Independent 2 x 2 mean squares of sum and difference, and how they add up.

    Parameters
    ----------
    bias : float
        Mean difference [unit].
    difference, sum, together : array, shape (n_strata,)
        Mean squares of D and of S and their mean product [unit squared].
    df : array, shape (n_strata,)
    total : array, shape (n_strata,)
        Coefficients with which mean squares add to the variance of one difference (or sum) on a new target.
    of_mean : array, shape (n_strata,)
        Coefficients with which those of D add to the variance of ``bias``.
    lost : array, shape (n_strata,)
        Degrees of freedom given up when the stratum is drawn.
    """

    bias: float
    difference: FloatArray
    sum: FloatArray
    together: FloatArray
    df: FloatArray
    total: FloatArray
    of_mean: FloatArray
    lost: FloatArray

    def __post_init__(self) -> None:
        for name in ("difference", "sum", "together", "df", "total", "of_mean", "lost"):
            object.__setattr__(self, name, frozen_array(np.atleast_1d(getattr(self, name))))

    @property
    def covariance(self) -> tuple[float, float, float]:
        """Total variance of D, of S, and their covariance."""
        return (float(self.total @ self.difference), float(self.total @ self.sum), float(self.total @ self.together))

    @property
    def bias_variance(self) -> float:
        """Variance of the bias."""
        return max(float(self.of_mean @ self.difference), 0.0)


@dataclass(frozen=True, eq=False)
class Parts:
    """Concordance and what it is made of; scalars of an estimate, or arrays of draws.

    ``value`` CCC, ``precision`` correlation of the two readings of a pair, ``accuracy`` C_b, ``location`` u,
    ``scale`` v = SD a / SD b.
    """

    value: FloatArray
    precision: FloatArray
    accuracy: FloatArray
    location: FloatArray
    scale: FloatArray


def parts_of(difference: ArrayLike, total: ArrayLike, together: ArrayLike, bias: ArrayLike,
             squared: ArrayLike | None = None) -> Parts:
    """Put CCC, precision, accuracy and shifts together from variances of D and S, their covariance and the bias.

    ``squared`` is the squared bias where it is not simply that. NaN where a method has no variance.
    """
    vd, vs, cov, m = (np.asarray(x, dtype=np.float64) for x in (difference, total, together, bias))
    m2 = m**2 if squared is None else np.asarray(squared, dtype=np.float64)
    va, vb = np.maximum((vs + vd + 2 * cov) / 4, 0.0), np.maximum((vs + vd - 2 * cov) / 4, 0.0)
    both, twice = np.sqrt(va) * np.sqrt(vb), (vs + vd) / 2 + m2
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(twice > 0, (vs - vd) / 2 / twice, np.nan)
        good = both > 1e-14 * twice
        return Parts(np.clip(value, -1.0, 1.0), np.where(good, np.clip((vs - vd) / 4 / both, -1.0, 1.0), np.nan),
                     np.where(good, np.minimum(2 * both / twice, 1.0), np.nan),
                     np.where(good, m / np.sqrt(both), np.nan), np.where(good, np.sqrt(va) / np.sqrt(vb), np.nan))


def estimate(strata: PairStrata) -> Parts:
    """Estimate by variance components: the squared bias less the variance of the bias, not below zero."""
    return parts_of(*strata.covariance, strata.bias, max(strata.bias**2 - strata.bias_variance, 0.0))


def simple_strata(a: ArrayLike, b: ArrayLike) -> PairStrata:
    """Strata of pairs on targets of their own."""
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    d, s = x - y, (x - x.mean()) + (y - y.mean())
    base = one_stratum(d)
    product = float((d - d.mean()) @ s) / (len(d) - 1)
    return PairStrata(base.mean, base.mean_squares, one_stratum(s).mean_squares, np.array([product]), base.df,
                      base.total, base.of_mean, np.ones(1))


def repeated_strata(a: ArrayLike, b: ArrayLike, codes: Sequence[ArrayLike], *,
                    differences: Strata | None = None) -> PairStrata:
    """Strata of linked pairs with one or two random factors (targets, sensors), by REML of D and of S.

    Parameters
    ----------
    a, b : array, shape (n_pairs,)
    codes : one or two integer arrays, shape (n_pairs,)
    differences : Strata, optional
        Those of a - b where they are known already.

    Notes
    -----
    REML of S gives way to adjusted mean squares where two factors have more than ``MOST_LEVELS`` levels together; in
    balanced designs both are the same. Mean products of S and D are taken from the correlation of level means (less
    those of the other factor, where that leaves something) and of what is left within levels. Of two crossed factors
    the one with fewer levels is drawn with all its degrees of freedom: with one less, three or four sensors would make
    an interval twice as wide as need be.
    """
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    levels = [np.unique(np.asarray(c), return_inverse=True)[1].reshape(-1) for c in codes]
    d, s = x - y, (x - x.mean()) + (y - y.mean())
    base = differences if differences is not None else fit_paired(d, levels).strata
    assert base is not None
    squares = _sum_squares(s, levels, base)
    others = [None] if len(levels) == 1 else levels[::-1]
    r = np.array([*(_correlation(_level_part(s, c, o), _level_part(d, c, o))
                    for c, o in zip(levels, others, strict=True)),
                  _correlation(_within(s, levels), _within(d, levels))])
    lost = np.ones(len(r))
    scarce = int(np.argmin(base.df[:2]))
    if len(levels) == 2 and not _holds(levels[scarce], levels[1 - scarce]):
        lost[scarce] = 0.0
    together = r * np.sqrt(np.maximum(base.mean_squares, 0.0) * np.maximum(squares, 0.0))
    return PairStrata(base.mean, base.mean_squares, squares, together, base.df, base.total, base.of_mean,
                      lost)


def unlinked_strata(a: ArrayLike, target_a: ArrayLike, b: ArrayLike, target_b: ArrayLike) -> PairStrata:
    """Strata of unlinked readings of each method on the same targets, true value constant within a target.

    What varies within a method enters S and D alike: their mean product is plus (a) or minus (b) the mean square.
    """
    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    found = unpaired_strata(x - x.mean(), target_a, y - x.mean(), target_b)
    base, ma, mb = found.strata, found.target_mean_a, found.target_mean_b
    s, d = ma + mb, ma - mb
    signs = [v for v, w in zip((1.0, -1.0), found.within, strict=True) if w > 0 or len(base.df) == 3]
    within = base.mean_squares[1:]
    product = float((d - d.mean()) @ (s - s.mean())) / (len(d) - 1)
    return PairStrata(base.mean, base.mean_squares, np.append(np.var(s, ddof=1), within),
                      np.append(product, np.array(signs[:len(within)]) * within), base.df, base.total, base.of_mean,
                      np.ones(len(base.df)))


def _sum_squares(s: FloatArray, levels: Sequence[NDArray[np.intp]], base: Strata) -> FloatArray:
    """Mean squares of S in the strata of D: those of its REML fit, or adjusted ones where levels are many."""
    if len(levels) == 1 or sum(int(c.max()) + 1 for c in levels) <= MOST_LEVELS:
        strata = fit_paired(s, levels).strata
        assert strata is not None
        return strata.mean_squares
    rest = _within(s, levels, rounds=200)
    left = float(rest @ rest)
    squares = []
    for c, o in zip(levels, levels[::-1], strict=True):
        if _holds(c, o):  # the other factor is nested in this one: nothing to adjust for
            squares.append(float(np.sum((_means(s, c) - s.mean()) ** 2 * np.bincount(c))))
        else:
            without = s - _means(s, o)[o]
            squares.append(float(without @ without) - left)
    return np.asarray(np.maximum(np.array([*squares, left]), 0.0) / base.df)


def _means(v: FloatArray, code: NDArray[np.intp]) -> FloatArray:
    return np.asarray(np.bincount(code, weights=v) / np.bincount(code))


def _holds(outer: NDArray[np.intp], inner: NDArray[np.intp]) -> bool:
    """Tell whether every level of ``inner`` lies in one level of ``outer``."""
    return len(np.unique(outer * (int(inner.max()) + 1) + inner)) == len(np.unique(inner))


def _level_part(v: FloatArray, code: NDArray[np.intp], other: NDArray[np.intp] | None) -> FloatArray:
    """Level means of one factor, less the effect of the other one unless it is nested in the first."""
    if other is not None and not _holds(code, other):
        return _means(v - _means(v, other)[other], code)
    return _means(v, code)


def _within(v: FloatArray, levels: Sequence[NDArray[np.intp]], rounds: int = 20) -> FloatArray:
    rest = v - v.mean()
    for _ in range(1 if len(levels) == 1 else rounds):
        for c in levels:
            rest = rest - _means(rest, c)[c]
    return np.asarray(rest)


def _correlation(u: FloatArray, v: FloatArray) -> float:
    u, v = u - u.mean(), v - v.mean()
    both = math.sqrt(float(u @ u)) * math.sqrt(float(v @ v))
    return min(max(float(u @ v) / both, -1.0), 1.0) if both > 0 else 0.0


def draw(strata: PairStrata, rng: np.random.Generator, n_draws: int = 10_000) -> Parts:
    """Draws of concordance and its parts from their generalised pivotal distribution, arrays of shape (n_draws,)."""
    shape = (n_draws, len(strata.df))
    df = np.maximum(strata.df - strata.lost, FEWEST)
    return pivots(strata, rng.chisquare(df, shape), rng.chisquare(df, shape), rng.standard_normal(shape),
                  rng.standard_normal(n_draws))


def pivots(strata: PairStrata, first: FloatArray, second: FloatArray, slope: FloatArray, mean: FloatArray) -> Parts:
    """Turn chi-square and normal deviates into draws.

    Parameters
    ----------
    first, second, slope : array, shape (n_draws, n_strata)
        Chi-square deviates of D and of S given D, normal deviates of the regression of S on D.
    mean : array, shape (n_draws,)
        Normal deviates of the bias.
    """
    ss_d, ss_s = strata.df * np.maximum(strata.difference, 0.0), strata.df * np.maximum(strata.sum, 0.0)
    product = strata.df * strata.together
    root = np.sqrt(ss_d)
    along = np.divide(product, root, out=np.zeros_like(root), where=root > 0)
    rest = np.sqrt(np.maximum(ss_s - along**2, 0.0))
    drawn_d = root / np.sqrt(first)
    part = (along - rest * slope / np.sqrt(second)) / np.sqrt(first)
    vd = np.maximum(drawn_d**2 @ strata.total, 0.0)
    vs = np.maximum((part**2 + rest**2 / second) @ strata.total, 0.0)
    cov = (drawn_d * part) @ strata.total
    bias = strata.bias + mean * np.sqrt(np.maximum(drawn_d**2 @ strata.of_mean, 0.0))
    return parts_of(vd, vs, cov, bias)


def quantiles(draws: FloatArray, level: float) -> Interval:
    """Return the ends that leave the same share of the draws on either side; NaN where there are none."""
    good = draws[np.isfinite(draws)]
    if len(good) < len(draws) / 2:
        return math.nan, math.nan
    low, high = np.quantile(good, [0.5 - level / 2, 0.5 + level / 2])
    return float(low), float(high)


def precision_interval(strata: PairStrata, drawn: Parts, level: float, *, rng: np.random.Generator) -> Interval:
    """Interval of the precision: of ``drawn``, or of new draws where a crossed factor was drawn without any loss.

    Draws that suit CCC are too short for the correlation where sensors are few (they held it in 0.86 and 0.91 of
    studies with three and four): its own draws give up a degree of freedom in every stratum.
    """
    if np.all(strata.lost == 1):
        return quantiles(drawn.precision, level)
    wide = replace(strata, lost=np.ones_like(strata.lost))
    return quantiles(draw(wide, rng, len(drawn.value)).precision, level)


def accuracy_interval(drawn: Parts, level: float) -> Interval:
    """Interval of C_b, which is 1 at most: its upper end is 1 unless location or scale differ.

    Draws of C_b never reach 1. The upper end is therefore 1 where the intervals of the location shift and of the scale
    shift, at a level shared out by Bonferroni, hold 0 and 1.
    """
    low, high = quantiles(drawn.accuracy, level)
    shared = 1 - (1 - level) / 2
    u, v = quantiles(drawn.location, shared), quantiles(drawn.scale, shared)
    return (low, 1.0) if u[0] <= 0 <= u[1] and v[0] <= 1 <= v[1] else (low, high)


def delta_interval(strata: PairStrata, level: float) -> Interval:
    """Interval of the variance-components CCC by Fisher's z and the delta method, as published.

    References
    ----------
    Carrasco & Jover (2003), section 3.
    """
    from scipy.special import ndtri

    vd, vs, _ = strata.covariance
    squared = max(strata.bias**2 - strata.bias_variance, 0.0)
    top, bottom = vs - vd, vs + vd + 2 * squared
    if not bottom > 0 or not abs(top) < bottom:
        return math.nan, math.nan
    value = top / bottom
    each = 2 * strata.total**2 / strata.df
    var_s, var_d, cov = (float(each @ x) for x in (strata.sum**2, strata.difference**2, strata.together**2))
    by_s, by_d, by_bias = (1 - value) / bottom, -(1 + value) / bottom, -4 * value * strata.bias / bottom
    variance = (by_s**2 * var_s + by_d**2 * var_d + 2 * by_s * by_d * cov + by_bias**2 * strata.bias_variance)
    half = float(ndtri(0.5 + level / 2)) * math.sqrt(max(variance, 0.0)) / (1 - value**2)
    z = math.atanh(value)
    return math.tanh(z - half), math.tanh(z + half)
