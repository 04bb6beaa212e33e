"""Limits of agreement that change with the size of the reading: a line, its band, and a SD that may change too."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import MULTIPLIER, limit_factor

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RegressionLimits:
    """Limits that change with size (Bland & Altman 1999, section 3.2).

    Difference = intercept + slope x mean, residual SD with n - 2 degrees of freedom; the regression of
    absolute residuals on the mean tells whether the SD changes too.
    """

    intercept: float
    slope: float
    slope_se: float
    residual_sd: float
    abs_intercept: float
    abs_slope: float
    abs_slope_se: float
    df: float
    centre: float
    sxx: float
    n: int

    @property
    def slope_p(self) -> float:
        """Two-sided p-value of the slope."""
        return _t_p(self.slope, self.slope_se, self.df)

    @property
    def spread_p(self) -> float:
        """Two-sided p-value of the slope of absolute residuals."""
        return _t_p(self.abs_slope, self.abs_slope_se, self.df)

    def sd_at(self, x: ArrayLike) -> FloatArray:
        """SD at mean ``x`` from the regression of absolute residuals, (c0 + c1 x) sqrt(pi / 2)."""
        line = self.abs_intercept + self.abs_slope * np.asarray(x, float)
        return np.asarray(np.maximum(line, 0.0) * np.sqrt(np.pi / 2), float)

    def limits_at(self, x: ArrayLike, *, spread: bool, multiplier: float = MULTIPLIER) -> tuple[FloatArray, FloatArray]:
        """Lower and upper limit at mean ``x``; ``spread`` lets the SD change with the mean."""
        at = np.asarray(x, float)
        centre = self.intercept + self.slope * at
        half = multiplier * (self.sd_at(at) if spread else np.full_like(at, self.residual_sd))
        return centre - half, centre + half

    def bound_at(self, x: float, probability: float, *, multiplier: float = MULTIPLIER) -> float:
        """One-sided upper confidence bound of line + multiplier x SD at ``x`` (lower if probability < 0.5).

        Exact for a constant residual SD: noncentral t with the variance of the line at ``x``. A multiplier below
        zero is that of the lower limit, zero that of the bias.
        """
        h = 1.0 / self.n + (x - self.centre) ** 2 / self.sxx
        centre = self.intercept + self.slope * x
        if multiplier < 0:
            return centre - limit_factor(1 / h, 1 - probability, multiplier=-multiplier, df=self.df) * self.residual_sd
        return centre + limit_factor(1 / h, probability, multiplier=multiplier, df=self.df) * self.residual_sd

    def bounds_at(self, x: float, level: float, *, multiplier: float = MULTIPLIER) -> tuple[float, float, float, float]:
        """Exact noncentral-t intervals of the lower and the upper limit at ``x``, constant residual SD.

        Returns low and high of the lower limit, low and high of the upper limit.
        """
        tail = 0.5 - level / 2
        low, high, below, above = (self.bound_at(x, q, multiplier=k) for k in (-multiplier, multiplier)
                                   for q in (tail, 1 - tail))
        return low, high, below, above


def _t_p(value: float, se: float, df: float) -> float:
    from scipy import special

    if not se > 0:
        return 1.0 if value == 0 else 0.0
    return float(2 * special.stdtr(df, -abs(value) / se))


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, float, float]:
    centred = x - x.mean()
    sxx = float(centred @ centred)
    slope = float(centred @ y) / sxx
    intercept = float(y.mean()) - slope * float(x.mean())
    residual = y - intercept - slope * x
    sd = float(np.sqrt(residual @ residual / (len(x) - 2)))
    return intercept, slope, sd / float(np.sqrt(sxx)), sd


def regression_limits(mean: ArrayLike, differences: ArrayLike) -> RegressionLimits:
    """Fit limits of agreement that depend on the size of the reading.

    Parameters
    ----------
    mean, differences : arrays, shape (n,), n >= 3, ``mean`` not constant
    """
    x, d = np.asarray(mean, float), np.asarray(differences, float)
    b0, b1, se, sd = _line(x, d)
    c0, c1, se_abs, _ = _line(x, np.abs(d - b0 - b1 * x))
    centred = x - x.mean()
    return RegressionLimits(b0, b1, se, sd, c0, c1, se_abs, len(x) - 2.0, float(x.mean()), float(centred @ centred),
                            len(x))
