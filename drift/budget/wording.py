"""Sentences, estimates and cautions of an uncertainty budget."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.budget.beyond import FAR, beyond_checks, cut_sentence
from drift.budget.saturated import least_pressure
from drift.budget.subjects import QUESTION
from drift.budget.tables import verdict
from drift.engine import curve_models
from drift.engine.monte_carlo import BLOCK
from drift.errors import Finding
from drift.results import Estimate, join_words

if TYPE_CHECKING:
    from drift.budget.analysis import Budget, Ground

CUT = "; its lower end is cut at 0, since no pressure is below that"


def decimals(expanded: float) -> int:
    """Decimals that show an expanded uncertainty with two digits."""
    return max(0, 1 - math.floor(math.log10(expanded))) if expanded > 0 and math.isfinite(expanded) else 1


def _number(value: float, places: int) -> str:
    return f"{round(value, places) + 0.0:.{places}f}"


def answer_sentence(ground: Ground, b: Budget) -> str:
    """Return the answer of one budget: what the reading means, with its expanded uncertainty."""
    s, unit = b.subject, ground.pressure_unit
    per = ground.data.per
    since = (f", {s.since:g} {per}{'s' * (s.since != 1)} after its calibration" if s.since else
             ", the use of its calibration")
    reading = f"A reading of {b.reading:.4g} {ground.reading_unit}".rstrip()
    at = f"{reading} of {s.words} at {per} {s.use:g}{since},"
    beyond = beyond_checks(ground, b)
    if beyond:
        at = f"{beyond}: {at[0].lower()}{at[1:]}"
    if b.refused:
        return f"{at} has no pressure with an uncertainty: {b.refused}."
    g, d = b.gum, decimals(b.gum.expanded)
    cover = f"k = {g.factor:.2f}, {100 * ground.level:g} %"
    low, high = _number(max(g.value - g.expanded, 0.0), d), _number(g.value + g.expanded, d)
    cut = cut_sentence(ground, b)
    if ground.spec.corrected or not b.bias:
        unknown = "" if b.drift_known else ", drift neither corrected nor in it"
        return (f"{at} means {_number(g.value, d)} {unit}, U = {_number(g.expanded, d)} {unit} ({cover}{unknown}): "
                f"{low} to {high} {unit}{cut}.")
    side = "low" if b.bias < 0 else "high"
    ends = [_signed(g.value + sign * g.expanded - b.displayed, d) for sign in (-1, 1)]
    return (f"{at} shows {_number(b.displayed, d)} {unit}, which is {_number(abs(b.bias), d)} {unit} too {side} "
            f"because drift is not corrected: the true pressure lies between {low} and {high} {unit} ({cover}), that "
            f"is {ends[0]} to {ends[1]} {unit} from what is shown; as one figure, |bias| + U = "
            f"{_number(abs(b.bias) + g.expanded, d)} {unit}{cut}.")


def _signed(value: float, places: int) -> str:
    return f"{'+' if value > 0 else ''}{_number(value, places)}"


def all_estimates(ground: Ground, made: tuple[Budget, ...]) -> tuple[Estimate, ...]:
    """Return the estimates of all budgets."""
    return tuple(e for b in made for e in _estimates(ground, b))


def _method(b: Budget) -> str:
    df = f"{b.gum.df:.1f}" if b.gum.df < 1e6 else "infinite"
    return (f"law of propagation of uncertainty with all covariances (JCGM 100), coverage factor {b.gum.factor:.3f} of "
            "the sum of the t distributions of its variance estimates (Welch-Satterthwaite degrees of freedom "
            f"{df})")


def _estimates(ground: Ground, b: Budget) -> list[Estimate]:
    """Return the estimates of one budget; NaN where the reading has no pressure."""
    g, unit, level, of = b.gum, ground.pressure_unit, ground.level, b.subject.of
    method = _method(b)
    nan = math.nan
    ends: dict[str, Any] = {"low": max(g.value - g.expanded, 0.0), "high": g.value + g.expanded, "level": level}
    least = least_pressure(g) if b.saturated else nan
    if math.isfinite(least):
        return [Estimate(name="pressure", value=nan, low=least, level=(1 + level) / 2, bound="at least", of=of,
                         unit=unit, method=f"{method}; the reading is censored at full scale: one-sided "
                         "bound, the lower end of the interval there")]
    method += CUT if g.expanded > g.value else ""
    if b.refused:
        return [Estimate(name="pressure", value=nan, unit=unit, of=of, method=method)]
    corrected = ground.spec.corrected
    value = g.value if corrected else b.displayed
    how = method if corrected else f"{method}; shown without correction for drift, the interval is of the true pressure"
    total = g.expanded if corrected else abs(b.bias) + g.expanded
    n = b.evidence.drift.n_sensors if b.evidence.drift is not None else None
    made = [Estimate(name="pressure", value=value, std_error=g.u, unit=unit, of=of, method=how, n=n, **ends)]
    plain = "half-width of the interval of the pressure" if corrected else "|bias| + U (JCGM 100, F.2.4.5)"
    made += [Estimate(name="expanded uncertainty", value=total, unit=unit, of=of, method=plain),
             Estimate(name="expanded uncertainty, percent", value=100 * total / abs(value), unit="%", of=of,
                      method=plain),
             Estimate(name="coverage factor", value=g.factor, of=of,
                      method="quantile of the sum of the t distributions of the variance estimates"),
             Estimate(name="effective degrees of freedom", value=g.df if g.df < 1e6 else nan, of=of,
                      method="Welch-Satterthwaite (JCGM 100, G.2b), inputs that share a variance estimate added up "
                             "first" + ("; infinite" if g.df >= 1e6 else ""))]
    if b.simulated is not None:
        s = b.simulated
        drawn = f"propagation of distributions (JCGM 101), {s.n_draws:,} draws"
        made += [Estimate(name="pressure, Monte Carlo", value=s.median, std_error=s.u, low=max(s.low, 0.0), unit=unit,
                          of=of, high=s.high, level=level, method=f"{drawn}: median and probabilistically symmetric "
                          f"interval{CUT if s.low < 0 else ''}"),
                 Estimate(name="expanded uncertainty, Monte Carlo", value=s.half_width, unit=unit, of=of,
                          method=f"{drawn}: half the width of the symmetric interval")]
    if b.subject.since and b.drift_known:
        # The displayed value is a number; what is uncertain about its bias is the true pressure.
        drift = [i for i, q in enumerate(b.assembly.quantities) if q.place == "drift"]
        u = float(np.sqrt(np.sum(b.gum.contribution[drift] ** 2)))
        half = _t(b.assembly.df[drift[0]], level) * u if drift else nan
        made.append(Estimate(name="bias without correction", value=b.bias, std_error=u, low=b.bias - half,
                             high=b.bias + half, level=level, unit=unit, of=of,
                             method="displayed less corrected pressure, t interval from the error of the drift"))
    if ground.spec.cells is not None:
        rel, factor = b.force(ground.spec.cells, level)
        made.append(Estimate(name="expanded uncertainty of a force over cells, percent", unit="%",
                             value=100 * rel * factor, std_error=100 * rel,
                             of={**of, "cells": f"{ground.spec.cells}"},
                             method="common components added linearly, components of single cells in quadrature; "
                                    f"coverage factor {factor:.3f}"))
    return made


def _t(df: float, level: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(min(float(df), 1e12), 0.5 + level / 2))


def all_findings(ground: Ground, made: tuple[Budget, ...]) -> tuple[Finding, ...]:
    """Return cautions and notes, those that budgets share once."""
    found: list[Finding] = []
    for b in made:
        found += [_no_pressure(b)] if b.refused else _cautions(ground, b) + _notes(ground, b)
    if not all(b.refused for b in made):
        found += [f for f in ground.data.findings if f.severity == "warning"]
    return tuple(dict.fromkeys(found))


def _say(severity: Any, code: str, message: str, mend: str = "") -> Finding:
    message = message[0].upper() + message[1:]
    return Finding(severity=severity, code=code, message=message, mend=mend, question=QUESTION)


def _no_pressure(b: Budget) -> Finding:
    """Say why there is no pressure, which then is all there is to say."""
    mend = ("Ask for another model under [[calibration]], or for a line with its bend under non_linearity"
            if "[[calibration]]" in b.refused else "Ask at a reading between that without load and full scale")
    return _say("warning", "no-pressure", f"{b.subject.words}: {b.refused}", mend)


def _cautions(ground: Ground, b: Budget) -> list[Finding]:
    """Return what a reader must see."""
    from drift.budget.analysis import not_stated

    s, unit, per = b.subject, ground.pressure_unit, ground.data.per
    who = s.words
    found: list[Finding] = []
    missing = not_stated(ground, b)
    if missing:
        found.append(_say("warning", "left-out", f"{who}: nothing states {join_words(m[0] for m in missing)}; they are "
                          "left out, and the uncertainty is too small by them",
                          "State them under [budget]; the table of what is left out says what would give each"))
    if s.use > b.evidence.last_use and s.since:
        far = s.use > FAR * b.evidence.last_use
        how = ", far beyond what was seen, and the budget knows nothing of wear that speeds up" if far else ""
        found.append(_say("warning" if far else "note", "beyond-checks",
                          f"{who}: {per} {s.use:g} lies beyond the last check ({b.evidence.last_use:g}): the drift is "
                          f"extrapolated{how}", f"Check sensors at {per} {s.use:g}"))
    found += _out_of_range(b, unit, who)
    if s.since and not b.drift_known:
        found.append(_say("warning", "no-drift", f"{who}: the checks give no drift per {per}, so the pressure after "
                          f"{s.since:g} {per}s is not corrected, and its wear is in no uncertainty",
                          "Check the sensor at three or more counts, or five sensors, or state drift under [budget]"))
    if s.since and b.drift_known and not ground.spec.corrected:
        found.append(_say("warning", "not-corrected", f"{who}: drift is known and not corrected. It has one direction, "
                          "so it is not part of the \N{PLUS-MINUS SIGN}: the interval is asymmetric about what is "
                          "shown",
                          "Correct it: leave out --not-corrected, or set corrected = true"))
    if b.simulated is not None:
        found.append(_verdict(ground, b))
    if 0 < b.gum.df < 5:
        found.append(_say("warning", "few-df", f"{who}: {b.gum.df:.1f} effective degrees of freedom: the uncertainty "
                          "is itself hardly known", "The quantity with the largest share and few degrees of freedom "
                          "is the one to measure again"))
    return found


def _out_of_range(b: Budget, unit: str, who: str) -> list[Finding]:
    """Say when the calibration is used outside the levels it was made at."""
    at = b.curve.pressure(b.reading)
    slack = 0.005 * b.curve.high
    if b.curve.low - slack <= at <= b.curve.high + slack:
        return []
    side = "below the lowest" if at < b.curve.low else "above the highest"
    return [_say("warning", "outside-calibration", f"{who}: {at:.4g} {unit} lies {side} level of the calibration "
                 f"({b.curve.low:.4g} to {b.curve.high:.4g} {unit}): the line is extrapolated, and its bend is in no "
                 "component", "Calibrate there too")]


def _verdict(ground: Ground, b: Budget) -> Finding:
    """Say whether Monte Carlo confirms the law of propagation."""
    same, tolerance, (low, high) = verdict(b)
    s, unit, d = b.simulated, ground.pressure_unit, decimals(b.gum.expanded) + 1
    assert s is not None
    text = (f"{b.subject.words}: ends by the law of propagation differ from those by Monte Carlo ({s.n_draws:,} draws) "
            f"by {_number(low, d)} and {_number(high, d)} {unit}; tolerance {tolerance:g} {unit}, half a unit of the "
            "last digit of U")
    settled = "" if s.stable else f". The draws ended before that digit had settled ({s.n_draws // BLOCK} blocks)"
    if same:
        return _say("note", "confirmed", f"Monte Carlo confirms the interval. {text[0].upper()}{text[1:]}{settled}")
    return _say("note", "not-confirmed", "Monte Carlo does not confirm the interval to its last digit. "
                f"{text[0].upper()}{text[1:]}{settled}", f"Where that digit matters state the Monte Carlo interval, "
                f"{_number(max(s.low, 0.0), d - 1)} to {_number(s.high, d - 1)} {unit}")


def _notes(ground: Ground, b: Budget) -> list[Finding]:
    """Return what was taken for granted, and how correlation and degrees of freedom were handled."""
    s = b.subject
    found = [_say("note", "taken", f"{s.words}: {text}") for text in (*s.said, *b.evidence.said)]
    if ground.spec.reading is None and ground.spec.pressure is None:
        found.append(_say("note", "taken", "no reading or pressure is named: the middle of the calibrated range is "
                          "taken", "Name one: --reading R or --pressure \"400 kPa\""))
    if b.curve.bent is not None:
        found.append(_say("note", "taken", f"{s.words}: the calibration is the {b.curve.model} of [[calibration]], "
                          f"{curve_models.FORMULA[b.curve.bent.model]}; drift is that of the slope of a line through "
                          "its levels, and stretches the readings of the curve about the one without load"))
    common = [q.name for q in b.assembly.quantities if q.kind == "B" and not q.per_cell and q.place != "reading"]
    told = "The coefficients of the calibration enter with their covariance"
    if any(k[1] == "drift per use" for k in b.assembly.covariances):
        told += "; drift and the calibration share the readings of that day, and their covariance is in"
    pooled = [n for n in ("mounting", "day") if sum(q.pool == n for q in b.assembly.quantities) > 1]
    if pooled:
        told += (f"; {join_words(pooled)} of the reading and of the calibration are different ones with one SD, which "
                 "count once in the degrees of freedom")
    if common:
        told += (f"; {join_words(common)} {'is' if len(common) == 1 else 'are'} common to all levels, days and cells "
                 "and never averaged down")
    found.append(_say("note", "correlation", told))
    return found
