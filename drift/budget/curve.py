"""The calibration of a sensor as the budget needs it: coefficients, their covariance, and the inverse.

The one place that knows how calibrations are made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.budget.quantities import Inverse
from drift.calibration import Calibration, numbers
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
        Position of the coefficient that is the sensitivity.
    inverse : callable
    scatter : float
        SD of one reading about the curve at mid-range [reading unit]; ``power`` and ``middle`` give it elsewhere.
    low, high : float
        Pressures of the lowest and highest level.
    full_scale : float
    mountings : int
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    df: float
    slope: int
    inverse: Inverse
    scatter: float
    power: float
    middle: float
    low: float
    high: float
    full_scale: float
    mountings: int

    @property
    def sensitivity(self) -> float:
        """Reading per pressure."""
        return float(self.coefficients[self.slope])

    def pressure(self, reading: float) -> float:
        """Return the pressure of a reading, by the calibration alone."""
        return float(self.inverse(np.array([reading]), self.coefficients[:, None])[0])

    def reading(self, pressure: float) -> float:
        """Return the reading at a pressure, by the calibration alone."""
        start = float(self.coefficients[0]) if self.slope else 0.0
        return start + self.sensitivity * pressure

    def scatter_at(self, pressure: float) -> float:
        """SD of one reading about the curve at a pressure."""
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
        return Curve(names=(SLOPE,), coefficients=np.array([sensitivity]), inverse=through_zero, slope=0,
                     covariance=np.array([[scatter.sd**2 / float((w * x * x).sum())]]), **kept)
    design = np.column_stack([np.ones(len(x)), x])
    return Curve(names=(INTERCEPT, SLOPE), coefficients=np.array([float(made.intercept[picked].mean()), sensitivity]),
                 inverse=straight_line, slope=1,
                 covariance=np.asarray(scatter.sd**2 * np.linalg.inv(design.T @ (w[:, None] * design)),
                                       dtype=np.float64), **kept)
