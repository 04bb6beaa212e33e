"""Limits of agreement from arrays: exact noncentral-t intervals, MOVER, tolerance factors.

A design is described by its *strata*: independent mean squares with their degrees of freedom, and how the
variance of one difference and the variance of the mean difference are put together from them. One pair per
target is the case of one stratum, for which everything here is exact; with several strata the intervals are
by variance estimates recovery (MOVER), or pivotal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]

MULTIPLIER = 1.96


@dataclass(frozen=True, eq=False)
class Strata:
    """Independent mean squares behind a mean difference and the variance of one difference.

    Parameters
    ----------
    mean : float
        Estimated mean difference (bias).
    mean_squares, df : array, shape (n_strata,)
        Mean squares [unit squared] and degrees of freedom, each distributed as expectation x chi-square / df.
    total : array, shape (n_strata,)
        Coefficients with which the mean squares add to the variance of one difference on a new target.
    of_mean : array, shape (n_strata,)
        Coefficients with which they add to the variance of ``mean``.
    """

    mean: float
    mean_squares: FloatArray
    df: FloatArray
    total: FloatArray
    of_mean: FloatArray

    def __post_init__(self) -> None:
        for name in ("mean_squares", "df", "total", "of_mean"):
            object.__setattr__(self, name, frozen_array(np.atleast_1d(getattr(self, name))))

    @property
    def variance(self) -> float:
        """Variance of one difference."""
        return max(float(self.total @ self.mean_squares), 0.0)

    @property
    def sd(self) -> float:
        """Standard deviation of one difference."""
        return float(np.sqrt(self.variance))

    @property
    def mean_variance(self) -> float:
        """Variance of the mean difference, at least what the last stratum alone gives it."""
        return max(float(self.of_mean @ self.mean_squares), 0.0)

    @property
    def mean_df(self) -> float:
        """Satterthwaite degrees of freedom of ``mean_variance``, not below the fewest of a stratum that adds to it.

        The floor matters where coefficients of both signs cancel (a variance near zero in an unbalanced
        design): Satterthwaite's ratio then falls to one although no stratum has so few.
        """
        adding = self.df[self.of_mean > 0]
        floor = float(np.min(adding)) if len(adding) else 1.0
        return max(satterthwaite_df(self.mean_squares, self.df, self.of_mean), floor)

    @property
    def exact(self) -> bool:
        """Tell whether a single stratum makes the noncentral-t interval exact."""
        return len(self.df) == 1


def satterthwaite_df(mean_squares: ArrayLike, df: ArrayLike, coefficients: ArrayLike) -> float:
    """Degrees of freedom of a sum of mean squares (Satterthwaite 1946).

    With every term zero the smallest degrees of freedom are returned.
    """
    terms = np.asarray(coefficients, float) * np.asarray(mean_squares, float)
    squares = float(np.sum(terms**2 / np.asarray(df, float)))
    if squares <= 0:
        return float(np.min(df))
    return float(max(np.sum(terms) ** 2 / squares, 1.0))


def one_stratum(differences: ArrayLike) -> Strata:
    """Strata of independent differences: mean, variance with divisor n - 1."""
    d = np.asarray(differences, float)
    n = len(d)
    centre = float(np.mean(d))
    return Strata(centre, np.array([float(np.sum((d - centre) ** 2)) / (n - 1)]), np.array([n - 1.0]),
                  np.ones(1), np.array([1.0 / n]))


def limit_factor(n: float, probability: float, *, multiplier: float = MULTIPLIER, df: float | None = None) -> float:
    """Factor k with which mean + k SD bounds mean + multiplier x SD of the population from above.

    ``k = t'(probability; df, multiplier sqrt(n)) / sqrt(n)``, the quantile of the noncentral t distribution.

    Parameters
    ----------
    n : float
        Ratio of the variance of one difference to that of the mean (the number of pairs).
    probability : float
        One-sided confidence.
    multiplier : float
        1.96 for limits of agreement; 2 in Bland & Altman (1986).
    df : float, optional
        Degrees of freedom of the SD, n - 1 if not given.

    References
    ----------
    Carkeet A (2015). Optometry and Vision Science 92(3):e71-e80, exact interval of one limit.
    """
    from scipy import special

    nu = n - 1.0 if df is None else df
    return float(special.nctdtrit(nu, multiplier * np.sqrt(n), probability) / np.sqrt(n))


def t_quantile(probability: float, df: float) -> float:
    """Quantile of Student's t."""
    from scipy import special

    return float(special.stdtrit(df, probability))


def normal_cdf(x: ArrayLike) -> FloatArray:
    """Distribution function of the standard normal."""
    from scipy import special

    return np.asarray(special.ndtr(x), float)


def normal_quantile(probability: float) -> float:
    """Quantile of the standard normal."""
    from scipy import special

    return float(special.ndtri(probability))


def mean_interval(strata: Strata, level: float) -> tuple[float, float]:
    """Return the t interval of the mean difference."""
    half = t_quantile(0.5 + level / 2, strata.mean_df) * np.sqrt(strata.mean_variance)
    return strata.mean - half, strata.mean + half


def variance_bound(strata: Strata, probability: float) -> float:
    """One-sided upper confidence bound of the variance of one difference (lower if probability < 0.5).

    Chi-square for one stratum (exact), MOVER for several (Zou & Donner 2008; Zou 2013, section 2).
    """
    from scipy import special

    ms, df, c = strata.mean_squares, strata.df, strata.total
    low = ms * df / special.chdtri(df, min(probability, 1 - probability))
    high = ms * df / special.chdtri(df, max(probability, 1 - probability))
    towards_high = (c > 0) == (probability >= 0.5)
    reach = np.where(towards_high, high - ms, ms - low)
    distance = float(np.sqrt(np.sum((c * reach) ** 2)))
    bound = strata.variance + distance if probability >= 0.5 else strata.variance - distance
    return float(max(bound, 0.0))


def sd_interval(strata: Strata, level: float) -> tuple[float, float]:
    """Interval of the SD of one difference (exact chi-square, or MOVER)."""
    tail = 0.5 - level / 2
    return float(np.sqrt(variance_bound(strata, tail))), float(np.sqrt(variance_bound(strata, 1 - tail)))


def upper_limit_bound(strata: Strata, probability: float, *, multiplier: float = MULTIPLIER,
                      normal_mean: bool = False) -> float:
    """One-sided upper confidence bound of mean + multiplier x SD (lower bound if probability < 0.5).

    Parameters
    ----------
    strata : Strata
    probability : float
        One-sided confidence: 0.975 and 0.025 are the ends of the 95 % interval.
    normal_mean : bool
        Use the normal quantile for the mean, as Zou (2013) prints it; the t quantile with Satterthwaite
        degrees of freedom otherwise.

    Notes
    -----
    One stratum: exact (Carkeet 2015). Several: ``U = m + k s + sqrt(t^2 Var(m) + k^2 (s_u - s)^2)`` with
    ``s_u`` the MOVER bound of the SD (Zou 2013, equation for the limits).
    """
    if strata.exact and not normal_mean:
        n = 1.0 / float(strata.of_mean[0])
        return strata.mean + strata.sd * limit_factor(n, probability, multiplier=multiplier, df=float(strata.df[0]))
    sign = 1.0 if probability >= 0.5 else -1.0
    t = normal_quantile(probability) if normal_mean else t_quantile(probability, strata.mean_df)
    spread = np.sqrt(variance_bound(strata, probability)) - strata.sd
    distance = np.sqrt(t**2 * strata.mean_variance + (multiplier * spread) ** 2)
    return float(strata.mean + multiplier * strata.sd + sign * distance)


def lower_limit_bound(strata: Strata, probability: float, *, multiplier: float = MULTIPLIER,
                      normal_mean: bool = False) -> float:
    """One-sided upper confidence bound of mean - multiplier x SD (lower bound if probability < 0.5)."""
    mirrored = Strata(-strata.mean, strata.mean_squares, strata.df, strata.total, strata.of_mean)
    return -upper_limit_bound(mirrored, 1 - probability, multiplier=multiplier, normal_mean=normal_mean)


def limits(strata: Strata, *, multiplier: float = MULTIPLIER) -> tuple[float, float]:
    """Lower and upper limit of agreement, mean -/+ multiplier x SD."""
    return strata.mean - multiplier * strata.sd, strata.mean + multiplier * strata.sd


def _half_width(shift: FloatArray, content: float) -> FloatArray:
    """Solve Phi(shift + r) - Phi(shift - r) = content for r, by safeguarded Newton steps."""
    from scipy import special

    low, high = np.zeros_like(shift), np.abs(shift) + special.ndtri(0.5 + content / 2) + 1.0
    r = np.abs(shift) + special.ndtri(content)
    for _ in range(60):
        gap = special.ndtr(shift + r) - special.ndtr(shift - r) - content
        low, high = np.where(gap < 0, r, low), np.where(gap > 0, r, high)
        density = (np.exp(-0.5 * (shift + r) ** 2) + np.exp(-0.5 * (shift - r) ** 2)) / np.sqrt(2 * np.pi)
        step = r - gap / np.maximum(density, 1e-300)
        # Where the equation holds to rounding, half the bracket would be a step away from the root.
        found = np.abs(gap) < 1e-14
        r = np.where(found | ((step > low) & (step < high)), np.where(found, r, step), 0.5 * (low + high))
        if np.all(found):
            break
    return np.asarray(r, float)


def two_sided_factor(n: float, content: float, confidence: float, *, df: float | None = None) -> float:
    """Exact two-sided normal tolerance factor k: mean +/- k SD holds ``content`` with ``confidence``.

    Solves ``integral phi(x; 0, 1/n) P(chi2_df > df r(x)^2 / k^2) dx = confidence`` with r(x) the half width
    around a mean displaced by x that holds ``content``. With content 0.95 and confidences 0.025 and 0.975 the
    two factors bound both limits of agreement together (Carkeet 2015).

    Parameters
    ----------
    n : float
        Number of pairs (ratio of the variance of one difference to that of the mean).
    content, confidence : float
        Both in (0, 1).
    df : float, optional
        Degrees of freedom of the SD, n - 1 if not given.

    References
    ----------
    Odeh & Owen (1980), tables of two-sided factors; ISO 16269-6:2014, annex; Carkeet (2015).
    """
    from scipy import special

    nu = n - 1.0 if df is None else df
    nodes, weights = np.polynomial.legendre.leggauss(80)
    x = 0.5 * 9.0 * (nodes + 1.0)  # |x| sqrt(n) in 0..9
    w = 0.5 * 9.0 * weights * 2 * np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi)
    r2 = _half_width(x / np.sqrt(n), content) ** 2
    scale = 0.5 * nu * np.log(2) + special.gammaln(0.5 * nu)

    # Newton in log k on a function that only grows, kept between the ends already seen
    log_k = float(np.log(np.sqrt(nu * (1 + 1 / n) * special.ndtri(0.5 + content / 2) ** 2
                                 / special.chdtri(nu, confidence))))
    low, high = -np.inf, np.inf
    for _ in range(200):
        y = nu * r2 * np.exp(-2 * log_k)
        gap = float(w @ special.chdtrc(nu, y)) - confidence
        low, high = (log_k, high) if gap < 0 else (low, log_k)
        grows = float(w @ (2 * np.exp(0.5 * nu * np.log(y) - 0.5 * y - scale)))
        step = -gap / max(grows, 1e-300)
        if not low < log_k + step < high:
            step = (0.5 * (low + high) if np.isfinite(low + high) else log_k - np.sign(gap)) - log_k
        log_k += float(np.clip(step, -1.0, 1.0))
        if abs(step) < 1e-13:
            break
    return float(np.exp(log_k))


def total_deviation_index(mean: float, sd: float, content: float) -> float:
    """Distance k from zero within which a share ``content`` of normal differences lies.

    Solves ``Phi((k - m)/s) - Phi((-k - m)/s) = content`` (Lin 2000, Statistics in Medicine 19:255-270). Zero
    spread gives |m|.
    """
    if sd <= 0:
        return abs(mean)
    return float(sd * _half_width(np.array([mean / sd]), content)[0])


def deviation_indices(means: ArrayLike, sds: ArrayLike, content: float) -> FloatArray:
    """Return :func:`total_deviation_index` of many means and SDs at once, shape (n,)."""
    m, s = np.asarray(means, float), np.maximum(np.asarray(sds, float), np.finfo(float).tiny)
    found = s * _half_width(np.minimum(np.abs(m / s), 1e8), content)
    return np.asarray(np.maximum(found, np.where(s <= np.finfo(float).tiny, np.abs(m), 0.0)), float)


def share_inside(mean: ArrayLike, sd: ArrayLike, harmless: float) -> FloatArray:
    """Share of normal differences between -harmless and +harmless."""
    m, s = np.asarray(mean, float), np.maximum(np.asarray(sd, float), np.finfo(float).tiny)
    return np.asarray(normal_cdf((harmless - m) / s) - normal_cdf((-harmless - m) / s), float)


def pivotal_draws(strata: Strata, rng: np.random.Generator, n_draws: int = 20_000) -> tuple[FloatArray, FloatArray]:
    """Draws of mean and SD of one difference from their generalised pivotal distribution.

    Each expected mean square is drawn as mean square x df / chi-square, the mean as its estimate plus a
    normal deviate of the variance they give (Weerahandi 1993). Exact for one stratum.

    Returns
    -------
    mean, sd : arrays, shape (n_draws,)
    """
    chi2 = rng.chisquare(strata.df, size=(n_draws, len(strata.df)))
    expected = strata.mean_squares * strata.df / chi2
    of_mean = np.maximum(expected @ strata.of_mean, 0.0)
    total = np.maximum(expected @ strata.total, 0.0)
    return strata.mean + rng.standard_normal(n_draws) * np.sqrt(of_mean), np.sqrt(total)


def two_one_sided_tests(strata: Strata, harmless: float) -> float:
    """Largest p-value of the two one-sided t tests that the bias lies within +/- harmless (Schuirmann 1987)."""
    from scipy import special

    se = np.sqrt(strata.mean_variance)
    if se <= 0:
        return 0.0 if abs(strata.mean) < harmless else 1.0
    return float(special.stdtr(strata.mean_df, (abs(strata.mean) - harmless) / se))


def linked_strata(differences: ArrayLike, target: ArrayLike) -> Strata:
    """Strata of linked pairs within targets, by unweighted target means (Zou 2013, true value varying).

    Variance of target means (df n - 1) plus (1 - 1/m_h) x within-target variance (df N - n), with m_h the
    harmonic mean of the numbers of pairs.

    Parameters
    ----------
    differences : array, shape (n_pairs,)
    target : array of int, shape (n_pairs,)
        Codes 0..n_targets - 1.
    """
    d, code = np.asarray(differences, float), np.asarray(target)
    number = np.bincount(code).astype(float)
    means = np.bincount(code, weights=d) / number
    n, within_df = len(number), len(d) - len(number)
    within = float(np.sum((d - means[code]) ** 2)) / within_df
    between = float(np.var(means, ddof=1))
    return Strata(float(np.mean(means)), np.array([between, within]), np.array([n - 1.0, within_df]),
                  np.array([1.0, 1 - np.mean(1 / number)]), np.array([1.0 / n, 0.0]))


@dataclass(frozen=True, eq=False)
class Unpaired:
    """Unpaired replicates of two methods on the same targets: strata and their parts.

    ``target_mean_a`` and ``target_mean_b`` have shape (n_targets,); ``within`` holds the two within-target
    variances, ``harmonic`` the harmonic means of the numbers of readings.
    """

    strata: Strata
    target_mean_a: FloatArray
    target_mean_b: FloatArray
    within: tuple[float, float]
    harmonic: tuple[float, float]
    between_means: float


def unpaired_strata(a: ArrayLike, target_a: ArrayLike, b: ArrayLike, target_b: ArrayLike) -> Unpaired:
    """Strata of unpaired replicates, true value constant (Bland & Altman 1999, section 5.2; Zou 2013).

    ``s2 = s2(mean difference) + (1 - 1/m_ah) s2_aw + (1 - 1/m_bh) s2_bw``; m_ah and m_bh harmonic means, so
    that unequal numbers are allowed. A method with one reading per target has no within-target part, and the
    limits then hold for its single readings as they are.

    Parameters
    ----------
    a, b : arrays, shapes (n_a,) and (n_b,)
        Readings of each method.
    target_a, target_b : arrays of int
        Codes 0..n_targets - 1; every target has at least one reading of each.
    """
    parts: list[tuple[FloatArray, float, float, float]] = []
    for readings, codes in ((a, target_a), (b, target_b)):
        x, code = np.asarray(readings, float), np.asarray(codes)
        number = np.bincount(code).astype(float)
        means = np.bincount(code, weights=x) / number
        df = float(len(x) - len(number))
        within = float(np.sum((x - means[code]) ** 2)) / df if df > 0 else 0.0
        parts.append((means, df, within, 1.0 / float(np.mean(1 / number))))
    (mean_a, df_a, within_a, h_a), (mean_b, df_b, within_b, h_b) = parts
    d = mean_a - mean_b
    n = len(d)
    between = float(np.var(d, ddof=1))
    ms, df_all, total, of_mean = [between], [n - 1.0], [1.0], [1.0 / n]
    for within, df, h in ((within_a, df_a, h_a), (within_b, df_b, h_b)):
        if df > 0:
            ms.append(within)
            df_all.append(df)
            total.append(1 - 1 / h)
            of_mean.append(0.0)
    strata = Strata(float(np.mean(d)), np.array(ms), np.array(df_all), np.array(total), np.array(of_mean))
    return Unpaired(strata, frozen_array(mean_a), frozen_array(mean_b), (within_a, within_b), (h_a, h_b), between)
