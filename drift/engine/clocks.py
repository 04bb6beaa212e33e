"""Several clocks of wear over the same checks: alone, together, and the drift of a new batch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.sensor_curves import Candidates, Curves

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EXPONENTS = np.linspace(1.0, 6.0, 26)


@dataclass(frozen=True, kw_only=True, eq=False)
class ClockFit:
    """Drift by clocks where sensors differ in their drift by the first: values and standard errors by clock."""

    slopes: Floats
    std_errors: Floats


def clock_fit(y: Floats, clocks: Floats, sensor: Ints) -> ClockFit:
    """Fit start and slopes by the clocks given, sensors differing in start and in slope along the first.

    For one clock; with several the errors of all but the first are too small where sensors differ in them, too
    (:mod:`drift.engine.joint_clocks`).

    Parameters
    ----------
    y : array, shape (n,)
    clocks : array, shape (n, k)
    sensor : array of int, shape (n,)
        Numbers from 0.
    """
    fixed, size, c = _columns(clocks)
    curves = Curves(y, sensor)
    fit = curves.fit(c)
    w = curves.whitened(fixed, fixed[:, :2], fit.theta[0])
    n, p = fixed.shape
    covariance = np.linalg.inv(w.T @ w) * fit.sigma2[0] * n / (n - p) * curves.scale**2
    return ClockFit(slopes=fit.beta[0][1:] * curves.scale / size, std_errors=np.sqrt(np.diag(covariance)[1:]) / size)


def clock_score(y: Floats, clock: Floats, sensor: Ints) -> Floats:
    """Log predictive density of each sensor's checks by one clock, from a fit to all other sensors, shape (m,)."""
    _, _, c = _columns(clock[:, None])
    curves = Curves(y, sensor)
    return curves.left_out(c, curves.fit(c))


def _columns(clocks: Floats) -> tuple[Floats, Floats, Candidates]:
    size = np.sqrt((clocks**2).mean(axis=0))
    fixed = np.column_stack([np.ones(len(clocks)), clocks / size])
    return fixed, size, Candidates(fixed=fixed[None], random=fixed[None, :, :2], signs=np.zeros(fixed.shape[1]),
                                   values=np.array([np.nan]))


@dataclass(frozen=True, kw_only=True, eq=False)
class Damage:
    """Exponent of load-weighted damage: profile maximum likelihood in 1 to 6, ends NaN where the range ends first."""

    exponent: float
    low: float
    high: float
    rise: Floats


def damage_exponent(y: Floats, use: Floats, load: Floats, sensor: Ints, *, level: float) -> Damage:
    """Profile m in damage x = sum over uses of (load/reference)^m.

    Parameters
    ----------
    y, use : array, shape (n,)
    load : array, shape (n,)
        Mean load of the uses since the sensor's previous check.
    sensor : array of int, shape (n,)
    level : float

    References
    ----------
    Miner MA (1945), Journal of Applied Mechanics 12:A159-A164 (damage adds up).
    """
    from scipy.special import chdtri

    reference = float(np.median(load[use > 0]))
    x = np.array([damage(use, load / reference, sensor, float(m)) for m in EXPONENTS])
    x /= np.sqrt((x**2).mean(axis=1, keepdims=True))
    fixed = np.stack([np.broadcast_to(np.ones_like(y), x.shape), x], axis=2)
    fit = Curves(y, sensor).fit(Candidates(fixed=fixed, random=fixed, signs=np.zeros(2), values=EXPONENTS, extra=1))
    rise = fit.deviance - fit.deviance[fit.best]
    reach = float(chdtri(1, 1 - level))
    ends = []
    for side in (np.arange(fit.best, -1, -1), np.arange(fit.best, len(EXPONENTS))):
        out = side[rise[side] > reach]
        if not len(out):
            ends.append(math.nan)
            continue
        j = int(out[0])
        i = j + 1 if j < fit.best else j - 1
        ends.append(float(EXPONENTS[i] + (EXPONENTS[j] - EXPONENTS[i]) * (reach - rise[i]) / (rise[j] - rise[i])))
    return Damage(exponent=float(EXPONENTS[fit.best]), low=ends[0], high=ends[1], rise=rise)


def damage(use: Floats, load: Floats, sensor: Ints, m: float) -> Floats:
    """Add up (load)^m over the uses between the checks of each sensor, from use 0 on."""
    out = np.empty_like(use)
    for s in np.unique(sensor):
        mine = np.flatnonzero(sensor == s)
        order = mine[np.argsort(use[mine], kind="stable")]
        steps = np.diff(use[order], prepend=0.0)
        with np.errstate(invalid="ignore"):
            out[order] = np.cumsum(np.where(steps > 0, steps * load[order] ** m, 0.0))
    return out


@dataclass(frozen=True, kw_only=True)
class NewBatch:
    """Prediction intervals of a drift: mean of a new batch, and one sensor of it."""

    mean: float
    batch: tuple[float, float]
    sensor: tuple[float, float]
    batches: int
    sensors: int


def new_batch(slopes: ArrayLike, batch: ArrayLike, *, level: float = 0.95) -> NewBatch:
    """Predict the drift of a new batch from the slopes of sensors of several batches.

    Parameters
    ----------
    slopes : array_like, shape (n,)
        Least-squares slopes of single sensors.
    batch : array of int, shape (n,)
    level : float

    Returns
    -------
    NewBatch
        Of the mean slope of as many sensors of a new batch as the batches have on average, exact for equal batches, and
        of one sensor checked like these (its own error of estimation included).

    Raises
    ------
    ValueError
        With fewer than two batches.

    Notes
    -----
    Unweighted means of K batches with variance S_b^2: mean +- t(K-1) S_b sqrt(1 + 1/K). A single sensor adds
    S_w^2 (1 - 1/n_h) with S_w^2 the variance within batches and n_h the harmonic mean of their sizes, degrees of
    freedom by Satterthwaite.

    References
    ----------
    Hahn GJ, Meeker WQ (1991), Statistical Intervals, section 4.7 (prediction). Satterthwaite FE (1946), Biometrics
    Bulletin 2:110-114.
    """
    from scipy.special import stdtrit

    slopes = np.asarray(slopes, float)
    code = np.unique(np.asarray(batch), return_inverse=True)[1]
    sizes = np.bincount(code)
    k, n = len(sizes), len(slopes)
    if k < 2:
        raise ValueError("two batches or more are needed")
    means = np.bincount(code, weights=slopes) / sizes
    centre, between = float(means.mean()), float(means.var(ddof=1))
    half = float(stdtrit(k - 1, 0.5 + level / 2)) * math.sqrt(between * (1 + 1 / k))
    own = half
    if n > k:
        within = float(((slopes - means[code]) ** 2).sum()) / (n - k)
        harmonic = k / float((1 / sizes).sum())
        parts = between * (1 + 1 / k), within * (1 - 1 / harmonic)
        total = sum(parts)
        if total > 0:
            df = total**2 / (parts[0] ** 2 / (k - 1) + parts[1] ** 2 / (n - k))
            own = float(stdtrit(df, 0.5 + level / 2)) * math.sqrt(total)
    return NewBatch(mean=centre, batch=(centre - half, centre + half), sensor=(centre - own, centre + own), batches=k,
                    sensors=n)
