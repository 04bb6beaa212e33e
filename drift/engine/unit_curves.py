"""Curves of single units that level off: an asymptote and a rate, each unit by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_GRID = 81


@dataclass(frozen=True, kw_only=True)
class LevellingOff:
    """y = asymptote (1 - exp(-rate t)) of one unit.

    Parameters
    ----------
    asymptote, rate, log_rate_se, residual : float
    rate_low, rate_high : float
        Profile interval; the low end is 0 (and the asymptote unbounded) where a straight line fits about as well.
    reached : float
        Share of the asymptote reached at the last check.
    """

    asymptote: float
    rate: float
    rate_low: float
    rate_high: float
    log_rate_se: float
    residual: float
    reached: float


def levelling_off(t: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> LevellingOff:
    """Fit an asymptote and a rate to the checks of one unit by least squares.

    Parameters
    ----------
    t, y : array_like, shape (n,)
        Time from 0 and reading that starts at 0.
    level : float

    Returns
    -------
    LevellingOff

    Raises
    ------
    ValueError
        With fewer than three checks after 0, or readings that are all zero.

    Notes
    -----
    For a given rate the asymptote is linear, so that one dimension is searched (variable projection). The interval of
    the rate holds where SSE(rate) <= SSE_min (1 + F(1, n-2)/(n-2)).

    References
    ----------
    Golub GH, Pereyra V (1973), SIAM Journal on Numerical Analysis 10:413-432. Bates DM, Watts DG (1988), Nonlinear
    Regression Analysis and Its Applications, section 6.1 (profile intervals).
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import stdtrit

    t, y = np.asarray(t, float), np.asarray(y, float)
    if np.sum(t > 0) < 3 or not np.any(y):
        raise ValueError("three checks after the start, not all zero, are needed")
    last = float(t.max())

    def shape(u: float) -> Floats:
        # Scaled so that it tends to t/last as the rate goes to zero: a straight line is one end of the family.
        r = math.exp(u)
        return np.asarray(-np.expm1(-r * t / last) / -math.expm1(-r))

    def sse(u: float) -> float:
        g = shape(u)
        return float(((y - g * (g @ y) / (g @ g)) ** 2).sum())

    grid = np.linspace(math.log(1e-3), math.log(1e2), _GRID)
    values = [sse(u) for u in grid]
    k = int(np.argmin(values))
    found = minimize_scalar(sse, bounds=(grid[max(k - 1, 0)], grid[min(k + 1, _GRID - 1)]), method="bounded",
                            options={"xatol": 1e-12})
    u, least = float(found.x), float(found.fun)
    df = len(t) - 2
    allowed = least * (1 + float(stdtrit(df, 0.5 + level / 2)) ** 2 / df)

    def end(side: Floats, edge: float) -> float:
        previous = u
        for at in side:
            if sse(at) > allowed:
                return math.exp(brentq(lambda v: sse(v) - allowed, previous, at)) / last
            previous = at
        return edge

    g = shape(u)
    scaled = float((g @ y) / (g @ g))
    rate = math.exp(u)
    asymptote = scaled / -math.expm1(-rate)
    jacobian = np.column_stack([-np.expm1(-rate * t / last), asymptote * rate * t / last * np.exp(-rate * t / last)])
    se = math.sqrt(least / df * float(np.linalg.inv(jacobian.T @ jacobian)[1, 1]))
    return LevellingOff(asymptote=asymptote, rate=rate / last, rate_low=end(grid[grid < u][::-1], 0.0),
                        rate_high=end(grid[grid > u], math.inf), log_rate_se=se, residual=math.sqrt(least / df),
                        reached=-math.expm1(-rate))
