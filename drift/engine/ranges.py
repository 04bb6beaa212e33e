"""Average-and-range method of a gauge study, with constants from the distribution of the range.

References
----------
Measurement Systems Analysis Reference Manual, 4th ed. (2010). Automotive Industry Action Group, chapter III section B
    and appendix C (d2*).
Duncan AJ (1955). The use of ranges in comparing variabilities. Industrial Quality Control 11(5):18-22 (d2*).
Tippett LHC (1925). On the extreme individuals and the range of samples taken from a normal population. Biometrika
    17:364-387.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
MANY = 15  # numbers of ranges above this take d2 itself, as the manual does


@lru_cache(maxsize=512)
def range_moments(n: int) -> tuple[float, float]:
    """Return mean d2 and SD d3 of the range of ``n`` standard normal values.

    Notes
    -----
    E(R) is the integral of 1 - F^n - (1 - F)^n; E(R^2) is twice that over x < y of
    1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n. Both by the trapezium rule on -8.5 to 8.5, the second with two steps
    and what is left of order step^2 taken out (Richardson).
    """
    mean, coarse = _moments(n, 681)
    _, fine = _moments(n, 1361)
    return mean, math.sqrt((4 * fine - coarse) / 3 - mean**2)


def _moments(n: int, points: int) -> tuple[float, float]:
    from scipy.special import ndtr

    x = np.linspace(-8.5, 8.5, points)
    step = float(x[1] - x[0])
    f = ndtr(x)
    mean = float(np.sum(1 - f**n - (1 - f) ** n)) * step
    both = 1 - f[None, :] ** n - (1 - f[:, None]) ** n + np.maximum(f[None, :] - f[:, None], 0.0) ** n
    # Cells that the diagonal cuts are triangles with a third of their area a corner.
    second = 2 * step**2 * float(np.triu(both, 2).sum() + 11 / 12 * np.trace(both, 1) + 7 / 12 * np.trace(both))
    return mean, second


def d2_star(n: int, groups: int) -> float:
    """Return d2* = sqrt(d2^2 + d3^2 / groups) of the mean of ``groups`` ranges of ``n`` values."""
    d2, d3 = range_moments(n)
    return math.sqrt(d2**2 + d3**2 / groups)


@dataclass(frozen=True, kw_only=True, eq=False)
class RangeStudy:
    """Average-and-range method: mean range, differences of averages, constants and SDs."""

    ranges: FloatArray
    averages: FloatArray
    mean_range: float
    difference: float
    part_range: float
    k1: float
    k2: float
    k3: float

    @property
    def ev(self) -> float:
        """Repeatability."""
        return self.mean_range * self.k1

    def av(self, cells: int) -> float:
        """Reproducibility, with ``cells`` readings behind an operator's average; zero where it is within the noise."""
        return math.sqrt(max((self.difference * self.k2) ** 2 - self.ev**2 / cells, 0.0))

    @property
    def pv(self) -> float:
        """Part variation."""
        return self.part_range * self.k3


def range_study(cube: ArrayLike, *, rounded: int | None = None) -> RangeStudy:
    """Apply the average-and-range method.

    Parameters
    ----------
    cube : array_like of float, shape (n_parts, n_operators, n_replicates)
        Complete, with at least two of each.
    rounded : int, optional
        Decimals of the readings: the steps are then rounded as in the manual (averages to two decimals more, the
        range of part averages to one more, constants to four decimals). Default: nothing is rounded.
    """
    y = np.asarray(cube, dtype=np.float64)
    p, o, m = y.shape
    constants = [1 / (range_moments(m)[0] if p * o > MANY else d2_star(m, p * o)), 1 / d2_star(o, 1), 1 / d2_star(p, 1)]
    ranges = np.ptp(y, axis=2).mean(axis=0)
    averages = y.mean(axis=(0, 2))
    mean_range, part_range = float(ranges.mean()), float(np.ptp(y.mean(axis=(1, 2))))
    if rounded is not None:
        constants = [round(k, 4) for k in constants]
        averages = np.round(averages, rounded + 2)
        mean_range, part_range = round(mean_range, rounded + 2), round(part_range, rounded + 1)
    return RangeStudy(ranges=ranges, averages=averages, mean_range=mean_range, difference=float(np.ptp(averages)),
                      part_range=part_range, k1=constants[0], k2=constants[1], k3=constants[2])
