"""The recalibration interval on arrays of sensors' slopes: the same bound as for retiring, on the change alone.

Since the last calibration only the change counts, so the start of a sensor drops out and its slope is all that varies
between sensors. The tolerance has two sides; the last axis is the sensors, leading axes are studies.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.crossing import (
    BatchSummary,
    companion_crossing,
    first_crossing,
    first_crossing_batches,
    own_crossings,
    summarise_batches,
    summarise_lines,
)
from drift.engine.tolerance import one_sided_factor
from drift.retirement.bound import Counts, combine, retire_arrays, split_shares

Floats = NDArray[np.float64]


def distance_of(tolerance: float) -> float:
    """Distance on the log scale to which a tolerance leads: log(1 + tolerance), in either direction.

    Notes
    -----
    Within it neither the true pressure over the shown one nor the shown over the true one exceeds 1 + tolerance. A
    fall of sensitivity of tolerance / (1 + tolerance) is the end; counting until readings are low by the whole
    tolerance, -log(1 - tolerance), would be a little longer, and unsafe for whoever corrects upwards.
    """
    return math.log1p(tolerance)


def interval_arrays(slope: ArrayLike, distance: float, *, content: float = 0.90, confidence: float = 0.95,
                    batch: ArrayLike | None = None, step: float = 1.0, cap: ArrayLike = math.inf,
                    error_sd: float = 0.0) -> Counts:
    """Recalibration intervals of many studies from their sensors' slopes.

    Parameters
    ----------
    slope : array_like, shape (..., n_sensors)
        Change per use of each sensor's own line.
    distance : float
        Largest change, in either direction (see :func:`distance_of`).
    content, confidence : float
        P and C of the statement.
    batch : array_like of int, shape (n_sensors,), optional
        Given, the two-level bound for a sensor from a new batch.
    step : float
        Intervals are rounded down to multiples of it.
    cap : array_like, shape (...,)
        Longest interval that can be stated.
    error_sd : float
        SD of a calibration's own error, where the tolerance is for drift and calibration together; 0 for drift alone.

    Returns
    -------
    Counts

    Notes
    -----
    Where the slopes of a study all point one way, the other side of the tolerance is beyond reach and the one-sided
    bound is for the side that matters. Where they point both ways, each side keeps content 1 - (1 - P)/2 and confidence
    1 - (1 - C)/2, so that both together keep P and C (Bonferroni).

    References
    ----------
    Owen (1963) for the factor; Krishnamoorthy and Mathew (2009), chapter 5, for the two-level bound.
    """
    b = np.asarray(slope, dtype=np.float64)
    both = (b > 0).any(-1) & (b < 0).any(-1)
    toward = np.where(b.mean(-1, keepdims=True) < 0, -b, b)
    one = _one_side(toward, distance, content, confidence, batch, cap, error_sd)
    line, companion = one
    if np.any(both):
        p, c = split_shares(content, confidence, 2)
        sides = [_one_side(s * b[both], distance, p, c, batch, np.asarray(cap)[both] if np.ndim(cap) else cap,
                           error_sd) for s in (1.0, -1.0)]
        line, companion = line.copy(), companion.copy()
        line[both] = np.minimum(sides[0][0], sides[1][0])
        companion[both] = np.nan  # logs of crossing counts exist for one direction only
    return combine(line, companion, step=step, cap=cap)


def _one_side(b: Floats, distance: float, content: float, confidence: float, batch: ArrayLike | None, cap: ArrayLike,
              error_sd: float) -> tuple[Floats, Floats]:
    """Uncut line bound and companion of changes towards one side."""
    if error_sd <= 0:
        found = retire_arrays(np.zeros_like(b), b, distance, content=content, confidence=confidence, batch=batch,
                              cap=cap)
        return found.line.copy(), found.companion.copy()
    from scipy.special import ndtri

    left = distance - float(ndtri(content)) * error_sd
    k = one_sided_factor(b.shape[-1], content, confidence)
    if batch is None:
        lines = replace(summarise_lines(np.zeros_like(b), b), s00=np.full(b.shape[:-1], error_sd**2))
        line = first_crossing(lines, k, distance)
        companion = companion_crossing(own_crossings(np.zeros_like(b), b, left), k) if left > 0 else line * np.nan
        return np.asarray(line), np.asarray(companion)
    sums = with_error(summarise_batches(np.zeros_like(b), b, batch), error_sd)
    rise = sums.mean1
    with np.errstate(divide="ignore"):
        end = np.minimum(np.where(rise > 0, distance / rise, np.inf), 4 * np.minimum(np.asarray(cap, float), 1e6))
    line = first_crossing_batches(sums, np.full(b.shape[:-1], distance), end,
                                  content=content, confidence=confidence)
    if left <= 0:
        return np.asarray(line), np.asarray(line) * np.nan
    bare = retire_arrays(np.zeros_like(b), b, left, content=content, confidence=confidence, batch=batch, cap=cap)
    return np.asarray(line), bare.companion.copy()


def with_error(sums: BatchSummary, error_sd: float) -> BatchSummary:
    """Add the variance of a calibration's own error to that of the change of each sensor."""
    between, within = sums.between.copy(), sums.within.copy()
    share = 1 / sums.harmonic_m if sums.df_within else 1.0
    between[..., 0] += (sums.n_batches - 1) * error_sd**2 * share
    within[..., 0] += sums.df_within * error_sd**2
    return replace(sums, between=between, within=within)


def shortened(counts: Counts, excess: Floats, distance: float, *, step: float) -> Counts:
    """Shorten the interval of one study to what its worst stretch allows; its uncut bounds stay as they are.

    Parameters
    ----------
    counts : Counts
        Shape (); from :func:`interval_arrays`.
    excess : ndarray, shape (n_lengths,)
        Excess of the worst stretch at the lengths ``step, 2 step, ...`` (``worst_excess``), as far as the count at
        least.
    distance : float
        As given there.
    """
    uncut = float(np.fmin(counts.line, counts.companion))
    rate = 0.0 if uncut == math.inf else math.inf if uncut <= 0 else distance / uncut
    lengths = step * np.arange(1, len(excess) + 1)
    good = excess + rate * lengths <= distance * (1 + 1e-12)
    longest = math.inf if good.all() else float(step * int(np.argmin(good)))
    count = float(counts.count)
    return replace(counts, count=np.asarray(min(count, longest)),
                   capped=np.asarray(bool(counts.capped) and longest >= count))


__all__ = ["distance_of", "interval_arrays", "shortened", "with_error"]
