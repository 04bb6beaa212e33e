"""Findings about sensors that came late, left by judgement, or do not wear towards the limit."""

from __future__ import annotations

import math

from drift.errors import Finding
from drift.results import join_words
from drift.retirement.evaluate import ConstructionAnswer, LimitAnswer
from drift.retirement.groups import Exposure
from drift.retirement.limits import QUESTION
from drift.retirement.voice import Voice
from drift.retirement.wording import label_of


def departure_findings(a: ConstructionAnswer, exposure: Exposure) -> list[Finding]:
    """Say what removal, late entry and the direction of wear mean for one construction."""
    good = [x for x in a.limits if not x.refused]
    return [*_judged(a, good, exposure), *_late(a, good, exposure), *_direction(a, good), *_early(a, good, exposure)]


_warn = Voice(QUESTION).warn


def _judged(a: ConstructionAnswer, good: list[LimitAnswer], exposure: Exposure) -> list[Finding]:
    names = sorted({s for x in good for s in x.group.judged})
    found = {f: n for key, f, n, _ in a.by_removal if key == ""} if a.by_removal else {}
    if not names or not found:
        together = [x for x in good if x.group.left_together]
        return [Finding(severity="note", code="removed-together", question=QUESTION, message=(
            f"{label_of(a.construction)}: all sensors were removed at the same exposure, which is read as the end of "
            "the study and not as a sign of wear"))] if together else []
    base, *others = sorted(found)
    they, their = ("they", "their") if len(names) > 1 else ("it", "its")
    shown = [f"{found[f]:g} if {they} wore {100 * (f - 1):.0f} % faster" for f in others]
    which = "every" if len(a.limits) > 1 else "the"
    were = "were" if len(names) > 1 else "was"
    return [_warn("removed-by-judgement",
                  f"{label_of(a.construction)}: {join_words(names)} {were} removed for wear although the last check "
                  f"was within {which} limit; the count of {found[base]:g} would be {join_words(shown)} than {their} "
                  "checks show",
                  "Check a sensor when it is removed, and record the reason; where it was not wear, say so in "
                  "retired_reason.")]


def _late(a: ConstructionAnswer, good: list[LimitAnswer], exposure: Exposure) -> list[Finding]:
    late: dict[str, float] = {}
    for x in good:
        fresh = 1.0 if exposure.is_use else 0.05 * float((x.group.last - x.group.first).mean())
        for s, first in zip(x.group.sensor, x.group.first, strict=True):
            if first > fresh:
                late[str(s)] = float(first)
    if not late:
        return []
    low, high = min(late.values()), max(late.values())
    when = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return [_warn("entered-late", f"{label_of(a.construction)}: {join_words(sorted(late))} "
                  f"{'were' if len(late) > 1 else 'was'} first checked at {when} {exposure.per}; the count holds if "
                  "sensors that had failed by then are not missing from the study: only survivors can enter late",
                  "Enter every sensor when fresh, or add the sensors that failed before the first check.")]


def _early(a: ConstructionAnswer, good: list[LimitAnswer], exposure: Exposure) -> list[Finding]:
    """Say what the early change of the sensors is and costs, where it lowers the count of a limit."""
    said = [f"{label_of(a.construction)}: the sensors' own lines start {100 * _share(x):.2g} % below their fresh "
            "checks on average, as after faster wear in the first uses or by the error of these checks; the count "
            f"against {x.group.limit.key} starts from there, and would be {exposure.show(x.without_early)} without it "
            f"instead of {x.count:g}"
            for x in good if x.early_counts]
    return [Finding(severity="note", code="early-change", question=QUESTION, message=words) for words in said]


def _share(x: LimitAnswer) -> float:
    return -math.expm1(-x.group.early) if x.group.limit.log else x.group.early


def _direction(a: ConstructionAnswer, good: list[LimitAnswer]) -> list[Finding]:
    away = [x for x in good if math.isfinite(x.slope[2]) and x.slope[2] < 0]
    if not away:
        return []
    keys = join_words([x.group.limit.key for x in away])
    return [_warn("away-from-limit",
                  f"{label_of(a.construction)}: the mean drift leads away from the limit on {keys}, so these data "
                  "cannot say when it will be reached",
                  "Look at the sign and units of the readings and of the limit; if both are right, sensors improve "
                  "with use over the checked range.")]
