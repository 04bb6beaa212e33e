"""What is said of a budget beyond what was seen: past the last check, below 0, past the counts of the study."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from drift.budget.subjects import QUESTION
from drift.errors import Finding

if TYPE_CHECKING:
    from drift.budget.analysis import Budget, Ground

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
        Retire-after count and recalibration interval of each construction.
    """
    found, per = [], ground.data.per
    for b in made:
        s = b.subject
        # One entry of another name is that of all constructions together.
        retire, every = counts.get(s.construction, next(iter(counts.values())) if len(counts) == 1 else (0.0, 0.0))
        who = s.words[0].upper() + s.words[1:]
        if 0 < retire < s.use:
            found.append(Finding(
                severity="warning", code="beyond-retirement", question=QUESTION,
                message=f"{who}: {per} {s.use:g} lies beyond the retire-after count of {retire:g}; a sensor kept that "
                "long may be past a limit, whatever its pressures look like",
                mend="Use another sensor, or check this one against the limits before it is believed."))
        if 0 < every < s.since:
            found.append(Finding(
                severity="warning", code="beyond-recalibration", question=QUESTION,
                message=f"{who}: {s.since:g} {per}s since the calibration are more than the recalibration interval of "
                f"{every:g}, so without correction the pressure may be out of tolerance",
                mend="Calibrate it anew, or state the pressure corrected for drift."))
    return found
