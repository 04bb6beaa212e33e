"""The cheapest age at which to replace: continuous for a Weibull life, in whole uses for any life.

A planned replacement costs ``planned``; one after a failure costs ``failed``, which holds the sessions spoilt until the
failure was noticed. A cheapest age exists only where the hazard rises enough; otherwise running to failure is as good.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class AgeOptimum:
    """The cheapest age and its cost per unit of use; ``age`` is ``inf`` where there is none.

    ``low`` and ``high`` bound the ages that cost at most 5 % more.
    """

    age: float
    cost: float
    low: float
    high: float


def weibull_age_cost(age: ArrayLike, *, shape: float, scale: float, planned: float, failed: float) -> Floats:
    """Long-run cost per unit of use of replacing at an age, [planned S + failed F] / integral of S.

    References
    ----------
    Barlow, R. E. and Proschan, F. (1965), Mathematical Theory of Reliability, Wiley, chapter 4, equation (2.1).
    """
    from scipy.special import gamma, gammainc

    t = np.asarray(age, dtype=np.float64)
    with np.errstate(over="ignore"):
        power = (t / scale) ** shape
    survive = np.exp(-power)
    mean = scale * gamma(1 + 1 / shape) * gammainc(1 / shape, power)
    return np.asarray((planned * survive + failed * -np.expm1(-power)) / mean)


def weibull_age_optimum(*, shape: float, scale: float, planned: float, failed: float) -> AgeOptimum:
    """Cheapest age of replacement of a Weibull life.

    Notes
    -----
    Solves h(t) times the integral of S up to t, less F(t), = planned / (failed - planned), which has one root if the
    shape is above 1 and a failure costs more than a planned replacement, and none otherwise.

    References
    ----------
    Barlow, R. E. and Proschan, F. (1965), Mathematical Theory of Reliability, Wiley, chapter 4, equation (2.2).
    """
    from scipy.special import gamma, gammainc

    if not (shape > 0 and scale > 0 and planned > 0):
        raise ValueError("shape, scale and the planned cost are above zero")
    mean = scale * float(gamma(1 + 1 / shape))
    never = AgeOptimum(math.inf, failed / mean, math.nan, math.inf)
    if shape <= 1 or failed <= planned:
        return never
    target = planned / (failed - planned)

    def excess(log_age: float) -> float:
        power = math.exp(shape * (log_age - math.log(scale)))
        hazard = shape / scale * math.exp((shape - 1) * (log_age - math.log(scale)))
        return hazard * mean * float(gammainc(1 / shape, power)) + math.expm1(-power) - target

    low, high = math.log(scale) - 60.0, math.log(scale) + 60.0
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    age = math.exp((low + high) / 2)
    cost = float(weibull_age_cost(age, shape=shape, scale=scale, planned=planned, failed=failed))
    grid = age * np.exp(np.linspace(-4, 4, 4001))
    good = grid[weibull_age_cost(grid, shape=shape, scale=scale, planned=planned, failed=failed) <= 1.05 * cost]
    return AgeOptimum(age, cost, float(good[0]), float(good[-1]))


def discrete_age_costs(survival: ArrayLike, *, planned: float, failed: float) -> Floats:
    """Cost per use of replacing after N = 1, 2, ... uses, or at the failure before.

    Parameters
    ----------
    survival : array_like, shape (..., n + 1)
        Share of sensors still fit after 0, 1, ..., n uses.
    planned, failed : float
        Cost of a planned replacement, and of one after a failure.

    Returns
    -------
    ndarray, shape (..., n)
        [planned S(N) + failed (1 - S(N))] / sum of S(k) over k < N.

    References
    ----------
    Nakagawa, T. and Osaki, S. (1977), Operational Research Quarterly 28, 881-885 (discrete time age replacement).
    """
    s = np.asarray(survival, dtype=np.float64)
    after = s[..., 1:]
    return np.asarray((planned * after + failed * (1 - after)) / np.cumsum(s[..., :-1], axis=-1))


def discrete_optimum(costs: ArrayLike, *, flat: float = 0.05) -> AgeOptimum:
    """Cheapest count of a cost curve over N = 1, 2, ..., n; ``age`` is ``inf`` where the cost still falls at its end.

    Parameters
    ----------
    costs : array_like, shape (n,)
    flat : float
        Share above the least cost that counts as flat.
    """
    c = np.asarray(costs, dtype=np.float64)
    i = int(np.argmin(c))
    least = float(c[i])
    good = np.flatnonzero(c <= least + flat * abs(least)) + 1.0
    ends = i == len(c) - 1 and len(c) > 1
    return AgeOptimum(math.inf if ends else i + 1.0, least, float(good[0]), float(good[-1]))
