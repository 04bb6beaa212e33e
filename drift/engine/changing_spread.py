"""Limits of agreement whose SD changes in a straight line with the size of the reading.

The change of the SD is one number, the ratio of slope to level. Given that number the line, its SD and each limit are
those of weighted least squares, and a limit has the exact noncentral t distribution. The number itself is not known,
so the exact distributions are averaged over what the restricted likelihood says about it. Nothing is resampled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import MULTIPLIER, normal_cdf
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]

STEEPEST = 0.98  # largest change looked at: the SD at one end of the readings 99 times that at the other
N_GRID = 41
_NEGLIGIBLE = 1e-7
MOST_AT_ONCE = 1_000_000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(40)


@dataclass(frozen=True, eq=False)
class ChangingSpread:
    """A line with an SD that changes with the mean, for one or many sets of differences on the same means.

    Parameters
    ----------
    change : array, shape (n_grid,)
        Values of the change looked at: the SD at mean ``x`` is in proportion to ``1 + change u(x)``, with u from -1 at
        the smallest mean to 1 at the largest.
    weight : array, shape (n_sets, n_grid)
        What the restricted likelihood says about each of them; each row sums to one.
    beta : array, shape (n_sets, n_grid, 2)
        Intercept and slope in u, by weighted least squares, for each change.
    sd : array, shape (n_sets, n_grid)
        Residual SD at u = 0 (n - 2 degrees of freedom).
    inverse : array, shape (n_grid, 2, 2)
        Covariance of ``beta`` in units of ``sd`` squared.
    middle, half : float
        u(x) = (x - middle) / half.
    df : float
    best_change, best_beta, best_sd : arrays, shapes (n_sets,), (n_sets, 2), (n_sets,)
        Where the restricted likelihood is largest.
    """

    change: FloatArray
    weight: FloatArray
    beta: FloatArray
    sd: FloatArray
    inverse: FloatArray
    middle: float
    half: float
    df: float
    best_change: FloatArray
    best_beta: FloatArray
    best_sd: FloatArray

    def __post_init__(self) -> None:
        for name in ("change", "weight", "beta", "sd", "inverse", "best_change", "best_beta", "best_sd"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def scaled(self, x: ArrayLike) -> FloatArray:
        """Return u at means ``x``."""
        return np.asarray((np.atleast_1d(np.asarray(x, float)) - self.middle) / self.half, float)

    def line_at(self, x: ArrayLike) -> FloatArray:
        """Bias at means ``x`` by restricted maximum likelihood, shape (n_sets, n_at)."""
        return np.asarray(self.best_beta[:, :1] + self.best_beta[:, 1:] * self.scaled(x), float)

    def sd_at(self, x: ArrayLike) -> FloatArray:
        """SD of a difference at means ``x`` by restricted maximum likelihood, shape (n_sets, n_at)."""
        return np.asarray(self.best_sd[:, None] * (1 + self.best_change[:, None] * self.scaled(x)), float)

    def limits_at(self, x: ArrayLike, *, multiplier: float = MULTIPLIER) -> tuple[FloatArray, FloatArray]:
        """Lower and upper limit at means ``x``, each shape (n_sets, n_at)."""
        centre, reach = self.line_at(x), multiplier * self.sd_at(x)
        return centre - reach, centre + reach

    def probability(self, x: ArrayLike, value: ArrayLike, *, multiplier: float = MULTIPLIER) -> FloatArray:
        """Confidence that line + multiplier x SD at mean ``x`` lies at or below ``value``, shape (n_sets, n_at).

        Parameters
        ----------
        x : array, shape (n_at,)
        value : array, shape (n_sets, n_at)
        multiplier : float
            Negative for the lower limit, zero for the bias.
        """
        return self._below(self.scaled(x), np.asarray(value, float), multiplier)

    def _below(self, u: FloatArray, value: FloatArray, multiplier: ArrayLike) -> FloatArray:
        out = np.zeros(value.shape)
        root, mass = _chi_nodes(self.df)
        kept = np.nonzero(self.weight.max(0) > _NEGLIGIBLE)[0]
        step = max(1, MOST_AT_ONCE // (out.size * len(root)))
        for k in (kept[i:i + step] for i in range(0, len(kept), step)):
            inverse, r = self.inverse[k, :, :, None], self.change[k, None]
            se = np.sqrt(inverse[:, 0, 0] + 2 * u * inverse[:, 0, 1] + u**2 * inverse[:, 1, 1])
            centre = self.beta[:, k, :1] + self.beta[:, k, 1:] * u
            # sd at u = 0 is s / root: (value - centre) root / s - multiplier w has a normal law with SD se.
            standard = (value[:, None] - centre) / self.sd[:, k, None] / se
            shift = np.asarray(multiplier, float) * (1 + r * u) / se
            given = normal_cdf(standard[..., None] * root - shift[..., None]) @ mass
            out += np.einsum("bk,bka->ba", self.weight[:, k], given)
        return out

    def bounds(self, x: ArrayLike, probability: ArrayLike, *, multiplier: ArrayLike = MULTIPLIER) -> FloatArray:
        """One-sided confidence bounds of line + multiplier x SD at means ``x``.

        Parameters
        ----------
        x : array, shape (n_at,)
        probability : float or array, shape (n_bounds,)
            One-sided confidence of an upper bound: 0.975 and 0.025 are the ends of the 95 % interval.
        multiplier : float or array, shape (n_bounds,)
            Negative for the lower limit, zero for the bias.

        Returns
        -------
        array, shape (n_bounds, n_sets, n_at)
        """
        from scipy import special

        p, k = (np.ravel(v) for v in np.broadcast_arrays(np.asarray(probability, float),
                                                         np.asarray(multiplier, float)))
        n_at = len(self.scaled(x))
        u, p_each, k_each = np.tile(self.scaled(x), len(p)), np.repeat(p, n_at), np.repeat(k, n_at)
        centre, sd = np.tile(self.line_at(x), len(p)), np.tile(self.sd_at(x), len(p))
        reach = np.sqrt(8.0 / (self.df + 2)) * np.maximum(sd, self.sd.min(1, keepdims=True)) * (1 + np.abs(k_each))

        wanted = special.ndtri(p_each)

        def gap(value: FloatArray, at: NDArray[np.int64] | slice = slice(None)) -> FloatArray:
            # On the scale of normal quantiles the curve is nearly straight, and a few steps find the root.
            below = np.clip(self._below(u[at], value, k_each[at]), 1e-15, 1 - 1e-15)
            return np.asarray(special.ndtri(below) - wanted[at], float)

        low, high = centre + k_each * sd - reach, centre + k_each * sd + reach
        f_low, f_high = gap(low), gap(high)
        for _ in range(60):
            if not (np.any(f_low > 0) or np.any(f_high < 0)):
                break
            width = high - low
            low, high = np.where(f_low > 0, low - width, low), np.where(f_high < 0, high + width, high)
            f_low, f_high = gap(low), gap(high)
        found = _root(gap, low, high, f_low, f_high)
        return np.asarray(found.reshape(found.shape[0], len(p), n_at).transpose(1, 0, 2), float)


def _chi_nodes(df: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights for the mean over chi / sqrt(df): Gauss-Legendre over its logarithm."""
    from scipy import special

    ends = np.log(special.chdtri(df, [1 - 1e-10, 1e-10]) / df)
    z = 0.5 * (ends[1] - ends[0]) * (_NODES + 1) + ends[0]
    log_mass = 0.5 * df * (z - np.exp(z))
    mass = _WEIGHTS * np.exp(log_mass - log_mass.max())
    return np.asarray(np.exp(0.5 * z), float), np.asarray(mass / mass.sum(), float)


def _root(function: Callable[[FloatArray, NDArray[np.int64]], FloatArray], low: FloatArray, high: FloatArray,
          f_low: FloatArray, f_high: FloatArray) -> FloatArray:
    """Roots of an increasing function between ``low`` and ``high``: regula falsi (Illinois), all columns at once.

    Columns that are found are not looked at again.
    """
    out, todo = low.copy(), np.arange(low.shape[1])
    side = np.zeros(low.shape)
    for _ in range(60):
        gap = f_high - f_low
        middle = np.where(gap > 0, (low * f_high - high * f_low) / np.where(gap > 0, gap, 1.0), 0.5 * (low + high))
        found = function(middle, todo)
        out[:, todo] = middle
        open_ = np.max(np.abs(found), 0) >= 1e-8
        if not open_.any():
            break
        below = found < 0
        f_high = np.where(below & (side < 0), 0.5 * f_high, np.where(below, f_high, found))
        f_low = np.where(~below & (side > 0), 0.5 * f_low, np.where(below, found, f_low))
        side = np.where(below, -1.0, 1.0)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
        low, high, f_low, f_high, side = (v[:, open_] for v in (low, high, f_low, f_high, side))
        todo = todo[open_]
    return out


def changing_spread(mean: ArrayLike, differences: ArrayLike) -> ChangingSpread:
    """Fit differences by a line on the mean with an SD that changes in proportion to another line.

    Parameters
    ----------
    mean : array, shape (n,), n >= 4
        Not constant.
    differences : array, shape (n,) or (n_sets, n)
        One or many sets of differences on the same means.

    Returns
    -------
    ChangingSpread

    Notes
    -----
    ``d = b0 + b1 x + e`` with ``SD(e) = s (1 + r u)``. Given r, weighted least squares; the restricted likelihood of r
    is ``|X'WX|^(-1/2) prod(w) RSS^(-(n - 2)/2)``. It is multiplied by the reference prior of r with s unknown,
    ``sqrt(sum((v - mean v)^2))`` with ``v = u / (1 + r u)``, the one-dimensional Jeffreys prior for which intervals of
    a parameter hold to second order. Bias, SD and limits for given r then follow the exact distribution of Student
    and noncentral t (Carkeet 2015; Bland & Altman 1999, section 3.2, for the line).

    References
    ----------
    Bland JM, Altman DG (1999). Stat Methods Med Res 8:135-160, section 3.2. Patterson HD, Thompson R (1971).
    Biometrika 58:545-554. Berger JO, Bernardo JM (1992), Bayesian Statistics 4:35-60.
    """
    x, d = np.asarray(mean, float), np.atleast_2d(np.asarray(differences, float))
    middle, half = 0.5 * float(x.max() + x.min()), 0.5 * float(x.max() - x.min())
    u = (x - middle) / half
    shift = d.mean(1, keepdims=True)
    scale = np.maximum(d.std(1, keepdims=True), np.finfo(float).tiny)
    y = (d - shift) / scale
    ends = float(np.arctanh(STEEPEST)) * np.array([-1.0, 1.0])
    for _ in range(2):  # a second, narrower grid where the first one is too coarse
        grid = np.linspace(ends[0], ends[1], N_GRID)
        change = np.tanh(grid)
        beta, sd, inverse, likelihood, prior = _weighted(u, y, change)
        density = likelihood + prior + np.log(1 - change**2)
        seen = density - density.max(1, keepdims=True) > -16
        kept = np.nonzero(seen.any(0))[0]
        if len(kept) > N_GRID // 3:
            break
        ends = grid[[max(kept[0] - 1, 0), min(kept[-1] + 1, N_GRID - 1)]]
    weight = np.exp(density - density.max(1, keepdims=True))
    weight /= weight.sum(1, keepdims=True)
    beta = beta * scale[..., None]
    beta[..., 0] += shift
    at, t = _peak(likelihood)
    best = [np.tanh(_between(np.tile(grid, (len(d), 1)), at, t)), _between(beta, at, t), _between(sd * scale, at, t)]
    return ChangingSpread(change, weight, beta, sd * scale, inverse, middle, half, len(x) - 2.0, *best)


def _peak(likelihood: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Return where each row is largest: grid point, and distance from it in steps by a parabola through three."""
    every = np.arange(len(likelihood))
    at = np.clip(np.argmax(likelihood, 1), 1, likelihood.shape[1] - 2)
    before, here, after = (likelihood[every, at + j] for j in (-1, 0, 1))
    bend = before - 2 * here + after
    t = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), np.sign(after - before))
    return at, np.clip(t, -1.0, 1.0)


def _between(values: FloatArray, at: NDArray[np.int64], t: FloatArray) -> FloatArray:
    """Interpolate each row between grid points by a parabola."""
    every = np.arange(len(values))
    before, here, after = (values[every, at + j] for j in (-1, 0, 1))
    step = t.reshape(-1, *(1 for _ in here.shape[1:]))
    return np.asarray(here + 0.5 * step * (after - before) + 0.5 * step**2 * (before - 2 * here + after), float)


def _weighted(u: FloatArray, y: FloatArray, change: FloatArray
              ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weighted least squares for each change: beta, sd, inverse of X'WX, log restricted likelihood, log prior."""
    n = len(u)
    w = 1 + change[:, None] * u
    W = 1 / w**2
    sums = np.stack([W.sum(1), W @ u, W @ u**2], -1)
    determinant = sums[:, 0] * sums[:, 2] - sums[:, 1] ** 2
    inverse = np.stack([sums[:, 2], -sums[:, 1], -sums[:, 1], sums[:, 0]], -1).reshape(-1, 2, 2)
    inverse = inverse / determinant[:, None, None]
    right = np.stack([y @ W.T, y @ (W * u).T], -1)
    beta = np.einsum("gij,bgj->bgi", inverse, right)
    rest = np.maximum(y**2 @ W.T - np.einsum("bgi,bgi->bg", right, beta), np.finfo(float).tiny)
    likelihood = -0.5 * (n - 2) * np.log(rest) - np.log(w).sum(1) - 0.5 * np.log(determinant)
    v = u / w
    prior = 0.5 * np.log(np.sum((v - v.mean(1, keepdims=True)) ** 2, 1))
    return beta, np.sqrt(rest / (n - 2)), inverse, likelihood, prior
