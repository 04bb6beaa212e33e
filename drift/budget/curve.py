"""The calibration of a sensor as the budget needs it: coefficients, their covariance, and the inverse.

The one place that knows how calibrations are made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.budget.quantities import Inverse, Zero, first_coefficient, nothing
from drift.calibration import Calibration, CalibrationCurve, numbers
from drift.engine import curve_models
from drift.records import CheckTable

Floats = NDArray[np.float64]
INTERCEPT, SLOPE = "intercept of the calibration", "slope of the calibration"


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """A calibration of one sensor at one use.

    Parameters
    ----------
    names : tuple of str
    coefficients : array, shape (q,)
    covariance : array, shape (q, q)
        From the scatter of readings about the curve alone; what mountings and days add stands apart.
    df : float
        Degrees of freedom of that scatter.
    slope : int
        Position of the coefficient that is the sensitivity; -1 where the curve is bent and none is.
    inverse, zero : callable
        Readings and coefficients to pressures; coefficients to the reading without load.
    scatter : float
        SD of one reading about the curve at mid-range [reading unit]; ``power`` and ``middle`` give it elsewhere.
    low, high : float
        Pressures of the lowest and highest level.
    full_scale : float
    mountings : int
    model : str
        What it is, in words.
    gain : float
        Of a bent curve: the slope of the line through its levels, by which drift is measured.
    bent : CalibrationCurve, optional
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    df: float
    slope: int
    inverse: Inverse
    zero: Zero
    scatter: float
    power: float
    middle: float
    low: float
    high: float
    full_scale: float
    mountings: int
    model: str = "line"
    gain: float = float("nan")
    bent: CalibrationCurve | None = None

    @property
    def sensitivity(self) -> float:
        """Reading per pressure."""
        return float(self.coefficients[self.slope]) if self.slope >= 0 else self.gain

    def pressure(self, reading: float) -> float:
        """Return the pressure of a reading, by the calibration alone."""
        return float(self.inverse(np.array([reading]), self.coefficients[:, None])[0])

    def reading(self, pressure: float) -> float:
        """Return the reading at a pressure, by the calibration alone."""
        if self.bent is not None:
            return float(self.bent.reading(pressure)[0]) if pressure > 0 else self.at_zero
        return self.at_zero + self.sensitivity * pressure

    @property
    def at_zero(self) -> float:
        """Reading without load."""
        return float(self.zero(self.coefficients[:, None])[0])

    def scatter_at(self, pressure: float) -> float:
        """SD of one reading about the curve at a pressure."""
        if self.bent is not None and self.bent.model == "power of logs":  # errors multiply
            return self.scatter * self.reading(pressure)
        if not np.isfinite(self.power):
            return self.scatter
        return float(self.scatter * (max(pressure, self.low, 1e-12) / self.middle) ** self.power)


def straight_line(reading: Floats, coefficients: Floats) -> Floats:
    """Return pressures of readings: (R - intercept) / slope."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((reading - coefficients[0]) / coefficients[1])


def through_zero(reading: Floats, coefficients: Floats) -> Floats:
    """Return pressures of readings: R / slope."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(reading / coefficients[0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Scatter:
    """SD of single readings about the lines of their mountings, pooled, with its degrees of freedom."""

    sd: float
    df: float
    power: float
    middle: float
    lowest: float


def pooled_scatter(checks: CheckTable, made: Calibration, full_scale: Floats | None) -> Scatter:
    """Return the scatter of readings about the calibration lines of a study."""
    rows = np.flatnonzero(made.mounting >= 0)
    x = numbers(checks, "reference")[rows]
    ceiling = np.inf if full_scale is None else np.nan_to_num(full_scale[rows], nan=np.inf)
    with np.errstate(invalid="ignore"):
        exact = ~((numbers(checks, "saturated")[rows] > 0) | (numbers(checks, "reading")[rows] >= ceiling))
    parameters = 2 if made.form == "line" else 1
    counts = np.bincount(made.mounting[rows][exact], minlength=1)
    df = float(np.maximum(counts - parameters, 0).sum())
    positive = x[x > 0]
    lowest, middle = (float(positive.min()), float(np.median(positive))) if len(positive) else (1.0, 1.0)
    sd = float(made.pooled_sd) if df > 0 and np.isfinite(made.pooled_sd) else 0.0
    return Scatter(sd=sd, df=df, power=float(made.theta), middle=middle, lowest=lowest)


def curve_at(checks: CheckTable, made: Calibration, picked: NDArray[np.int64], scatter: Scatter,
             full_scale: Floats | None) -> Curve:
    """Return the calibration made by some mountings of one sensor: the mean of their lines.

    Parameters
    ----------
    picked : array of int
        Mountings of the calibration.
    scatter : Scatter
        Of the whole study: one calibration alone has few degrees of freedom.
    """
    rows = np.flatnonzero(np.isin(made.mounting, picked))
    x = numbers(checks, "reference")[rows]
    top = float("nan") if full_scale is None else float(full_scale[rows[0]])
    with np.errstate(invalid="ignore"):
        exact = ~((numbers(checks, "saturated")[rows] > 0) | (numbers(checks, "reading")[rows] >= top))
    x = x[exact] if exact.any() else x
    w = np.ones(len(x))
    if np.isfinite(scatter.power):
        w = (np.maximum(x, scatter.lowest) / scatter.middle) ** (-2 * scatter.power)
    sensitivity = float(made.sensitivity[picked].mean())
    kept: dict[str, Any] = {"df": scatter.df, "scatter": scatter.sd, "power": scatter.power, "middle": scatter.middle,
            "low": float(x.min()), "high": float(x.max()), "full_scale": top, "mountings": len(picked)}
    if made.form != "line":
        return Curve(names=(SLOPE,), coefficients=np.array([sensitivity]), inverse=through_zero, zero=nothing, slope=0,
                     covariance=np.array([[scatter.sd**2 / float((w * x * x).sum())]]), **kept)
    design = np.column_stack([np.ones(len(x)), x])
    return Curve(names=(INTERCEPT, SLOPE), coefficients=np.array([float(made.intercept[picked].mean()), sensitivity]),
                 inverse=straight_line, zero=first_coefficient, slope=1,
                 covariance=np.asarray(scatter.sd**2 * np.linalg.inv(design.T @ (w[:, None] * design)),
                                       dtype=np.float64), **kept)


def curve_of(fitted: CalibrationCurve, x: Floats, *, gain: float) -> Curve:
    """Return a bent calibration as the budget needs it.

    Parameters
    ----------
    fitted : CalibrationCurve
    x : array, shape (n,)
        Pressures of its exact readings.
    gain : float
        Slope of the line through the same levels.

    Notes
    -----
    The covariance is that of the scatter of readings about the curve, sigma^2 (J' W J)^-1; what mountings and days add
    stands apart, as with lines. Drift is of the line's slope; it stretches the readings of a curve about the one
    without load.
    """
    model, theta = fitted.model, np.asarray(fitted.coefficients)
    gradient = curve_models.gradient(model, theta, x)
    w = np.ones(len(x)) if model == "power of logs" else (
        np.maximum(x, fitted.theta_lowest) / fitted.theta_middle) ** (-2 * fitted.theta)
    covariance = fitted.sigma**2 * np.linalg.inv(gradient.T @ (w[:, None] * gradient))
    inside = (fitted.low, fitted.high)

    zero: Zero = first_coefficient if model == "quadratic" else nothing

    def inverse(reading: Floats, coefficients: Floats) -> Floats:
        p = curve_models.inverse(model, coefficients, reading, inside=inside)
        # A reading the curve never takes is beyond its top, or no higher than that without load.
        return np.where(np.isfinite(p), p, np.where(reading > zero(coefficients), np.inf, 0.0))

    return Curve(names=tuple(f"{n} of the calibration" for n in fitted.names), coefficients=theta,
                 covariance=(covariance + covariance.T) / 2, df=fitted.df, slope=-1, inverse=inverse,
                 zero=zero, scatter=fitted.sigma,
                 power=fitted.theta if fitted.theta else float("nan"), middle=fitted.theta_middle, low=fitted.low,
                 high=fitted.high, full_scale=fitted.full_scale, mountings=fitted.mountings, gain=gain, bent=fitted,
                 model=f"{model} curve")
