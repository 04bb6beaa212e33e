"""Lives of units analysed: with a distribution, without one, and by cause."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.life_fit import EULER_SHARE, LifeFit, Lives, fit_lives, fixed_shape, has_maximum, ratio_interval
from drift.engine.life_rows import Family
from drift.engine.life_simulated import SmallSample, small_sample
from drift.engine.turnbull import (
    ProductLimit,
    Support,
    Turnbull,
    fit_turnbull,
    incidence,
    product_limit,
    resampled_masses,
    support_of,
)
from drift.errors import DriftError, Finding
from drift.ingest.lives import ObservedLives

Floats = NDArray[np.float64]

FEW = 5
DRAWS, RESAMPLES = 999, 999
FAMILIES: tuple[Family, ...] = ("weibull", "lognormal")
SHAPES = (1.0, 2.0, 3.0, 4.0)


@dataclass(frozen=True, kw_only=True)
class LifeSpec:
    """What is asked of lives.

    Parameters
    ----------
    share : float
        Share failed whose time is asked for (0.10: the life that 90 % reach).
    confidence : float
        Of the one-sided lower bound of that life.
    level : float
        Of two-sided intervals.
    shape : float, optional
        Weibull shape known from earlier studies, held fixed (Weibayes).
    draws : int
        Studies simulated for the small-sample corrections.
    """

    share: float = 0.10
    confidence: float = 0.95
    level: float = 0.95
    shape: float | None = None
    draws: int = DRAWS


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedFamily:
    """One family with its intervals; NaN where there is no estimate."""

    fit: LifeFit
    shape: tuple[float, float]
    scale: tuple[float, float]
    life: tuple[float, float]
    life_lower_ratio: float
    life_lower: float
    small: SmallSample | None

    @property
    def found(self) -> bool:
        """Whether there is an estimate."""
        return bool(self.fit.found)


@dataclass(frozen=True, kw_only=True)
class FixedShape:
    """Weibull with a shape taken from elsewhere."""

    shape: float
    scale: float
    scale_lower: float
    life_lower: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """Share failed without a model, at the ends of its steps, with its band; by cause in ``cause`` (first axis)."""

    support: Support
    turnbull: Turnbull
    limit: ProductLimit | None
    time: Floats
    share: Floats
    low: Floats
    high: Floats
    by_cause: Floats
    cause_low: Floats
    cause_high: Floats
    method: str


@dataclass(frozen=True, kw_only=True, eq=False)
class LifeAnalysis:
    """Everything found about one set of lives."""

    lives: ObservedLives
    spec: LifeSpec
    at_zero: int
    families: dict[Family, FittedFamily]
    fixed: tuple[FixedShape, ...]
    curve: Curve
    last: float

    @property
    def failures(self) -> int:
        """Failures seen, those at time zero included."""
        return int(self.lives.failed.sum())

    @property
    def best(self) -> FittedFamily:
        """The Weibull, which is the printed family."""
        return self.families["weibull"]


def analyse(lives: ObservedLives, spec: LifeSpec, rng: np.random.Generator, *, brief: bool = False) -> LifeAnalysis:
    """Fit Weibull and lognormal, Turnbull or Kaplan-Meier, and incidence by cause to one set of lives.

    ``brief`` leaves out what is simulated (small-sample corrections, bands) and the lognormal.
    """
    if bool(lives.late.any() and (lives.failed & ~lives.exact).any()):
        raise DriftError(Finding(
            severity="error", code="late-between-checks", question="lifetimes", message="units that entered late are "
            "analysed with times of failure, not with lives that ended between two checks: without the times nothing "
            "but a distribution could be fitted", mend="Give --time, or leave --entry out with the rows of units that "
            "were not watched from new."))
    zero = lives.failed & (lives.upper == 0)
    seen = (lives.lower > 0) | np.isfinite(lives.upper)
    use = ~zero & seen
    data = (Lives.build(lives.lower[use], lives.upper[use], 1.0, 0.0 if lives.entry is None else lives.entry[use])
            if use.any() else None)
    families = {f: _family(data, f, spec, None if brief else rng) for f in FAMILIES[:1 if brief else 2]}
    fixed = _fixed(data, spec) if data is not None else ()
    ends = np.concatenate([lives.lower, lives.upper[lives.failed]])
    return LifeAnalysis(lives=lives, spec=spec, at_zero=int(zero.sum()), families=families, fixed=fixed,
                        curve=curve_of(lives, spec.level, rng, 1 if brief else RESAMPLES),
                        last=float(ends.max(initial=0.0)))


def _family(data: Lives | None, family: Family, spec: LifeSpec, rng: np.random.Generator | None) -> FittedFamily:
    nan = (math.nan, math.nan)
    if data is None or float(data.failures()) < 1 or not bool(has_maximum(data)):
        return _unfitted(family)
    fit = fit_lives(data, family)
    if not bool(fit.found):
        return _unfitted(family)
    wanted = rng is not None and family == "weibull" and float(data.failures()) >= 2
    small = small_sample(data, fit, spec.share, rng, spec.draws) if wanted and rng is not None else None
    bound = _ends(data, fit, 2 * spec.confidence - 1, spec.share)[0]
    calibrated = bound
    if small is not None and len(small.roots):
        calibrated = min(bound, float(ratio_interval(data, fit, spec.level, p=spec.share,
                                                     z=max(small.lower_root(spec.confidence), 0.0))[0]))
    return FittedFamily(fit=fit, shape=_ends(data, fit, spec.level, None),
                        scale=_ends(data, fit, spec.level, EULER_SHARE if family == "weibull" else 0.5),
                        life=_ends(data, fit, spec.level, spec.share) if math.isfinite(bound) else nan,
                        life_lower_ratio=bound, life_lower=calibrated, small=small)


def _unfitted(family: Family) -> FittedFamily:
    nan = np.float64(math.nan)
    empty = LifeFit(family, np.asarray(nan), np.asarray(nan), np.asarray(nan), np.full((2, 2), nan), np.asarray(False))
    none = (math.nan, math.nan)
    return FittedFamily(fit=empty, shape=none, scale=none, life=none, life_lower_ratio=math.nan, life_lower=math.nan,
                        small=None)


def _ends(data: Lives, fit: LifeFit, level: float, p: float | None) -> tuple[float, float]:
    low, high = ratio_interval(data, fit, level, p=p)
    return float(low), float(high)


def _fixed(data: Lives, spec: LifeSpec) -> tuple[FixedShape, ...]:
    """Weibull scale for given shapes: where few failed, or where a shape is declared.

    References
    ----------
    Nelson, W. (1985), Weibull analysis of reliability data with few or no failures, Journal of Quality Technology
    17:140-146.
    """
    shapes = (spec.shape,) if spec.shape is not None else SHAPES if float(data.failures()) < FEW else ()
    return tuple(_one_shape(data, s, spec) for s in shapes)


def _one_shape(data: Lives, shape: float, spec: LifeSpec) -> FixedShape:
    from scipy.special import chdtri

    r = float(data.failures())
    total = float((data.lower**shape - np.asarray(data.entry) ** shape).sum())
    scale = math.nan
    if r > 0:
        scale = float(np.exp(fixed_shape(data, "weibull", shape)[0]))
    # With the shape given life**shape is exponential: total time on test over a chi-square, at least r failures later.
    # Units in an interval count their time up to its beginning only, which makes the bound no larger.
    lower = (2 * total / float(chdtri(2 * r + 2, 1 - spec.confidence))) ** (1 / shape) if total > 0 else 0.0
    factor = (-math.log1p(-spec.share)) ** (1 / shape)
    return FixedShape(shape=shape, scale=scale, scale_lower=lower, life_lower=lower * factor)


def curve_of(lives: ObservedLives, level: float, rng: np.random.Generator, draws: int = RESAMPLES) -> Curve:
    """Share failed without a model, in all and by cause.

    Exact and right-censored lives: Kaplan-Meier with Greenwood's interval on the log(-log) scale, Aalen-Johansen by
    cause. Lives in intervals: Turnbull's estimate with a percentile band over resampled units.
    """
    names = lives.causes
    code = np.array([names.index(str(c)) if f and c in names else (0 if f else -1)
                     for c, f in zip(lives.cause, lives.failed, strict=True)], np.int64)
    support = support_of(lives.lower, lives.upper, code)
    found = fit_turnbull(support)
    k = max(len(names), 1)
    if not bool((lives.failed & ~lives.exact).any()):
        return _exact_curve(lives, support, found, code, k, level)
    time = np.unique(support.right[np.isfinite(support.right)])
    weights = rng.multinomial(len(lives), np.full(len(lives), 1 / len(lives)), draws).astype(np.float64)
    masses = resampled_masses(support, weights)
    alpha = (1 - level) / 2

    def band(cause: int | None) -> tuple[Floats, Floats, Floats]:
        late, early = incidence(support, masses, time, cause), incidence(support, masses, time, cause, late=False)
        return (incidence(support, found.mass, time, cause), np.quantile(late, alpha, axis=0),
                np.quantile(early, 1 - alpha, axis=0))

    share, low, high = band(None)
    each = [band(j) for j in range(k)]
    return Curve(support=support, turnbull=found, limit=None, time=time, share=share, low=low, high=high,
                 by_cause=np.array([e[0] for e in each]), cause_low=np.array([e[1] for e in each]),
                 cause_high=np.array([e[2] for e in each]),
                 method=f"Turnbull's estimate by self-consistency; percentile band over {draws} resamples of units")


def _exact_curve(lives: ObservedLives, support: Support, found: Turnbull, code: NDArray[np.int64], k: int,
                 level: float) -> Curve:
    from scipy.special import ndtri

    z = float(ndtri((1 + level) / 2))
    limit = product_limit(np.asarray(lives.lower), code, k, entry=lives.entry)
    if lives.late.any():  # the mass of the steps, since units do not weigh alike any more
        found = replace(found, mass=_steps(support, limit))
    low, high = loglog_ends(1 - limit.survival, limit.std_error, z)
    ends = [loglog_ends(f, s, z) for f, s in zip(limit.incidence, limit.incidence_se, strict=True)]
    return Curve(support=support, turnbull=found, limit=limit, time=limit.time, share=1 - limit.survival, low=low,
                 high=high, by_cause=limit.incidence, cause_low=np.array([e[0] for e in ends]),
                 cause_high=np.array([e[1] for e in ends]),
                 method="Kaplan-Meier, Greenwood interval on the log(-log) scale" + (
                     ", units at risk from their entry on" if lives.late.any() else "") + (
                     "; by cause Aalen-Johansen with the delta-method variance" if k > 1 else ""))


def _steps(support: Support, limit: ProductLimit) -> Floats:
    """Return the mass of each column of a support by the steps of the product limit; the rest lies beyond them."""
    jump = np.diff(limit.incidence, prepend=0.0, axis=1)
    mass = np.zeros(len(support.right))
    for j, (t, k) in enumerate(zip(support.right, support.cause, strict=True)):
        at = np.flatnonzero(limit.time == t)
        if len(at) and k >= 0:
            mass[j] = jump[k, at[0]]
        elif np.isinf(t):
            mass[j] = limit.survival[-1] if len(limit.survival) else 1.0
    return mass


def loglog_ends(share: Floats, se: Floats, z: float) -> tuple[Floats, Floats]:
    """Interval of a share failed from its standard error, on the log(-log) scale of the share still fit."""
    s = 1 - share
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = z * se / np.abs(s * np.log(s))
        low, high = 1 - s ** np.exp(-spread), 1 - s ** np.exp(spread)
    inside = (s > 0) & (s < 1) & np.isfinite(spread)
    return np.where(inside, low, np.where(s <= 0, math.nan, share)), np.where(inside, high, np.where(s <= 0, 1.0,
                                                                                                     share))


def band_of_fit(fit: LifeFit, t: Floats, level: float) -> tuple[Floats, Floats, Floats]:
    """Share failed by each time with its pointwise normal interval on the standardised scale.

    References
    ----------
    Meeker and Escobar (1998), eq. 8.11.
    """
    from scipy.special import ndtr, ndtri

    root = float(ndtri((1 + level) / 2))
    with np.errstate(divide="ignore"):
        z = (np.log(t) - fit.mu) / fit.sigma
    s, v = float(fit.sigma), fit.cov
    zz = np.where(np.isfinite(z), z, 0.0)
    se = np.sqrt(np.maximum(v[0, 0] / s**2 + 2 * zz / s * v[0, 1] + zz**2 * v[1, 1], 0.0))

    def share(x: Floats) -> Floats:
        return np.asarray(-np.expm1(-np.exp(np.minimum(x, 700.0))) if fit.family == "weibull" else ndtr(x))

    return share(z), share(z - root * se), share(z + root * se)
