"""A calibration curve as a value: it turns readings into pressures, and marks every one it cannot vouch for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine import curve_models, inverse_prediction
from drift.engine.curves import CurveFit, Spread
from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
INSIDE, BELOW, ABOVE, SATURATED, NONE = ("inside", "below lowest", "above highest", "saturated", "not invertible")
MARKS = (INSIDE, BELOW, ABOVE, SATURATED, NONE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Pressures:
    """Pressures made from readings.

    Parameters
    ----------
    value, std_uncertainty : array, shape (n,)
        NaN where the curve gives none (saturated, not invertible).
    mark : array of str, shape (n,)
        "inside", "below lowest", "above highest", "saturated" or "not invertible".
    unit : str
    """

    value: Floats
    std_uncertainty: Floats
    mark: NDArray[np.object_]
    unit: str

    def __post_init__(self) -> None:
        for name in ("value", "std_uncertainty"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))
        mark = np.array(self.mark, dtype=object)
        mark.setflags(write=False)
        object.__setattr__(self, "mark", mark)

    def __len__(self) -> int:
        return len(self.value)


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationCurve:
    """A fitted curve from pressure to raw reading, with the range in which it holds.

    Parameters
    ----------
    model : str
        One of ``drift.engine.curve_models.MODELS``.
    coefficients : array, shape (q,)
        Named by ``names``.
    covariance, between : array, shape (q, q)
        Of the coefficients, and what a new mounting adds.
    sigma, df, curve_df : float
        Residual SD of a reading, its degrees of freedom, and those of the covariance.
    theta, theta_lowest, theta_middle : float
        Variance model: SD = sigma (max(p, theta_lowest)/theta_middle)^theta.
    low, high : float
        Pressures of the lowest and highest exact level.
    full_scale : float
        Reading at which the sensor saturates; NaN where it is not known.
    mountings : int
    sides : tuple of CalibrationCurve
        Where the power ``theta`` was estimated: the curves at both ends of it that this one is the mean of.
    reference_unit, reading_unit : str
    sensor, use, cal_id, date : str
        What it is a calibration of, and which one.
    """

    model: curve_models.Model
    coefficients: Floats
    covariance: Floats
    between: Floats
    sigma: float
    df: float
    curve_df: float
    low: float
    high: float
    theta: float = 0.0
    theta_lowest: float = 1.0
    theta_middle: float = 1.0
    full_scale: float = math.nan
    mountings: int = 1
    sides: tuple[CalibrationCurve, ...] = ()
    reference_unit: str = ""
    reading_unit: str = ""
    sensor: str = ""
    use: str = ""
    cal_id: str = ""
    date: str = ""

    def __post_init__(self) -> None:
        for name in ("coefficients", "covariance", "between"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))
        if self.model not in curve_models.MODELS:
            raise ValueError(f"unknown model {self.model!r}; there are {curve_models.MODELS}")
        if len(self.coefficients) != len(self.names):
            raise ValueError(f"{self.model} has coefficients {self.names}, not {len(self.coefficients)} of them")

    def __reduce__(self) -> tuple[Any, ...]:
        return (_from_dict, (self.to_dict(),))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coefficients."""
        return curve_models.COEFFICIENTS[self.model]

    @property
    def fit(self) -> CurveFit:
        """The curve as the engine knows it."""
        spread = Spread(theta=self.theta, lowest=self.theta_lowest, middle=self.theta_middle)
        nan = math.nan
        return CurveFit(model=self.model, coefficients=self.coefficients, covariance=self.covariance,
                        between=self.between, sigma=self.sigma, df=self.df, curve_df=self.curve_df, spread=spread,
                        sse=nan, log_likelihood=nan, aicc=nan, n=0, n_censored=0, low=self.low, high=self.high,
                        mountings=self.mountings, sides=tuple(c.fit for c in self.sides))

    @property
    def rises(self) -> bool:
        """Whether the reading rises with the pressure throughout the calibrated range."""
        return bool(np.all(curve_models.slope(self.model, np.asarray(self.coefficients), self._range()) > 0))

    @property
    def monotone(self) -> bool:
        """Whether every reading of the calibrated range belongs to one pressure only."""
        steep = curve_models.slope(self.model, np.asarray(self.coefficients), self._range())
        return bool(np.all(steep > 0) or np.all(steep < 0))

    def _range(self) -> Floats:
        low = self.low if self.low > 0 or self.model not in ("power", "power of logs") else 1e-9 * self.high
        return np.linspace(low, self.high, 201)

    def reading(self, pressure: ArrayLike) -> Floats:
        """Return the readings that belong to pressures (the median reading of a power law of logs)."""
        at = np.atleast_1d(np.asarray(pressure, dtype=np.float64))
        made = np.asarray(curve_models.values(self.model, np.asarray(self.coefficients), at), dtype=np.float64)
        return np.exp(made) if self.model == "power of logs" else made

    def pressure(self, reading: ArrayLike, *, mean_of: float = 1) -> Pressures:
        """Turn readings into pressures.

        Parameters
        ----------
        reading : array_like, shape (n,)
        mean_of : float
            Number of readings each value is the mean of.

        Returns
        -------
        Pressures
            ``std_uncertainty`` holds the error of the curve (whole covariance), of the reading and, over mountings, of
            a new mounting: first order, sqrt(var)/|slope|. Reference, hysteresis and creep are not in it.

        Notes
        -----
        Pressures beyond the calibrated range are given and marked; a reading at or above full scale, one the curve
        never takes, and one that a curve with a turning point takes twice give none.
        """
        y = np.atleast_1d(np.asarray(reading, dtype=np.float64))
        theta = np.asarray(self.coefficients)
        x = curve_models.inverse(self.model, theta, y, inside=(self.low, self.high))
        mark = np.full(len(y), INSIDE, dtype=object)
        with np.errstate(invalid="ignore"):
            slack = 1e-9 * max(abs(self.low), abs(self.high))
            mark[x < self.low - slack] = BELOW
            mark[x > self.high + slack] = ABOVE
            mark[~np.isfinite(x) | self._twice(x)] = NONE
            mark[y >= self.full_scale] = SATURATED
        known = ~np.isin(mark, (NONE, SATURATED))
        value, error = np.where(known, x, np.nan), np.full(len(y), np.nan)
        if known.any():
            at = value[known]
            with np.errstate(divide="ignore", invalid="ignore"):
                steep = np.abs(curve_models.slope(self.model, theta, at))
                error[known] = np.sqrt(inverse_prediction.reading_variance(self.fit, at, m=mean_of)) / steep
        return Pressures(value=value, std_uncertainty=np.where(np.isfinite(error), error, np.nan), mark=mark,
                         unit=self.reference_unit)

    def _twice(self, x: Floats) -> NDArray[np.bool_]:
        """Mark loads whose reading the curve takes at another load of the calibrated range too."""
        turn = curve_models.vertex(self.model, np.asarray(self.coefficients))
        if not math.isfinite(turn):
            return np.zeros(len(x), dtype=np.bool_)
        other = 2 * turn - x
        with np.errstate(invalid="ignore"):
            return np.asarray((other >= self.low) & (other <= self.high) & (other != x))

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; NaN becomes None."""
        return {**{k: _plain(getattr(self, k)) for k in ("model", "sigma", "df", "curve_df", "low", "high", "theta",
                                                         "theta_lowest", "theta_middle", "full_scale", "mountings",
                                                         "reference_unit", "reading_unit", "sensor", "use", "cal_id",
                                                         "date")},
                **{k: np.asarray(getattr(self, k)).tolist() for k in ("coefficients", "covariance", "between")},
                **({"sides": [c.to_dict() for c in self.sides]} if self.sides else {})}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> CalibrationCurve:
        """Rebuild from :meth:`to_dict`."""
        numbers = {k: math.nan if data[k] is None else data[k] for k in ("sigma", "df", "curve_df", "full_scale")}
        arrays = {k: np.array(data[k], dtype=np.float64) for k in ("coefficients", "covariance", "between")}
        sides = tuple(cls.from_dict(d) for d in data.get("sides", ()))
        return cls(**{**data, **numbers, **arrays, "sides": sides})


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _from_dict(data: dict[str, Any]) -> CalibrationCurve:
    return CalibrationCurve.from_dict(data)


def curve_of(fit: CurveFit, **labels: Any) -> CalibrationCurve:
    """Return the value object of a fit; ``labels`` are its units, sensor, use, cal_id, date and full scale."""
    return CalibrationCurve(model=fit.model, coefficients=fit.coefficients, covariance=fit.covariance,
                            between=fit.between, sigma=fit.sigma, df=fit.df, curve_df=fit.curve_df, low=fit.low,
                            high=fit.high, theta=fit.spread.theta, theta_lowest=fit.spread.lowest,
                            theta_middle=fit.spread.middle, mountings=fit.mountings,
                            sides=tuple(curve_of(f) for f in fit.sides), **labels)
