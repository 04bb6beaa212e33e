"""Propagation of distributions by Monte Carlo, adaptive, with shortest and symmetric intervals (JCGM 101)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.readonly import frozen_array
from drift.engine.uncertainty import Model, checked_covariance, numerical_tolerance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DISTRIBUTIONS = ("normal", "t", "rectangular", "triangular", "arcsine", "trapezoidal", "curvilinear")
BLOCK = 10_000
MOST = 200_000
FEW = 4.0
# SD over the width of the middle 95 %: 0.26 of a normal distribution, 0.36 of a t with three degrees of freedom.
_WILD = 0.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Inputs:
    """Distributions of the input quantities; arrays of shape ``(n_inputs,)``.

    Parameters
    ----------
    estimates : array
    covariance : array, shape (n_inputs, n_inputs)
        Off the diagonal only between normal and t quantities.
    distribution : tuple of str
        One of ``DISTRIBUTIONS`` each, centred on its estimate.
    df : array
        Of t quantities: the scale is then the standard uncertainty, and the variance larger by df/(df - 2).
    pools : array of int
        t quantities of one pool share the draw of their variance (a multivariate t).
    shape : array
        Trapezoidal: top over base, 0 to 1. Curvilinear: half-width of the limits' own uncertainty over the half-width
        between them, 0 to 1. Unused otherwise.
    """

    estimates: Floats
    covariance: Floats
    distribution: tuple[str, ...]
    df: Floats
    pools: Ints
    shape: Floats

    def __post_init__(self) -> None:
        n = len(self.distribution)
        object.__setattr__(self, "estimates", frozen_array(self.estimates))
        object.__setattr__(self, "covariance", frozen_array(checked_covariance(self.covariance, n)))
        unknown = set(self.distribution) - set(DISTRIBUTIONS)
        if unknown:
            raise ValueError(f"unknown distributions {sorted(unknown)}; there are {DISTRIBUTIONS}")
        free = np.array([d not in ("normal", "t") for d in self.distribution], dtype=np.bool_)
        off = self.covariance - np.diag(np.diag(self.covariance))
        if n and (np.abs(off[free]) > 0).any():
            raise ValueError("only normal and t quantities may be correlated")

    @classmethod
    def independent(cls, estimates: Floats, u: Floats, distribution: tuple[str, ...], df: Floats | None = None
                    ) -> Inputs:
        """Return independent quantities, each with a variance estimate of its own."""
        n = len(distribution)
        return cls(estimates=np.asarray(estimates, dtype=np.float64), distribution=distribution,
                   covariance=np.diag(np.asarray(u, dtype=np.float64) ** 2), pools=np.arange(n, dtype=np.int64),
                   df=np.full(n, np.inf) if df is None else np.asarray(df, dtype=np.float64), shape=np.zeros(n))


def half_width(distribution: str, u: float, shape: float = 0.0) -> float:
    """Return the half-width (curvilinear: between the middles of the limits) that gives a standard uncertainty.

    References
    ----------
    JCGM 101:2008, 6.4.2 to 6.4.6.
    """
    factors = {"rectangular": 3.0**0.5, "triangular": 6.0**0.5, "arcsine": 2.0**0.5,
               "trapezoidal": (6.0 / (1.0 + shape**2)) ** 0.5,
               "curvilinear": (1.0 / (1.0 / 3.0 + shape**2 / 9.0)) ** 0.5}
    return float(u * factors[distribution])


def draw(inputs: Inputs, n_draws: int, rng: np.random.Generator) -> Floats:
    """Draw from the joint distribution of the inputs, shape ``(n_inputs, n_draws)``.

    Correlated t quantities of one pool are multivariate t; of different pools, each normal quantity of the correlated
    set is divided by the root of its own pool's scaled chi-square.

    References
    ----------
    JCGM 101:2008, 6.4 (the distributions); JCGM 102:2011, 5.3.2.4 (multivariate t).
    """
    n = len(inputs.distribution)
    u = np.sqrt(np.diag(inputs.covariance))
    out = np.empty((n, n_draws))
    smooth = [i for i, d in enumerate(inputs.distribution) if d in ("normal", "t")]
    if smooth:
        z = _root(inputs.covariance[np.ix_(smooth, smooth)]) @ rng.standard_normal((len(smooth), n_draws))
        scales: dict[int, Floats] = {}
        for row, i in enumerate(smooth):
            if inputs.distribution[i] == "t" and np.isfinite(inputs.df[i]):
                pool = int(inputs.pools[i])
                if pool not in scales:
                    nu = float(inputs.df[i])
                    scales[pool] = np.sqrt(rng.chisquare(nu, n_draws) / nu)
                z[row] /= scales[pool]
            out[i] = z[row]
    for i, d in enumerate(inputs.distribution):
        if d not in ("normal", "t"):
            out[i] = _limited(d, float(u[i]), float(inputs.shape[i]), n_draws, rng)
    return np.asarray(out + inputs.estimates[:, None])


def _root(covariance: Floats) -> Floats:
    """Return a root of a covariance that may be singular; diagonal where there is no covariance."""
    if not np.any(covariance - np.diag(np.diag(covariance))):
        return np.diag(np.sqrt(np.diag(covariance)))
    d = np.sqrt(np.where(np.diag(covariance) > 0, np.diag(covariance), 1.0))
    values, vectors = np.linalg.eigh(covariance / np.outer(d, d))
    return np.asarray(d[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _limited(distribution: str, u: float, shape: float, n: int, rng: np.random.Generator) -> Floats:
    """Draw from a distribution between limits, centred on zero."""
    a = half_width(distribution, u, shape)
    if distribution == "rectangular":
        return rng.uniform(-a, a, n)
    if distribution == "triangular":
        return np.asarray(a * (rng.random(n) - rng.random(n)))
    if distribution == "arcsine":
        return np.asarray(a * np.sin(2 * np.pi * rng.random(n)))
    if distribution == "trapezoidal":
        return np.asarray(a * ((1 + shape) / 2 * (2 * rng.random(n) - 1) + (1 - shape) / 2 * (2 * rng.random(n) - 1)))
    low = -a * (1 + shape) + 2 * a * shape * rng.random(n)
    return np.asarray(low + (-2 * low) * rng.random(n))


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """What the propagation of distributions gives.

    Parameters
    ----------
    mean, u : float
        Mean and SD of the draws; NaN where they did not settle, as with t distributions of few degrees of freedom,
        which have no SD, or no mean.
    median : float
    low, high : float
        Probabilistically symmetric interval.
    shortest_low, shortest_high : float
        Shortest interval.
    n_draws : int
    stable : bool
        Whether median and ends had settled before the most draws were made.
    """

    mean: float
    u: float
    median: float
    low: float
    high: float
    shortest_low: float
    shortest_high: float
    n_draws: int
    stable: bool

    @property
    def half_width(self) -> float:
        """Half the width of the symmetric interval."""
        return (self.high - self.low) / 2


def simulate(model: Model, inputs: Inputs, *, rng: np.random.Generator, level: float = 0.95,
             tolerance: float | None = None, most: int = MOST, least: int = 2 * BLOCK) -> Simulated:
    """Propagate distributions in blocks until median and interval ends have settled.

    Parameters
    ----------
    model : callable
        Inputs ``(n_inputs, n_draws)`` to outputs ``(n_draws,)``.
    inputs : Inputs
    rng : numpy.random.Generator
    level : float
    tolerance : float, optional
        Within which they must settle; half a unit of the second digit of the standard uncertainty by default.
    most, least : int
        Bounds on the draws.

    Notes
    -----
    After every block the SD over blocks of each figure, over root of their number, is compared: all are settled when
    twice it is no larger than the tolerance. The figures are median and ends, which every distribution has; mean and SD
    are held to the same tolerance where all t distributions have more than four degrees of freedom (the SD of an SD
    needs that many), and are left out where they do not settle.

    References
    ----------
    JCGM 101:2008, 7.9.4 (adaptive procedure), 5.3.4 and 7.7 (intervals).
    """
    blocks: list[Floats] = []
    figures: list[tuple[float, float, float, float, float]] = []
    stable = moments = False
    light = all(d != "t" or nu > FEW for d, nu in zip(inputs.distribution, inputs.df, strict=True))
    while len(blocks) * BLOCK < most and not stable:
        y = model(draw(inputs, BLOCK, rng))
        blocks.append(y)
        ends = symmetric_interval(y, level)
        with np.errstate(all="ignore"):
            figures.append((float(np.median(y)), *ends, float(y.mean()), float(y.std(ddof=1))))
        if len(blocks) * BLOCK >= least and len(blocks) >= 2:
            f = np.array(figures)
            with np.errstate(all="ignore"):
                error = f.std(axis=0, ddof=1) / np.sqrt(len(f))
            width = float((f[:, 2] - f[:, 1]).mean())
            within = numerical_tolerance(width / 4) if tolerance is None else tolerance
            settled = 2 * error <= within
            moments = light and bool(settled[3:].all())
            stable = bool(settled[:3].all()) and (moments or not light)
    y = np.concatenate(blocks)
    with np.errstate(all="ignore"):
        mean, u = float(y.mean()), float(y.std(ddof=1))
    if not light or not (np.isfinite(u) and (moments or u <= _WILD * float(np.ptp(np.quantile(y, [0.025, 0.975]))))):
        mean = u = np.nan
    low, high = symmetric_interval(y, level)
    shortest_low, shortest_high = shortest_interval(y, level)
    return Simulated(mean=mean, u=u, median=float(np.median(y)), low=low, high=high, shortest_low=shortest_low,
                     shortest_high=shortest_high, n_draws=len(y), stable=stable or float(np.ptp(y)) == 0)


def symmetric_interval(draws: Floats, level: float) -> tuple[float, float]:
    """Return the ends that leave the same share of draws on either side."""
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def shortest_interval(draws: Floats, level: float) -> tuple[float, float]:
    """Return the shortest interval that holds that share of the draws.

    References
    ----------
    JCGM 101:2008, 7.7.4.
    """
    y = np.sort(draws)
    inside = round(level * len(y))
    widths = y[inside:] - y[: len(y) - inside]
    at = int(np.argmin(widths))
    return float(y[at]), float(y[at + inside])


def confirmed(first: tuple[float, float], simulated: tuple[float, float], tolerance: float) -> bool:
    """Tell whether both ends of the first interval lie within the tolerance of the simulated ones.

    References
    ----------
    JCGM 101:2008, 8.1.3.
    """
    return all(abs(a - b) <= tolerance for a, b in zip(first, simulated, strict=True))
