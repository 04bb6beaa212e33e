"""The sentences and cautions of a question about two calibrations of the same raw trials."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from drift.agreement.harmless import Harmless
from drift.agreement.recalculated_found import (
    DECLARED,
    HIGH,
    LOW,
    MIDDLE,
    AtPressure,
    RecalculatedFound,
    flag_counts,
    left_open,
    same_lines,
    span_words,
    use_gap,
)
from drift.agreement.words import number
from drift.errors import Finding
from drift.results import decimals_for, join_words
from drift.study import AgreementQuestion

FEW, MOST = 5, 0.5
Say = Callable[..., None]


def structure_words(found: RecalculatedFound) -> str:
    """Word what repeats."""
    data = found.data
    n, lines = len(data.a), len(data.line_sensor)
    sensors = "1 sensor" if data.k == 1 else f"{data.k} sensors"
    more = f" with {lines} pairs of calibrations in all" if data.several else ""
    return (f"{n} raw readings on {sensors}{more}, each computed through both calibrations: noise of the reading "
            f"cancels, and what repeats is the sensor with its calibrations, so that {n} readings count as "
            f"{sensors}")


def sentences_of(found: RecalculatedFound, q: AgreementQuestion, harmless: Harmless | None) -> tuple[str, ...]:
    """Return what is said after the verdict: the pressures, and which calibration may replace which."""
    data = found.data
    if data.identical:
        return ()
    unit, where = data.unit, f"as {q.b} shows them"
    three = [x for x in found.levels if x.which in (LOW, MIDDLE, HIGH)]
    d = _decimals(three)
    told = join_words(f"{number(x.bias, d)}{_interval(x, d)} at {x.pressure:g}" for x in three)
    made = [f"By pressure the difference is {told} {unit} ({where})."]
    if data.alike:
        return (*made, "All sensors differ by this same line; without any spread there are no intervals and no "
                       "verdict.")
    if data.k == 1:
        return (*made, f"There is one sensor, {data.sensors[0]}: this holds for it alone.")
    if harmless is None or found.no_share:
        return tuple(made)
    return (*made, replace_sentence(found, q, harmless))


def replace_sentence(found: RecalculatedFound, q: AgreementQuestion, harmless: Harmless) -> str:
    """Say which calibration may replace which, over which pressures, and where that is refuted or left open."""
    span, unit = found.span, found.data.unit
    on = f"on sensors like these {found.data.k}, within {harmless.words}"
    if found.shown is not None and found.whole:
        return (f"Without new walks: {q.a} may replace {q.b} over all pressures met, {span_words(*span, unit)}, {on}.")
    refuted = join_words(span_words(*x, unit) for x in found.against)
    rest = join_words(span_words(*x, unit) for x in left_open(found))
    alone = _alone(found)
    if found.shown is not None:
        more = f"; by itself and by the 95 % bounds of the table, {alone} too" if alone else ""
        return (f"Without new walks: {q.a} may replace {q.b} from {span_words(*found.shown, unit)}, {on} (97.5 % "
                f"bounds, as either end of a range may err{more})"
                + (f"; for {refuted} a limit is shown to lie beyond it" if refuted else "")
                + (f"; for {rest} neither is shown" if rest else "") + ".")
    taken = f" Taken by itself, by the 95 % bounds of the table, it may at {alone}." if alone else ""
    if refuted:
        return (f"Without new walks: {q.a} may not replace {q.b}, {on}: for {refuted} a limit is shown to lie beyond it"
                + (f"; for {rest} neither is shown." if rest else ".") + taken)
    return (f"Without new walks: over no range of pressures is it shown that {q.a} may replace {q.b} {on}, nor that it "
            f"may not ({span_words(*span, unit)} were met).{taken}")


def _alone(found: RecalculatedFound) -> str:
    """Name the pressures of the table that are interchangeable by themselves and lie outside the range that is shown.

    A range needs wider bounds than one pressure, since both of its ends may err.
    """
    low, high = found.shown or (math.inf, -math.inf)
    named = [x.pressure for x in found.levels
             if x.verdict == "interchangeable" and not low <= x.pressure <= high]
    return f"{join_words(f'{p:g}' for p in named)} {found.data.unit}" if named else ""


def _decimals(levels: list[AtPressure]) -> int:
    ends = [v for x in levels for v in x.bias_interval if math.isfinite(v)] or [x.bias for x in levels]
    return decimals_for(min(ends), max(ends), levels[0].bias)


def _interval(x: AtPressure, d: int) -> str:
    low, high = x.bias_interval
    return f" ({number(low, d)} to {number(high, d)})" if math.isfinite(low) else ""


def findings_of(found: RecalculatedFound, q: AgreementQuestion, harmless: Harmless | None,
                label: str) -> list[Finding]:
    """Return every caution about one group."""
    made: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                            question=q.name))

    data = found.data
    _about_sameness(found, q, label, say)
    if data.k == 1 and not data.identical:
        say("warning", "one-sensor", f"All readings are on one sensor, {data.sensors[0]}{label}: differences between "
            "calibrations are those of this sensor, and nothing can be said of another", "Calibrate further sensors "
            "by both; no further walks are needed.")
    elif data.k < FEW and not data.flat:
        say("warning", "few-levels", f"Only {data.k} sensors{label}: how much calibrations differ from sensor to "
            "sensor is poorly known and the intervals are wide because of that; more walks on the same ones will not "
            "help",
            "Calibrate further sensors by both; no further walks are needed.")
    _about_marks(found, q, label, say)
    _about_use(found, q, label, say)
    _about_errors(found, label, say)
    if harmless is not None and found.no_share and data.k > 1:
        say("warning", "harmless-share-not-judged", f"No verdict within {harmless.words}{label}: a share is judged on "
            f"ratios, and {found.no_share}", "Give the harmless difference as a pressure, or leave such readings out.")
    _about_range(found, q, harmless, label, say)
    _about_extrapolation(found, label, say)
    return made


def _about_sameness(found: RecalculatedFound, q: AgreementQuestion, label: str, say: Say) -> None:
    data = found.data
    same = same_lines(data)
    if data.identical:
        say("warning", "no-spread", f"Calibrations {q.a} and {q.b} are identical for all {data.k} sensors{label}, so "
            "that every difference is zero by construction and nothing can be judged",
            "See whether one was copied from the other.")
    elif data.alike:
        say("warning", "no-spread", f"Calibrations {q.a} and {q.b} differ by one and the same line on all {data.k} "
            f"sensors{label}, so that no interval or verdict can be computed", "See whether one was computed from the "
            "other; what can be computed needs no comparison.")
    elif same:
        say("warning", "identical-calibrations", f"Calibrations {q.a} and {q.b} are identical for "
            f"{len(same)} of {data.k} sensors{label} ({join_words(same[:6])}); they pull bias and spread towards zero",
            "See whether one was copied from the other.")


def _about_marks(found: RecalculatedFound, q: AgreementQuestion, label: str, say: Say) -> None:
    """Count readings that a calibration was not made for."""
    n, counts = len(found.data.a), flag_counts(found.data)
    zero = counts.get("below zero", 0)
    if zero:
        say("warning", "negative-pressure", f"{zero} of {n} readings lie below the zero of a calibration{label} and "
            "stand for a negative pressure", "Look whether the sheet was zeroed, or leave them out in where.")
    for side, name in (("a", q.a), ("b", q.b)):
        out = counts.get(f"outside the range of {side}", 0)
        if out > MOST * n:
            say("warning", "outside-validity", f"{out} of {n} readings{label}, most of them, lie outside the pressures "
                f"that calibration {name} was made for; the comparison is an extrapolation",
                f"Calibrate over the pressures of the trials, {span_words(*found.span, found.data.unit)}.")
        elif out:
            say("warning", "outside-validity", f"{out} of {n} readings{label} lie outside the pressures that "
                f"calibration {name} was made for; they are marked in the table of recalculated readings",
                "Read the limits within its range.")
    full = counts.get("at full scale", 0)
    if full:
        say("warning", "saturated-readings", f"{full} of {n} readings{label} stand at full scale or have saturated "
            "cells: their pressures are lower bounds through either calibration",
            "Leave them out in where or by exclude and compare.")


def _about_use(found: RecalculatedFound, q: AgreementQuestion, label: str, say: Say) -> None:
    """Say whether anything can be said of use."""
    data, gap = found.data, use_gap(found.data)
    if data.flat:
        return
    if gap is not None and gap != (0.0, 0.0):
        words = f"{abs(gap[0]):g}" if gap[0] == gap[1] else f"{min(map(abs, gap)):g} to {max(map(abs, gap)):g}"
        say("note", "uses-between", f"{words} uses lie between calibrations {q.a} and {q.b} of a sensor{label}: drift "
            "of the sensor is part of their difference")
    if not data.several:
        say("note", "one-calibration-each", f"Each sensor has one calibration by {q.a} and one by {q.b}{label}, so "
            "that the difference at a given pressure cannot change with use; it would with calibrations made at "
            "several uses")
    use = next((t for t in found.terms if t.name.startswith("use")), None)
    if use is not None and use.seen:
        say("warning", "agreement-drifts", f"The difference at a given pressure changes with use by {use.value:.3g} "
            f"{use.unit}{label}; the limits hold for the mix of calibrations met, not for any one use",
            "Compare calibrations made at the same use.")


def _about_errors(found: RecalculatedFound, label: str, say: Say) -> None:
    """Say how much of the spread between sensors the errors of the calibrations themselves explain."""
    x = found.at(MIDDLE)
    if x.strata is None:
        return
    if not np.isfinite(x.error_variance):
        say("note", "calibration-errors-unknown", f"The errors of the calibrations are not known{label}, so that it "
            "cannot be told how much of the spread between sensors they explain",
            "Give slope_se, intercept_se and correlation, or recalculate from checks.")
        return
    share = 100 * x.error_share
    words = "under 1 %" if share < 1 else "all" if share >= 100 else f"{share:.0f} %"
    say("note", "calibration-errors", f"Errors of the calibrations themselves explain {words} of the variance between "
        f"sensors at {x.pressure:g} {found.data.unit}{label}; the limits hold for a new sensor calibrated once as "
        "these were, its calibration error included")


def _about_range(found: RecalculatedFound, q: AgreementQuestion, harmless: Harmless | None, label: str,
                 say: Say) -> None:
    """Warn where the verdict over the mix of pressures does not hold at each of them."""
    if harmless is None or found.whole or found.no_share or found.mix is None:
        return
    for verdict, words in (("not interchangeable", "are shown not to be"), ("not shown", "are not shown to be")):
        at = [x for x in found.levels if x.verdict == verdict]
        if at:
            say("warning", "verdict-by-pressure", f"At {join_words(f'{x.pressure:g}' for x in at)} "
                f"{found.data.unit}{label} {q.a} and {q.b} {words} interchangeable within {harmless.words}, whatever "
                "holds over the mix of pressures", "Read the table by pressure before one replaces the other.")


def _about_extrapolation(found: RecalculatedFound, label: str, say: Say) -> None:
    """Caution of declared pressures that neither trials nor calibrations reach."""
    data, unit = found.data, found.data.unit
    with np.errstate(invalid="ignore"):
        for x in (x.pressure for x in found.levels if x.which == DECLARED):
            short = (data.made_from > x) | (data.made_to < x)
            sensors, met = len(set(data.line_sensor[short])), found.span[0] <= x <= found.span[1]
            if met and not sensors:
                continue
            why = [] if met else [f"the trials met {span_words(*found.span, unit)}"]
            if sensors:
                reach = float(np.nanmax(data.made_from)), float(np.nanmin(data.made_to))
                why.append(f"the calibrations of {sensors} of {data.k} sensors were not made for it (all of them for "
                           f"{span_words(*reach, unit)})")
            say("warning", "pressure-extrapolated", f"What stands at {x:g} {unit}{label} is an extrapolation of the "
                f"lines: {join_words(why)}", "Calibrate as far as that pressure, or do not judge there.")
