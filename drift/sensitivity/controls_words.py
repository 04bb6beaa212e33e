"""Words on never-worn sensors: what moved, when, how far, who followed, and what rests on it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from drift.errors import MINUS, Finding
from drift.results import Estimate, Result, ResultTable, join_words
from drift.sensitivity.control_days import TOGETHER, Logged, date_of
from drift.sensitivity.controls_fit import Ends, Fit, Moved
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.rig_effect import Effect

#: Days over which the change of never-worn sensors is stated.
SPAN = 100.0
TABLE = "changes of never-worn sensors"
STEP_METHOD = "least squares of day means on the sensors' own means and steps, t interval given the day of the step"
SLOPE_METHOD = "one slope over day means within sensors, t interval"
RIG, ITSELF, EITHER = "the rig", "itself", "rig or sensor"
_VERDICT = {"all": RIG, "alone": ITSELF, "single": EITHER, "unclear": EITHER}
_SPLIT = ('A column rig in the checks that names the state of the rig lets covariates = ["rig"] under [sensitivity] '
          'take the step out of the drift per use (not out of the counts), and where = { rig = "..." } there analyses '
          "one state alone, counts too.")

Row = dict[str, Any]


def unsized(changes: Sequence[tuple[Logged, int]]) -> tuple[list[Finding], list[Row]]:
    """Word changes on record whose size no never-worn sensor tells, each with how many worn sensors it lies between."""
    findings, rows = [], []
    for c, both in changes:
        crossed = (f"{both} worn sensor{'s were' if both > 1 else ' was'} checked on both sides of it, and what of "
                   "their change is the rig's is not known" if both else
                   "no worn sensor was checked on both sides of it, so that the drift per use does not hold it")
        findings.append(_warn("rig-change-unsized", f"A change of the rig is on record {c.when} ({c.cause}), and no "
                              "never-worn sensor was read before and after it: how far it moved is not known; "
                              f"{crossed}", "Keep a never-worn sensor that is read before and after every change, "
                              "beside a new one."))
        before = date_of(c.before) if math.isfinite(c.before) else ""
        rows.append({"kind": "step", "verdict": RIG, "last before": before,
                     "from": date_of(c.at) if math.isfinite(c.at) else "", "moved": join_words(c.sensors),
                     "did not follow": "", "change": math.nan, "low": math.nan, "high": math.nan, "unit": "",
                     "worn sensors on both sides": float(both), "answers rest on it": "yes" if both else ""})
    return findings, rows


def unwatched(spans: Sequence[tuple[float, float]]) -> list[Finding]:
    """Say between which days no never-worn sensor was read on both sides, where worn sensors were."""
    if not spans:
        return []
    named = join_words([f"{date_of(a)} and {date_of(b)}" for a, b in spans])
    return [_warn("standards-do-not-overlap", f"No never-worn sensor was read both before and after: between {named} a "
                  "change of the rig would not be seen, and would pass for one of the worn sensors",
                  TOGETHER)]


def worded(fit: Fit, data: WearData, effects: Sequence[Effect], level: float, slopes: Mapping[str, float],
           causes: Mapping[float, str], more: Sequence[Row] = ()
           ) -> tuple[list[Estimate], list[Finding], list[ResultTable], str]:
    """Return estimates, findings, the table of changes, and the sentence for the answer."""
    estimates: list[Estimate] = []
    findings: list[Finding] = []
    rows: list[Row] = []
    said: list[str] = []
    for moved, effect in zip(fit.steps, effects, strict=True):
        made = _step_estimates(moved, data, level)
        rests = effect.sensors > 0 and moved.step.kind != "alone"
        rows.append(_step_row(moved, made, effect, rests))
        estimates += made
        findings.append(_step_finding(moved, made, effect, data, slopes, fit, causes.get(moved.step.recorded, "")))
        if rests and "rig" not in data.spec.covariates:
            said.append(_step_sentence(moved, made, effect, data, slopes, fit))
    if math.isfinite(fit.slope[0]):
        estimate = _slope_estimate("change of never-worn sensors", fit.slope, data, level, len(fit.names))
        finding, verdict = _slope_finding(fit, estimate, data, level)
        estimates.append(estimate)
        findings.append(finding)
        if verdict:
            rests = fit.sure and verdict != ITSELF
            rows.append(_slope_row(fit, estimate, verdict, rests))
            said += [_slope_sentence(rows[-1])] if rests else []
    return estimates, findings, table_of([*rows, *more]), " ".join(said)


def rest_words(wear: Result) -> str:
    """Return the sentences by which an answer says that it rests on an uncorrected change of the rig; "" for none."""
    table = next((t for t in wear.tables if t.name == TABLE), None)
    if table is None:
        return ""
    said = []
    for i in np.flatnonzero(table["answers rest on it"] == "yes"):
        row = {c.name: c.values[i] for c in table.columns}
        what = f"{_change(row)} from {row['from']} on" if row["kind"] == "step" else _change(row)
        if row["verdict"] == RIG:
            said.append(f"This rests on readings across a {row['kind']} of the rig that is not corrected ({what})"
                        + (": analyse the checks before and after it apart before you rely on it."
                           if row["kind"] == "step" else ": mend that before you rely on it."))
        else:
            said.append(f"This may rest on an uncorrected {row['kind']} of the rig ({row['moved']}: {what}; rig or "
                        "never-worn sensor, which these checks cannot tell apart): settle that before you rely on it.")
    return " ".join(said)


def _change(row: Mapping[str, Any]) -> str:
    value = float(row["change"])
    if math.isnan(value):
        return "by an amount that is not known,"
    return f"{'+' if value > 0 else MINUS}{abs(value):.3g} {row['unit']}".strip()


def _shown(ends: Ends, data: WearData, name: str, of: dict[str, str], level: float, method: str, n: int) -> Estimate:
    value, low, high = (100 * math.expm1(v) for v in ends) if data.log else ends
    unit = "%" if data.log else data.units["reading"]
    return Estimate(name=name, of=of, value=value, low=low, high=high, unit=unit, n=n, method=method,
                    level=level if math.isfinite(low) else math.nan)


def _step_estimates(moved: Moved, data: WearData, level: float) -> list[Estimate]:
    of = {"question": QUESTION, "from": date_of(moved.step.at)}
    if moved.step.kind == "all" and moved.common is not None:
        return [_shown(moved.common, data, "step of the rig", of, level, STEP_METHOD, len(moved.who))]
    return [_shown(ends, data, "step of a never-worn sensor", {**of, "sensor": who}, level, STEP_METHOD, 1)
            for who, ends in zip(moved.who, moved.own, strict=True)]


def _slope_estimate(name: str, slope: Ends, data: WearData, level: float, n: int) -> Estimate:
    value, low, high = (SPAN * v for v in slope)
    unit = f"{data.units['reading']} per {SPAN:g} days".strip()
    if data.log:
        value, low, high = (100 * math.expm1(v) for v in (value, low, high))
        unit = f"% per {SPAN:g} days"
    return Estimate(name=name, of={"question": QUESTION}, value=value, unit=unit, low=low, high=high, level=level,
                    method=SLOPE_METHOD, n=n)


def _by(e: Estimate) -> str:
    """``7.9 (7.4 to 8.4) % higher``."""
    if e.value >= 0:
        return f"{e.text()} higher"
    turned = Estimate(name=e.name, value=-e.value, low=-e.high, high=-e.low, unit=e.unit)
    return f"{turned.text()} lower"


def _sizes(made: Sequence[Estimate]) -> str:
    """One size, or that of each sensor by name."""
    if len(made) == 1:
        return _by(made[0])
    return join_words([f"{e.of['sensor']} {_by(e)}" for e in made])


def _who(moved: Moved) -> str:
    n = len(moved.who)
    return f"{'both' if n == 2 else f'all {n}'} never-worn sensors, {join_words(moved.who)},"


def _slip(moved: Moved) -> str:
    s = moved.step
    side = "before" if s.days_before == 1 else "after" if s.days_after == 1 else ""
    return f"; there is one day only {side} it, and a slip of that day would look the same" if side else ""


def _step_finding(moved: Moved, made: Sequence[Estimate], effect: Effect, data: WearData,
                  slopes: Mapping[str, float], fit: Fit, cause: str) -> Finding:
    at, kind = date_of(moved.step.at), moved.step.kind
    since = f"from {at} on (a step after {date_of(moved.step.before)}{_on_record(cause)}{_slip(moved)})"
    if kind == "all":
        unlike = "" if len(made) == 1 else ", not by one factor"
        text = f"The rig moved: {since} {_who(moved)} read {_sizes(made)}{unlike}"
        return _warn("rig-stepped", f"{text}. {_effect_words(effect, data, slopes, fit)}", ("" if cause else "Find "
                     "out what happened to the rig then. ") + f"Nothing is corrected for it here. {_SPLIT}")
    if kind == "alone":
        several = len(moved.stayed) > 1
        return _warn("standard-stepped", f"{moved.who[0]} itself changed: {since} it reads {_sizes(made)}, while "
                     f"{join_words(moved.stayed)} did not follow. That is no change of the rig",
                     f"Do not correct readings by {moved.who[0]}. {_log_it(moved, cause)}{join_words(moved.stayed)} "
                     f"still watch{'' if several else 'es'} the rig.")
    if kind == "single":
        return _warn("rig-or-standard-stepped", f"{since[0].upper()}{since[1:]} {moved.who[0]}, the only never-worn "
                     f"sensor there, reads {_sizes(made)}: whether the rig or {moved.who[0]} itself changed cannot be "
                     f"told from one. If it was the rig: {_effect_words(effect, data, slopes, fit)}",
                     "Do not correct readings by it. A second check standard read on the same days would tell: it "
                     "follows a changed rig and not a changed standard."
                     + ("" if cause else " Log the cause when it is found."))
    stayed = f"; of {join_words(moved.stayed)} that cannot be said" if moved.stayed else ", not the same way"
    return _warn("rig-or-standard-stepped", f"{since[0].upper()}{since[1:]} {join_words(moved.who)} "
                 f"read{'s' * (len(moved.who) == 1)} {_sizes(made)}{stayed}: whether the rig moved is not clear. If it "
                 f"did: {_effect_words(effect, data, slopes, fit)}",
                 "Do not correct readings by them. Read all check standards on the same days, and several times.")


def _on_record(cause: str) -> str:
    return f"; on record: {cause}" if cause else ""


def _log_it(moved: Moved, cause: str) -> str:
    """Ask for the event that starts a new baseline, where it is not on record."""
    return "" if cause else (f"Find the cause, and log it as the event 'new baseline' of {moved.who[0]}, its "
                             f"time {date_of(moved.step.at)}; ")


def _effect_words(effect: Effect, data: WearData, slopes: Mapping[str, float], fit: Fit) -> str:
    """Say what a step does to the drift that is stated."""
    if not effect.sensors:
        return "No worn sensor was checked on both sides of it, so that the drift per use does not hold it"
    if "rig" in data.spec.covariates:
        return "The drift per use has the rig as a covariate; counts and intervals hold the step"
    told = _shares(effect, data, slopes)
    several = ", this step alone" if sum(s.step.kind != "alone" for s in fit.steps) > 1 else ""
    return (f"{effect.sensors} worn sensor{'s were' if effect.sensors > 1 else ' was'} checked on both sides of it: "
            f"{told}, if they moved as the never-worn ones did{several}")


def _shares(effect: Effect, data: WearData, slopes: Mapping[str, float]) -> str:
    """``about +0.27 % per use of the drift of plain sensors is the step's``, and what the drift is without it."""
    def show(v: float) -> str:
        v = 100 * math.expm1(v) if data.log else v
        return f"{'+' if v > 0 else MINUS}{abs(v):.2g}"

    unit = "%" if data.log else data.units["reading"]
    parts = []
    for c, added in effect.slope.items():
        whose = f" of {c} sensors" if c else ""
        without = slopes.get(c, math.nan) - added
        rest = f", which would be about {show(without)} without it" if math.isfinite(without) else ""
        parts.append(f"about {show(added)} {unit} per {data.per} of the drift{whose} is the step's{rest}")
    return "; ".join(parts).replace("  ", " ")


def _step_sentence(moved: Moved, made: Sequence[Estimate], effect: Effect, data: WearData,
                   slopes: Mapping[str, float], fit: Fit) -> str:
    at = date_of(moved.step.at)
    if moved.step.kind == "all":
        return (f"The rig moved: {_who(moved)} read {_sizes(made)} from {at} on. Nothing is corrected for it: "
                f"{_shares(effect, data, slopes)}.")
    return (f"{join_words(moved.who)} read{'s' * (len(moved.who) == 1)} {_sizes(made)} from {at} on, and whether the "
            f"rig or the never-worn sensor changed is not known. If it was the rig, {_shares(effect, data, slopes)}.")


def _slope_finding(fit: Fit, estimate: Estimate, data: WearData, level: float) -> tuple[Finding, str]:
    """Word the common trend, and say whose it is; "" where none is seen."""
    n = len(fit.names)
    beside = " beside the steps" if len(fit.steps) > 1 else " beside the step" if fit.steps else ""
    text = f"{n} never-worn sensor{'s' * (n > 1)} changed by {estimate.text()}{beside}"
    if fit.alone:
        own = _slope_estimate("", fit.own[fit.alone], data, level, 1)
        others = join_words([n for n in fit.names if n != fit.alone])
        return _warn("standard-drifts", f"{fit.alone} itself drifts, by {own.text()}, while {others} "
                     f"do{'es' * (n == 2)} not. That is no drift of the rig",
                     f"Do not correct readings by {fit.alone}; find the cause and log it, or replace it."), ITSELF
    if fit.apart:
        return _warn("standards-drift-apart", f"{text}, but not alike (F test of their slopes): whether the rig drifts "
                     "cannot be said", "Do not correct readings by them. Look at the control chart of each, and read "
                     "all of them on the same days."), EITHER
    # Beside a step that was looked for, a slope must be clearer than 5 %.
    if not (fit.sure if fit.steps else estimate.low > 0 or estimate.high < 0):
        further = "further " if any(s.step.kind == "all" for s in fit.steps) else ""
        return Finding(severity="note", code="rig-steady", question=QUESTION,
                       message=f"{text}: no {further}movement of the rig is seen"), ""
    if n == 1:
        return _warn("rig-moved", f"{text}: the rig moved, or that sensor itself did, which one cannot tell apart; "
                     "part of the drift of the worn sensors may be the rig's", "A second never-worn sensor, read on "
                     "the same days, would tell. Do not correct readings by one."), EITHER
    return _warn("rig-moved", f"{text}, alike: the rig moved, and part of the drift of the worn sensors may be the "
                 "rig's", "Correct each day's readings by the never-worn sensors, or mend the rig."), RIG


def _slope_sentence(row: Row) -> str:
    if row["verdict"] == RIG:
        return f"The rig drifted ({_change(row)}, by never-worn sensors) and nothing is corrected for it."
    return (f"{row['moved']} changed by {_change(row)}, and whether the rig or the never-worn sensor drifted is not "
            "known; nothing is corrected for it.")


def _warn(code: str, message: str, mend: str) -> Finding:
    return Finding(severity="warning", code=code, question=QUESTION, message=message, mend=mend)


def _step_row(moved: Moved, made: Sequence[Estimate], effect: Effect, rests: bool) -> Row:
    one = made[0] if len(made) == 1 else None
    mean = float(np.mean([e.value for e in made]))
    return {"kind": "step", "verdict": _VERDICT[moved.step.kind], "last before": date_of(moved.step.before),
            "from": date_of(moved.step.at), "moved": join_words(moved.who), "did not follow": join_words(moved.stayed),
            "change": mean, "low": one.low if one else math.nan, "high": one.high if one else math.nan,
            "unit": made[0].unit, "worn sensors on both sides": float(effect.sensors),
            "answers rest on it": "yes" if rests else ""}


def _slope_row(fit: Fit, estimate: Estimate, verdict: str, rests: bool) -> Row:
    moved = [fit.alone] if fit.alone else list(fit.names)
    stayed = [n for n in fit.names if n not in moved]
    return {"kind": "drift", "verdict": verdict, "last before": "", "from": "", "moved": join_words(moved),
            "did not follow": join_words(stayed), "change": estimate.value, "low": estimate.low, "high": estimate.high,
            "unit": estimate.unit, "worn sensors on both sides": math.nan, "answers rest on it": "yes" if rests else ""}


def table_of(rows: Sequence[Row]) -> list[ResultTable]:
    """Return the table of changes; none without one."""
    if not rows:
        return []
    return [ResultTable.build(TABLE, {k: [r[k] for r in rows] for k in rows[0]}, caption="Steps and drift of "
                              "never-worn sensors: who moved, who did not follow, and whether answers rest on it "
                              "uncorrected")]
