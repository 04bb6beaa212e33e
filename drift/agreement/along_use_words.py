"""The sentences about agreement along use."""

from __future__ import annotations

import math

from drift.agreement.along_use_limits import NOT_READ, Exposure, Lasting
from drift.agreement.along_use_model import Along
from drift.agreement.along_use_terms import Term
from drift.agreement.words import number, opening
from drift.engine.agreement_along_bounds import Crossing
from drift.errors import Finding
from drift.results import decimals_for

NOT_SEEN = "not within the uses seen"
CHANGES = {"worse": "agreement gets worse with use", "better": "agreement gets better with use",
           "turns": "the difference changes sign along use", "no change seen": "no change with use seen"}


def change_of(along: Along, slope: Term, spread: Term | None) -> str:
    """Say in a word what agreement does: "worse", "better", "turns" or "no change seen".

    Worse: the bias moves away from zero, or sensors move apart. A bias that crosses zero "turns".
    """
    path = along.at([max(along.start, 0.0), along.last])
    first, last = (float(v) for v in path.mean)
    if spread is not None and spread.seen and path.spread[1] > path.spread[0]:
        return "worse"
    if not slope.seen:
        return "no change seen"
    if first * last < 0 and abs(first) > 0.5 * abs(last):
        return "turns"
    return "worse" if abs(last) > abs(first) else "better"


def change_sentence(along: Along, slope: Term, spread: Term | None, *, unit: str, exposure: Exposure, level: float,
                    a: str, b: str) -> str:
    """Say whether agreement gets worse with use, with the slope and what it comes to."""
    change = change_of(along, slope, spread)
    d = decimals_for(slope.low, slope.high, slope.value)
    of = f" {unit}".rstrip()
    told = (f"{number(slope.value, d)}{of} per {exposure.per} ({100 * level:g} % interval {number(slope.low, d)} to "
            f"{number(slope.high, d)})")
    if change == "no change seen":
        return f"No change of agreement with use is seen: {a} \N{MINUS SIGN} {b} changes by {told}."
    first, last = along.start, along.last
    path = along.at([first, last])
    e = 1 if max(abs(path.mean)) < 100 else 0
    ends = (f"from {number(float(path.mean[0]), e)}{of} at {exposure.at(first)} to "
            f"{number(float(path.mean[1]), e)}{of} at {exposure.at(last)}")
    head = opening(CHANGES[change])
    if not slope.seen:
        sds = [number(math.sqrt(float(v)), e) for v in path.spread]
        return (f"{head}: {along.roles.unit} values move apart, their SD grows from {sds[0]} to {sds[1]}{of}; on "
                f"average {a} \N{MINUS SIGN} {b} changes by {told}.")
    return f"{head}: {a} \N{MINUS SIGN} {b} changes by {told}, {ends}."


def protocol_sentence(x: Lasting, *, unit: str, exposure: Exposure) -> str:
    """Say up to how many uses the two are interchangeable."""
    within = f"{x.harmless:g} {unit}".strip()
    if x.start > 0:
        return (f"No protocol limit can be given, because the uses seen start at {exposure.at(x.start)} and do not "
                "reach down to fresh sensors.")
    if math.isnan(x.protocol):
        return (f"No number of uses can be promised: not even at {exposure.at(0)} are both limits shown to lie within "
                f"{within}.")
    if x.at_least:
        return (f"Interchangeable within {within} up to at least {exposure.show(x.protocol)}; beyond that these data "
                "say nothing.")
    return f"Interchangeable within {within} up to {exposure.show(x.protocol)} (protocol limit)."


def crossing_words(c: Crossing, x: Lasting, exposure: Exposure) -> str:
    """Say a crossing and its interval, open ends in words."""
    def end(value: float) -> str:
        if math.isinf(value):
            return f"beyond {exposure.at(_down(x.cap))}, {NOT_SEEN}"
        if value <= x.start:
            return f"{exposure.at(x.start)} already"
        return exposure.at(_down(value))

    if math.isinf(c.value):
        if math.isinf(c.low):
            return f"not up to {exposure.at(_down(x.cap))}"
        return f"not up to {exposure.at(_down(x.cap))}; perhaps from {end(c.low)} on"
    return f"{end(c.value)} ({end(c.low)} to {end(c.high)})"


def _down(value: float) -> float:
    return float(math.floor(value + 1e-9)) if value >= 10 else round(value, 1)


def findings_of(along: Along, change: str, x: Lasting | None, terms: list[Term], *, question: str, label: str,
                exposure: Exposure, unit: str) -> list[Finding]:
    """Cautions and notes: who was left out, what gets worse, when no limit can be promised."""
    r = along.roles
    made: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, message=message + label, mend=mend,  # type: ignore[arg-type]
                            question=question))

    if r.left_out:
        shown = ", ".join(r.left_out[:6]) + (" and more" if len(r.left_out) > 6 else "")
        say("note", "one-use-sensors", f"{len(r.left_out)} levels of {r.unit} ({shown}) were seen at one use only and "
            "do not enter what is said along use", f"Read every {r.unit} at several uses.")
    if r.sensor_as_target:
        say("note", "trend-between-sensors", "No sensor was seen at two uses, so the trend with use is one between "
            "sensors, and what differs between them cannot be told from it", "Follow the same sensors along use.")
    if r.lines is None and not r.sensor_as_target:
        say("note", "one-line", "One line along use stands for all pairs; whether other sensors drift alike cannot be "
            "seen", "Read several sensors along use, and name them in sensor.")
    if r.of_targets:
        say("note", "one-line", f"No sensors are told apart, so the lines along use are those of {r.unit}; whether "
            "other sensors drift alike cannot be seen", "Read several sensors along use, and name them in sensor.")
    if r.lines is not None and along.fit.design.k < 4:
        say("warning", "few-lines", f"Only {along.fit.design.k} levels of {r.unit} have lines along use, so intervals "
            "along use are very wide", f"Follow more levels of {r.unit} along use; five and more are useful.")
    if x is not None and math.isnan(x.protocol):
        say("warning", "no-protocol-limit", f"No protocol limit within {f'{x.harmless:g} {unit}'.strip()}: "
            + x.why_none, "Read fresh sensors too." if x.why_none == NOT_READ else
            "Calibrate anew before use, or measure more sensors and targets.")
    if change == "worse" and x is not None and not math.isnan(x.protocol) and not x.at_least:
        say("note", "protocol-limit", f"Beyond {exposure.show(x.protocol)} the two may not be exchanged on the "
            "strength of these data")
    bend = next((t for t in terms if t.name == "bend along use" and t.seen), None)
    if bend is not None:
        say("warning", "bends-along-use", "The differences bend along use, so bias and limits at a use read from a "
            "straight line are only roughly right", "Look at the figure along use.")
    return made
