"""Cautions and notes about a calibration curve."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from drift.calibration.curve_words import NAMES, number, reason, set_words, spread_words
from drift.calibration.fitting import FEWEST_MOUNTINGS
from drift.engine.curve_models import slope, vertex
from drift.errors import Finding, Severity
from drift.results import join_words
from drift.study import CalibrationQuestion

if TYPE_CHECKING:
    from drift.calibration.curves import Answered
FEW_LEVELS = 3


def findings_of(one: Answered, question: CalibrationQuestion) -> list[Finding]:
    """Return what must be known to read the curve of one series."""
    f, s = one.fitted, one.fitted.series
    made: list[Finding] = []
    lead = f"{s.label}: " if s.label else ""

    def say(severity: Severity, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, question=question.name, message=f"{lead}{message}",
                            mend=mend))

    fit = f.fit
    if fit is None:
        say("warning", "no-curve", f"no calibration curve, because {f.refusal}", f.mend)
        return made
    say("note", "why-this-curve", f"{reason(f)}; {spread_words(f)}")
    _about_fit(one, say)
    _about_rows(one, question, say)
    if one.saturation is not None and one.saturation.extrapolated:
        a = one.saturation
        spread = [v for v in a.others.values() if math.isfinite(v) and v > 0]
        by_curve = join_words(f"{NAMES[m].removeprefix('a ')} {number(v)}" for m, v in a.others.items()
                              if math.isfinite(v) and v > 0) if spread else ""
        say("warning", "saturation-extrapolated",
            f"the highest level reaches {100 * a.ratio:.0f} % of the saturation pressure, which therefore rests on the "
            f"shape of the curve ({by_curve})", "Add a level nearer to full scale.")
    elif one.saturation is None and math.isfinite(s.full_scale):
        say("warning", "never-saturates", "the curve never reaches full scale, so that there is no saturation pressure",
            "Ask for another curve, or look at the full scale.")
    for y, found, mark in one.loads:
        if found.kind != "interval":
            say("warning", "open-set", f"a reading of {number(y)} leaves {set_words(found, '')}",
                "Calibrate at more loads, further apart; average more readings.")
        elif mark in ("below lowest", "above highest"):
            say("warning", "outside-range", f"the load behind a reading of {number(y)}, {number(found.estimate)}, lies "
                f"{mark.replace('lowest', 'the lowest').replace('highest', 'the highest')} calibrated level: an "
                "extrapolation", "Calibrate over the range of use.")
        elif mark == "saturated":
            say("warning", "saturated-reading", f"a reading of {number(y)} is at full scale: a lower bound of the "
                "load, not a load", "Read below full scale.")
        elif mark == "not invertible":
            say("warning", "not-invertible", f"a reading of {number(y)} belongs to two loads of the calibrated range "
                "or to none", "Use a curve that rises throughout, or a shorter range.")
    return made


def _about_fit(one: Answered, tell: Callable[..., None]) -> None:
    f = one.fitted
    fit = f.fit
    assert fit is not None
    model = f.model
    assert model is not None
    candidate = f.tried[model]
    theta = np.asarray(fit.coefficients)
    turn = vertex(fit.model, theta)
    if fit.low < turn < fit.high:
        tell("warning", "not-monotone", f"the quadratic turns at a load of {number(turn)}, inside the calibrated "
             "range: readings near it belong to two loads", "Use a curve that rises throughout, or a shorter range.")
    elif np.all(slope(fit.model, theta, np.linspace(max(fit.low, 1e-9 * fit.high), fit.high, 101)) < 0):
        tell("warning", "falling-curve", "the reading falls as the load rises",
             "If that is how the sensor works, nothing is wrong; else look for exchanged columns or a wrong sign.")
    if candidate.lack.p < 0.01:
        tell("warning", "lack-of-fit", f"the level means do not follow the curve (lack of fit F = "
             f"{candidate.lack.F:.1f}, p {'< 0.001' if candidate.lack.p < 0.001 else f'= {candidate.lack.p:.3f}'}); "
             "its bands are too narrow", "Try another curve, or a shorter range.")
    if not fit.df >= 1:
        tell("warning", "no-error", "as many loads as coefficients: the curve goes through every reading, and nothing "
             "can be said of its error", "Read more loads, or each more than once.")
    levels = len(np.unique(f.series.level[f.series.exact]))
    if levels < FEW_LEVELS:
        tell("warning", "few-levels", f"{levels} loads cannot tell a line from a curve", "Read three loads or more.")


def _about_rows(one: Answered, question: CalibrationQuestion, tell: Callable[..., None]) -> None:
    f, s = one.fitted, one.fitted.series
    m = len(s.mountings)
    fit = f.fit
    assert fit is not None
    if m >= FEWEST_MOUNTINGS and fit.mountings == 1:
        tell("warning", "mountings-pooled", f"not each of the {m} mountings can carry the curve by itself, so that "
             "their readings count as independent and the bands may be too narrow", "Read every mounting at all loads.")
    elif m == FEWEST_MOUNTINGS - 1:
        tell("warning", "two-mountings", "two mountings are too few to say how mountings differ: their readings count "
             "as independent and the bands may be too narrow", "Mount the sensor three times or more.")
    elif m == 1:
        tell("note", "one-mounting", "all readings count as one mounting: bands say nothing of how mountings differ",
             "Number mountings in the column replicate and mount the sensor three times or more.")
    if not np.any(np.bincount(s.cells[s.exact]) > 1):
        tell("note", "no-replicates", "no load was read twice alike: repeatability and lack of fit are unknown",
             "Read each load twice or more.")
    if np.any(s.direction == "down") and not np.any(s.direction[s.curve] == "down"):
        tell("note", "loading-curve", "the curve is that of loading; readings of unloading tell the hysteresis and are "
             "not in it", "Set direction = \"both\" for a sensor that is read while unloading.")
    bounds = int((s.right & s.curve).sum()), int((s.left & s.curve).sum())
    if any(bounds):
        kinds = ("at full scale (at least)", "at zero (at most)")
        said = [f"{n} {words}" for n, words in zip(bounds, kinds, strict=True) if n]
        how = ("left out of the line through logs" if fit.model == "power of logs" else "in the likelihood as bounds")
        tell("note", "bounds", f"readings that are bounds: {join_words(said)}; {how}")
    if s.full_scale != s.full_scale and question.full_scale is None:
        tell("note", "no-full-scale", "the full scale of the reading is not declared: no saturation pressure, and "
             "readings at the ceiling cannot be told from values", "Give --full-scale, or full_scale in the study.")
