"""When wear first reaches a limit, for five ways in which sensors may wear, from the lines of the sensors checked.

Every family has a mean slope and a spread; they differ in what varies. Lines with slopes of their own: normal slopes
from a fixed start, normal starts and slopes, lognormal slopes. Paths that wander: a Wiener process with drift and a
gamma process, in which all sensors share one drift and differ by what happened to them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

FAMILIES = ("normal slopes, fixed start", "normal starts and slopes", "lognormal slopes", "Wiener process",
            "gamma process")
FIXED, CURRENT, LOGNORMAL, WIENER, GAMMA = FAMILIES
NODES = 21
FARTHEST = 1e7


@dataclass(frozen=True, eq=False)
class Paths:
    """What the checks of n sensors say about their lines; arrays of shape (..., n_sensors), leading axes are studies.

    Parameters
    ----------
    intercept, slope, rss : ndarray
        Least-squares line of each sensor, wear upwards, and its residual sum of squares.
    df : ndarray, shape (n_sensors,)
        Residual degrees of freedom.
    v00, v01, v11 : ndarray, shape (n_sensors,)
        (X'X)^-1 of each sensor's checks.
    w1, w2 : ndarray, shape (n_sensors,)
        Variance of the slope, and expected residual sum of squares, of a Wiener process of unit variance per use.
    """

    intercept: Floats
    slope: Floats
    rss: Floats
    df: Floats
    v00: Floats
    v01: Floats
    v11: Floats
    w1: Floats
    w2: Floats

    def without(self, i: int) -> Paths:
        """Leave one sensor out."""
        return replace(self, **{k: np.delete(v, i, axis=-1) for k, v in vars(self).items()})


def paths_from_checks(x: Floats, y: Floats) -> Paths:
    """Summarise checks, shape (n_sensors, n_checks) with NaN where there is none; two checks or more a sensor."""
    rows = []
    for u, v in zip(x, y, strict=True):
        ok = np.isfinite(u) & np.isfinite(v)
        rows.append(_one(u[ok], v[ok]))
    return Paths(*(np.array(c, np.float64) for c in zip(*rows, strict=True)))


def _one(u: Floats, v: Floats) -> tuple[float, ...]:
    design = np.column_stack([np.ones_like(u), u])
    cov = np.linalg.inv(design.T @ design)
    beta = cov @ design.T @ v
    brown = np.minimum(u[:, None], u[None, :])
    pick = cov @ design.T
    hat = design @ pick
    return (float(beta[0]), float(beta[1]), float(((v - design @ beta) ** 2).sum()), float(len(u) - 2), cov[0, 0],
            cov[0, 1], cov[1, 1], float(pick[1] @ brown @ pick[1]), float(np.trace(brown) - np.trace(hat @ brown)))


@dataclass(frozen=True, eq=False)
class PassageFit:
    """One family fitted to many studies; arrays have the studies' shape.

    ``drift`` and ``spread`` are mean and SD of the slope (of its logarithm for lognormal slopes), or drift and standard
    deviation per root use of a process; ``start`` and ``start_sd`` those of the value at use 0; ``cov`` the covariance
    of
    start and slope; ``noise`` the SD of a check. ``usable`` is False where the family cannot be fitted.
    """

    family: str
    start: Floats
    start_sd: Floats
    drift: Floats
    spread: Floats
    cov: Floats
    noise: Floats
    usable: NDArray[np.bool_]


def fit_passage(family: str, p: Paths) -> PassageFit:
    """Fit one family by the moments of the sensors' lines.

    Notes
    -----
    The covariance of the lines less what the checks' own error adds to it is that between sensors (projected to be a
    covariance). For the processes variance per use and error of a check come from two equations: the variance of the
    slopes and the residual sums of squares.

    References
    ----------
    Lu, C. J. and Meeker, W. Q. (1993), Technometrics 35:161-174 (two stages); Ahmad, M. and Sheikh, A. K. (1984),
    Reliability Engineering 8:137-148 (normal slopes); Lawless, J. and Crowder, M. (2004), Lifetime Data Analysis
    10:213-227 (gamma process).
    """
    n = p.slope.shape[-1]
    mean_a, mean_b = p.intercept.mean(axis=-1), p.slope.mean(axis=-1)
    da, db = p.intercept - mean_a[..., None], p.slope - mean_b[..., None]
    s00, s01, s11 = (np.asarray(v.sum(axis=-1)) / (n - 1) for v in (da * da, da * db, db * db))
    sigma2 = p.rss.sum(axis=-1) / np.maximum(p.df.sum(), 1e-300)
    d00 = np.maximum(s00 - sigma2 * p.v00.mean(), 0.0)
    d11 = np.maximum(s11 - sigma2 * p.v11.mean(), 0.0)
    edge = np.sqrt(d00 * d11)
    d01 = np.clip(s01 - sigma2 * p.v01.mean(), -edge, edge)
    zero, yes = np.zeros_like(mean_b), np.ones(mean_b.shape, bool)
    made = PassageFit(family, mean_a, np.sqrt(d00), mean_b, np.sqrt(d11), d01, np.sqrt(sigma2), yes)
    if family == FIXED:
        return replace(made, cov=zero)
    if family == CURRENT:
        return made
    if family == LOGNORMAL:
        up = (p.slope > 0).all(axis=-1)
        logs = np.log(np.where(p.slope > 0, p.slope, 1.0))
        own = sigma2 * p.v11.mean() / np.where(mean_b > 0, mean_b, 1.0) ** 2
        variance = np.maximum(logs.var(axis=-1, ddof=1) - own, 0.0)
        return replace(made, drift=logs.mean(axis=-1) + own / 2, spread=np.sqrt(variance), cov=zero,
                       usable=np.asarray(up, bool))
    a11, a12, a21, a22 = p.w1.mean(), p.v11.mean(), p.w2.sum(), p.df.sum()
    det = a11 * a22 - a12 * a21
    total = p.rss.sum(axis=-1)
    s2, noise2 = (a22 * s11 - a12 * total) / det, (a11 * total - a21 * s11) / det
    s2 = np.where(noise2 < 0, s11 / a11, s2)
    s2, noise2 = np.maximum(s2, 1e-12 * (s11 / a11 + 1e-300)), np.maximum(noise2, 0.0)
    fine = yes if family == WIENER else np.asarray(mean_b > 0, bool)
    return replace(made, spread=np.sqrt(s2), cov=zero, noise=np.sqrt(noise2), usable=fine)


def share_past(fit: PassageFit, at: ArrayLike, limit: float, *, relative: bool) -> Floats:
    """Share of sensors past the limit during or before use ``at``; ``at`` broadcasts against the studies.

    Parameters
    ----------
    limit : float
        Value, or distance from the sensor's own start where ``relative``.

    Notes
    -----
    Normal slopes: Phi((mu - c/N)/sd), a share Phi(-mu/sd) of which never gets there; starts and slopes: Phi((b0 + b1 N
    - L)/sqrt(D00 + 2 N D01 + N^2 D11)); lognormal slopes: Phi((m - log(c/N))/sd); Wiener process: inverse Gaussian, its
    second term in logs; gamma process: upper regularised incomplete gamma function. Starts are integrated over where
    they vary.

    References
    ----------
    Meeker and Escobar (1998), chapters 13 and 21; Chhikara, R. S. and Folks, J. L. (1989), The Inverse Gaussian
    Distribution, Dekker, eq. 2.4.
    """
    n = np.maximum(np.asarray(at, np.float64), 1e-12)
    c = np.asarray(limit if relative else limit - fit.start, np.float64)
    if fit.family == FIXED or (fit.family == CURRENT and relative):
        return _of_normal(fit.drift - c / n, fit.spread)
    if fit.family == CURRENT:
        variance = fit.start_sd**2 + 2 * n * fit.cov + n**2 * fit.spread**2
        return _of_normal(fit.drift * n - c, np.sqrt(np.maximum(variance, 0.0)))
    if relative:
        return _of_distance(fit, n, c)
    z, w = np.polynomial.hermite_e.hermegauss(NODES)
    total = sum(wk * _of_distance(fit, n, c - fit.start_sd * zk) for zk, wk in zip(z, w / w.sum(), strict=True))
    return np.asarray(total)


def _of_normal(gap: Floats, sd: Floats) -> Floats:
    from scipy.special import ndtr

    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(sd > 0, ndtr(gap / np.where(sd > 0, sd, 1.0)), (gap >= 0).astype(np.float64))


def _of_distance(fit: PassageFit, n: Floats, c: Floats) -> Floats:
    from scipy.special import gammaincc, log_ndtr, ndtr

    d = np.maximum(c, 1e-300)
    if fit.family == LOGNORMAL:
        made = _of_normal(fit.drift - np.log(d) + np.log(n), fit.spread)
    elif fit.family == WIENER:
        s, root = fit.spread, np.sqrt(n)
        with np.errstate(over="ignore", invalid="ignore"):
            power = 2 * fit.drift * d / s**2 + log_ndtr(-(fit.drift * n + d) / (s * root))
        # Without scatter both parts are beyond any number and their sum has no limit but the chance of none.
        second = np.where(np.isfinite(power), np.exp(np.minimum(np.nan_to_num(power), 0.0)), 0.0)
        made = ndtr((fit.drift * n - d) / (s * root)) + second
    else:
        drift = np.where(fit.drift > 0, fit.drift, np.nan)
        with np.errstate(over="ignore", invalid="ignore"):
            made = gammaincc(drift**2 / fit.spread**2 * n, drift / fit.spread**2 * d)
        # Without scatter every path takes its mean step.
        made = np.where(np.isfinite(drift / np.maximum(fit.spread, 1e-150) ** 2 * d), made, (drift * n >= d) * 1.0)
    return np.asarray(np.where(c <= 0, 1.0, np.minimum(made, 1.0)))


def use_at_share(fit: PassageFit, share: float, limit: float, *, relative: bool) -> Floats:
    """Use at which a share of sensors is past the limit; infinite where it never gets there, NaN where unusable."""
    low, high = np.zeros(fit.drift.shape), np.full(fit.drift.shape, 1.0)
    for _ in range(80):
        short = share_past(fit, high, limit, relative=relative) < share
        if not short.any() or float(high.max()) > FARTHEST:
            break
        low, high = np.where(short, high, low), np.where(short, 2 * high, high)
    never = share_past(fit, high, limit, relative=relative) < share
    for _ in range(30):
        middle = (low + high) / 2
        past = share_past(fit, middle, limit, relative=relative) >= share
        low, high = np.where(past, low, middle), np.where(past, middle, high)
    return np.where(fit.usable, np.where(never, np.inf, high), np.nan)


def draw_paths(fit: PassageFit, p: Paths, rng: np.random.Generator, draws: int) -> Paths:
    """Simulate studies of fitted families, checked as these sensors were; shape (..., draws, n_sensors)."""
    n = len(p.df)
    mean_a, sd_start, drift, spread, cov, noise = (np.asarray(v)[..., None, None] for v in (
        fit.start, fit.start_sd, fit.drift, fit.spread, fit.cov, fit.noise))
    z = rng.standard_normal((4, *fit.drift.shape, draws, n))
    df = np.maximum(p.df, 1e-9)
    chi = np.where(p.df > 0, rng.chisquare(df, z[0].shape), 0.0)
    if fit.family in (WIENER, GAMMA):
        own = np.sqrt(spread**2 * p.w1) * z[1]
        if fit.family == GAMMA:  # as skew as a gamma process over the span of the checks
            shape = np.clip(drift**2 / np.maximum(spread**2 * p.w1, 1e-300), 1e-6, 1e9)
            own = (rng.standard_gamma(np.broadcast_to(shape, z[1].shape)) / shape - 1) * drift
        rss = (spread**2 * p.w2 + noise**2 * p.df) * chi / df
        return replace(p, intercept=mean_a + np.sqrt(sd_start**2 + noise**2 * p.v00) * z[0], rss=rss,
                       slope=drift + own + noise * np.sqrt(p.v11) * z[2])
    slope = drift + spread * z[1]
    if fit.family == LOGNORMAL:
        slope = np.exp(slope)
    r = np.clip(np.where(sd_start * spread > 0, cov / np.maximum(sd_start * spread, 1e-300), 0.0), -1, 1)
    start = mean_a + sd_start * (r * z[1] + np.sqrt(1 - r**2) * z[0])
    own = p.v01 / np.sqrt(p.v00 * p.v11)
    return replace(p, intercept=start + noise * np.sqrt(p.v00) * z[2], rss=noise**2 * chi,
                   slope=slope + noise * np.sqrt(p.v11) * (own * z[2] + np.sqrt(np.maximum(1 - own**2, 0.0)) * z[3]))


def bootstrap_uses(fit: PassageFit, p: Paths, share: float, limit: float, *, relative: bool, rng: np.random.Generator,
                   draws: int) -> Floats:
    """Use at which the share is reached in studies simulated from the fit, fitted again, shape (draws,)."""
    again = fit_passage(fit.family, draw_paths(fit, p, rng, draws))
    return use_at_share(again, share, limit, relative=relative)


def reflected(value: ArrayLike, drawn: Floats, level: float, df: int) -> tuple[Floats, Floats]:
    """Interval from simulated studies: their deviations from the truth, turned round, on the log scale.

    Parameters
    ----------
    value : array_like, shape (...,)
        Use at which the share is reached.
    drawn : ndarray, shape (..., n_draws)
        The same of simulated studies; NaN where a study could not be fitted.
    level : float
    df : int
        Sensors less one: deviations are widened by the ratio of the t to the normal quantile, because the spread that
        was simulated from is itself estimated.
    """
    from scipy.special import ndtri, stdtrit

    at = (1 + level) / 2
    wider = float(stdtrit(df, at) / ndtri(at))
    middle = np.asarray(value, np.float64)
    bad = np.isnan(drawn).mean(axis=-1) > 0.5
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        logs = np.log(np.clip(np.where(np.isnan(drawn), np.inf, drawn), 1e-12, FARTHEST))
        low, high = np.quantile(logs, [1 - at, at], axis=-1) - np.log(middle)
        off = ~np.isfinite(middle) | (middle <= 0) | bad
        return (np.where(off, np.nan, middle * np.exp(-wider * high)), np.where(off, np.nan, middle * np.exp(
            -wider * low)))
