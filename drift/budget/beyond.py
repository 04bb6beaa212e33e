"""What is said of a budget beyond what was seen: past the last check, below 0, past the counts of the study."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from drift.budget.subjects import QUESTION
from drift.errors import Finding

if TYPE_CHECKING:
    from drift.budget.analysis import Budget, Ground
    from drift.study import Study

FAR = 1.25


def beyond_checks(ground: Ground, b: Budget) -> str:
    """Return the words that open the answer where the use lies far beyond the last check; else nothing."""
    last = b.evidence.last_use
    if not b.subject.since or b.subject.use <= FAR * last:
        return ""
    return f"Extrapolated, for the checks end at {ground.data.per} {last:g} and no interval covers wear that speeds up"


def cut_sentence(ground: Ground, b: Budget) -> str:
    """Say that an interval was cut at 0, and what simulation makes of it."""
    g, s = b.gum, b.simulated
    if g.expanded <= g.value:
        return ""
    told = "; the lower end is cut at 0, since no pressure is below that"
    if s is not None and s.low > 0:
        told += (f": the law of propagation does not serve so far, and the interval to state is that of Monte Carlo, "
                 f"{s.low:,.0f} to {s.high:,.0f} {ground.pressure_unit}")
    return told


def beyond_counts(ground: Ground, made: tuple[Budget, ...], counts: Mapping[str, tuple[float, float]]) -> list[Finding]:
    """Say which budgets are of a use beyond the retire-after count, or since a calibration older than its interval.

    Parameters
    ----------
    ground : Ground
    made : tuple of Budget
    counts : mapping
        Retire-after count and recalibration interval of each construction; NaN where there is none, and 0 where not
        even the first use is shown to be within the limit.
    """
    found = []
    for b in (b for b in made if not b.refused):
        # One entry of another name is that of all constructions together.
        one = next(iter(counts.values())) if len(counts) == 1 else (math.nan, math.nan)
        retire, every = counts.get(b.subject.construction, one)
        # A count of 0 is an answer, the strictest there is; without one it is NaN, which nothing is beyond.
        if retire < b.subject.use:
            found.append(_retired(ground, b, retire))
        if every < b.subject.since:
            found.append(_stale(ground, b, every))
    return found


def counts_not_known(study: Study) -> Finding | None:
    """Say that a budget alone does not know the counts of a study whose first checks are kept out of the slope."""
    start = study.sensitivity.start if study.sensitivity is not None else None
    if not start:
        return None
    return Finding(severity="warning", code="counts-not-known", question=QUESTION,
                   message="whether the use lies beyond the retire-after count or the recalibration interval is not "
                   f"said here: with start = {start:g} under [sensitivity] the counts take the whole analysis of wear",
                   mend="'drift run STUDY' gives the counts and holds the budget to them.")


def _retired(ground: Ground, b: Budget, retire: float) -> Finding:
    per = ground.data.per
    why = (f"lies beyond the retire-after count of {retire:g}; a sensor kept that long may be past a limit, whatever "
           "its pressures look like")
    mend = "Use another sensor, or check this one against the limits before it is believed."
    if retire == 0:  # another sensor is no better
        why = (f"lies beyond the retire-after count of 0: not even the first {per} is shown to be within the limit, so "
               "the sensor may be past it, whatever its pressures look like")
        mend = "Check this sensor against the limits before it is believed."
    return Finding(severity="warning", code="beyond-retirement", question=QUESTION,
                   message=f"{_who(b)}: {per} {b.subject.use:g} {why}", mend=mend)


def _stale(ground: Ground, b: Budget, every: float) -> Finding:
    per = ground.data.per
    why = f"are more than the recalibration interval of {every:g}"
    if every == 0:
        why += f" (not even the first {per} after a calibration is shown to be within tolerance)"
    return Finding(severity="warning", code="beyond-recalibration", question=QUESTION,
                   message=f"{_who(b)}: {b.subject.since:g} {per}s since the calibration {why}, so without correction "
                           "the pressure may be out of tolerance",
                   mend="Calibrate it anew, or state the pressure corrected for drift.")


def _who(b: Budget) -> str:
    words = b.subject.words
    return words[0].upper() + words[1:]
