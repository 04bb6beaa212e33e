"""The retire-after rule on arrays of sensor lines: line bound, skew companion, and the smaller of the two.

Pure arithmetic for one limit: values rise towards the limit, the last axis is the sensors, leading axes are
studies. Words, refusals and tables are made elsewhere in this package.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.crossing import (
    companion_crossing,
    first_crossing,
    first_crossing_batches,
    own_crossings,
    summarise_batches,
    summarise_lines,
    whole,
)
from drift.engine.readonly import frozen_array
from drift.engine.tolerance import one_sided_factor

Floats = NDArray[np.float64]

MINIMUM_BATCHES = 4


@dataclass(frozen=True)
class Counts:
    """Retire-after counts of one limit; arrays of shape (n_studies,) or scalars of shape ().

    Parameters
    ----------
    line, companion : ndarray
        Uncut crossings. ``line`` is -1 where the bound is beyond the limit before any use and ``inf`` where
        it never gets there; ``companion`` is NaN where it is not available.
    count : ndarray
        The smaller of the two after rounding each down to ``step`` (never above ``cap``).
    capped : ndarray of bool
        Whether ``cap`` decided.
    """

    line: Floats
    companion: Floats
    count: Floats
    capped: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for name in ("line", "companion", "count"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def split_shares(content: float, confidence: float, n_limits: int) -> tuple[float, float]:
    """Content and confidence each of ``n_limits`` limits must keep so that all hold together.

    Bonferroni: shares beyond add up to at most 1 - P, chances of a wrong bound to at most 1 - C.
    """
    m = max(int(n_limits), 1)
    return 1 - (1 - content) / m, 1 - (1 - confidence) / m


def retire_arrays(intercept: ArrayLike, slope: ArrayLike, limit: ArrayLike, *, content: float = 0.90,
                  confidence: float = 0.95, batch: ArrayLike | None = None, step: float = 1.0,
                  cap: ArrayLike = math.inf) -> Counts:
    """Retire-after counts of many studies from their sensors' lines.

    Parameters
    ----------
    intercept, slope : array_like, shape (..., n_sensors)
        Own line of each sensor, value = intercept + slope * N, in the direction in which wear is upwards. For
        a limit relative to the sensor's own fresh value the intercept is the early change of the mean sensor
        (:func:`early_change`) and the limit a distance.
    limit : array_like, shape (...,)
        Largest value that is fit for use.
    content, confidence : float
        P and C of this one limit (see :func:`split_shares`).
    batch : array_like of int, shape (n_sensors,), optional
        Given, the two-level bound for a sensor from a new batch replaces the one-level one, for the lines and
        for the companion alike; two batches are the least arithmetic needs, ``MINIMUM_BATCHES`` what the
        package asks for before it does so.
    step : float
        Counts are rounded down to multiples of it.
    cap : array_like, shape (...,)
        Largest count that can be stated.

    Returns
    -------
    Counts

    References
    ----------
    Owen (1963) for the factor; Krishnamoorthy and Mathew (2009), chapter 5, for the two-level bound.
    """
    a, b = np.broadcast_arrays(np.asarray(intercept, dtype=np.float64), np.asarray(slope, dtype=np.float64))
    lim = np.broadcast_to(np.asarray(limit, dtype=np.float64), a.shape[:-1])
    times = own_crossings(a, b, lim[..., None])
    if batch is not None:
        line = _two_level_line(a, b, lim, np.asarray(batch), content, confidence, cap)
        companion = _two_level_companion(times, np.asarray(batch), content, confidence)
    else:
        k = one_sided_factor(a.shape[-1], content, confidence)
        line = first_crossing(summarise_lines(a, b), k, lim)
        companion = companion_crossing(times, k)
    return combine(line, companion, step=step, cap=cap)


def early_change(jump: ArrayLike) -> Floats:
    """Early change of the mean sensor, which a line does not show: the start of a line relative to its own fresh value.

    Parameters
    ----------
    jump : array_like, shape (..., n_sensors)
        Of each sensor, its own line at its first check less that check, wear upwards.

    Returns
    -------
    ndarray, shape (...,)
        The mean over sensors, 0 where it is negative.

    Notes
    -----
    Where the first uses wear faster, a line fitted to all checks starts above the fresh value, and a limit on the
    change from that value is met sooner than the slopes say. The mean and not each sensor's own jump is taken, because
    the error of a single check is as large as what sensors differ by, and no test decides whether it counts: with few
    sensors none would see it.
    """
    return np.asarray(np.maximum(np.asarray(jump, dtype=np.float64).mean(-1), 0.0))


def combine(line: ArrayLike, companion: ArrayLike, *, step: float = 1.0, cap: ArrayLike = math.inf) -> Counts:
    """Take the smaller of line bound and companion after rounding each down, and cut at the cap."""
    a, b = np.asarray(line, dtype=np.float64), np.asarray(companion, dtype=np.float64)
    top = whole(cap, step)
    smaller = np.fmin(whole(a, step), whole(b, step))
    capped = smaller > top
    return Counts(a, b, np.where(capped, top, smaller), np.asarray(capped))


def line_path(intercept: Floats, slope: Floats, at: ArrayLike, *, content: float, confidence: float,
              batch: NDArray[np.int64] | None = None) -> Floats:
    """Tolerance bound of the lines of one study at exposures ``at``, the path whose crossing is the count."""
    if batch is not None:
        return summarise_batches(intercept, slope, batch).bound(at, content=content, confidence=confidence)
    return summarise_lines(intercept, slope).bound(at, one_sided_factor(len(slope), content, confidence))


def _two_level_line(a: Floats, b: Floats, limit: Floats, batch: NDArray[np.int64], content: float, confidence: float,
                    cap: ArrayLike) -> Floats:
    lines = summarise_batches(a, b, batch)
    # The bound lies above the mean line, so it crosses no later than the mean does.
    gap, rise = limit - lines.mean0, lines.mean1
    with np.errstate(divide="ignore", invalid="ignore"):
        end = np.where(rise > 0, np.maximum(gap, 0.0) / rise, np.inf)
    far = 4 * np.asarray(cap, dtype=np.float64)
    end = np.minimum(end, np.where(np.isfinite(far), far, 1e6))
    return first_crossing_batches(lines, limit, end, content=content, confidence=confidence)


def _two_level_companion(times: Floats, batch: NDArray[np.int64], content: float, confidence: float) -> Floats:
    usable = np.all(np.isfinite(times) & (times > 0), axis=-1)
    logs = -np.log(np.where(np.isfinite(times) & (times > 0), times, 1.0)).reshape(-1, times.shape[-1])
    bound = np.empty(len(logs))
    for start in range(0, len(logs), 32):  # a block of studies at a time keeps the arrays in the cache
        rows = logs[start:start + 32]
        bound[start:start + 32] = summarise_batches(rows, np.zeros_like(rows), batch).bound(
            np.zeros(len(rows)), content=content, confidence=confidence)
    return np.where(usable, np.exp(-bound.reshape(usable.shape)), np.nan)
