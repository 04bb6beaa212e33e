"""Forecast of one sensor: its own line given its checks and the other sensors, variances uncertain.

Plugging estimated variances into the usual prediction of a sensor's line gives intervals that are too narrow with few
sensors. Here the variances have a posterior of their own, drawn by importance sampling; given them everything is exact
algebra on two-by-two matrices, so that a whole population costs milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.tails import ndtr, ndtri

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWS = 400
_PILOT = (300, 300, 200)
_MANY = 40
_PRIOR_DF = 3.0
_PROPOSAL_DF = 5.0
_CORRELATION_POWER = 1.5
LEAST_ESS = 40.0


class Sums(NamedTuple):
    """Sufficient statistics of straight lines, arrays of shape ``(n_sensors,)``: checks, and weighted sums."""

    n: Floats
    s0: Floats
    s1: Floats
    s2: Floats
    t0: Floats
    t1: Floats
    q: Floats


class Mixture(NamedTuple):
    """Start and slope of one sensor as a mixture of normals: weights (d,), means (d, 2), covariances (d, 2, 2).

    ``noise`` is the variance of one occasion of weight 1 in each draw, shape (d,).
    """

    weight: Floats
    mean: Floats
    cov: Floats
    noise: Floats


class Surprise(NamedTuple):
    """One check against its prediction: standardised error, its degrees of freedom, two-sided p, and the prediction."""

    standardised: float
    df: float
    p: float
    expected: float
    sd: float


def sums_of(x: ArrayLike, y: ArrayLike, weight: ArrayLike, sensor: ArrayLike, n_sensors: int) -> Sums:
    """Add up the checks of each sensor.

    Parameters
    ----------
    x, y, weight : array_like, shape (n_checks,)
        Exposure, response, and one over the relative variance of each check.
    sensor : array_like of int, shape (n_checks,)
    n_sensors : int
    """
    x, y, w = (np.asarray(v, dtype=np.float64) for v in (x, y, weight))
    code = np.asarray(sensor, dtype=np.int64)

    def total(v: Floats) -> Floats:
        return np.asarray(np.bincount(code, weights=v, minlength=n_sensors), dtype=np.float64)

    return Sums(total(np.ones(len(x))), total(w), total(w * x), total(w * x * x), total(w * y), total(w * x * y),
                total(w * y * y))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parts:
    """What each sensor adds for each draw: H, g and the scalar term, shapes (d, n, 3), (d, n, 2), (d, n)."""

    h: Floats
    g: Floats
    c: Floats
    m: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Population:
    """Posterior draws of the variances of a population of sensors, in scaled units.

    Attributes
    ----------
    theta : (d, 4) floats
        Log SD of starts, log SD of slopes, Fisher's z of their correlation, log SD of an occasion.
    log_weight : (d,) floats
        Log of prior over proposal, without the likelihood.
    sums : Sums
        In scaled units.
    ess : float
        Effective number of draws.
    """

    theta: Floats
    log_weight: Floats
    sums: Sums
    parts: _Parts
    x_scale: float
    y_scale: float
    y_origin: float
    ess: float

    @property
    def n_sensors(self) -> int:
        """Number of sensors."""
        return len(self.sums.n)

    @cached_property
    def totals(self) -> tuple[Floats, Floats, Floats]:
        """``h``, ``g`` and ``c`` of :attr:`parts` added over sensors: the same for every sensor that is asked after."""
        return self.parts.h.sum(axis=1), self.parts.g.sum(axis=1), self.parts.c.sum(axis=1)

    @property
    def sds(self) -> Floats:
        """Posterior means of the SDs of start, slope and one occasion, in the units of the data."""
        w = _normal(self.log_weight + _log_likelihood(self.parts))
        sd = np.exp(self.theta[:, [0, 1, 3]]) * self.y_scale / np.array([1.0, self.x_scale, 1.0])
        return np.asarray(w @ sd)


def _normal(log_weight: Floats) -> Floats:
    w = np.exp(log_weight - log_weight.max())
    return np.asarray(w / w.sum())


def _matrices(theta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return D11, D12, D22 and the variance of an occasion of each draw, shape (d, 1)."""
    sa, sb, r, se = np.exp(theta[:, 0]), np.exp(theta[:, 1]), np.tanh(theta[:, 2]), np.exp(theta[:, 3])
    return (sa**2)[:, None], (r * sa * sb)[:, None], (sb**2)[:, None], (se**2)[:, None]


def _parts(theta: Floats, s: Sums) -> _Parts:
    """Marginal pieces of every sensor: ``H = (A^-1 + D)^-1``, ``g = X'V^-1 y``, ``log|V| + y'V^-1 y``."""
    a, r, b, v = _matrices(theta)
    a0, a1, a2, t0, t1, q = s.s0 / v, s.s1 / v, s.s2 / v, s.t0 / v, s.t1 / v, s.q / v
    # K = I + A D
    k11, k12, k21, k22 = 1 + a0 * a + a1 * r, a0 * r + a1 * b, a1 * a + a2 * r, 1 + a1 * r + a2 * b
    det = k11 * k22 - k12 * k21
    i11, i12, i21, i22 = k22 / det, -k12 / det, -k21 / det, k11 / det
    g0, g1 = i11 * t0 + i12 * t1, i21 * t0 + i22 * t1
    h = np.stack([i11 * a0 + i12 * a1, i11 * a1 + i12 * a2, i21 * a1 + i22 * a2], axis=-1)
    quad = q - (t0 * (a * g0 + r * g1) + t1 * (r * g0 + b * g1))
    m = np.stack([a * i11 + r * i21, a * i12 + r * i22, r * i12 + b * i22], axis=-1)
    return _Parts(h=h, g=np.stack([g0, g1], axis=-1), c=s.n * np.log(v) + np.log(det) + quad, m=m)


def _solve(h: Floats, g: Floats) -> tuple[Floats, Floats, Floats]:
    """Generalised least squares from summed pieces: beta (d, 2), its covariance as (d, 3), log|H| (d,)."""
    det = h[:, 0] * h[:, 2] - h[:, 1] ** 2
    cov = np.stack([h[:, 2], -h[:, 1], h[:, 0]], axis=-1) / det[:, None]
    beta = np.stack([cov[:, 0] * g[:, 0] + cov[:, 1] * g[:, 1], cov[:, 1] * g[:, 0] + cov[:, 2] * g[:, 1]], axis=-1)
    return beta, cov, np.log(det)


def _log_likelihood(p: _Parts) -> Floats:
    """Restricted log-likelihood of each draw, up to a constant."""
    return _summed(p.h.sum(axis=1), p.g.sum(axis=1), p.c.sum(axis=1))


def _summed(h: Floats, g: Floats, c: Floats) -> Floats:
    beta, _, logdet = _solve(h, g)
    return np.asarray(-0.5 * (c + logdet - (g * beta).sum(axis=-1)))


def _log_prior(theta: Floats, scale: Floats) -> Floats:
    """Half-t priors of the SDs, a mild pull of the correlation to zero, and nothing said of the occasion's size."""
    sd = np.exp(theta[:, :2]) / scale
    half_t = -0.5 * (_PRIOR_DF + 1) * np.log1p(sd**2 / _PRIOR_DF) + theta[:, :2]
    return np.asarray(half_t.sum(axis=1) + _CORRELATION_POWER * np.log1p(-np.tanh(theta[:, 2]) ** 2 + 1e-300))


def _start(s: Sums) -> tuple[Floats, Floats]:
    """Return moments to start from and the scales of the priors: SDs of start and slope, and of an occasion."""
    det = s.s0 * s.s2 - s.s1**2
    own = (det > 1e-9 * s.s0 * np.maximum(s.s2, 1e-300)) & (s.n > 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(own, (s.s0 * s.t1 - s.s1 * s.t0) / det, np.nan)
        level = (s.t0 - slope * s.s1) / s.s0
        ssr = s.q - slope * s.t1 - level * s.t0
    df = float(np.where(own, s.n - 2, 0).sum())
    noise = float(np.sqrt(max(np.nansum(np.where(own & (s.n > 2), ssr, 0.0)), 0.0) / df)) if df > 0 else 0.1
    noise = max(noise, 1e-4)
    pooled = _pooled(s)
    slopes = slope[own]
    sd_slope = float(slopes.std(ddof=1)) if len(slopes) > 1 else abs(pooled[1])
    levels = level[own]
    sd_level = float(levels.std(ddof=1)) if len(levels) > 1 else noise
    if len(s.n) >= _MANY:  # take the lines' own errors out
        own_error = noise**2 * float((s.s0 / det)[own].mean()), noise**2 * float((s.s2 / det)[own].mean())
        sd_slope = np.sqrt(max(sd_slope**2 - own_error[0], 0.02 * sd_slope**2))
        sd_level = np.sqrt(max(sd_level**2 - own_error[1], 0.02 * sd_level**2))
    # Sensors' slopes rarely differ by more than the wear itself, nor starts by more than all the scatter there is.
    scale = np.array([max(pooled[2], noise), max(abs(pooled[1]), noise)])
    start = np.array([np.log(max(sd_level, 0.3 * noise)), np.log(max(sd_slope, 0.1 * noise)), 0.0, np.log(noise)])
    return start, scale


def _pooled(s: Sums) -> tuple[float, float, float]:
    """One line through everything: level, slope and the SD about it."""
    h = np.array([[s.s0.sum(), s.s1.sum()], [s.s1.sum(), s.s2.sum()]])
    g = np.array([s.t0.sum(), s.t1.sum()])
    b = np.linalg.lstsq(h, g, rcond=None)[0]
    return float(b[0]), float(b[1]), float(np.sqrt(max(s.q.sum() - b @ g, 0.0) / max(s.n.sum() - 2, 1)))


def fit_population(x: ArrayLike, y: ArrayLike, weight: ArrayLike, sensor: ArrayLike, n_sensors: int, *,
                   rng: np.random.Generator, draws: int = DRAWS) -> Population:
    """Draw the variances of a population of straight lines from their posterior.

    Parameters
    ----------
    x, y, weight, sensor : array_like, shape (n_checks,)
        As for :func:`sums_of`.
    n_sensors : int
        Three or more.
    rng : Generator
    draws : int

    Returns
    -------
    Population

    Raises
    ------
    ValueError
        With fewer than three sensors, one exposure only, or no scatter about the lines.

    Notes
    -----
    y = b0 + b1 x + B0_i + B1_i x + e/sqrt(weight), (B0, B1) normal with covariance D; b0 and b1 have flat priors and
    are integrated out (the restricted likelihood), the SDs of B0 and B1 half-t priors with 3 degrees of freedom whose
    scales are the scatter about one common line and the size of the common slope, the correlation a density
    proportional to (1 - r^2)^0.5, and the SD of e a flat prior on its log. Importance sampling from a t density fitted
    to three pilot samples.

    References
    ----------
    Laird & Ware (1982), Biometrics 38, 963-974; Gelman (2006), Bayesian Analysis 1, 515-533 (half-t priors);
    Cappé et al. (2004), Journal of Computational and Graphical Statistics 13, 907-929 (population sampling).
    """
    x, y, w = (np.asarray(v, dtype=np.float64) for v in (x, y, weight))
    if n_sensors < 3:
        raise ValueError("a population needs three sensors or more")
    x_scale, y_origin = float(np.abs(x).max()) if len(x) else 0.0, float(y.mean())
    y_scale = float((y - y_origin).std())
    if not (x_scale > 0 and np.ptp(x) > 0 and y_scale > 0):
        raise ValueError("the checks do not spread over the exposure")
    sums = sums_of(x / x_scale, (y - y_origin) / y_scale, w, sensor, n_sensors)
    mean, scale = _start(sums)
    if not float(np.where(sums.n > 2, 1, 0).sum()) or np.exp(mean[3]) <= 1.01e-4:
        raise ValueError("the checks leave no scatter about the sensors' lines")
    theta, log_weight, parts = _sampled(sums, mean, scale, rng, draws)
    w_all = _normal(log_weight + _log_likelihood(parts))
    return Population(theta=theta, log_weight=log_weight, sums=sums, parts=parts, x_scale=x_scale, y_scale=y_scale,
                      y_origin=y_origin, ess=float(1 / (w_all**2).sum()))


def _sampled(sums: Sums, mean: Floats, scale: Floats, rng: np.random.Generator, draws: int
             ) -> tuple[Floats, Floats, _Parts]:
    """Sample in rounds, each from a t density fitted to the weighted sample before."""
    root = np.diag([0.6, 0.8, 0.8, 0.25])
    pilot: tuple[int, ...] = _PILOT
    if len(sums.n) >= _MANY:  # their posterior is narrow: start near it and close in by more steps
        root, pilot = root * np.sqrt(20 / len(sums.n)), _PILOT * 2
    for number, size in enumerate((*pilot, draws)):
        z = rng.standard_normal((size, 4))
        chi = np.sqrt(rng.chisquare(_PROPOSAL_DF, size) / _PROPOSAL_DF)[:, None]
        theta = mean + (z / chi) @ root.T
        theta[:, 2] = np.clip(theta[:, 2], -6.0, 6.0)
        theta[:, [0, 1, 3]] = np.clip(theta[:, [0, 1, 3]], -20.0, 8.0)
        off = np.linalg.solve(root, (theta - mean).T)
        log_q = -0.5 * (_PROPOSAL_DF + 4) * np.log1p((off**2).sum(axis=0) / _PROPOSAL_DF)
        parts = _parts(theta, sums)
        log_weight = _log_prior(theta, scale) - log_q
        full = log_weight + _log_likelihood(parts)
        full = np.where(np.isfinite(full), full, -np.inf)
        log_weight = np.where(np.isfinite(full), log_weight, -np.inf)
        if number == len(pilot):
            break
        mean, root = _refitted(theta, full)
    return theta, log_weight, parts


def _refitted(theta: Floats, log_weight: Floats) -> tuple[Floats, Floats]:
    """Return mean and root covariance of a weighted sample; weights are flattened until fifty draws count."""
    power = 1.0
    w = _normal(log_weight)
    while 1 / (w**2).sum() < 50 and power > 0.02:
        power *= 0.7
        w = _normal(power * log_weight)
    mean = w @ theta
    off = theta - mean
    cov = (w[:, None] * off).T @ off + 1e-4 * np.eye(4)
    return np.asarray(mean), np.asarray(np.linalg.cholesky(1.2 * cov), dtype=np.float64)


def line_of(population: Population, x: ArrayLike, y: ArrayLike, weight: ArrayLike, *, member: int | None) -> Mixture:
    """Posterior of start and slope of one sensor from these checks of it and all of the others'.

    Parameters
    ----------
    population : Population
    x, y, weight : array_like, shape (n_checks,)
        Checks of the sensor; none for a sensor that was never checked.
    member : int or None
        Its place in the population, whose own checks these replace; None for one that is not in it.

    Returns
    -------
    Mixture
        In the units of the data.

    Notes
    -----
    Given the variances ``m = beta + M (t - A beta)`` with covariance ``M + (I - M A) H^-1 (I - M A)'``, where
    ``M = (D^-1 + A)^-1`` (Henderson 1975): the uncertainty of beta is in it.
    """
    p = population
    n = len(np.asarray(x))
    own = sums_of(np.asarray(x) / p.x_scale, (np.asarray(y) - p.y_origin) / p.y_scale, weight,
                  np.zeros(n, dtype=np.int64), 1)
    mine = _parts(p.theta, own)
    h, g, c = p.totals
    if member is not None:
        h, g, c = h - p.parts.h[:, member], g - p.parts.g[:, member], c - p.parts.c[:, member]
    h, g, c = h + mine.h[:, 0], g + mine.g[:, 0], c + mine.c[:, 0]
    beta, hinv, logdet = _solve(h, g)
    w = _normal(np.where(np.isfinite(p.log_weight), p.log_weight
                         - 0.5 * (c + logdet - (g * beta).sum(axis=-1)), -np.inf))
    _, _, _, v = _matrices(p.theta)
    m = _full(mine.m[:, 0])
    a = np.array([[own.s0[0], own.s1[0]], [own.s1[0], own.s2[0]]]) / v[:, :, None]
    t = np.stack([own.t0[0] / v[:, 0], own.t1[0] / v[:, 0]], axis=-1)
    lost = np.eye(2) - m @ a
    mean = np.einsum("dij,dj->di", lost, beta) + np.einsum("dij,dj->di", m, t)
    cov = m + lost @ _full(hinv) @ lost.swapaxes(1, 2)
    unit = np.array([p.y_scale, p.y_scale / p.x_scale])
    return Mixture(w, mean * unit + np.array([p.y_origin, 0.0]), cov * np.outer(unit, unit),
                   v[:, 0] * p.y_scale**2)


def _full(v: Floats) -> Floats:
    return np.stack([np.stack([v[:, 0], v[:, 1]], axis=-1), np.stack([v[:, 1], v[:, 2]], axis=-1)], axis=-2)


def own_line(x: ArrayLike, y: ArrayLike, weight: ArrayLike, *, draws: int = 200) -> Mixture:
    """Start and slope of a sensor from its own checks alone: least squares, t distributed.

    Raises
    ------
    ValueError
        With fewer than three checks, one exposure only, or no scatter.
    """
    from scipy.special import chdtri

    x, y, w = (np.asarray(v, dtype=np.float64) for v in (x, y, weight))
    if len(x) < 3 or np.ptp(x) == 0:
        raise ValueError("a line of its own needs three checks at two exposures or more")
    X = np.column_stack([np.ones(len(x)), x])
    inverse = np.linalg.inv((X * w[:, None]).T @ X)
    b = inverse @ (X.T @ (w * y))
    df = len(x) - 2
    ss = float((w * (y - X @ b) ** 2).sum())
    if not ss > 1e-20 * float((w * (y - y.mean()) ** 2).sum() + 1e-300):
        raise ValueError("the checks lie on one line exactly")
    level = (np.arange(draws) + 0.5) / draws
    v = ss / chdtri(df, level)
    return Mixture(np.full(draws, 1 / draws), np.tile(b, (draws, 1)), v[:, None, None] * inverse, v)


def effective_draws(mixture: Mixture) -> float:
    """Return the number of equal weights that would carry as much."""
    return float(1 / (mixture.weight**2).sum())


def chance_over(mixture: Mixture, use: ArrayLike, limit: float, *, sign: float, relative: bool, share: bool = False
                ) -> Floats:
    """Probability that the sensor's line is past the limit at each use.

    Parameters
    ----------
    mixture : Mixture
    use : array_like, shape (n_uses,)
    limit : float
        On the upward scale: past it where ``sign (start + slope use)``, or ``sign slope use`` of a limit relative to
        the start, is larger.
    share : bool
        A relative limit is a share of the start (lines on a linear scale): past it where ``sign slope use`` is larger
        than ``limit start``, so that no unit enters and the error of the start does.
    """
    u = np.asarray(use, dtype=np.float64)
    c = mixture.cov
    # Past the limit where a start + b slope is larger than edge.
    a: float | Floats = 0.0 if relative else sign
    b, edge = sign * u, limit
    if relative and share:
        turned = np.sign(mixture.mean[:, :1])  # a change is slope / start: a start below zero turns it round
        a, b, edge = -limit * turned, sign * turned * u, 0.0
    mean = a * mixture.mean[:, :1] + b * mixture.mean[:, 1:]
    var = a**2 * c[:, 0, 0, None] + 2 * a * b * c[:, 0, 1, None] + b**2 * c[:, 1, 1, None]
    return chance_above(mixture, mean - edge, var)


def chance_above(mixture: Mixture, mean: Floats, var: Floats) -> Floats:
    """Return the probability that a normal mixture of these means and variances lies above zero."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = mean / np.sqrt(np.maximum(var, 0.0))
    z = np.where(np.isnan(z), -np.inf, z)
    return np.asarray(mixture.weight @ ndtr(z))


def remaining_uses(mixture: Mixture, at: float, limit: float, *, sign: float, relative: bool, chance: float,
                   most: int, share: bool = False) -> int:
    """Largest number of further uses after which the sensor is past the limit with at most this probability.

    Returns
    -------
    int
        0 where it is past it already; ``most`` where it stays within for as long as was looked.
    """
    low, high = 0, most
    step = max(most // 16, 1)
    while True:
        k = np.unique(np.r_[np.arange(low, high, step), high])
        past = chance_over(mixture, at + k, limit, sign=sign, relative=relative, share=share) > chance
        if not past.any():
            return int(k[-1])
        first = int(np.argmax(past))
        if first == 0 or step == 1:
            return int(k[first - 1]) if first else 0
        low, high = int(k[first - 1]), int(k[first])
        step = max((high - low) // 16, 1)


def surprise(mixture: Mixture, use: float, value: float, weight: float) -> Surprise:
    """Compare one new check with its prediction.

    Notes
    -----
    p is that of the predictive mixture. The standardised error is divided by the root of the mean variance; its
    degrees of freedom are those of a chi-square with the mean and variance of the variances over the draws.
    """
    row = np.array([1.0, use])
    mean = mixture.mean @ row
    var = np.einsum("i,dij,j->d", row, mixture.cov, row) + mixture.noise / weight
    tail = float(mixture.weight @ ndtr((value - mean) / np.sqrt(var)))
    expected = float(mixture.weight @ mean)
    middle = float(mixture.weight @ var) + float(mixture.weight @ (mean - expected) ** 2)
    spread = float(mixture.weight @ (var - mixture.weight @ var) ** 2)
    df = 2 * middle**2 / spread if spread > 0 else float("inf")
    return Surprise((value - expected) / np.sqrt(middle), min(df, 1e6), 2 * min(tail, 1 - tail), expected,
                    float(np.sqrt(middle)))


def quantiles_of(mixture: Mixture, use: ArrayLike, probabilities: ArrayLike) -> Floats:
    """Quantiles of the sensor's line at each use, shape (n_probabilities, n_uses)."""
    u, p = np.asarray(use, dtype=np.float64), np.asarray(probabilities, dtype=np.float64)
    mean = mixture.mean[:, :1] + mixture.mean[:, 1:] * u
    c = mixture.cov
    sd = np.sqrt(np.maximum(c[:, 0, 0, None] + 2 * c[:, 0, 1, None] * u + c[:, 1, 1, None] * u**2, 1e-300))
    w = mixture.weight
    low = np.tile((mean - 9 * sd).min(axis=0), (len(p), 1))
    high = np.tile((mean + 9 * sd).max(axis=0), (len(p), 1))
    middle = w @ mean
    spread = np.sqrt(w @ sd**2 + w @ (mean - middle) ** 2)
    at = middle + spread * np.array([[ndtri(float(v))] for v in p])
    for _ in range(12):  # Newton's steps, kept inside what is known to hold the quantile
        z = (at[None] - mean[:, None]) / sd[:, None]
        below = np.einsum("d,dpu->pu", w, ndtr(z))
        low, high = np.where(below < p[:, None], at, low), np.where(below < p[:, None], high, at)
        slope = np.einsum("d,dpu->pu", w, np.exp(-0.5 * z * z) / sd[:, None]) / np.sqrt(2 * np.pi)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = at - (below - p[:, None]) / slope
        new = np.where((new > low) & (new < high), new, (low + high) / 2)
        done = float(np.abs(new - at).max()) <= 1e-9 * float(spread.max())
        at = new
        if done:
            break
    return np.asarray(at)
