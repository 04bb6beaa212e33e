"""Cautions and notes about a calibration curve."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from drift.calibration.curve import SATURATED
from drift.calibration.curve_words import NAMES, number, reason, set_words, spread_words
from drift.calibration.fitting import FEWEST_MOUNTINGS, end_mend, end_words
from drift.calibration.saturated import bound_words
from drift.engine.curve_models import falls, vertex
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
    for e in f.ends:
        unit = f" {s.reference_unit}" if s.reference_unit else ""
        say("warning", "end-not-declared", end_words(e, unit), end_mend(e))
    say("note", "why-this-curve", f"{reason(f)}; {spread_words(f)}")
    _about_fit(one, say)
    _about_rows(one, question, say)
    _about_saturation(one, say)
    for y, found, mark in one.loads:
        if mark == SATURATED:
            say("warning", "saturated-reading", f"a reading of {number(y)} is at full scale: it says only that the "
                f"load is {bound_words(one.fitted, found, s.reference_unit)}", "Read below full scale.")
        elif mark == "not invertible":
            say("warning", "not-invertible", f"a reading of {number(y)} belongs to two loads of the calibrated range "
                "or to none, so that it has no load", "Use a curve that rises throughout, or a shorter range.")
        elif found.kind == "not known":
            say("warning", "no-set", f"a reading of {number(y)} leaves {set_words(found, '')}",
                "Read more loads, or each more than once.")
        elif found.kind != "interval":
            say("warning", "open-set", f"a reading of {number(y)} leaves {set_words(found, '')}",
                "Calibrate at more loads, further apart; average more readings.")
        elif mark in ("below lowest", "above highest"):
            say("warning", "outside-range", f"the load behind a reading of {number(y)}, {number(found.estimate)}, lies "
                f"{mark.replace('lowest', 'the lowest').replace('highest', 'the highest')} calibrated level: an "
                "extrapolation", "Calibrate over the range of use.")
    return made


def _about_saturation(one: Answered, say: Callable[..., None]) -> None:
    """Say what a saturation pressure beyond the levels rests on, and where a curve has none."""
    s, a = one.fitted.series, one.saturation
    unit = f" {s.reference_unit}" if s.reference_unit else ""
    if a is None or not math.isfinite(a.value):
        if not math.isfinite(s.full_scale):
            return
        other = (f"; other curves that the readings allow reach it at {number(a.low)}{unit} or more"
                 if a is not None and math.isfinite(a.low) else "")
        say("warning", "never-saturates", f"{NAMES[one.fitted.model or 'line']} as fitted never reaches full scale "
            f"({number(s.full_scale)}), so that it gives no saturation pressure{other}; this says something about the "
            "curve beyond the levels, not about the sensor", "Add levels nearer to full scale, or look at the full "
            "scale.")
        return
    if not a.extrapolated and not a.open:
        return
    by_curve = [f"{NAMES[m].removeprefix('a ')} {number(v)}" for m, v in a.others.items()
                if m in a.sets and math.isfinite(v)]
    never = [NAMES[m].removeprefix("a ") for m in a.sets if not math.isfinite(a.others.get(m, math.nan))]
    said = join_words([*by_curve, *(f"{name} never" for name in never)])
    say("warning", "saturation-extrapolated",
        f"the highest level reaches {100 * a.ratio:.0f} % of the saturation pressure, which therefore rests on the "
        f"shape of the curve ({said})"
        + ("; the interval holds those of all curves that the readings allow" if len(a.sets) > 1 else "")
        + ("; one of them has no end above" if a.open else ""), "Add a level nearer to full scale.")


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
    elif falls(fit.model, theta, fit.low, fit.high):
        tell("warning", "falling-curve", "the reading falls as the load rises",
             "If that is how the sensor works, nothing is wrong; else look for exchanged columns or a wrong sign.")
    if f.reversal is not None:
        back = f.reversal
        (load, reading), (further, then) = back.start, back.end
        tell("warning", "readings-turn-back", f"readings do not {'rise' if back.rises else 'fall'} throughout: they go "
             f"from {number(reading)} at {number(load)} to {number(then)} at {number(further)}, "
             f"{100 * back.share:.0f} % of their span and more than chance makes",
             "Look at the rows there, or calibrate over a shorter range.")
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
        tested = any(math.isfinite(c.lack.p) for c in f.tried.values())
        words = ("no load was read twice alike in one mounting: repeatability is unknown, and lack of fit is judged by "
                 "how mountings differ" if tested and m > 1 else "no load was read twice alike: repeatability "
                 f"{'is' if tested else 'and lack of fit are'} unknown")
        tell("note", "no-replicates", words, "Read each load twice or more.")
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
