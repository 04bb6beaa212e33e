"""Sentences about one sensor today, each a reason a person can act on."""

from __future__ import annotations

import math
from collections.abc import Callable

from drift.engine.control_charts import ANY_RATE
from drift.errors import Finding
from drift.today import stated_words as stated
from drift.today.judge import AGAIN, NEVER, RANK, Forecast, Verdict
from drift.today.latest import loads
from drift.today.paths import Setting
from drift.today.step_words import step_reason, step_sentence, step_tail

STATED: dict[str, Callable[[Verdict, str, str], str]] = {
    "count": stated.count_reason, "due": stated.due_reason, "calibrate": stated.calibration_reason,
    "guard": stated.guard_reason}
HEADS = {"use": "Use", "check again": "Check", "do not use": "Do not use"}


def percent(p: float) -> str:
    """Print a probability in percent, whole where it is not small."""
    if p < 0.0005:
        return "less than 0.1 %"
    return f"{100 * p:.1f} %" if p < 0.02 else "more than 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def per(setting: Setting) -> tuple[str, str]:
    """Return one step of the exposure and several of them: ``use``, ``uses``."""
    one = setting.data.per if setting.data is not None else "use"
    return one, one if one.endswith("s") else f"{one}s"


def count(k: int, setting: Setting, most: int) -> str:
    """Print a number of further uses; as far as was looked is not a number."""
    one, several = per(setting)
    return f"more than {most} {several}" if k >= most else f"{k} {one if k == 1 else several}"


def answer(v: Verdict, setting: Setting) -> str:
    """Return the answer in one or two sentences, the action first."""
    name = v.situation.sensor
    if v.situation.role == "check standard":
        return f"{name} is a check standard and not for use: {setting.rig.sentence}."
    if "none" in v.why and "out" not in v.why:
        why = f": {_of_latest(v, setting)} {_lost(v)}" if v.latest is not None else ""
        return f"Check {name} before use: it has no usable check yet{why}.{_fresh(v, setting)}"
    deciding = [reason(code, v, setting) for code in v.why if code in (NEVER if v.word == "do not use" else AGAIN)]
    beside = stated.stated_words(v, *per(setting))
    beside = step_sentence(setting, v) + (f" {beside}" if beside else "")
    if v.word == "do not use":
        return f"Do not use {name}: {'; '.join(deciding)}.{'' if 'out' in v.why else beside}"
    if v.word == "check again":
        tail = {"off": " One repeat check decides.", "rig": " Read the check standard again before anything else.",
                "unread": unread_tail(v), "unknown": " It cannot be called fit on these checks.",
                "step": step_tail(setting.steps, name) if setting.steps is not None else ""}
        more = next((tail[c] for c in v.why if c in tail), "")
        return f"Check {name} again before use: {'; '.join(deciding)}.{more}{beside}"
    return f"Use {name}: {_fine(v, setting)}. {stated.shown_words(v)}{of_rig(setting)}.{beside}"


def of_rig(setting: Setting) -> str:
    """Say in what state the rig is, which decides as much as the sensor."""
    sentence = setting.rig.sentence
    if setting.rig.status == "not charted":
        return f"Whether the rig is fit is not known: {sentence}"
    return f"{sentence[0].upper()}{sentence[1:]}"


def alarm_rate(setting: Setting) -> str:
    """Return what is asked of the rig, with how often a good one fails it."""
    if not setting.rig.charts:
        return "in control"
    more = " or more" * any(c.stopped is not None for c in setting.rig.charts)
    each = " and standard" * (len(setting.rig.charts) > 1)
    return f"in control (false alarms: {100 * ANY_RATE:g} % of occasions{each}{more})"


def unread_tail(v: Verdict) -> str:
    """Say what would make the latest check usable."""
    at = v.latest
    return f" Read it at {loads((*at.levels, *at.missing), at.unit)}." if at is not None and at.missing else ""


def _of_latest(v: Verdict, setting: Setting) -> str:
    """Name the latest check."""
    at = v.latest
    one, _ = per(setting)
    return "" if at is None else "the check given here" if at.given else f"its check at {one} {at.use:g}"


def _lost(v: Verdict) -> str:
    at = v.latest
    return "" if at is None else f"cannot be used ({at.told})"


def _fresh(v: Verdict, setting: Setting) -> str:
    f = v.binding
    if f is None:
        return ""
    share = f"{100 * (1 - setting.spec.chance):g} %"
    return (f" Of sensors like it {share} are within their limits for {count(f.low, setting, f.most)} from fresh on, "
            f"half of them for {count(f.median, setting, f.most)}.")


def _fine(v: Verdict, setting: Setting) -> str:
    """Say why a sensor may be used."""
    said = []
    if v.off is not None:
        one, _ = per(setting)
        repeat = v.repeated is not None and v.off.p < setting.spec.off_path
        said.append(f"the repeat of its check at {one} {v.off_use:g} lies on its predicted path" if repeat else
                    f"its latest check ({one} {v.off_use:g}) lies on its predicted path"
                    + (f", although {reason('repeat', v, setting)}," if "repeat" in v.why else ""))
    f = v.binding
    if f is not None:
        said.append(f"it stays within its limits for {count(f.low, setting, f.most)} more with "
                    f"{100 * (1 - setting.spec.chance):g} % probability (median {count(f.median, setting, f.most)})")
    elif v.refused:
        said.append(f"how long it lasts cannot be said, since {v.refused}")
    return " and ".join(said) or "nothing speaks against it"


def reason(code: str, v: Verdict, setting: Setting) -> str:
    """Word one reason."""
    one, _ = per(setting)
    at = v.situation
    if code == "out":
        return f"it was {at.out}"
    if code == "over":
        f = max(v.forecasts, key=lambda f: f.next)
        if f.now > 0.5:
            return f"it is past its limit, a {f.limit.words}, with probability {percent(f.now)}"
        return (f"at its next {one} it is past its limit, a {f.limit.words}, with probability {percent(f.next)} "
                f"({percent(setting.spec.chance)} is allowed)")
    if code == "dead":
        return (f"{100 * at.dead:.2g} % of its cells are dead, over the limit of "
                f"{100 * (setting.study.limits.dead_fraction or 0):g} %")
    if code == "off" and v.off is not None:
        return f"its latest check ({one} {v.off_use:g}) lies {_far(v.off.standardised, setting)} its predicted path"
    if code == "twice" and v.repeated is not None and v.off is not None:
        return (f"its check at {one} {v.off_use:g} and the repeat lie {_far(v.off.standardised, setting)} and "
                f"{_far(v.repeated.standardised, setting)} its predicted path")
    if code == "repeat" and v.repeated is not None:
        return f"the repeat of that check lies {_far(v.repeated.standardised, setting)} it"
    if code in ("near", "close"):
        found = stated.doubted(v, setting.spec.chance)
        return stated.near_words(found, allowed=percent(setting.spec.chance), one=one,
                                 percent=[percent(n.alone) for n in found])
    if code in STATED:
        return STATED[code](v, *per(setting))
    if code == "unread":
        return f"{_of_latest(v, setting)} {_lost(v)}"
    if code == "rig":
        return setting.rig.sentence
    if code == "none":
        return "it has no usable check yet"
    if code == "step" and setting.steps is not None:
        if setting.steps.unknown(v.situation.sensor):
            return step_reason(setting.steps, v.situation.sensor, "")
        worst = max(v.ends, key=lambda e: RANK[e.word])
        mine = NEVER if worst.word == "do not use" else AGAIN
        return step_reason(setting.steps, v.situation.sensor,
                           " and ".join(reason(c, worst, setting) for c in worst.why if c in mine))
    return v.refused


def brief(code: str, v: Verdict, setting: Setting) -> str:
    """Word one reason in a few words, for a table of many sensors."""
    _, several = per(setting)
    s = v.standing
    return {"near": "near a limit by its latest check alone: repeat it", "close": "near a limit by check and repeat",
            "count": f"past its count of {s.count if s.by == 'count' else s.ends:g} {several}",
            "guard": "past the guard band", "due": f"check due every {s.check_every} {several}",
            "rig": "rig out of control" if setting.rig.status == "not fit" else "rig in doubt",
            "calibrate": f"recalibrate (every {s.every:g} {several})",
            "step": "hangs on a change of the rig"}.get(code) or reason(code, v, setting)


def _far(z: float, setting: Setting) -> str:
    return f"{abs(z):.1f} SDs {'above' if z > 0 else 'below'}"


def extrapolated(v: Verdict, setting: Setting) -> Finding | None:
    """Say that a forecast goes past what any sensor was followed to."""
    f = v.binding
    if f is None or v.word == "do not use" or v.situation.use + f.low <= setting.longest:
        return None
    one, several = per(setting)
    return Finding(severity="warning", code="beyond-experience", message=f"{v.situation.sensor} is forecast to "
                   f"{one} {v.situation.use + min(f.low, f.most):g} and further, but no sensor was followed past {one} "
                   f"{setting.longest:g}: that its line stays straight there is an assumption",
                   mend=f"Check it at every few {several} from there on.")


def findings_of(v: Verdict, setting: Setting) -> tuple[Finding, ...]:
    """Say what a reader must know beside the verdict."""
    made: list[Finding] = []
    at = v.situation

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, message=message, mend=mend))  # type: ignore[arg-type]

    one, several = per(setting)
    if v.off is not None and v.repeated is not None and v.off.p < setting.spec.off_path <= v.repeated.p:
        say("warning", "slip", f"the check of {at.sensor} at {one} {v.off_use:g} lay "
            f"{_far(v.off.standardised, setting)} its predicted path and its repeat did not: the first is taken for a "
            "slip and left out of the forecast",
            "Log what went wrong with it.")
    if "repeat" in v.why and v.repeated is not None:
        say("warning", "repeat-off-path", f"the check of {at.sensor} at {one} {v.off_use:g} lies on its predicted path "
            f"and its repeat lies {_far(v.repeated.standardised, setting)} it: the first check decides, and both "
            "are in the forecast", "Find out why the two differ; a repeat is for a check that lies off its path.")
    if v.repeats > 1:
        say("warning", "more-than-one-repeat", f"the check of {at.sensor} at {one} {v.off_use:g} was repeated "
            f"{v.repeats} times; none after the first is looked at, for repeating until a check fits proves nothing",
            "Do not repeat further.")
    if at.checks == 1 and v.forecasts:
        say("note", "one-check", f"{at.sensor} has one check: where it started is known, its drift is taken from the "
            f"other {v.n_sensors - 1} sensors", "Check it again to learn of its own drift.")
    if v.forecasts and v.forecasts[0].basis == "own line":
        say("warning", "own-line-only", f"{at.sensor} is forecast from its own {at.checks} checks alone, since fewer "
            f"than {3} sensors{f' of construction {at.construction}' if at.construction else ''} have been checked",
            "Check more sensors of this construction.")
    elif v.forecasts and v.n_sensors < 8:
        say("note", "few-sensors", f"{v.n_sensors} sensors tell how much sensors differ; that this is uncertain is in "
            "the forecast, which is the wider for it", "More sensors would narrow it.")
    if v.refused and not v.forecasts:
        say("warning", "no-forecast", f"how many uses {at.sensor} has left cannot be said: {v.refused}",
            "Declare a limit under [limits]." if "limit" in v.refused else
            f"Check {FEW} sensors of its construction twice or more, or this one at three {several} or more.")
    if v.latest is not None and not v.latest.reason and v.latest.missing:
        say("warning", "levels-missing", f"{_of_latest(v, setting)} was read at {loads(v.latest.levels, v.latest.unit)}"
            f" and not at {loads(v.latest.missing, v.latest.unit)} as before: where calibration lines bend, its slope "
            "is not that of the checks before", "Read all levels.")
    elif v.latest is not None and v.latest.reason and not v.latest.decides:
        say("warning", "unusable-check", f"the latest mounting of {at.sensor} at {one} {v.latest.use:g} "
            f"{_lost(v)}: the other one of that {one} decides", "Mend or complete its rows.")
    made += stated.rule_unknown(v)
    gap = at.use - at.last_check
    if math.isfinite(gap) and gap > 0 and v.word == "use":
        say("note", "uses-since-check", f"{at.sensor} was used {gap:g} time{'s' * (gap != 1)} since its latest check; "
            "the forecast counts from now on")
    if at.unusable:
        say("note", "unusable-checks", f"{at.unusable} row{'s' * (at.unusable != 1)} of {at.sensor} did not enter "
            "(see the list of excluded rows)")
    far = extrapolated(v, setting)
    return (*made, *((far,) if far else ()))


FEW = 3


def level_words(f: Forecast) -> str:
    """Name the method of a forecast, as a paper could print it."""
    if f.basis == "own line":
        return "least-squares line of the sensor's own checks, t distributed"
    return ("posterior of the sensor's own line given its checks and the other sensors (random start and slope, half-t "
            "priors of their SDs, importance sampling)")
