"""The pressure at which a curve reaches full scale, with everything known about its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.calibration.fitting import Fitted
from drift.engine.curve_choice import REJECTED
from drift.engine.curve_models import Model, inverse, slope
from drift.engine.inverse_prediction import InverseSet, degrees, inverse_set, mean_variance, t_quantile

REACHES = 0.8  # share of the saturation pressure that the top level should reach


@dataclass(frozen=True, kw_only=True)
class Saturation:
    """Saturation pressure of one curve; all in the unit of the reference.

    ``u_fit`` is the error of the curve, ``u_reference`` that of the reference (common to all levels, so that levels do
    not average it down), ``u_resolution`` a step of the reading, ``u_model`` half the spread of curves over root three
    where the pressure is an extrapolation; ``low`` and ``high`` are ends of the combined interval, on the log scale.
    ``ratio`` is the highest exact level over the pressure.
    """

    value: float
    u_fit: float
    u_reference: float
    u_resolution: float
    u_model: float
    u: float
    df: float
    low: float
    high: float
    ratio: float
    of_fit: InverseSet
    others: dict[str, float]

    @property
    def extrapolated(self) -> bool:
        """Whether the top level stays so low that the pressure rests on the shape of the curve."""
        return not self.ratio >= REACHES


def saturation(fitted: Fitted, *, full_scale: float, level: float, reference: float | None,
               resolution: float | None) -> Saturation | None:
    """Find where the curve reaches full scale; None where it never does.

    Notes
    -----
    u^2 = u_fit^2 + (relative u of the reference x P)^2 + (step/(sqrt(12) slope))^2 + u_model^2, u_model = the largest
    distance to the P of a line or a power law that the replicates do not reject, over sqrt(3), where the highest level
    lies below P. Ends exp(log P +/- h/P), h^2 = (t u_fit)^2 +
    (1.96 u of the other parts, which count as known)^2; df are those of Welch-Satterthwaite.

    References
    ----------
    JCGM 100:2008, 5.1, 4.3.7 and G.4.1.
    """
    fit = fitted.fit
    assert fit is not None
    theta = np.asarray(fit.coefficients)
    inside = (fit.low, fit.high)
    value = float(inverse(fit.model, theta, np.array([full_scale]), inside=inside)[0])
    if not (math.isfinite(value) and value > 0):
        return None
    at = np.array([value])
    steep = abs(float(slope(fit.model, theta, at)[0]))
    if not steep > 0:
        return None
    u_fit = math.sqrt(float(mean_variance(fit, at)[0])) / steep
    per_reading = full_scale if fit.model == "power of logs" else 1.0
    u_resolution = (resolution or 0.0) / math.sqrt(12) / (steep * per_reading)
    u_reference = (reference or 0.0) * value
    others = _others(fitted, full_scale)
    spread = _spread(fitted, others, value) if fit.high < value else 0.0
    u_model = spread / math.sqrt(3)
    u = math.sqrt(u_fit**2 + u_reference**2 + u_resolution**2 + u_model**2)
    of_fit = float(degrees(fit, at, problem="regulation")[0])
    df = of_fit * (u / u_fit) ** 4 if u_fit > 0 else math.inf
    # Half-widths add in quadrature: one t of effective degrees of freedom would make the whole narrower than its part.
    known = math.sqrt(u_reference**2 + u_resolution**2 + u_model**2)
    half = math.hypot(t_quantile(level, of_fit) * u_fit, t_quantile(level, math.inf) * known) / value
    low, high = (value * math.exp(sign * half) for sign in (-1, 1))
    return Saturation(value=value, u_fit=u_fit, u_reference=u_reference, u_resolution=u_resolution, u_model=u_model,
                      u=u, df=df, low=low, high=high, ratio=fit.high / value, others=others,
                      of_fit=inverse_set(fit, full_scale, level=level, problem="regulation"))


def _spread(fitted: Fitted, others: dict[str, float], value: float) -> float:
    """Return how far the saturation pressure of another two-coefficient curve lies that the data do not reject."""
    apart = [abs(others[m] - value) for m, c in fitted.tried.items() if m in ("line", "power")
             and math.isfinite(others[m]) and not c.lack.p < REJECTED]
    return max(apart, default=0.0)


def _others(fitted: Fitted, full_scale: float) -> dict[str, float]:
    """Return the saturation pressure by every curve that was tried."""
    found: dict[str, float] = {}
    name: Model
    for name, c in fitted.tried.items():
        at = inverse(name, np.asarray(c.fit.coefficients), np.array([full_scale]), inside=(c.fit.low, c.fit.high))
        found[name] = float(at[0])
    return found
