"""Which sensors were taken out of use, after which use, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.calibration import numbers, words
from drift.errors import Finding
from drift.records import Tables
from drift.results import ResultTable, join_words
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.lines import SensorLines

#: Events that end the life of a sensor.
ENDS = frozenset({"failed", "retired", "lost"})


@dataclass(frozen=True, kw_only=True, eq=False)
class Removals:
    """Removed sensors: table "removals" and what must be said about them."""

    table: ResultTable
    findings: tuple[Finding, ...]


def removals(tables: Tables, data: WearData, lines: SensorLines) -> Removals:
    """List removed sensors from ``retired_at_use`` and ``retired_reason`` of the sensors, or from the events.

    Notes
    -----
    A sensor removed because of a reading that was observed does not bias the likelihood as long as that reading stays
    in (missing at random); a removal for a reason nobody wrote down may.

    References
    ----------
    R. J. A. Little and D. B. Rubin (1987), Statistical Analysis with Missing Data, ch. 6.
    """
    found = _listed(tables)
    place = {s: i for i, s in enumerate(lines.sensor)}
    rows = [(s, *found[s]) for s in sorted(found) if s in place]
    last = [float(lines.last_use[place[r[0]]]) for r in rows]
    kept = ["yes" if at >= r[1] or not np.isfinite(r[1]) else "no" for at, r in zip(last, rows, strict=True)]
    table = ResultTable.build("removals", {
        "sensor": np.array([r[0] for r in rows], dtype=object),
        "construction": np.array([lines.construction[place[r[0]]] for r in rows], dtype=object),
        "removed at": np.array([r[1] for r in rows], dtype=np.float64),
        "last check": np.array(last, dtype=np.float64),
        "reason": np.array([r[2] for r in rows], dtype=object),
        "check at removal kept": np.array(kept, dtype=object),
    }, units={"removed at": data.per, "last check": data.per},
        caption="Sensors taken out of use. All their checks up to removal are in the analysis.")
    return Removals(table=table, findings=_findings(rows, kept, len(lines), data) + _checked_after(rows, last))


def _listed(tables: Tables) -> dict[str, tuple[float, str]]:
    """Return removal use and reason of each sensor; the sensors table goes before the events."""
    found: dict[str, tuple[float, str]] = {}
    if tables.events is not None:
        e = tables.events
        for sensor, use, event, note in zip(words(e, "sensor"), numbers(e, "use"), words(e, "event"),
                                            words(e, "note"), strict=True):
            if event in ENDS:
                found[sensor] = (float(use), f"{event}: {note}" if note else event if event != "retired" else "")
    if tables.sensors is not None:
        s = tables.sensors
        for sensor, use, reason in zip(words(s, "sensor"), numbers(s, "retired_at_use"), words(s, "retired_reason"),
                                       strict=True):
            if np.isfinite(use) or reason:
                at, noted = found.get(sensor, (float(use), ""))
                found[sensor] = (float(use) if np.isfinite(use) else at, reason or noted)
    return found


def _checked_after(rows: list[tuple[str, float, str]], last: list[float]) -> tuple[Finding, ...]:
    """Name sensors that were checked after they are said to have been taken out of use."""
    after = [f"{s} (removed at {at:g}, checked at {seen:g})" for (s, at, _), seen in zip(rows, last, strict=True)
             if np.isfinite(at) and seen > at]
    if not after:
        return ()
    return (Finding(severity="warning", code="checked-after-removal", question=QUESTION,
                    message=f"Checked after they were taken out of use: {join_words(after)}; these checks are in the "
                            "likelihood, although the sensor may no longer have been what was used",
                    mend="Correct the use or the event, or exclude the later checks."),)


def _findings(rows: list[tuple[str, float, str]], kept: list[str], total: int, data: WearData) -> tuple[Finding, ...]:
    if not rows:
        return ()
    reasons: dict[str, int] = {}
    for _, _, why in rows:
        reasons[why or "no reason given"] = reasons.get(why or "no reason given", 0) + 1
    counted = join_words([f"{n} {why}" if why != "no reason given" else f"{n} without a reason"
                          for why, n in sorted(reasons.items(), key=lambda kv: (-kv[1], kv[0]))])
    found = [Finding(
        severity="note", code="sensors-removed", question=QUESTION,
        message=f"{len(rows)} of {total} sensors {'was' if len(rows) == 1 else 'were'} removed before the end "
                f"({counted}); every check up to removal, the one that triggered it included, is in the likelihood, "
                "so that late uses are not read as the mean of the survivors")]
    unknown = [s for s, _, why in rows if not why]
    if unknown:
        found.append(Finding(
            severity="warning", code="removal-without-reason", question=QUESTION,
            message=f"Removed without a recorded reason: {join_words(unknown)}; if they were removed for something "
                    "that the checks do not show, the estimated drift is too small",
            mend="Fill in retired_reason in the sensors table, or a note in the events."))
    missing = [r[0] for r, k in zip(rows, kept, strict=True) if k == "no"]
    if missing:
        found.append(Finding(
            severity="warning", code="removal-check-missing", question=QUESTION,
            message=f"Removed after their last check: {join_words(missing)}; what triggered the removal was not "
                    "measured, or is not in the table",
            mend="Check a sensor when it is removed, and keep that check."))
    return tuple(found)
