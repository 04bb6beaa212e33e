"""What is said about calibration curves: the reason of a choice, sets of loads, marks."""

from __future__ import annotations

import math

import numpy as np

from drift.calibration.fitting import Fitted, end_name, end_words
from drift.engine.curve_choice import LackOfFit
from drift.engine.curve_models import FORMULA
from drift.engine.inverse_prediction import InverseSet
from drift.errors import MINUS

NAMES = {"line": "a straight line", "through-zero": "a line through zero", "quadratic": "a quadratic",
         "power": "a power law with errors that add", "power of logs": "a power law with errors that multiply",
         "saturating": "a saturating exponential"}


def number(value: float, digits: int = 4) -> str:
    """Return a number with so many significant digits and a true minus sign."""
    if not math.isfinite(value):
        return "none"
    size = 0 if value == 0 else math.floor(math.log10(abs(value)))
    if size < -4 or size > 8:
        return f"{value:.{digits - 1}e}".replace("e-0", "e-").replace("e+0", "e").replace("-", MINUS)
    return f"{value:.{max(0, digits - 1 - size)}f}".replace("-", MINUS)


def reason(fitted: Fitted) -> str:
    """Return why the curve was chosen, in a sentence."""
    assert fitted.model is not None
    name, tried = NAMES[fitted.model], fitted.tried
    chosen = tried[fitted.model]
    if fitted.reason == "asked":
        return f"{name} was asked for{_verdict(fitted)}"
    if fitted.reason == "only one":
        return f"{name}: the readings are too few to compare curves"
    if fitted.reason == "AICc":
        return (f"{name} has the fewest coefficients of the curves within 2 of the lowest AICc "
                f"({chosen.fit.aicc:.1f}); lack of fit cannot be tested: {untested(chosen.lack)}")
    if fitted.reason == "least rejected":
        return (f"the replicates reject every curve at 1 % (lack of fit of {name}: F = {chosen.lack.F:.1f}, "
                f"p {p_text(chosen.lack.p)}); {name} has the lowest AICc")
    said = [f"{NAMES[m]} is rejected (F = {c.lack.F:.1f}, p {p_text(c.lack.p)})" for m, c in tried.items()
            if m == "line" and m != fitted.model and c.lack.p < 0.01]
    judged = (f"is not rejected by the replicates (lack of fit F = {chosen.lack.F:.2f}, p {p_text(chosen.lack.p)})"
              if math.isfinite(chosen.lack.p) else f"cannot be tested for lack of fit ({untested(chosen.lack)})")
    return (f"{name} {judged} and has the fewest coefficients within 2 of the lowest AICc"
            f"{'; ' + said[0] if said else ''}")


def _verdict(fitted: Fitted) -> str:
    assert fitted.model is not None
    lack = fitted.tried[fitted.model].lack
    if not math.isfinite(lack.p):
        return f"; its lack of fit cannot be tested: {untested(lack)}"
    word = "reject it" if lack.p < 0.01 else "do not reject it"
    return f"; the replicates {word} (lack of fit F = {lack.F:.2f}, p {p_text(lack.p)})"


def untested(lack: LackOfFit) -> str:
    """Return why a curve could not be tested against its level means."""
    if lack.df_pure < 1:
        return "no load was repeated often enough"
    return ("it has as many coefficients as there are loads" if lack.df_lack < 1 else
            "repeated readings are exactly alike and show no error to hold it against")


def p_text(p: float) -> str:
    """Return ``= 0.012`` or ``< 0.001``."""
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"


def formula(fitted: Fitted, digits: int = 5) -> str:
    """Return the curve with its numbers."""
    fit = fitted.fit
    assert fit is not None
    b = [float(v) for v in fit.coefficients]

    def plus(v: float) -> str:
        return f" {'+' if v >= 0 else MINUS} {number(abs(v), digits)}"

    if fit.model == "through-zero":
        return f"R = {number(b[0], digits)} p"
    if fit.model == "line":
        return f"R = {number(b[0], digits)}{plus(b[1])} p"
    if fit.model == "quadratic":
        return f"R = {number(b[0], digits)}{plus(b[1])} p{plus(b[2])} p²"
    if fit.model == "saturating":
        return f"R = {number(b[0], digits)} (1 {MINUS} exp({MINUS}{number(b[1], digits)} p))"
    c = math.exp(b[0]) if fit.model == "power of logs" else b[0]
    return f"R = {number(c, digits)} p^{number(b[1], digits)}"


def spread_words(fitted: Fitted) -> str:
    """Return the variance model in words."""
    if fitted.model == "power of logs":
        return "errors multiply"
    theta, sd = fitted.spread.theta, fitted.spread.sd
    if sd:
        way = "replicates" if fitted.spread.how == "replicates" else "restricted likelihood"
        return (f"SD proportional to load^{number(theta, 2)}, the power averaged over by {way} (SD {number(sd, 2)})")
    how = "as asked" if theta else "assumed"
    return f"constant SD, {how}" if theta == 0 else f"SD proportional to load^{theta:.2g}, {how}"


def set_words(found: InverseSet, unit: str) -> str:
    """Return a set of loads in words."""
    def span(low: float, high: float) -> str:
        if math.isinf(low) and math.isinf(high):
            return "every load"
        if math.isinf(low):
            return f"{number(high)}{unit} or less"
        return f"{number(low)}{unit} or more" if math.isinf(high) else f"{number(low)} to {number(high)}{unit}"

    if found.kind == "not known":
        return "an interval that is not known: the readings are too few to tell the error of the curve"
    if not found.pieces:
        return "no load at all: the reading lies beyond what the curve can give"
    if found.kind == "everything":
        return "every load: the curve is too uncertain for this reading to rule any out"
    said = " and ".join(span(*p) for p in found.pieces)
    if found.kind == "two pieces":
        return f"{said}: a set in two pieces"
    return said + (": an open set, the slope is too uncertain to bound it" if found.kind == "one side open" else "")


def curve_sentence(fitted: Fitted) -> str:
    """Return what the curve is and where it holds."""
    s, fit = fitted.series, fitted.fit
    label = f"{s.label[:1].upper()}{s.label[1:]}: " if s.label else ""
    if fit is None:
        sure = [f" Declare a {end_name(e)} of {e.reading:.10g}." for e in fitted.ends if e.sure]
        return f"{label}{'n' if label else 'N'}o curve can be given, because {fitted.refusal}.{''.join(sure)}"
    unit = f" {s.reference_unit}" if s.reference_unit else ""
    name, first = NAMES[fit.model], " ".join(
        f"{end_words(e, unit)}, and the curve takes them for values." for e in fitted.ends)
    label = f"{label}{first} " if first else label
    name = name if label and not first else f"{name[:1].upper()}{name[1:]}"
    return (f"{label}{name}, {formula(fitted)}, holds from "
            f"{number(fit.low, 3)} to {number(fit.high, 3)}{unit}")


def formula_of(model: str) -> str:
    """Return the general form of a model."""
    return next((v for k, v in FORMULA.items() if k == model), model)


def finite(value: float) -> float:
    """Return the value, NaN for an open end."""
    return float(value) if np.isfinite(value) else math.nan
