"""How old the newest reading of the check standards is: what a rig showed months ago is little known of it today."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

from drift.control.rig import Rig
from drift.errors import Finding

RECORD = "before the newest reading on record"


def newest_day(times: Iterable[object]) -> date | None:
    """Return the latest day among ISO times; None without any."""
    days = [d for d in (_day(str(t)) for t in times) if d is not None]
    return max(days) if days else None


def with_age(rig: Rig, on: date | None, *, record: bool = False) -> Rig:
    """Say how long before ``on`` the check standards were read, in the sentence and in a finding.

    No limit is drawn: how often a standard is to be read is the laboratory's own, and that it is read on every day of
    use is common practice.

    Parameters
    ----------
    rig : Rig
    on : date or None
        Day of the question; None says nothing.
    record : bool
        ``on`` is the newest day on record, not the day on which the question is asked.
    """
    then = _day(rig.when)
    if on is None or then is None or (days := (on - then).days) <= 0:
        return rig
    age = f"{days} day{'s' * (days > 1)} {RECORD if record else 'ago'}"
    shown = f"{rig.when}, {age}"
    sentence = (rig.sentence.replace(rig.when, shown, 1) if rig.when in rig.sentence
                else f"{rig.sentence}; last read {shown}")
    return replace(rig, sentence=sentence, findings=(*rig.findings, Finding(
        severity="warning", code="standard-read-before", message=f"the check standards were last read on {rig.when}, "
        f"{age}: how the rig is since then they do not show", mend="Read a check standard before the sensor is used; "
        "common practice is on every day of use.")))


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None
