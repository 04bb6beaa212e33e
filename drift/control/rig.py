"""Rig or standard: what one, two or more check standards say together about the rig today."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from drift.control.charts import ChartSpec, StandardChart, chart_standard
from drift.control.occasions import Occasions
from drift.errors import DriftError, Finding
from drift.results import join_words

Status = Literal["fit", "not fit", "standard", "unclear", "not charted"]


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
        return Rig(status="not charted", sentence="no check standard is read, so whether the rig is fit today cannot "
                   "be said", when="", charts=(), findings=(Finding(
                       severity="note", code="no-check-standard", message="no sensor has the role check standard: a "
                       "change of the rig would be taken for a change of the sensors",
                       mend="Keep a sensor that is never worn, read it on every day of use, and give it the role "
                       "check standard."),))
    names = [c.occasions.standard or "the check standard" for c in charts]
    out = [c for c in charts if c.latest]
    # Standards count as read on the occasion only where their latest readings are of one day.
    when = max(_when(c) for c in charts)
    current = [c for c in charts if _when(c) == when]
    out = [c for c in out if c in current]
    if not out:
        return Rig(status="fit", when=when, charts=charts, findings=(), sentence=f"the rig is in control at its latest "
                   f"occasion ({_at(when, current)})")
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
                      "the event 'new baseline'; the rig may be used on the other standard.")
    return _found("unclear", f"check standards disagree at {when}: {told}, the others not", when, charts,
                  "rig-or-standard", "Read all check standards once more before the rig is used.")


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
                  for j in np.flatnonzero(other.occasions.label == label)[:1]]
        if len(shared) < 7:
            continue
        at, there = np.array([s[0] for s in shared]), np.array([s[1] for s in shared])
        values = chart.occasions.mean[at] / chart.baseline.centre - other.occasions.mean[there] / other.baseline.centre
        none = np.full(len(at), np.nan)
        try:
            found = chart_standard(Occasions(standard="", label=chart.occasions.label[at], mean=values, within_sd=none,
                                             within_df=np.zeros(len(at)), use=none, time=chart.occasions.time[at]),
                                   ChartSpec(baseline=min(spec.baseline or 20, len(at) - 1)))
        except DriftError:
            continue
        if found.latest:
            return True
    return False


def _found(status: Status, sentence: str, when: str, charts: tuple[StandardChart, ...], code: str, mend: str) -> Rig:
    return Rig(status=status, sentence=sentence, when=when, charts=charts, findings=(
        Finding(severity="warning", code=code, message=sentence, mend=mend),))
