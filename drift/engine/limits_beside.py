"""Other intervals of limits of agreement with several strata, beside those by variance estimates recovery.

Which of them a limit is given is decided by simulation, end by end, because a verdict rests on one end alone: the
pivotal interval reaches too far out and not far enough in, the calibrated one not far enough out where a factor has
few levels. Both are exact in the limit of one stratum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.limits_of_agreement import MULTIPLIER, Strata, pivotal_draws

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LimitDraws:
    """Draws from which bounds of both limits are read: a bound is a quantile of ``lower`` or ``upper``."""

    lower: FloatArray
    upper: FloatArray

    def lower_bound(self, probability: float) -> float:
        """One-sided upper confidence bound of the lower limit (lower bound if probability < 0.5)."""
        return float(np.quantile(self.lower, probability))

    def upper_bound(self, probability: float) -> float:
        """One-sided upper confidence bound of the upper limit (lower bound if probability < 0.5)."""
        return float(np.quantile(self.upper, probability))


def pivotal_limits(strata: Strata, rng: np.random.Generator, *, multiplier: float = MULTIPLIER,
                   n_draws: int = 20_000) -> LimitDraws:
    """Draw both limits from their generalised pivotal distribution (Weerahandi 1993)."""
    means, sds = pivotal_draws(strata, rng, n_draws)
    return LimitDraws(means - multiplier * sds, means + multiplier * sds)


def calibrated_limits(strata: Strata, rng: np.random.Generator, *, multiplier: float = MULTIPLIER,
                      n_draws: int = 20_000) -> LimitDraws:
    """Draw both limits by a parametric bootstrap of their studentised error.

    Notes
    -----
    With the expected mean squares as estimated, ``T* = (limit* - limit) / se*`` is drawn, and the limit lies at
    ``limit - T* se``; ``se^2`` adds the variance of the mean and ``k^2 sum (c MS)^2 2/df / (4 s^2)`` (Davison & Hinkley
    1997, section 5.2.1).
    """
    chi2 = rng.chisquare(strata.df, size=(n_draws, len(strata.df))) / strata.df
    drawn = strata.mean_squares * chi2
    error = rng.standard_normal(n_draws) * np.sqrt(strata.mean_variance)

    def parts(ms: FloatArray) -> tuple[FloatArray, FloatArray]:
        variance = np.maximum(ms @ strata.total, np.finfo(float).tiny)
        of_sd = np.sum((strata.total * ms) ** 2 * 2 / strata.df, axis=-1) / (4 * variance)
        return np.sqrt(variance), np.sqrt(np.maximum(ms @ strata.of_mean, 0.0) + multiplier**2 * of_sd)

    sd, se = parts(strata.mean_squares)
    sds, ses = parts(drawn)
    upper, lower = ((error + sign * multiplier * (sds - sd)) / ses for sign in (1.0, -1.0))
    return LimitDraws(strata.mean - multiplier * sd - lower * se, strata.mean + multiplier * sd - upper * se)
