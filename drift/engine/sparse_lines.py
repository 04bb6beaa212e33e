"""Random lines of sensors of which some have one or two checks: REML of many data sets at once, and its bound.

The model is y_ij = b0_i + b1_i u_ij + e_ij with (b0_i, b1_i) normal about (beta0, beta1) with covariance D, and e
normal with variance sigma^2. A sensor enters by the sufficient statistics of its checks only (X'X, its least-squares
line, the residual sum of squares), so that thousands of refits are a few operations on arrays of shape (n_sets,
n_sensors).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

ITERATIONS = 60
REFIT_ITERATIONS = 10  # from the very fit that drew them; the last few sit at the edge and hardly move
TOLERANCE = 1e-7
REFIT_TOLERANCE = 1e-3  # a hundredth of what a refit itself is uncertain by
NO_SPREAD = 1e-6  # an SD below this share of that of the fit counts as zero
MOST_ZERO = 0.02
SPREAD = 1e-12  # sum of squares of exposures, the largest of them 1, below which they are one exposure
CROSSING_TOLERANCE = 1e-5
LEAST_ERROR = 1e-12


@dataclass(frozen=True, eq=False)
class Checks:
    """Sufficient statistics of data sets of one design; the last axis is the sensors.

    Parameters
    ----------
    n, sx, sxx : ndarray, shape (n_sensors,)
        Number of checks and sums of exposure and its square, in units of ``scale``.
    d0, d1 : ndarray, shape (..., n_sensors)
        Least-squares line of each sensor (shortest solution where one exposure leaves it open).
    rss : ndarray, shape (..., n_sensors)
        Residual sum of squares about it.
    scale : float
        Exposure that is 1 here, so that intercepts and slopes are of one size.
    """

    n: Floats
    sx: Floats
    sxx: Floats
    d0: Floats
    d1: Floats
    rss: Floats
    scale: float

    @property
    def own_line(self) -> NDArray[np.bool_]:
        """Which sensors have checks at two exposures or more."""
        return np.asarray(self.sxx - self.sx**2 / self.n > SPREAD)

    def part(self, which: Any) -> Checks:
        """Return some of the data sets."""
        return Checks(self.n, self.sx, self.sxx, self.d0[which], self.d1[which], self.rss[which], self.scale)


@dataclass(frozen=True, eq=False)
class LineModel:
    """Estimates of data sets; arrays of shape (...,). Exposure in units of ``scale``."""

    beta0: Floats
    beta1: Floats
    d00: Floats
    d01: Floats
    d11: Floats
    sigma2: Floats
    scale: float

    def part(self, which: Any) -> LineModel:
        """Return some of the data sets."""
        return LineModel(self.beta0[which], self.beta1[which], self.d00[which], self.d01[which], self.d11[which],
                         self.sigma2[which], self.scale)

    def mean(self, at: ArrayLike) -> Floats:
        """Mean line at an exposure."""
        return np.asarray(self.beta0 + self.beta1 * (np.asarray(at, float) / self.scale))

    def sd(self, at: ArrayLike) -> Floats:
        """SD over sensors of true line values at an exposure."""
        u = np.asarray(at, float) / self.scale
        return np.sqrt(np.maximum(self.d00 + 2 * u * self.d01 + u * u * self.d11, 0.0))


def summarise_checks(x: ArrayLike, y: ArrayLike) -> Checks:
    """Reduce checks to what the model needs.

    Parameters
    ----------
    x : array_like, shape (n_sensors, n_checks)
        Exposure; NaN where there is no check. A sensor needs one check or more.
    y : array_like, shape (..., n_sensors, n_checks)
        Values; NaN where there is no check.
    """
    xx, yy = np.asarray(x, float), np.asarray(y, float)
    here = np.isfinite(xx)
    scale = float(np.nanmax(xx)) or 1.0
    u = np.where(here, xx / scale, 0.0)
    v = np.where(here, yy, 0.0)
    n, sx, sxx = here.sum(-1).astype(float), u.sum(-1), (u * u).sum(-1)
    ubar = sx / n
    du = np.where(here, u - ubar[:, None], 0.0)
    spread = (du * du).sum(-1)
    own = spread > SPREAD
    ybar = v.sum(-1) / n
    slope = (du * v).sum(-1) / np.where(own, spread, 1.0)
    # One exposure: the shortest (intercept, slope) that meets the mean there.
    d1 = np.where(own, slope, ybar * ubar / (1 + ubar**2))
    d0 = np.where(own, ybar - slope * ubar, ybar / (1 + ubar**2))
    rss = np.where(here, (v - d0[..., None] - d1[..., None] * u) ** 2, 0.0).sum(-1)
    return Checks(n, sx, sxx, d0, d1, rss, scale)


def fit_line_models(c: Checks, start: LineModel | None = None, *, tolerance: float = TOLERANCE,
                    iterations: int = ITERATIONS) -> LineModel:
    """REML of many data sets of one design by Fisher scoring; D is kept nonnegative definite by projection.

    Parameters
    ----------
    c : Checks
        Shape (..., n_sensors).
    start : LineModel, optional
        Where to start, of a shape that broadcasts to (...,); the moments of the sensors' own lines where absent.
    tolerance : float
        A data set is done when no parameter moves by more than this share of itself.
    iterations : int
        At most.

    Returns
    -------
    LineModel
        Shape (...,).

    References
    ----------
    Laird, N. M. and Ware, J. H. (1982), Biometrics 38, 963-974; Jennrich, R. I. and Schluchter, M. D. (1986),
    Biometrics 42, 805-820 (scoring).
    """
    shape = c.d0.shape[:-1]
    d0, d1, rss = (np.ascontiguousarray(v.reshape(-1, len(c.n))) for v in (c.d0, c.d1, c.rss))
    theta = _moments(c, d0, d1, rss) if start is None else np.stack(
        [np.broadcast_to(v, shape).ravel() for v in (start.d00, start.d01, start.d11, start.sigma2)], axis=1)
    beta = np.zeros((len(d0), 2))
    least = LEAST_ERROR * (d0 * d0 + d1 * d1).mean(1)
    left = np.arange(len(d0))
    for step in range(iterations):
        score, info, beta[left] = _score(c, d0[left], d1[left], rss[left], theta[left])
        info += 1e-12 * np.trace(info, axis1=1, axis2=2)[:, None, None] * np.eye(4)
        new = _project(theta[left] + np.linalg.solve(info, score[..., None])[..., 0], theta[left],
                       least[left])
        size = np.stack([new[:, 0], np.sqrt(new[:, 0] * new[:, 2]), new[:, 2], new[:, 3]], axis=1) + 1e-300
        floor = 1e-6 * new[:, 3:4]
        moved = (np.abs(new - theta[left]) > tolerance * np.maximum(size, floor)).any(1)
        theta[left] = new
        left = left[moved]
        if not len(left):
            break
        if step > 15:  # scoring that swings is damped
            theta[left] = (theta[left] + _project(theta[left], theta[left], least[left])) / 2
    _, _, beta = _score(c, d0, d1, rss, theta)
    b0, b1, a, b, d, s2 = (p.reshape(shape) for p in (beta[:, 0], beta[:, 1], *theta.T))
    return LineModel(b0, b1, a, b, d, s2, c.scale)


def _moments(c: Checks, d0: Floats, d1: Floats, rss: Floats) -> Floats:
    full = c.n > 2
    df = max(float((c.n[full] - 2).sum()), 1.0)
    # Readings that repeat to rounding would divide by zero.
    sigma2 = np.maximum(rss.sum(1) / df, LEAST_ERROR * (1e-300 + (d0 * d0 + d1 * d1).mean(1)))
    use = full if full.sum() >= 3 else c.n > 1
    a, b = d0[:, use], d1[:, use]
    da, db = a - a.mean(1, keepdims=True), b - b.mean(1, keepdims=True)
    m = max(a.shape[1] - 1, 1)
    return np.stack([(da * da).sum(1) / m, (da * db).sum(1) / m * 0.5, (db * db).sum(1) / m, sigma2], axis=1)


def _project(theta: Floats, old: Floats, least: Floats) -> Floats:
    """Return the nearest nonnegative definite D; sigma^2 at least a tenth of what it was or of ``least``."""
    a, b, d = theta[:, 0], theta[:, 1], theta[:, 2]
    middle, half = (a + d) / 2, np.hypot((a - d) / 2, b)
    low = middle - half
    high = np.maximum(middle + half, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        # Rank one: high times the projector on the first eigenvector.
        share = np.where(half > 0, (a - d) / (2 * half), 1.0)
        p00, p11 = high * (1 + share) / 2, high * (1 - share) / 2
        p01 = np.where(half > 0, high * b / (2 * half), 0.0)
    bad = low < 0
    out = np.stack([np.where(bad, p00, a), np.where(bad, p01, b), np.where(bad, p11, d),
                    np.maximum(np.maximum(theta[:, 3], 0.1 * old[:, 3]), least)], axis=1)
    return np.asarray(out)


def _score(c: Checks, d0: Floats, d1: Floats, rss: Floats, theta: Floats) -> tuple[Floats, Floats, Floats]:
    """REML score, expected information and beta of every data set.

    With T = (sigma^2 I + D A)^-1 and A = X'X: X'V^-1 X = A T = H, V^-1 X = X T, tr V^-1 = (n - 2)/sigma^2 + tr T.
    """
    a, b, d, s2 = (theta[:, i, None] for i in range(4))
    n, sx, sxx = c.n, c.sx, c.sxx
    m00, m01 = s2 + a * n + b * sx, a * sx + b * sxx
    m10, m11 = b * n + d * sx, s2 + b * sx + d * sxx
    det = m00 * m11 - m01 * m10
    t00, t01, t10, t11 = m11 / det, -m01 / det, -m10 / det, m00 / det
    h00, h01, h11 = n * t00 + sx * t10, n * t01 + sx * t11, sx * t01 + sxx * t11
    # G = T'AT = X'V^-2 X
    g00, g01, g11 = t00 * h00 + t10 * h01, t00 * h01 + t10 * h11, t01 * h01 + t11 * h11
    k00, k01, k11 = h00.sum(1), h01.sum(1), h11.sum(1)
    q0, q1 = (h00 * d0 + h01 * d1).sum(1), (h01 * d0 + h11 * d1).sum(1)
    dk = k00 * k11 - k01 * k01
    s00, s01, s11 = k11 / dk, -k01 / dk, k00 / dk
    beta = np.stack([s00 * q0 + s01 * q1, s01 * q0 + s11 * q1], axis=1)
    v0, v1 = d0 - beta[:, :1], d1 - beta[:, 1:]
    r0, r1 = h00 * v0 + h01 * v1, h01 * v0 + h11 * v1
    # Sums over sensors of products of H are all that the score and the information of D need.
    p = {(i, j): (x * y).sum(1) for i, x in enumerate((h00, h01, h11)) for j, y in enumerate((h00, h01, h11)) if i <= j}
    aa, ab, ad, bb, bd, dd = p[0, 0], p[0, 1], p[0, 2], p[1, 1], p[1, 2], p[2, 2]
    hsh00 = s00 * aa + 2 * s01 * ab + s11 * bb
    hsh01 = s00 * ab + s01 * (ad + bb) + s11 * bd
    hsh11 = s00 * bb + 2 * s01 * bd + s11 * dd
    e00, e01, e11 = (r0 * r0).sum(1) - k00 + hsh00, (r0 * r1).sum(1) - k01 + hsh01, (r1 * r1).sum(1) - k11 + hsh11
    sg00, sg01, sg11 = g00.sum(1), g01.sum(1), g11.sum(1)
    one = theta[:, 3]
    rest = float((n - 2).sum())
    quad = (v0 * v0 * g00 + 2 * v0 * v1 * g01 + v1 * v1 * g11).sum(1)
    es = (rss.sum(1) / one**2 + quad - rest / one - (t00 + t11).sum(1)
          + s00 * sg00 + 2 * s01 * sg01 + s11 * sg11)
    score = np.stack([e00, 2 * e01, e11, es], axis=1) / 2
    tt = (t00 * t00 + 2 * t01 * t10 + t11 * t11).sum(1)
    # Half of tr(H E_k H E_l), with E_01 the symmetric pair.
    info = np.empty((len(theta), 4, 4))
    info[:, 0, 0], info[:, 0, 1], info[:, 0, 2], info[:, 0, 3] = aa, 2 * ab, bb, sg00
    info[:, 1, 1], info[:, 1, 2], info[:, 1, 3] = 2 * (ad + bb), 2 * bd, 2 * sg01
    info[:, 2, 2], info[:, 2, 3], info[:, 3, 3] = dd, sg11, rest / one**2 + tt
    for i in range(4):
        for j in range(i):
            info[:, i, j] = info[:, j, i]
    return score, info / 2, beta


def simulate_checks(c: Checks, fit: LineModel, n_sets: int, rng: np.random.Generator) -> Checks:
    """Draw data sets of the actual design from fits of shape (...,), as sufficient statistics of shape (..., n_sets).

    Lines are normal about the mean line; least-squares lines add the error that the sensor's own checks leave.
    """
    shape = (*np.shape(fit.beta0), n_sets, len(c.n))
    z = rng.standard_normal((4, *shape))
    beta0, beta1, d00, d01, d11, sigma2 = (np.asarray(v)[..., None, None] for v in (
        fit.beta0, fit.beta1, fit.d00, fit.d01, fit.d11, fit.sigma2))
    l00 = np.sqrt(np.maximum(d00, 0.0))
    l10 = np.where(l00 > 0, d01 / np.where(l00 > 0, l00, 1.0), 0.0)
    b0, b1 = beta0 + l00 * z[0], beta1 + l10 * z[0] + np.sqrt(np.maximum(d11 - l10 * l10, 0.0)) * z[1]
    s = np.sqrt(sigma2)
    ubar = c.sx / c.n
    spread = c.sxx - c.n * ubar**2
    own = spread > SPREAD
    at_mean = b0 + b1 * ubar + s * z[2] / np.sqrt(c.n)
    slope = b1 + s * z[3] / np.sqrt(np.where(own, spread, 1.0))
    d1 = np.where(own, slope, at_mean * ubar / (1 + ubar**2))
    d0 = np.where(own, at_mean - slope * ubar, at_mean / (1 + ubar**2))
    df = c.n - 1 - own
    rss = np.where(df > 0, sigma2 * rng.chisquare(np.where(df > 0, df, 1.0), shape), 0.0)
    return Checks(c.n, c.sx, c.sxx, d0, d1, rss, c.scale)


@dataclass(frozen=True, eq=False)
class SparseBound:
    """Bootstrap-t bound of one study.

    Parameters
    ----------
    fit : LineModel
        Shape ().
    refits : LineModel
        Shape (n_sets,).
    content, confidence : float
        P and C.
    relative : bool
        The quantity is the change from the sensor's own start: slope times exposure.
    """

    fit: LineModel
    refits: LineModel
    content: float
    confidence: float
    relative: bool

    def _parts(self, model: LineModel, at: float) -> tuple[Floats, Floats]:
        if self.relative:
            return np.asarray(model.beta1 * at / model.scale), np.sqrt(np.maximum(model.d11, 0.0)) * at / model.scale
        return model.mean(at), model.sd(at)

    def factor(self, at: float) -> tuple[float, float]:
        """C quantile of T* = (q_hat - mu*)/sd* at an exposure, and the share of sd* that are zero."""
        from scipy.special import ndtri

        at = max(at, 1e-9) if self.relative else at
        mu, sd = (float(v) for v in self._parts(self.fit, at))
        mus, sds = self._parts(self.refits, at)
        zero = sds <= NO_SPREAD * max(sd, 1e-300)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(zero, np.inf, (mu + float(ndtri(self.content)) * sd - mus) / sds)
        rank = min(math.ceil(self.confidence * (len(t) + 1)), len(t)) - 1
        return float(np.partition(t, rank)[rank]), float(zero.mean())

    def bound(self, at: float) -> float:
        """U(N) = mu_hat + quantile_C(T*) sd_hat."""
        if self.relative and at <= 0:
            return 0.0
        mu, sd = (float(v) for v in self._parts(self.fit, at))
        k = self.factor(at)[0]
        return mu + (k * sd if sd > 0 else 0.0)

    def crossing(self, limit: float, upper: float, cells: int = 6) -> float:
        """Largest exposure in [0, upper] with the bound within the limit for all before it; -1 and inf at the ends."""
        if self.relative:
            rate = self.bound(1.0)
            return limit / rate if rate > 0 else math.inf
        if self.bound(0.0) > limit:
            return -1.0
        low = 0.0
        for i in range(1, cells + 1):
            high = upper * i / cells
            if self.bound(high) > limit:
                break
            low = high
        else:
            return math.inf
        while high - low > CROSSING_TOLERANCE * upper:
            middle = (low + high) / 2
            low, high = (low, middle) if self.bound(middle) > limit else (middle, high)
        return low


def sparse_bounds(c: Checks, *, content: float, confidence: float, relative: bool, rng: np.random.Generator,
                  n_sets: int = 2000) -> list[SparseBound]:
    """Fit studies of one design and refit data sets drawn from each fit at that design.

    Parameters
    ----------
    c : Checks
        Shape (n_studies, n_sensors), of :func:`summarise_checks`: values with wear upwards.
    content, confidence : float
        P and C.
    relative : bool
        For the change from each sensor's own start.
    rng : numpy.random.Generator
    n_sets : int
        Data sets drawn a study.

    Returns
    -------
    list of SparseBound
        One a study.

    References
    ----------
    Efron, B. and Tibshirani, R. J. (1993), An Introduction to the Bootstrap, Chapman & Hall, section 12.5.
    """
    fits = fit_line_models(c)
    each = fits.part(np.s_[:, None])
    refits = fit_line_models(simulate_checks(c, fits, n_sets, rng), each, tolerance=REFIT_TOLERANCE,
                             iterations=REFIT_ITERATIONS)
    return [SparseBound(fits.part(i), refits.part(i), content, confidence, relative) for i in range(len(c.d0))]
