"""Rig or standard: what one, two or more check standards say together about the rig today."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import numpy as np

from drift.control.charts import ChartSpec, StandardChart, chart_standard
from drift.control.occasions import Occasions, Unread
from drift.errors import DriftError, Finding
from drift.results import join_words

Status = Literal["fit", "not fit", "standard", "unclear", "not charted"]
IN_CONTROL = "the rig is in control at its latest occasion"
ON_THE_OTHER = "; the rig may be used on the other standard"


@dataclass(frozen=True, kw_only=True, eq=False)
class Rig:
    """Whether the rig is fit today.

    Parameters
    ----------
    status : {"fit", "not fit", "standard", "unclear", "not charted"}
        ``standard``: a check standard itself changed; ``unclear``: one standard signals and nothing tells it apart
        from the rig.
    sentence : str
    when : str
        Latest occasion.
    charts : tuple of StandardChart
    findings : tuple of Finding
    """

    status: Status
    sentence: str
    when: str
    charts: tuple[StandardChart, ...]
    findings: tuple[Finding, ...]


def said(chart: StandardChart) -> str:
    """Name the charts that signal at the latest occasion, with their side."""
    sides: dict[str, list[str]] = {}
    for s in chart.latest:
        name = "the single occasion" if s.chart == "individuals" else s.chart
        sides.setdefault("scatters too much inside the occasion" if s.chart == "precision" else
                         "above the limit of" if s.side > 0 else "below the limit of", []).append(name)
    return join_words([side if side.startswith("scatters") else f"{side} {join_words(names)}"
                       for side, names in sides.items()])


def judge_rig(charts: tuple[StandardChart, ...], *, spec: ChartSpec | None = None) -> Rig:
    """Word what the latest occasion of each check standard says about the rig.

    The rig moves all standards read on one occasion; a standard that was damaged moves alone. Where one of two or more
    signals, the differences between standards, in which the rig cancels, are charted as well.
    """
    if not charts:
        return Rig(status="not charted", sentence="no check standard is read", when="", charts=(), findings=(Finding(
                       severity="note", code="no-check-standard", message="no sensor has the role check standard: a "
                       "change of the rig would be taken for a change of the sensors",
                       mend="Keep a sensor that is never worn, read it on every day of use, and give it the role "
                       "check standard."),))
    # Standards count as read on the occasion only where their latest readings are of one day.
    current = _current(charts)
    when = _when(current[0])
    names = [c.occasions.standard or "the check standard" for c in current]
    out = [c for c in current if c.latest]
    # One that signalled when it was last read, earlier than the others, has not been shown to be good since.
    stale = [c for c in charts if c.latest and c not in current]
    if stale:
        return _judged_with_stale(charts, current, stale, spec)
    if not out:
        return _in_control(charts, current, when)
    told = "; ".join(f"{c.occasions.standard} is {said(c)}" if c.occasions.standard else said(c) for c in out)
    if len(current) == 1:
        sentence = (f"the check standard is out of control at {when} ({told}): one standard cannot tell a changed rig "
                    "from a changed standard")
        return _found("unclear", sentence, when, charts, "rig-or-standard", "Repeat the reading; read a second check "
                      "standard, which would tell whether the rig or the standard changed.")
    if len(out) == len(current) and len({s.side for c in out for s in c.latest if s.chart != "precision"}) <= 1:
        return _found("not fit", f"the rig is out of control at {when}: {told}, alike", when, charts,
                      "rig-out-of-control", "Do not use the rig before the cause is found and logged.")
    alone = [c for c in out if _moved_alone(c, [d for d in current if d is not c], spec or ChartSpec())]
    if alone and len(out) < len(current):
        who = join_words([c.occasions.standard for c in alone])
        others = join_words([n for n in names if n not in [c.occasions.standard for c in alone]])
        return _found("standard", f"{who} itself changed: {told} at {when}, while {others} did not follow", when,
                      charts, "standard-jumped", f"Look at {who}, log the cause, and start a new baseline for it with "
                      f"the event 'new baseline', its time the day it changed{ON_THE_OTHER}.")
    return _found("unclear", f"check standards disagree at {when}: {told}, the others not", when, charts,
                  "rig-or-standard", "Read all check standards once more before the rig is used.")


def _in_control(charts: tuple[StandardChart, ...], current: list[StandardChart], when: str) -> Rig:
    """Word that nothing signals, unless the baselines behind that changed themselves."""
    doubtful = [c for c in current if c.step is not None or odd_edge(c)]
    sound = [c for c in current if c not in doubtful]
    found = tuple(step_finding(c) for c in current if c.step is not None)
    said_of = "; ".join(baseline_words(c) for c in doubtful)
    if doubtful and not sound:
        return Rig(status="unclear", when=when, charts=charts, findings=found, sentence=f"{said_of}: whether the rig "
                   "is in control cannot be said")
    beside = f"; {said_of}, so that {_not_counted(doubtful)}" if doubtful else ""
    wide = "".join(f"; {baseline_words(c)}, which widens its limits" for c in sound if c.odd)
    return Rig(status="fit", when=when, charts=charts, findings=found, sentence=f"{IN_CONTROL} "
               f"({_at(when, sound)}){beside}{wide}")


def odd_edge(chart: StandardChart) -> bool:
    """Whether the first or last occasion of the baseline is odd, as a step next to it would make it."""
    first = chart.first
    return bool({first, first + chart.baseline.n - 1} & set(chart.odd))


def baseline_words(chart: StandardChart) -> str:
    """Say what is wrong with a baseline: a step, or occasions far from the others."""
    if chart.step is not None:
        return step_finding(chart).message
    where = join_words([str(chart.occasions.label[i]) for i in chart.odd])
    name = f" of {chart.occasions.standard}" if chart.occasions.standard else ""
    several = len(chart.odd) > 1
    edge = " (a step next to it would look the same)" if odd_edge(chart) else ""
    return (f"occasion{'s' * several} {where} of the baseline{name} lie{'s' * (not several)} far from the others{edge}")


def odd_finding(chart: StandardChart) -> Finding | None:
    """Say which occasions of a baseline lie far from the others, and what that does; None where none does."""
    if not chart.odd:
        return None
    where = join_words([str(chart.occasions.label[i]) for i in chart.odd])
    name = f" of {chart.occasions.standard}" if chart.occasions.standard else ""
    return Finding(severity="warning", code="baseline-jump", message=f"occasion {where} of the baseline{name} lies far "
                   "from the others, and widens the limits",
                   mend="Find the cause; only a logged 'new baseline' with its cause changes a baseline.")


def _not_counted(doubtful: list[StandardChart]) -> str:
    names = [c.occasions.standard for c in doubtful]
    return f"{join_words(names)} do{'es' * (len(names) == 1)} not count"


def without_latest(rig: Rig, unread: Sequence[Unread], exposure: str) -> Rig:
    """Take back that a rig is fit where the newest reading of a check standard cannot be used.

    What a standard showed before is no evidence of what it shows now: a reading at the ceiling may be the very change
    of the rig that the standard is read for. A rig that is not fit stays so.
    """
    if not unread:
        return rig
    told: dict[tuple[str, str], list[str]] = {}
    for u in unread:
        told.setdefault((f"{exposure} {u.use:g}", u.reason), []).append(u.standard)
    lost = "; ".join(f"the newest reading of check standard{'s' * (len(names) > 1)} {join_words(names)} ({at}) cannot "
                     f"be used ({reason})" for (at, reason), names in told.items())
    if rig.status == "not fit":
        return replace(rig, sentence=f"{rig.sentence}; {lost}")
    before = ("" if rig.status == "not charted" else
              f"; by the readings that can be used {rig.sentence.replace(IN_CONTROL, 'it was last in control')}")
    return replace(rig, status="unclear", sentence=f"{lost}: whether the rig is fit is not known{before}",
                   findings=tuple(replace(f, mend=f.mend.replace(ON_THE_OTHER, "")) for f in rig.findings))


def step_finding(chart: StandardChart) -> Finding:
    """Say where a baseline changed, by how much, and how sure that is."""
    step = chart.step
    assert step is not None
    name = f" of {chart.occasions.standard}" if chart.occasions.standard else ""
    alike = ", unless its occasions are alike, each near the one before" if chart.autocorrelated else ""
    return Finding(severity="warning", code="baseline-step", message=f"the baseline{name} itself changed: from "
                   f"occasion {chart.occasions.label[step.at]} on its readings lie {abs(step.size):.1f} SDs "
                   f"{'higher' if step.size > 0 else 'lower'} (p = {step.p:.2g} for the largest step anywhere{alike})",
                   mend="Find the cause; log it as the event 'new baseline' with the day of that occasion "
                   "as its time (or the last use before it), or declare with "
                   "--baseline the occasions that are good.")


def _judged_with_stale(charts: tuple[StandardChart, ...], current: list[StandardChart], stale: list[StandardChart],
                       spec: ChartSpec | None) -> Rig:
    """Judge by the standards read latest, and hold against the rig what was out of control when last read."""
    told = "; ".join(f"{c.occasions.standard} was out of control when it was last read ({_when(c)}: {said(c)}) and "
                     "was not read since" for c in stale)
    rest = judge_rig(tuple(current), spec=spec)
    status: Status = "not fit" if rest.status == "not fit" else "unclear"
    extra = _found(status, f"{rest.sentence}; {told}", rest.when, charts, "standard-out-when-last-read",
                   f"Read {join_words([c.occasions.standard for c in stale])} again.")
    return replace(extra, findings=tuple(dict.fromkeys((*rest.findings, *extra.findings))))


def _current(charts: tuple[StandardChart, ...]) -> list[StandardChart]:
    """Return the standards read at the latest occasion: by day, else use count, else a number or date as label.

    Labels of another kind have no order across standards; then all count as read.
    """
    found: list[date | float] | None = None
    for kind in (_day, _use, _number):
        places = [kind(c) for c in charts]
        if all(p is not None for p in places):
            found = [p for p in places if p is not None]
            break
    if found is None:
        return list(charts)
    latest = max(found)
    return [c for c, p in zip(charts, found, strict=True) if p == latest]


def _day(chart: StandardChart) -> date | None:
    for text in (chart.occasions.time[-1], chart.occasions.label[-1]):
        try:
            return date.fromisoformat(str(text)[:10])
        except ValueError:
            continue
    return None


def _use(chart: StandardChart) -> float | None:
    use = float(chart.occasions.use[-1])
    return use if np.isfinite(use) else None


def _number(chart: StandardChart) -> float | None:
    try:
        return float(str(chart.occasions.label[-1]))
    except ValueError:
        return None


def _at(when: str, current: list[StandardChart]) -> str:
    named = [c.occasions.standard for c in current if c.occasions.standard]
    return f"{when}: {join_words(named)}" if named else when


def _when(chart: StandardChart) -> str:
    i = len(chart.occasions) - 1
    return str(chart.occasions.time[i])[:10] or str(chart.occasions.label[i])


def _moved_alone(chart: StandardChart, others: list[StandardChart], spec: ChartSpec) -> bool:
    """Whether the difference to the other standards, in which the rig cancels, is out of control as well."""
    for other in others:
        shared = [(i, j) for i, label in enumerate(chart.occasions.label)
                  for j in np.flatnonzero(other.occasions.label == label)[:1] if i >= chart.first and j >= other.first]
        if len(shared) < 7:
            continue
        at, there = np.array([s[0] for s in shared]), np.array([s[1] for s in shared])
        values = chart.occasions.mean[at] / chart.baseline.centre - other.occasions.mean[there] / other.baseline.centre
        none = np.full(len(at), np.nan)
        try:
            found = chart_standard(Occasions(standard="", label=chart.occasions.label[at], mean=values, within_sd=none,
                                             within_df=np.zeros(len(at)), use=none, time=chart.occasions.time[at]),
                                   ChartSpec(most=spec.baseline or spec.most))
        except DriftError:
            continue
        if found.latest:
            return True
    return False


def _found(status: Status, sentence: str, when: str, charts: tuple[StandardChart, ...], code: str, mend: str) -> Rig:
    return Rig(status=status, sentence=sentence, when=when, charts=charts, findings=(
        Finding(severity="warning", code=code, message=sentence, mend=mend),
        *(step_finding(c) for c in charts if c.step is not None)))
