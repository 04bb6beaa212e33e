"""Rules that adjust the interval between checks, followed over many cycles: where they settle, how much they wander."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

UP, DOWN = 0.1, 0.55
SETTLED = 0.10


@dataclass(frozen=True)
class LongRun:
    """What a rule does in the long run.

    Parameters
    ----------
    out : float
        Share of checks out of tolerance once it has settled.
    interval, low, high : float
        Median interval then, and the middle nine tenths between which it wanders.
    cycles : float
        Cycles until the median interval stays within a tenth of where it settles; NaN where it does not settle by
        half of those followed.
    """

    out: float
    interval: float
    low: float
    high: float
    cycles: float


def settling_share(up: float = UP, down: float = DOWN) -> float:
    """Share out of tolerance at which a staircase neither lengthens nor shortens on average.

    (1 - p) log(1 + a) = -p log(1 - b), so that p = log(1 + a)/(log(1 + a) - log(1 - b)).
    """
    return math.log1p(up) / (math.log1p(up) - math.log1p(-down))


def staircase(slopes: Floats, tolerance: float, noise: float, start: float, rng: np.random.Generator, *, up: float = UP,
              down: float = DOWN, cycles: int = 400) -> LongRun:
    """Lengthen the interval by ``up`` after a check in tolerance, shorten it by ``down`` after one that is out.

    Parameters
    ----------
    slopes : ndarray, shape (n_sensors,)
        Wear per use; a check finds slope x interval plus noise, and the sensor is put right after it.
    tolerance, noise : float
        Largest value in tolerance, and the error of a check.
    start : float
        First interval.
    """
    interval = np.full(len(slopes), float(start))
    kept, outs = np.empty((cycles, len(slopes))), np.empty((cycles, len(slopes)))
    for i in range(cycles):
        out = slopes * interval + noise * rng.standard_normal(len(slopes)) > tolerance
        kept[i], outs[i] = interval, out
        interval = np.where(out, interval * (1 - down), interval * (1 + up))
    return _long_run(kept, outs)


def control_chart(slopes: Floats, tolerance: float, noise: float, start: float, rng: np.random.Generator, *,
                  checks: int = 3, margin: float = 2.0, cycles: int = 100) -> LongRun:
    """Set the interval from the wear per use seen at the last checks, so that the mean stays inside by a margin."""
    interval = np.full(len(slopes), float(start))
    rates = np.full((checks, len(slopes)), np.nan)
    kept, outs = np.empty((cycles, len(slopes))), np.empty((cycles, len(slopes)))
    for i in range(cycles):
        found = slopes * interval + noise * rng.standard_normal(len(slopes))
        kept[i], outs[i] = interval, found > tolerance
        rates[i % checks] = found / interval
        rate = np.nanmean(rates[:min(i + 1, checks)], axis=0)
        room = max(tolerance - margin * noise, 0.1 * tolerance)
        wanted = np.clip(room / np.maximum(rate, 1e-300), interval / 2, 2 * interval)
        interval = np.where(rate > 0, wanted, 2 * interval)
        interval = np.minimum(interval, 1e6)
    return _long_run(kept, outs)


def _long_run(kept: Floats, outs: Floats) -> LongRun:
    half = len(kept) // 2
    late = kept[half:]
    settled = float(np.median(late))
    mean = np.median(kept, axis=1)
    inside = np.abs(mean / settled - 1) <= SETTLED
    outside = np.flatnonzero(~inside)
    low, high = np.quantile(late, [0.05, 0.95])
    cycles = float(outside[-1] + 1) if len(outside) else 0.0
    # Who is still outside in the half that says where it settles has not settled.
    return LongRun(float(outs[half:].mean()), settled, float(low), float(high), cycles if cycles <= half else math.nan)
