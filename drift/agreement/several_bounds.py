"""Bias and limits of one contrast between methods, with intervals that hold together and alone."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drift.agreement.equivalence import CONFIDENCE
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    limit_factor,
    lower_limit_bound,
    mean_interval,
    pivotal_draws,
    upper_limit_bound,
)
from drift.engine.method_means import SimultaneousTails

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """Bias and limits with simultaneous intervals, pointwise ones beside, and the bounds a verdict rests on."""

    bias: float
    sd: float
    low: float
    high: float
    bias_ends: tuple[float, float]
    low_ends: tuple[float, float]
    high_ends: tuple[float, float]
    bias_alone: tuple[float, float]
    low_alone: tuple[float, float]
    high_alone: tuple[float, float]
    outer: tuple[float, float]
    inner: tuple[float, float]
    outer_alone: tuple[float, float]
    std_error: float
    n: int
    exact: bool


@lru_cache(maxsize=4096)
def _factor(n: float, df: float, probability: float) -> float:
    """Exact factor of one limit; pairs of one table share it, and it takes long to find."""
    return limit_factor(n, probability, df=df)


def limit_ends(strata: Strata, p: float) -> tuple[float, float, float, float]:
    """Bounds of the lower limit at p and 1 - p, then of the upper limit."""
    if not strata.exact:
        return (lower_limit_bound(strata, p), lower_limit_bound(strata, 1 - p), upper_limit_bound(strata, p),
                upper_limit_bound(strata, 1 - p))
    n, df = round(1.0 / float(strata.of_mean[0]), 9), float(strata.df[0])
    far, near = _factor(n, df, 1 - p) * strata.sd, _factor(n, df, p) * strata.sd
    return strata.mean - far, strata.mean - near, strata.mean + near, strata.mean + far


def bounds_of(strata: Strata, tails: SimultaneousTails, level: float, n: int, rng: np.random.Generator, *,
              n_draws: int = 10_000) -> Bounds:
    """Limits of one contrast with intervals at the simultaneous tails and pointwise."""
    joint, alone = limit_ends(strata, tails.limits), limit_ends(strata, 0.5 - level / 2)
    together, single = limit_ends(strata, tails.outer), limit_ends(strata, 1 - CONFIDENCE)
    towards = limit_ends(strata, tails.inner)
    outer, outer_alone = (together[0], together[3]), (single[0], single[3])
    if not strata.exact:
        means, sds = pivotal_draws(strata, rng, n_draws)
        outer, outer_alone = (_farther(ends, means, sds, tail)
                              for ends, tail in ((outer, tails.outer), (outer_alone, 1 - CONFIDENCE)))
    return Bounds(bias=strata.mean, sd=strata.sd, low=strata.mean - MULTIPLIER * strata.sd,
                  high=strata.mean + MULTIPLIER * strata.sd, bias_ends=mean_interval(strata, 1 - 2 * tails.bias),
                  low_ends=joint[:2], high_ends=joint[2:], bias_alone=mean_interval(strata, level), low_alone=alone[:2],
                  high_alone=alone[2:], outer=outer, inner=(towards[1], towards[2]), outer_alone=outer_alone,
                  std_error=math.sqrt(strata.mean_variance), n=n, exact=strata.exact)


def _farther(ends: tuple[float, float], means: FloatArray, sds: FloatArray, tail: float) -> tuple[float, float]:
    """Outer bounds on which a verdict rests: MOVER or pivotal, whichever lies farther out, as for two methods."""
    return (min(ends[0], float(np.quantile(means - MULTIPLIER * sds, tail))),
            max(ends[1], float(np.quantile(means + MULTIPLIER * sds, 1 - tail))))


def scaled(b: Bounds, factor: float) -> Bounds:
    """Return bounds of a contrast that is a multiple of another."""
    def both(ends: tuple[float, float]) -> tuple[float, float]:
        return ends[0] * factor, ends[1] * factor

    return replace(b, bias=b.bias * factor, sd=b.sd * factor, low=b.low * factor, high=b.high * factor,
                   bias_ends=both(b.bias_ends), low_ends=both(b.low_ends), high_ends=both(b.high_ends),
                   bias_alone=both(b.bias_alone), low_alone=both(b.low_alone), high_alone=both(b.high_alone),
                   outer=both(b.outer), inner=both(b.inner), outer_alone=both(b.outer_alone),
                   std_error=b.std_error * factor)
