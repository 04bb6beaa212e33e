"""Input quantities of a pressure, and the measurement model that joins them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.engine.monte_carlo import Inputs
from drift.engine.uncertainty import Model

Floats = NDArray[np.float64]
Place = Literal["reading", "coefficient", "drift", "response", "relative", "calibration", "absolute"]
Inverse = Callable[[Floats, Floats], Floats]
"""Readings (n_draws,) and coefficients (q, n_draws) to pressures (n_draws,)."""
Zero = Callable[[Floats], Floats]
"""Coefficients (q, n_draws) to readings without load (n_draws,)."""


def first_coefficient(coefficients: Floats) -> Floats:
    """Return the reading without load where it is the first coefficient."""
    return np.asarray(coefficients[0])


def nothing(coefficients: Floats) -> Floats:
    """Return the reading without load of a curve through zero."""
    return np.zeros(coefficients.shape[1:])


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """One input quantity.

    Parameters
    ----------
    name : str
    estimate, u : float
        Estimate and standard uncertainty, in ``unit``; relative effects as shares.
    unit : str
    kind : {"A", "B"}
    distribution : str
        One of ``drift.engine.monte_carlo.DISTRIBUTIONS``.
    df : float
        Degrees of freedom; infinite for most of type B.
    place : str
        Where it enters the model: an effect on the reading, a coefficient of the curve, the drift per use, a relative
        effect on the sensitivity at the reading or at the calibration, a relative effect on the pressure, or one in its
        unit.
    pool : str
        Quantities of one pool owe their uncertainty to one variance estimate; empty: its own.
    source : str
        Where the numbers come from.
    per_cell : bool
        Independent from cell to cell: averages out in a total force.
    shape : float
        Of trapezoidal and curvilinear distributions.
    """

    name: str
    estimate: float = 0.0
    u: float = 0.0
    unit: str = ""
    kind: Literal["A", "B"] = "B"
    distribution: str = "normal"
    df: float = float("inf")
    place: Place = "relative"
    pool: str = ""
    source: str = ""
    per_cell: bool = False
    shape: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Assembly:
    """Quantities with their covariances, at one reading and one number of uses since the calibration.

    Parameters
    ----------
    reading : float
        The reading, without uncertainty: what is uncertain about it are quantities.
    quantities : tuple of Quantity
    covariances : mapping of (name, name) to float
        Each pair once.
    inverse : callable
        Reading and coefficients to pressure.
    zero : callable
        Coefficients to the reading without load, about which wear, days and mountings stretch a curve.
    uses_since : float
    slope_at_calibration : float
        NaN where drift is that of the logarithm; else the sensitivity that a drift in its unit is divided by.
    """

    reading: float
    quantities: tuple[Quantity, ...]
    inverse: Inverse
    zero: Zero
    uses_since: float
    covariances: Mapping[tuple[str, str], float] = field(default_factory=dict)
    slope_at_calibration: float = float("nan")

    def rows(self, place: Place) -> list[int]:
        """Return the positions of the quantities that enter at a place."""
        return [i for i, q in enumerate(self.quantities) if q.place == place]

    @property
    def estimates(self) -> Floats:
        """Estimates in the order of the quantities."""
        return np.array([q.estimate for q in self.quantities], dtype=np.float64)

    @property
    def covariance(self) -> Floats:
        """Covariance matrix of the quantities."""
        at = {q.name: i for i, q in enumerate(self.quantities)}
        v = np.diag([q.u**2 for q in self.quantities]).astype(np.float64)
        for (a, b), value in self.covariances.items():
            if a in at and b in at:
                v[at[a], at[b]] = v[at[b], at[a]] = value
        return v

    @property
    def df(self) -> Floats:
        """Degrees of freedom in the order of the quantities."""
        return np.array([q.df for q in self.quantities], dtype=np.float64)

    @property
    def pools(self) -> NDArray[np.int64]:
        """Number of the pool of each quantity."""
        names = [q.pool or f"\n{q.name}" for q in self.quantities]
        order = {name: i for i, name in enumerate(dict.fromkeys(names))}
        return np.array([order[name] for name in names], dtype=np.int64)

    @property
    def inputs(self) -> Inputs:
        """Distributions for the simulation."""
        return Inputs(estimates=self.estimates, covariance=self.covariance, df=self.df, pools=self.pools,
                      distribution=tuple(q.distribution for q in self.quantities),
                      shape=np.array([q.shape for q in self.quantities], dtype=np.float64))

    def model(self, *, corrected: bool = True) -> Model:
        """Return the measurement model; uncorrected, the pressure is what the calibration alone makes of the reading.

        Notes
        -----
        P = f^-1(f(0) + (R - effects - f(0)) exp(calibration errors - effects on the sensitivity - m n); theta)
        exp(-relative effects) - effects, with m the drift of log sensitivity per use (negative with wear) and n the
        uses since the calibration. Of a line the exponentials all multiply the pressure.
        """
        place = {p: self.rows(p) for p in ("reading", "coefficient", "drift", "response", "relative", "calibration",
                                           "absolute")}

        def pressure(x: Floats) -> Floats:
            theta = x[place["coefficient"]]
            # One exponent: of two factors one may be too large for a number and the other too small.
            exponent, shrink = x[place["calibration"]].sum(axis=0) - x[place["response"]].sum(axis=0), 1.0
            if corrected and place["drift"]:
                change = x[place["drift"]].sum(axis=0) * self.uses_since
                if np.isnan(self.slope_at_calibration):
                    exponent = exponent - change
                else:
                    shrink = 1.0 + change / self.slope_at_calibration
            zero = self.zero(theta)
            p = self.inverse(zero + (self.reading - x[place["reading"]].sum(axis=0) - zero) * np.exp(exponent) / shrink,
                             theta)
            p = p * np.exp(-x[place["relative"]].sum(axis=0))
            return np.asarray(p - x[place["absolute"]].sum(axis=0))

        return pressure
