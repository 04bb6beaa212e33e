"""Readings as whole numbers, so that equal differences are equal: the ground of every method of pairwise slopes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
MOST_DECIMALS = 15
# Sums of two differences of such numbers are exact in a double.
LARGEST = float(2**50)
ROUNDING = float(2.0**-48)  # below this share of the largest reading a difference is the noise of a conversion


def whole_numbers(a: ArrayLike, b: ArrayLike) -> tuple[FloatArray, FloatArray, float] | None:
    """Return two columns as whole numbers on one decimal grid, and the step of the grid; None where there is none.

    Whether a double is the nearest one to a decimal of p digits is decided exactly: the rounded multiple of 10^p,
    divided by 10^p, must give the double back. 0.3 - 0.2 and 0.2 - 0.1 differ in floating point; 3 - 2 and 2 - 1 do
    not.

    Parameters
    ----------
    a, b : array_like, shape (n,)

    Returns
    -------
    a, b : arrays of whole numbers as float64, shape (n,); step : float
    """
    both = np.concatenate([np.asarray(a, float), np.asarray(b, float)])
    if not np.all(np.isfinite(both)):
        raise ValueError("readings must be finite")
    top = float(np.max(np.abs(both), initial=0.0))
    for digits in range(MOST_DECIMALS + 1):
        scale = 10.0**digits
        if top * scale > LARGEST:
            return None
        made = np.rint(both * scale)
        if np.array_equal(made / scale, both):
            half = len(made) // 2
            return made[:half] + 0.0, made[half:] + 0.0, 1.0 / scale
    return None


def comparable(a: ArrayLike, b: ArrayLike) -> tuple[FloatArray, FloatArray, float]:
    """Return both columns ready for differences, and the size below which a difference is no difference.

    Whole numbers and 0 where the readings lie on a decimal grid; else the readings as they are, and the rounding noise
    of the largest of them, since a reading that was converted to another unit or averaged has lost its grid.
    """
    found = whole_numbers(a, b)
    if found is not None:
        return found[0], found[1], 0.0
    a, b = np.asarray(a, float), np.asarray(b, float)
    return a, b, ROUNDING * float(max(np.max(np.abs(a)), np.max(np.abs(b))))
