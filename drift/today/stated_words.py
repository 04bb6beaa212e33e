"""Sentences about limits that are near, and about what the study states: count, guard band, calibration."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.errors import Finding
from drift.results import join_words

if TYPE_CHECKING:
    from drift.today.judge import Verdict
    from drift.today.near import Near

Row = tuple[str, str, str, str]


def times(k: float, one: str, several: str) -> str:
    """``1 use``, ``38 uses``."""
    return f"{k:g} {one if k == 1 else several}"


def shown_words(v: Verdict) -> str:
    """Say what the latest check shows against each limit; empty without one."""
    near = [f.near for f in v.forecasts if f.near is not None]
    return f"It shows {join_words([n.words for n in near])}. " if near else ""


def doubted(v: Verdict, chance: float) -> list[Near]:
    """Return the limits that the latest check alone does not show to be kept."""
    return [f.near for f in v.forecasts if f.near is not None and f.near.alone > chance]


def near_words(found: list[Near], *, allowed: str, one: str, percent: list[str]) -> str:
    """Word the doubt about the latest check, or about it and its repeat."""
    told = join_words([f"{n.words}, past it with probability {p}" for n, p in zip(found, percent, strict=True)])
    what = "its latest check and the repeat" if found[0].repeated else "its latest check"
    return (f"{what} ({one} {found[0].use:g}) alone {'do' if found[0].repeated else 'does'} not show it within every "
            f"limit after the next {one}: {told} ({allowed} is allowed)"
            + ("" if found[0].repeated else ", one repeat check decides"))


def of_construction(construction: str) -> str:
    """``laminated sensors``, ``all sensors``."""
    return f"{construction} sensors" if construction else "all sensors"


def count_reason(v: Verdict, one: str, several: str) -> str:
    """Say that it is past the count that retires it."""
    s = v.standing
    made = f"it has made {times(s.use, one, several)}"
    if s.by == "count":
        return f"{made}, and the retire-after count of {of_construction(v.situation.construction)} is {s.count:g}"
    return f"{made}, and after {s.ends:g} the policy in force retires it whatever a check shows"


def guard_words(v: Verdict) -> str:
    """Name the limits at whose guard band, or past it, its latest check is."""
    return join_words([f"{n.words.split(' (')[0]} (retire at {g.number}, limit {n.limit_number})"
                       for n, g in v.standing.passed(f.near for f in v.forecasts)])


def guard_reason(v: Verdict, one: str, several: str) -> str:
    """Say that its latest check is past the guard band."""
    return f"its latest check ({one} {v.situation.last_check:g}) shows {guard_words(v)}"


def calibration_reason(v: Verdict, one: str, several: str) -> str:
    """Say that a recalibration is due."""
    s = v.standing
    least = "at least " if s.every_at_least else ""
    # Another check comes first: a sensor that it retires needs no calibration.
    first = "recalibrate it first" if {*v.why} <= {"calibrate", "repeat"} else "then, if it is kept, recalibrate it"
    return (f"{first}, for it has made {times(s.since, one, several)} since its last calibration "
            f"({s.calibrated}) and one is due every {least}{times(s.every, one, several)}")


def due_reason(v: Verdict, one: str, several: str) -> str:
    """Say that a check is due."""
    age = v.situation.use - v.situation.last_check
    return (f"a check is due every {times(v.standing.check_every, one, several)} and its latest was "
            f"{times(age, one, several)} ago")


def stated_words(v: Verdict, one: str, several: str) -> str:
    """Name the count of its construction, and the report's guard band, beside a verdict that other things decide."""
    s, said = v.standing, []
    if math.isfinite(s.count) and "count" not in v.why and v.situation.role != "check standard":
        of, least = of_construction(v.situation.construction), "at least " * s.count_at_least
        rule = f"the retire-after count of {of}, {least}{times(s.count, one, several)}"
        if s.past_count:
            decides = "its own forecast" if s.by == "forecast" else "the guard band of its checks"
            said.append(f"It has made {times(s.use, one, several)}, past {rule}; {decides} decides here ([today] "
                        "retire_by)")
        else:
            said.append(f"Of {rule}, it has made {s.use:g}")
    if s.guard_of == "report" and (told := guard_words(v)):
        said.append(f"The report's cheapest policy would have retired it at that check: {told}")
    return " ".join(f"{t}." for t in said)


def rule_unknown(v: Verdict) -> list[Finding]:
    """Say that what retires sensors here is not known, so that something else decides."""
    s, at = v.standing, v.situation
    known = {"forecast": True, "count": math.isfinite(s.count), "checks": bool(s.guard)}[s.by]
    if known or at.role == "check standard" or at.out:
        return []
    what = "retire-after count" if s.by == "count" else "guard band"
    return [Finding(severity="warning", code="rule-unknown", message=f'retire_by = "{s.by}" under [today], but no '
                    f"{what} is known for {at.sensor}: its own forecast decides",
                    mend="Declare [limits] and [retirement], and see what 'drift retire' says." if s.by == "count" else
                    "Name one number of uses as check_every in [policy], or let 'drift run' choose.")]


def stated_rows(v: Verdict, one: str, several: str) -> list[Row]:
    """Return the rows of what the study states."""
    s, rows = v.standing, []
    if math.isfinite(s.count):
        means = "within" if not s.past_count else "do not use" if s.by == "count" else "past it, does not decide"
        rows.append(("retire-after count", f"{times(s.use, one, several)} made",
                     f"{'at least ' * s.count_at_least}{times(s.count, one, several)}", means))
    for g in s.guard:
        near = next((f.near for f in v.forecasts if f.near is not None and f.limit.key == g.key), None)
        if near is None:
            continue
        passed = near.worse_than(g.value)
        decides = s.by == "checks"
        rows.append((f"guard band of the {'policy in force' if decides else 'cheapest policy of the report'}",
                     f"check at {one} {near.use:g}: {near.number(near.shown)}", f"retire at {g.number}",
                     "within" if not passed else "do not use" if decides else "past it, does not decide"))
    if s.by == "checks" and s.check_every:
        rows.append(("uses since the latest check", f"{v.situation.use - v.situation.last_check:g}",
                     f"a check every {times(s.check_every, one, several)}",
                     "check again" if "due" in v.why else "within"))
    if math.isfinite(s.since) and math.isfinite(s.every):
        rows.append(("calibration", f"{times(s.since, one, several)} since the last ({s.calibrated})",
                     f"recalibrate every {'at least ' * s.every_at_least}{times(s.every, one, several)}",
                     "recalibrate" if s.overdue else "within"))
    return rows
