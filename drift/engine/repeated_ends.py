"""Highest or lowest readings that are exactly alike at several loads: signs of an end of scale nobody declared."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Side = Literal["highest", "lowest"]
SIDES: tuple[Side, ...] = ("highest", "lowest")
ENOUGH = 3  # readings alike from which on chance is no explanation
STEPS = 3.0  # steps of the reading that the loads would have moved it, below which a tie may be rounding


@dataclass(frozen=True, kw_only=True)
class RepeatedEnd:
    """Readings that stand still at one end.

    Parameters
    ----------
    side : {"highest", "lowest"}
    reading : float
        The reading that repeats.
    n : int
        Readings that are exactly that.
    loads : tuple of float
        Distinct loads at which they stand, rising.
    sure : bool
        Whether chance and rounding are no explanation: three readings or more, and the readings next to them would have
        moved by more than three steps over these loads.
    """

    side: Side
    reading: float
    n: int
    loads: tuple[float, ...]
    sure: bool


def repeated_end(x: ArrayLike, y: ArrayLike, side: Side = "highest") -> RepeatedEnd | None:
    """Find the end of scale that readings seem to stand at; None where nothing looks like one.

    Parameters
    ----------
    x, y : array_like, shape (n_rows,)
        Loads and readings, those that are known bounds left out.
    side : {"highest", "lowest"}

    Notes
    -----
    An end is suspected where the extreme reading stands at two loads or more and no other reading does at the loads
    beyond the nearest of them: a sensor that still answers would read differently there. Where the slope of the next
    two levels would move the reading by no more than one step (the largest that all differences between readings
    are multiples of) over these loads, equal readings are rounding.
    """
    loads, readings = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    known = np.isfinite(loads) & np.isfinite(readings)
    loads, readings = loads[known], readings[known]
    if len(readings) < 2 or np.ptp(readings) == 0:
        return None
    end = float(readings.max() if side == "highest" else readings.min())
    there = readings == end
    at = np.unique(loads[there])
    if len(at) < 2:
        return None
    upper = bool(np.all(there[loads > at[0]]))
    if not upper and not np.all(there[loads < at[-1]]):
        return None
    moved = _expected_move(loads, readings, there, at, upper=upper)
    step = _step(readings)
    if moved <= step:
        return None
    n = int(there.sum())
    return RepeatedEnd(side=side, reading=end, n=n, loads=tuple(at.tolist()),
                       sure=n >= ENOUGH and moved > STEPS * step)


def _expected_move(x: Floats, y: Floats, there: NDArray[np.bool_], at: Floats, *, upper: bool) -> float:
    """Return how far the slope of the two nearest other levels would move the reading over the loads of the end."""
    inner = np.unique(x[~there & (x < at[0] if upper else x > at[-1])])
    if len(inner) < 2:
        return np.inf
    near, next_ = (inner[-1], inner[-2]) if upper else (inner[0], inner[1])
    rise = abs(float(np.median(y[x == near]) - np.median(y[x == next_])))
    return rise / abs(float(near - next_)) * float(np.ptp(at))


def _step(y: Floats) -> float:
    """Return the largest step that all differences between readings are multiples of, by Euclid's algorithm."""
    slack = 1e-7 * float(np.ptp(y))
    step = 0.0
    for difference in np.diff(np.unique(y)).tolist():
        a, b = max(step, difference), min(step, difference)
        while b > slack:
            a, b = b, math.remainder(a, b)
            b = abs(b)
        step = a
    return step
