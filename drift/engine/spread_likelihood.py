"""The spread of true values behind measured ones: its restricted likelihood, and what it leaves open of each value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
COARSE, FINE, PARTS, SCALES = 81, 241, 41, 7
FAR = 14.0  # logs below the top of the likelihood from which on a spread counts for nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class SpreadLikelihood:
    """Restricted likelihood of the SD of true values, on a grid.

    Parameters
    ----------
    tau : array, shape (n_grid,)
    below : array, shape (n_grid,)
        Share of the likelihood below each.
    """

    tau: Floats
    below: Floats

    def __post_init__(self) -> None:
        for name in ("tau", "below"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def quantile(self, share: Floats | float) -> Floats:
        """Return the SD below which this share of the likelihood lies."""
        return np.asarray(np.interp(share, self.below, self.tau))

    @property
    def parts(self) -> Floats:
        """SDs that stand for equal shares of the likelihood."""
        return self.quantile((np.arange(PARTS) + 0.5) / PARTS)


def spread_likelihood(gamma: Floats, own: Floats, df: float, common: Floats | float = 0.0) -> SpreadLikelihood:
    """Return the restricted likelihood of the SD of true values, flat over the SD.

    Parameters
    ----------
    gamma : array, shape (n,)
        Measured values.
    own : array, shape (n,)
        Their error variances, estimated with ``df`` degrees of freedom.
    df : float
    common : array or float
        Further error variance, taken as known.

    Notes
    -----
    gamma_c ~ N(mu, tau^2 + e_c); mu is integrated out. It is averaged over what df leave open of the error variance,
    e = own df/chi^2 + common, at equal shares of the chi-square distribution.

    References
    ----------
    A. Gelman (2006), Bayesian Analysis 1, 515-534 (flat over the SD); D. A. Harville (1977), JASA 72, 320-338.
    """
    from scipy.special import chdtri

    scales = df / chdtri(df, (np.arange(SCALES) + 0.5) / SCALES) if np.isfinite(df) else np.ones(1)
    error = own[None, :] * scales[:, None] + common
    kinds, group = np.unique(np.round(error[len(scales) // 2] / error.max(), 12), return_inverse=True)
    first = np.array([int(np.flatnonzero(group == g)[0]) for g in range(len(kinds))])
    n = np.bincount(group).astype(np.float64)
    sums = [np.asarray(np.bincount(group, weights=gamma**power), dtype=np.float64) for power in (1, 2)]
    e = error[:, first]
    reach = 6 * float(np.sqrt(max(float(np.var(gamma, ddof=1)), float(error.mean()))))
    tau = np.linspace(0, reach * (1 + 20 / len(gamma)), COARSE)
    logs = _restricted(tau, e, n, sums)
    there = np.flatnonzero(logs > logs.max() - FAR)
    tau = np.linspace(tau[max(int(there[0]) - 1, 0)], tau[min(int(there[-1]) + 1, COARSE - 1)], FINE)
    share = np.exp(_restricted(tau, e, n, sums))
    below = np.concatenate([[0.0], np.cumsum((share[1:] + share[:-1]) / 2)])
    return SpreadLikelihood(tau=tau, below=below / below[-1])


def _restricted(tau: Floats, e: Floats, n: Floats, sums: list[Floats]) -> Floats:
    """Return the log of the restricted likelihood averaged over error variances, its top at zero.

    ``e`` holds error variances, shape (scales, kinds of cells).
    """
    a = tau[:, None, None] ** 2 + e
    w = n / a
    total = w.sum(-1)
    rest = (sums[1] / a).sum(-1) - (sums[0] / a).sum(-1) ** 2 / total
    logs = -0.5 * ((n * np.log(a)).sum(-1) + np.log(total) + rest)
    top = logs.max()
    with np.errstate(divide="ignore"):
        mean = np.log(np.exp(logs - top).mean(-1))
    return np.asarray(mean - mean.max())


def mixed(gamma: Floats, error: Floats, parts: Floats) -> tuple[Floats, Floats, Floats]:
    """Return mean, SD and mean weight of true values pulled towards zero, over several spreads of equal share.

    Notes
    -----
    w = tau^2/(tau^2 + e); mean E(w gamma), variance E(w e) + Var(w) gamma^2 (law of total variance).
    """
    w = parts[:, None] ** 2 / (parts[:, None] ** 2 + error)
    weight = w.mean(0)
    return weight * gamma, np.sqrt(weight * error + w.var(0) * gamma**2), weight


def mixed_ends(gamma: Floats, error: Floats, parts: Floats, df: float, *, level: float) -> tuple[Floats, Floats]:
    """Return quantiles of the mixture of t distributions that :func:`mixed` summarises: Newton steps in a bracket."""
    w = parts[:, None] ** 2 / (parts[:, None] ** 2 + error)
    centre, scale = w * gamma, np.maximum(np.sqrt(w * error), 1e-9 * np.sqrt(error))
    middle, se, _ = mixed(gamma, error, parts)
    ends = []
    for share in ((1 - level) / 2, (1 + level) / 2):
        sign = 1.0 if share > 0.5 else -1.0
        low, high = middle - 60 * se, middle + 60 * se
        x = middle + 2 * sign * se
        for _ in range(60):
            under, density = _t(((x - centre) / scale), df)
            gap = under.mean(0) - share
            low, high = np.where(gap < 0, x, low), np.where(gap < 0, high, x)
            step = x - gap / np.maximum((density / scale).mean(0), 1e-300)
            new = np.where((step > low) & (step < high), step, (low + high) / 2)
            moved = float(np.max(np.abs(new - x) / se))
            x = new
            if moved < 1e-7:
                break
        ends.append(x)
    return ends[0], ends[1]


def _t(z: Floats, df: float) -> tuple[Floats, Floats]:
    """Return distribution and density of t; the normal ones from 1,000 degrees of freedom on."""
    from scipy.special import gammaln, ndtr, stdtr

    if df > 1000:
        return ndtr(z), np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    size = np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) / np.sqrt(df * np.pi)
    return stdtr(df, z), size * (1 + z * z / df) ** (-(df + 1) / 2)
