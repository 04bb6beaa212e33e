"""The pressure at which a curve reaches full scale, with everything known about its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from drift.calibration.fitting import Fitted, final_fit
from drift.engine.curve_choice import REJECTED
from drift.engine.curve_models import Model, inverse, slope
from drift.engine.curves import CurveFit
from drift.engine.inverse_prediction import InverseSet, degrees, inverse_set, mean_variance, t_quantile

REACHES = 0.8  # share of the saturation pressure that the top level should reach
Span = tuple[float, float]
NAN = math.nan


@dataclass(frozen=True, kw_only=True)
class Saturation:
    """Saturation pressure of one curve; all in the unit of the reference.

    ``value`` is NaN where the curve never reaches full scale and another one that was not rejected does. ``u_fit`` is
    the error of the curve with ``df_fit`` degrees of freedom, ``u_reference`` that of the reference (common to all
    levels, so that levels do not average it down), ``u_resolution`` a step of the reading, ``u_model`` the largest
    distance to another curve that is not rejected over root three where the pressure is an extrapolation (NaN where one
    of them has no end). ``low`` and ``high`` are ends of the combined interval, ``high`` infinite where nothing bounds
    it. ``ratio`` is the highest exact level over the pressure. ``others`` holds the pressure by every curve tried,
    ``sets`` the interval by each that makes the combined one, where that is their hull.
    """

    value: float
    u_fit: float = NAN
    u_reference: float = 0.0
    u_resolution: float = 0.0
    u_model: float = 0.0
    u: float = NAN
    df: float = NAN
    df_fit: float = NAN
    low: float
    high: float
    ratio: float
    of_fit: InverseSet
    others: dict[Model, float]
    sets: dict[Model, Span] = field(default_factory=dict)

    @property
    def extrapolated(self) -> bool:
        """Whether the top level stays so low that the pressure rests on the shape of the curve."""
        return not self.ratio >= REACHES

    @property
    def open(self) -> bool:
        """Whether nothing bounds the pressure above."""
        return math.isinf(self.high)


def saturation(fitted: Fitted, *, full_scale: float, level: float, reference: float | None,
               resolution: float | None) -> Saturation | None:
    """Find where the curve reaches full scale; None where neither it nor another that is not rejected ever does.

    Notes
    -----
    u^2 = u_fit^2 + (relative u of the reference x P)^2 + (step/(sqrt(12) slope))^2 + u_model^2. Up to the highest level
    the ends are exp(log P +/- h/P), h^2 = (t u_fit)^2 + (1.96 u of the other parts, which count as known)^2; df are
    those of Welch-Satterthwaite. Beyond it the interval is the hull of the exact sets of all curves that lack of fit
    does not reject, each side in quadrature with the known parts: the curve that was chosen is one of several that the
    readings allow, and they part where there are no readings.

    References
    ----------
    JCGM 100:2008, 5.1, 4.3.7 and G.4.1. S. T. Buckland, K. P. Burnham and N. H. Augustin (1997), Biometrics 53,
    603-618 (inference after a choice of model); the hull takes every curve at its full width in place of a mean.
    """
    fit = fitted.fit
    assert fit is not None
    own = own_saturation(fitted, full_scale=full_scale, level=level, reference=reference, resolution=resolution)
    if own is not None and not fit.high < own.value:
        return own
    sets, values = _sets(fitted, full_scale, level=level, reference=reference or 0.0, resolution=resolution or 0.0)
    low, high = (min(s[0] for s in sets.values()), max(s[1] for s in sets.values())) if sets else (NAN, NAN)
    if own is None:
        if not low < math.inf:
            return None
        return Saturation(value=NAN, low=max(low, fit.high), high=high, ratio=NAN, sets=sets,
                          others={**_others(fitted, full_scale), **values},
                          of_fit=inverse_set(fit, full_scale, level=level, problem="regulation"))
    others = {**own.others, **values}
    apart = [abs(others[m] - own.value) for m in sets if math.isfinite(others[m])]
    low, high = _between_readings(fitted, own, low, high)
    u_model = max(apart, default=0.0) / math.sqrt(3) if not math.isinf(high) else NAN
    u = math.hypot(own.u, u_model)
    df = own.df * (u / own.u) ** 4 if own.u > 0 else math.inf
    return replace(own, u_model=u_model, u=u, df=df, low=low if low > 0 else NAN, high=high, sets=sets,
                   others=others)


def _between_readings(fitted: Fitted, own: Saturation, low: float, high: float) -> Span:
    """Cut the ends where readings themselves lie below full scale, and where all are at it.

    Not where the chosen curve's own set reaches further: a reading errs.
    """
    fit, s = fitted.fit, fitted.series
    assert fit is not None
    low = max(low, min(fit.high, own.of_fit.low if math.isfinite(own.of_fit.low) else fit.high))
    full = s.x[s.curve & s.right & (s.x > fit.high)]
    if len(full):
        high = min(high, max(float(full.min()), own.of_fit.high if math.isfinite(own.of_fit.high) else 0.0))
    return low, high


def own_saturation(fitted: Fitted, *, full_scale: float, level: float, reference: float | None,
                   resolution: float | None) -> Saturation | None:
    """Return the saturation pressure as if the shape of the curve were known; None where it is never reached."""
    fit = fitted.fit
    assert fit is not None
    value, steep = _reached(fit, full_scale)
    if not (value > 0 and steep > 0):
        return None
    at = np.array([value])
    u_fit = math.sqrt(float(mean_variance(fit, at)[0])) / steep
    u_reference, u_resolution = (reference or 0.0) * value, _step(fit, full_scale, steep, resolution or 0.0)
    u = math.sqrt(u_fit**2 + u_reference**2 + u_resolution**2)
    of_fit = float(degrees(fit, at, problem="regulation")[0])
    # Half-widths add in quadrature: one t of effective degrees of freedom would make the whole narrower than its part.
    known = math.hypot(u_reference, u_resolution)
    half = math.hypot(t_quantile(level, of_fit) * u_fit, t_quantile(level, math.inf) * known) / value
    low, high = (value * math.exp(sign * half) for sign in (-1, 1))
    return Saturation(value=value, u_fit=u_fit, u_reference=u_reference, u_resolution=u_resolution, u=u,
                      df=of_fit * (u / u_fit) ** 4 if u_fit > 0 else math.inf, df_fit=of_fit, low=low, high=high,
                      ratio=fit.high / value, others=_others(fitted, full_scale),
                      of_fit=inverse_set(fit, full_scale, level=level, problem="regulation"))


def _reached(fit: CurveFit, full_scale: float) -> Span:
    """Return where the curve reaches full scale and how steep it is there; NaN and 0 where it never does."""
    theta = np.asarray(fit.coefficients)
    value = float(inverse(fit.model, theta, np.array([full_scale]), inside=(fit.low, fit.high))[0])
    if not (math.isfinite(value) and value > 0):
        return NAN, 0.0
    return value, abs(float(slope(fit.model, theta, np.array([value]))[0]))


def _step(fit: CurveFit, full_scale: float, steep: float, resolution: float) -> float:
    """Return the standard uncertainty of a step of the reading as a load."""
    return resolution / math.sqrt(12) / (steep * (full_scale if fit.model == "power of logs" else 1.0))


def retained(fitted: Fitted) -> tuple[Model, ...]:
    """Return the curves that rise (or fall) throughout and that lack of fit does not reject, and the curve itself.

    Where lack of fit rejects every one, all of them.
    """
    rising = {m: c for m, c in fitted.tried.items() if c.monotone}
    kept = {m for m, c in rising.items() if not c.lack.p < REJECTED} or set(rising)
    return tuple(dict.fromkeys([*([fitted.model] if fitted.model else []), *(m for m in fitted.tried if m in kept)]))


def _sets(fitted: Fitted, full_scale: float, *, level: float, reference: float,
          resolution: float) -> tuple[dict[Model, Span], dict[Model, float]]:
    """Return the loads at which each retained curve may reach full scale, and where it does.

    Ends are infinite where nothing bounds them.
    """
    made: dict[Model, Span] = {}
    values: dict[Model, float] = {}
    for model in retained(fitted):
        chosen = model == fitted.model
        fit = fitted.fit if chosen else final_fit(fitted, model)
        # Another curve counts at each end of the power of the SD by itself: means of nonlinear coefficients stray.
        parts = () if fit is None else (fit,) if chosen or not fit.sides else fit.sides
        spans = [_set(part, full_scale, level=level, reference=reference, resolution=resolution) for part in parts]
        if chosen and spans[0] is None:  # as many coefficients as readings: where it goes, and not how well
            return {model: (NAN, NAN)}, values
        found = [s for s in spans if s is not None]
        value = float(np.mean([s[0] for s in found])) if found else NAN
        if not found or (not chosen and value <= parts[0].high):  # readings there are below full scale
            continue
        values[model] = value
        made[model] = min(s[1] for s in found), max(s[2] for s in found)
    return made, values


def _set(fit: CurveFit, full_scale: float, *, level: float, reference: float,
         resolution: float) -> tuple[float, float, float] | None:
    """Return where one curve reaches full scale, and the ends of its set; None where its error is not known."""
    found = inverse_set(fit, full_scale, level=level, problem="regulation")
    if found.kind == "not known":
        return None
    value, steep = _reached(fit, full_scale)
    step = _step(fit, full_scale, steep, resolution) / value if steep > 0 else 0.0
    return value, *_wider(value, *_first(found, value, fit.high), t_quantile(level, math.inf) * math.hypot(reference,
                                                                                                         step))


def _first(found: InverseSet, value: float, top: float) -> Span:
    """Return the piece of a set in which the curve first reaches full scale; open above where it may never.

    Far beyond the levels the band of a quadratic takes in full scale again: there curves of the band come back to it.
    """
    if math.isfinite(value):
        return next((p for p in found.pieces if p[0] <= value <= p[1]), (math.inf, math.inf))
    return next((p[0] for p in found.pieces if p[1] > top), math.inf), math.inf


def _wider(value: float, low: float, high: float, known: float) -> Span:
    """Return ends with the known parts in quadrature on the log scale, about the curve's own pressure."""
    middle = value if value > 0 else (low if low > 0 else NAN)
    if not math.isfinite(middle):
        return low, high
    if 0 < low < math.inf:
        low = middle * math.exp(-math.hypot(math.log(middle / low), known))
    if 0 < high < math.inf:
        high = middle * math.exp(math.hypot(math.log(high / middle), known))
    return low, high


def _others(fitted: Fitted, full_scale: float) -> dict[Model, float]:
    """Return the saturation pressure by every curve that was tried."""
    found: dict[Model, float] = {}
    name: Model
    for name, c in fitted.tried.items():
        at = inverse(name, np.asarray(c.fit.coefficients), np.array([full_scale]), inside=(c.fit.low, c.fit.high))
        found[name] = float(at[0])
    return found
