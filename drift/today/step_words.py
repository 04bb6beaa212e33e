"""Sentences about changes of the rig between the checks of a sensor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.errors import Finding
from drift.results import join_words
from drift.sensitivity.control_days import TOGETHER, date_of

if TYPE_CHECKING:
    from drift.today.judge import Verdict
    from drift.today.paths import Setting
    from drift.today.steps import RigStep, RigSteps

Row = tuple[str, str, str, str]


def steps_told(steps: RigSteps, sensor: str | None) -> list[RigStep]:
    """Return the steps between the checks of a sensor; all steps where it has none of its own, or none is named."""
    own = steps.crossed.get(sensor, ()) if sensor is not None else ()
    return [steps.steps[k] for k in own] or list(steps.steps)


def _split(steps: list[RigStep]) -> tuple[list[RigStep], list[RigStep]]:
    return [s for s in steps if s.sure], [s for s in steps if not s.sure]


def step_reason(steps: RigSteps, sensor: str, worst: str) -> str:
    """Say that a change of the rig decides; ``worst`` is the reason that holds at its least favourable end."""
    lost = steps.unknown(sensor)
    if lost:
        return f"{lost}, so that what it has lost is not known"
    sure, open_ = _split(steps_told(steps, sensor))
    asked = [f"how far the rig moved ({join_words([s.words for s in sure])})"] if sure else []
    asked += [f"whether the rig or {join_words(s.who)} itself changed ({s.words})" for s in open_]
    return f"{join_words(asked)} decides: it may be that {worst}"


def step_tail(steps: RigSteps, sensor: str) -> str:
    """Say what would settle it."""
    if steps.unknown(sensor):
        undated = sensor in steps.undated or any(
            not s.known and math.isnan(s.before) for s in steps_told(steps, sensor))
        return (" Write the day of every check, also of the check standards, into the column time." if undated else
                " Read the check standards, which tells how far the rig moved.")
    if _split(steps_told(steps, sensor))[1]:
        return (" Where the cause is known: exclude (exclude = yes, with the reason) the readings before it, of the "
                "sensor if it was the rig, of the check standard if it was the standard.")
    return " Check it again, and read the check standards on more days: both narrow it."


def step_sentence(setting: Setting, v: Verdict | None) -> str:
    """Say what was done with the checks before a change of the rig; empty where there is none between checks.

    Of one sensor where its verdict is given, else of all.
    """
    steps, sensor = setting.steps, v.situation.sensor if v is not None else None
    if steps is None:
        return ""
    gap = f" {_gap_sentence(steps)}." if steps.beside and (sensor is None or sensor in steps.beside) else ""
    judged = steps.crossed.keys() - steps.lost
    if not judged or (sensor is not None and sensor not in judged):
        return gap
    sure, open_ = _split([s for s in steps_told(steps, sensor) if s.known])
    whose = "checks" if sensor is None else "its checks"
    said = []
    if sure:
        present = ", and limits on pressure or reading are held against that one" if any(
            not p.limit.relative for p in setting.paths if p.limit is not None) else ""
        said.append(f"The rig moved {join_words([s.words for s in sure])}: {whose} before are put on the present "
                    f"rig{present}")
    said += [f"{join_words(s.who)} moved {s.words}, and whether the rig or the standard changed is not known: both "
             f"were tried{_if_the_rig(v)}" for s in open_]
    return "".join(f" {t}." for t in said) + gap


def _gap_sentence(steps: RigSteps) -> str:
    spans = join_words([f"{date_of(a)} and {date_of(b)}" for a, b in steps.gaps])
    return (f"Caution: between {spans} no check standard was read both before and after, so that a change of the rig "
            "there would not be seen")


def _if_the_rig(v: Verdict | None) -> str:
    """Name what the latest check shows if the rig changed, where that is worse."""
    if v is None or v.binding is None or v.binding.near is None:
        return ""
    shown = [f.near for e in v.ends for f in e.forecasts if f.limit.key == v.binding.limit.key and f.near is not None]
    worst = max(shown, key=lambda n: n.limit.sign * n.shown if not n.limit.relative else n.shown, default=None)
    if worst is None or not worst.worse_than(v.binding.near.shown) or worst.shown == v.binding.near.shown:
        return ""
    return f", and if it was the rig, the latest check shows {worst.words}"


def step_rows(setting: Setting, v: Verdict) -> list[Row]:
    """Return a row of the reasons for each change of the rig between the checks of the sensor."""
    steps = setting.steps
    if steps is None:
        return []
    told = [steps.steps[k] for k in steps.crossed.get(v.situation.sensor, ())]
    means = ("check again" if v.word == "check again" and "step" in v.why else
             "same verdict at both ends" if all(e.word == v.word for e in v.ends) else "not so at every end")
    return [("rig, between its checks" if s.sure else "rig or standard, between its checks",
             f"moved {s.words}" if s.sure else f"{join_words(s.who)} moved {s.words}", "", means) for s in told]


def step_finding(setting: Setting, sensor: str | None) -> tuple[Finding, ...]:
    """Caution that a verdict rests on checks across a change of the rig, and on what."""
    steps = setting.steps
    if steps is None:
        return ()
    if not steps.crossed or (sensor is not None and sensor not in steps.crossed):
        if sensor is not None and sensor not in steps.beside:
            return ()
        return (Finding(severity="warning", code="standards-do-not-overlap",
                        message=_gap_sentence(steps).removeprefix("Caution: "),
                        mend=TOGETHER),)
    told = steps_told(steps, sensor)
    sure, open_ = _split(told)
    who = f"{sensor} was" if sensor is not None else f"{len(steps.crossed)} sensors were"
    parts = [f"the rig moved {s.words}" for s in sure]
    parts += [f"{join_words(s.who)} moved {s.words}, or the rig did" for s in open_]
    known = [s for s in told if s.known]
    narrow = "; read check standards on more days, which narrows how far the rig moved" if known and not open_ else ""
    done = ("" if not known else "; both were tried, and the less favourable counts" if open_ else "; checks before "
            "are put on the present rig, by the never-worn sensors, and the least favourable end of their interval "
            "counts")
    return (Finding(
        severity="warning", code="rig-step-between-checks",
        message=f"{who} checked on both sides of a change of the rig: {'; '.join(parts)}{done}. Counts and intervals "
                "that the study states are not corrected for it",
        mend=f"See 'drift run' for what the change does to the drift per use{narrow}."),)
