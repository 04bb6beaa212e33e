"""Interval of ICC(A,1) that holds whatever the facet variance is, and is as short as that allows.

Of a complete table only two ratios matter: u and v, the sums of squares of targets and of facet levels over that of
the residual. Their joint density is known in closed form and depends on the coefficient and on one nuisance, the
facet variance. The classical interval takes the nuisance as estimated, which with two or three levels it is not; the
generalised pivotal one takes it as fiducial and is twice as wide as need be where levels hardly differ.

Here a value of the coefficient is kept when the density of (u, v) at that value, averaged over the facet variance
with *least favourable* weights, is at least that averaged over all values of the coefficient (the weighting of
expected length). By the lemma of Neyman and Pearson and Pratt's identity this is the interval of smallest weighted
expected length among those that hold at every facet variance, up to the resolution of the grid. The weights are
found by raising those of facet variances at which coverage is short; then one constant is set so that the smallest
coverage over the grid is the nominal one. All probabilities are integrals over a fixed lattice, so that a result
never depends on a seed.

With missing cells u and v are formed at each trial value from the reduced sums of squares (each then has its
chi-square distribution; their dependence is neglected); with replicates the ratio of the noise of one reading to
that of a cell mean is taken as estimated. Both are judged by simulation.

References
----------
Pratt JW (1961). Length of confidence intervals. JASA 56:549-567, equation (2).
Elliott G, Mueller UK, Watson MW (2015). Nearly optimal tests when a nuisance parameter is present under the null
    hypothesis. Econometrica 83:771-811, section 3 and appendix A.2 (the algorithm for the weights).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.bicubic import Bicubic
from drift.engine.meansquares import Interval
from drift.engine.pivotal import Pivots

FloatArray = NDArray[np.float64]

MOST_LEVELS = 31  # beyond, the facet variance is known well enough for the pivotal interval
_ANCHORS = 12  # lattice values between the starting points of the search for weights


@dataclass(frozen=True, kw_only=True)
class Effort:
    """How finely the weights of a layout are worked out.

    ``rough`` and ``fine`` are Fibonacci lattices (points and step) of the search and of its last word, ``rounds`` those
    of the search, ``coarse`` widens the lattice of coefficients and facet variances, ``average`` counts values of
    coefficient, facet variance, u and v behind the weighting of expected length, ``single`` takes single precision.
    """

    rough: tuple[int, int] = (610, 377)
    fine: tuple[int, int] = (1597, 987)
    rounds: int = 80
    coarse: float = 1.0
    average: tuple[int, int, int, int] = (64, 40, 56, 56)
    single: bool = False


PRINTED = Effort()
"""Of every interval that is printed."""

SKETCHED = Effort(rough=(233, 144), fine=(610, 377), rounds=30, coarse=3.0, average=(64, 40, 40, 40),
                  single=True)
"""A tenth of the time, for the mean width of many studies: within some per cent, which is enough to look for a design
and not to print an interval."""


@dataclass(frozen=True, kw_only=True)
class Ratios:
    """What of a study enters the interval.

    ``df`` are the degrees of freedom of targets, facet levels and residual; ``weights`` the readings behind a
    target and behind a facet level; ``noise`` the variance of one reading's noise over that of a cell mean (1
    without replicates).
    """

    df: tuple[int, int, int]
    weights: tuple[float, float]
    noise: float = 1.0


@dataclass
class _Calibration:
    """Least favourable weights of one layout, found when a value of the coefficient is first asked for."""

    ratios: Ratios
    alpha: float
    reach: tuple[float, float]
    step: float
    theta2: FloatArray
    table: Bicubic
    effort: Effort
    found: dict[int, FloatArray] = field(default_factory=dict)

    def weights(self, p: int) -> FloatArray:
        """Return the log weights at lattice value ``p``."""
        if p not in self.found:
            self.found[p] = _least_favourable(self, p)
        return self.found[p]


def value_at(z: FloatArray | float, r: Ratios) -> FloatArray:
    """Return the coefficient at lattice coordinate z = log(1 + w rho q / (1 - rho)), w readings a target, q noise."""
    a = np.expm1(z) / r.weights[0]
    return np.asarray(a / (a + r.noise))


def _theta1(z: float, r: Ratios, theta2: FloatArray) -> FloatArray:
    """Return the expected u over that without target variance, at coefficient z and each facet variance."""
    gamma = (theta2 - 1) / r.weights[1]
    return np.asarray(1 + np.expm1(z) * (gamma + r.noise) / r.noise)


def _log_density(u: FloatArray, v: FloatArray, theta1: FloatArray, theta2: FloatArray,
                 df: tuple[int, int, int]) -> FloatArray:
    """Log density of (u, v) without the terms that hold neither parameter (an inverted Dirichlet density)."""
    d1, d2, d3 = df
    return np.asarray(-0.5 * (d1 * np.log(theta1) + d2 * np.log(theta2)
                              + (d1 + d2 + d3) * _log_of_more(u / theta1 + v / theta2)))


def _log_of_more(x: FloatArray) -> FloatArray:
    """Return log(1 + x) of positive sums, in the array that holds them.

    They are sums of mean squares and seldom small, so that adding 1 first costs no digit that counts; the library's
    ``log1p`` takes three times as long.
    """
    x = np.asarray(x)
    x += 1.0
    return np.asarray(np.log(x, out=x))


@lru_cache(maxsize=256)
def _chi_square_ratios(df: tuple[int, int, int], points: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Lattice values of u and v where neither targets nor facet levels differ.

    Two independent variables carry the pair, a beta one for v and an F one for u given v, so that a Fibonacci
    lattice in the square serves.
    """
    from scipy.special import betaincinv, fdtri

    n, step = points
    i = np.arange(n)
    first, second = (i + 0.5) / n, (i * step / n + 0.5 / n) % 1.0
    d1, d2, d3 = df
    # v / (1 + v) is beta; by its complement where that is small, so that large v keep their digits.
    v = betaincinv(d2 / 2, d3 / 2, first) / betaincinv(d3 / 2, d2 / 2, 1 - first)
    return fdtri(d1, d2 + d3, second) * d1 / (d2 + d3) * (1 + v), v


def _length_weighting(r: Ratios, reach: tuple[float, float], effort: Effort) -> Bicubic:
    """Spline of the log density of (u, v) averaged over the coefficient (uniformly) and the facet variance.

    The average puts most weight where facet levels hardly differ. Any positive function here gives a valid
    interval; this one decides where it is short.
    """
    n_z, n_facet, n_u, n_v = effort.average
    z = np.linspace(0.0, reach[0], n_z)
    rho = value_at(z, r)
    t2 = np.exp(np.linspace(0.0, reach[1], n_facet))
    prior = np.log(np.gradient(rho) + 1e-300)[:, None] - 0.5 * np.log(t2)[None, :]
    theta1 = np.stack([_theta1(float(x), r, t2) for x in z])
    lu = np.linspace(-12.0, reach[0] + reach[1] / 2 + 8.0, n_u)
    lv = np.linspace(-24.0, reach[1] + 8.0, n_v)
    u, v = np.exp(lu), np.exp(lv)
    if effort.single:
        single: Any = np.float32
        u, v, theta1, t2, prior = (x.astype(single) for x in (u, v, theta1, t2, prior))
    out = np.empty((len(lu), len(lv)))
    for i, x in enumerate(u):
        at = _log_density(x, v[:, None, None], theta1, np.broadcast_to(t2, theta1.shape), r.df) + prior
        top = at.max(axis=(1, 2), keepdims=True)
        out[i] = np.log(np.exp(at - top).sum(axis=(1, 2))) + top[:, 0, 0]
    return Bicubic(lu, lv, out)


def _log_weighting(c: _Calibration, u: FloatArray, v: FloatArray) -> FloatArray:
    """Log of what the density at the null is compared with, shape of ``u``."""
    lu, lv = (np.log(np.maximum(x, 1e-300)).ravel() for x in (u, v))
    return c.table(lu, np.maximum(lv, -24.0)).reshape(u.shape)


def _ratio_to_weighting(c: _Calibration, p: int, points: tuple[int, int]) -> NDArray[np.float32]:
    """Density at each facet variance over the weighting, for lattice data under each, shape (J, points, J)."""
    z = p * c.step
    theta1 = _theta1(z, c.ratios, c.theta2)
    u0, v0 = _chi_square_ratios(c.ratios.df, points)
    u, v = theta1[:, None] * u0, c.theta2[:, None] * v0
    d1, d2, d3 = c.ratios.df
    # Single precision: probabilities of a lattice of a thousand points need no more, and it takes half the time.
    inverse1, inverse2 = (1 / theta1).astype(np.float32), (1 / c.theta2).astype(np.float32)
    out = u.astype(np.float32)[:, :, None] * inverse1 + v.astype(np.float32)[:, :, None] * inverse2
    if c.effort.single:
        out += np.float32(1.0)
        np.log(out, out=out)
    else:
        np.log1p(out, out=out)
    out *= np.float32(-0.5 * (d1 + d2 + d3))
    out -= (0.5 * (d1 * np.log(theta1) + d2 * np.log(c.theta2))).astype(np.float32)
    out -= _log_weighting(c, u, v)[:, :, None].astype(np.float32)
    # Far from the boundary of acceptance only the side matters, not how far.
    np.clip(out, -80.0, 60.0, out=out)
    np.exp(out, out=out)
    return np.asarray(out, dtype=np.float32)


def _least_favourable(c: _Calibration, p: int) -> FloatArray:
    """Return log weights over the facet variance at which every coverage is at least nominal.

    The search starts from the weights at the nearest of a few anchors, so that what is found for a study never depends
    on the studies before it.
    """
    anchor = _ANCHORS * round(p / _ANCHORS)
    ratio = _ratio_to_weighting(c, p, c.effort.rough)
    logw = -0.5 * np.log(c.theta2) if anchor == p else c.weights(anchor).copy()
    logw -= np.log(np.quantile(_average(ratio, logw), c.alpha, axis=1).min())
    rounds = c.effort.rounds if anchor == p else c.effort.rounds // 2
    for i in range(rounds):
        covered = (_average(ratio, logw) >= 1).mean(axis=1)
        logw = logw + (8.0 if i < 0.6 * rounds else 2.0) * ((1 - c.alpha) - covered)
        logw = np.maximum(logw, logw.max() - 25.0)
    # The last word has a finer lattice: one constant, so that the smallest coverage is the nominal one.
    fine = np.log(_average(_ratio_to_weighting(c, p, c.effort.fine), logw))
    return np.asarray(logw - np.quantile(fine, c.alpha, axis=1).min())


def _average(ratio: NDArray[np.float32], logw: FloatArray) -> FloatArray:
    return np.asarray(ratio @ np.exp(logw).astype(np.float32), dtype=np.float64)


@lru_cache(maxsize=128)
def _calibration(r: Ratios, alpha: float, reach: tuple[float, float], effort: Effort) -> _Calibration:
    d1, d2, _ = r.df
    gap = min(1.0, 0.9 * math.sqrt(2 / d2))
    theta2 = np.exp(np.linspace(0.0, reach[1], math.ceil(reach[1] / gap) + 1))
    return _Calibration(ratios=r, alpha=alpha, reach=reach, step=min(0.25, 0.35 * effort.coarse * math.sqrt(2 / d1)),
                        theta2=theta2, effort=effort, table=_length_weighting(r, reach, effort))


@dataclass(frozen=True, kw_only=True)
class Sums:
    """Reduced sums of squares of many studies of one layout over their residual sums of squares.

    ``target`` has shape (n_studies, n_target_weights) and ``facet`` likewise, in units of each study's residual sum
    of squares; the weights are those of :class:`drift.engine.pivotal.Pivots`.
    """

    target: FloatArray
    target_weights: FloatArray
    facet: FloatArray
    facet_weights: FloatArray

    def ratios(self, r: Ratios, theta1: FloatArray, theta2: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return u and v, each scaled to its mean weight at the trial variances, shape (n_studies, J)."""
        out = []
        for squares, own, mean, theta in ((self.target, self.target_weights, r.weights[0], theta1),
                                          (self.facet, self.facet_weights, r.weights[1], theta2)):
            variance = (theta - 1) / mean
            scale = theta[None, :] / (1 + own[:, None] * variance[None, :])
            out.append(squares @ scale)
        return out[0], out[1]


def _excess(c: _Calibration, r: Ratios, sums: Sums, p: int, rows: NDArray[np.intp]) -> FloatArray:
    """Log density at value ``p`` under the least favourable weights, less that of the weighting; kept where >= 0."""
    part = Sums(target=sums.target[rows], target_weights=sums.target_weights, facet=sums.facet[rows],
                facet_weights=sums.facet_weights)
    z = p * c.step
    theta1 = _theta1(z, r, c.theta2)
    u, v = part.ratios(r, theta1, c.theta2)
    at = _log_density(u, v, theta1, c.theta2, r.df) + c.weights(p)
    top = at.max(axis=1)
    # The weighting needs one u and v: those of the most likely facet variance.
    best = at.argmax(axis=1)
    i = np.arange(len(rows))
    return np.asarray(np.log(np.exp(at - top[:, None]).sum(axis=1)) + top
                      - _log_weighting(c, u[i, best], v[i, best]))


def _end(c: _Calibration, r: Ratios, sums: Sums, start: NDArray[np.intp], up: bool, last: int) -> FloatArray:
    """Lattice coordinate at which acceptance ends, looking from accepted values ``start`` up or down."""
    n = len(start)
    direction = 1 if up else -1
    inside, outside = start.copy(), np.full(n, -1, dtype=np.intp)
    h_in, h_out = np.zeros(n), np.zeros(n)
    reach = np.ones(n, dtype=np.intp)
    edge = last if up else 0
    live = inside != edge
    while True:
        looking = live & ((outside < 0) | (np.abs(outside - inside) > 1))
        if not looking.any():
            break
        probe = np.where(outside < 0, np.clip(inside + direction * reach, 0, last), (inside + outside) // 2)
        for p in np.unique(probe[looking]):
            rows = np.flatnonzero(looking & (probe == p))
            h = _excess(c, r, sums, int(p), rows)
            kept = h >= 0
            inside[rows[kept]], h_in[rows[kept]] = p, h[kept]
            outside[rows[~kept]], h_out[rows[~kept]] = p, h[~kept]
        reach = np.where(outside < 0, reach * 2, reach)
        live &= ~((outside < 0) & (inside == edge))
    out = inside.astype(np.float64)
    open_end = outside < 0
    again = ~open_end & (h_in == 0)
    for p in np.unique(inside[again]):
        rows = np.flatnonzero(again & (inside == p))
        h_in[rows] = np.maximum(_excess(c, r, sums, int(p), rows), 0.0)
    gap = np.where(open_end, 1.0, h_in - h_out)
    return np.where(open_end, out, out + direction * h_in / np.maximum(gap, 1e-300)) * c.step


def intervals(sums: Sums, ratios: Ratios, *, level: float, effort: Effort = PRINTED) -> FloatArray:
    """Return intervals of ICC(A,1) of many studies of one layout.

    Parameters
    ----------
    sums : Sums
        Of ``n_studies`` studies.
    ratios : Ratios
    level : float
        Confidence level.
    effort : Effort
        How finely the layout's weights are worked out.

    Returns
    -------
    ndarray, shape (n_studies, 2)
        NaN where no value of the coefficient is kept.
    """
    out = np.full((len(sums.target), 2), np.nan)
    for rows, part, c, f_target, f_facet in _by_calibration(sums, ratios, level, effort):
        out[rows] = _of_calibration(c, ratios, part, f_target, f_facet)
    return out


def above(sums: Sums, ratios: Ratios, value: float, *, level: float, effort: Effort = PRINTED) -> NDArray[np.bool_]:
    """Tell of each study whether the lower end of its interval lies above a value.

    Parameters
    ----------
    sums, ratios, level, effort
        As of :func:`intervals`.
    value : float
        Between 0 and 1.

    Returns
    -------
    ndarray of bool, shape (n_studies,)

    Notes
    -----
    Only the weights at the two lattice values about ``value`` are needed, of the dozens that the ends of many studies
    ask for. With two facet levels the values that are kept may have gaps, so that here and there the end found from the
    estimate outwards lies on the other side.
    """
    out = np.zeros(len(sums.target), dtype=bool)
    at = math.log1p(ratios.weights[0] * value / (1 - value) * ratios.noise)
    for rows, part, c, f_target, f_facet in _by_calibration(sums, ratios, level, effort):
        last = math.ceil(c.reach[0] / c.step)
        below = min(math.floor(at / c.step), last - 1)
        some = np.flatnonzero(_start(c, ratios, f_target, f_facet, last) > below)
        if not len(some):
            continue
        h_out, h_in = (_excess(c, ratios, part, below + i, some) for i in (0, 1))
        with np.errstate(divide="ignore", invalid="ignore"):
            end = (below + 1 - h_in / (h_in - h_out)) * c.step
        out[rows[some]] = (h_in < 0) | ((h_out < 0) & (end > at))
    return out


def _by_calibration(sums: Sums, ratios: Ratios, level: float, effort: Effort,
                    ) -> Iterator[tuple[NDArray[np.intp], Sums, _Calibration, FloatArray, FloatArray]]:
    """Yield rows, their sums, calibration, and F of targets and facet levels, of studies that share a calibration."""
    u = sums.target.sum(axis=1) if sums.target.shape[1] == 1 else (
        sums.target * (ratios.weights[0] / sums.target_weights)).sum(axis=1)
    v = sums.facet.sum(axis=1) if sums.facet.shape[1] == 1 else (
        sums.facet * (ratios.weights[1] / sums.facet_weights)).sum(axis=1)
    d1, d2, d3 = ratios.df
    f_target, f_facet = u * d3 / d1, v * d3 / d2
    farthest = _reach(f_target, f_facet, d2)
    for reach in np.unique(farthest, axis=0):
        rows = np.flatnonzero((farthest == reach).all(axis=1))
        part = Sums(target=sums.target[rows], target_weights=sums.target_weights, facet=sums.facet[rows],
                    facet_weights=sums.facet_weights)
        c = _calibration(ratio_key(ratios), 1 - level, (float(reach[0]), float(reach[1])), effort)
        yield rows, part, c, f_target[rows], f_facet[rows]


def _reach(f_target: FloatArray, f_facet: FloatArray, df_facet: int) -> FloatArray:
    """Return how far coefficient and facet variance are looked for: beyond, such data hardly ever arise."""
    from scipy.special import chdtri

    rare = math.log(df_facet / float(chdtri(df_facet, 0.999)))
    z = np.maximum(9.0, np.log(np.maximum(f_target, 1.0)) + 4.0)
    facet = np.log(np.maximum(f_facet, 3.0)) + rare
    return np.column_stack([4.0 * np.ceil(z / 4.0), 2.0 * np.ceil(facet / 2.0)])


def _of_calibration(c: _Calibration, ratios: Ratios, sums: Sums, f_target: FloatArray, f_facet: FloatArray,
                    ) -> FloatArray:
    """Return the intervals of studies that share one calibration."""
    last = math.ceil(c.reach[0] / c.step)
    start = _start(c, ratios, f_target, f_facet, last)
    start, found = _accepted(c, ratios, sums, start, last)
    low = value_at(_end(c, ratios, sums, start, False, last), ratios)
    high = value_at(_end(c, ratios, sums, start, True, last), ratios)
    return np.where(found[:, None], np.column_stack([low, high]), np.nan)


def _start(c: _Calibration, ratios: Ratios, f_target: FloatArray, f_facet: FloatArray, last: int) -> NDArray[np.intp]:
    """Return the lattice value nearest to the coefficient estimated by the mean squares."""
    a = np.maximum(f_target - 1, 0.0) / ratios.weights[0]
    gamma = np.maximum(f_facet - 1, 0.0) / ratios.weights[1]
    guess = np.log1p(ratios.weights[0] * a * ratios.noise / (gamma + ratios.noise))
    return np.clip(np.round(guess / c.step), 0, last).astype(np.intp)


def _accepted(c: _Calibration, r: Ratios, sums: Sums, start: NDArray[np.intp],
              last: int) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Move starts that are not kept to the nearest value that is."""
    start, found = start.copy(), np.zeros(len(start), dtype=bool)
    origin = start.copy()
    for away in range(last + 1):
        for p_of in (origin + away, origin - away):
            todo = ~found & (p_of >= 0) & (p_of <= last)
            for p in np.unique(p_of[todo]):
                rows = np.flatnonzero(todo & (p_of == p))
                kept = _excess(c, r, sums, int(p), rows) >= 0
                found[rows[kept]] = True
                start[rows[kept]] = p
        if found.all():
            break
    return start, found


def ratio_key(r: Ratios) -> Ratios:
    """Weights to two per cent and noise to eight, so that layouts that differ by less share their calibration."""
    def near(x: float, steps: int) -> float:
        return x if float(x).is_integer() else math.exp(round(math.log(x) * steps) / steps)

    return Ratios(df=r.df, weights=(near(r.weights[0], 50), near(r.weights[1], 50)), noise=near(r.noise, 12))


def ratios_of(p: Pivots) -> Ratios:
    """Return the layout of a study."""
    inner = p.ss_inner / p.df_inner
    noise = 1.0
    if p.df_within:
        within = p.ss_within / p.df_within
        noise = min(1 + (1 - p.inverse_m) * within / inner, 1 / p.inverse_m)
    return Ratios(df=(p.df_target, p.df_facet, p.df_inner), noise=noise,
                  weights=(float(p.target_weights.mean()), float(p.facet_weights.mean())))


def agreement_interval(p: Pivots, level: float) -> Interval:
    """Return the interval of ICC(A,1) of one study.

    Parameters
    ----------
    p : Pivots
        Of a connected layout with a residual.
    level : float
    """
    sums = Sums(target=p.target_squares[None, :] / p.ss_inner, target_weights=_expanded(p.target_squares,
                                                                                         p.target_weights),
                facet=p.facet_squares[None, :] / p.ss_inner, facet_weights=_expanded(p.facet_squares,
                                                                                      p.facet_weights))
    low, high = intervals(sums, ratios_of(p), level=level)[0]
    return float(low), float(high)


def _expanded(squares: FloatArray, weights: FloatArray) -> FloatArray:
    return np.broadcast_to(weights, squares.shape)
