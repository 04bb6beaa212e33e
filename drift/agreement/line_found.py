"""What a fitted comparison line is made of."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drift.agreement.line_points import NoLineError, Points, Ratio

FloatArray = NDArray[np.float64]
Band = Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]


@dataclass(frozen=True)
class Ends:
    """One interval: its ends, standard error where there is one, and how it was made."""

    low: float
    high: float
    how: str
    std_error: float = math.nan


@dataclass(frozen=True, eq=False)
class LineFound:
    """A fitted line a = intercept + slope b.

    Parameters
    ----------
    line : str
        "deming", "weighted deming", "passing-bablok" or "york".
    fit : str
        What was fitted, in words.
    points : Points
        As they entered.
    slope, intercept : float
    ends : mapping
        "slope" and "intercept" to the interval that holds; ``published`` the same as published.
    at : callable
        Readings b to value of the line, low and high.
    values_how : str
        How ``at`` was made.
    across : array, shape (n,)
        Distance of each point from the line, in units of what is expected of it.
    reliability : float
        Share of the variance of b that is not error; NaN where the line does not tell.
    joint_p : float
        Of slope 1 and intercept 0 together.
    joint_how : str
    ratio : Ratio or None
    spread_p : float
        Of no growth of the distances along the line.
    linearity : tuple of two float
        Statistic and p of the cumulative sum of distances along the line.
    notes : tuple of (name, value, words)
        Further figures of the table of checks.
    """

    line: str
    fit: str
    points: Points
    slope: float
    intercept: float
    ends: dict[str, Ends]
    published: dict[str, Ends]
    at: Band
    values_how: str
    across: FloatArray
    reliability: float = math.nan
    joint_p: float = math.nan
    joint_how: str = ""
    ratio: Ratio | None = None
    spread_p: float = math.nan
    linearity: tuple[float, float] = (math.nan, math.nan)
    notes: tuple[tuple[str, float, str], ...] = field(default=())


MOST_REFITS = 4_000_000  # points times clusters of a jackknife that fits anew each time
JACKKNIFE = "jackknife t interval"


def check_direction(slope: float, *, rising: bool = False) -> None:
    """Refuse a line that is level or upright, or does not rise where it must."""
    if not math.isfinite(slope) or slope == 0 or (rising and slope < 0):
        raise NoLineError("no-common-direction", "a does not rise with b, so that no line compares them",
                          "Look at the plot and at which readings were paired.")
