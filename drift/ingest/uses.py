"""Use counts: running backwards in time, and counted from a session log or from dates."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import Finding
from drift.ingest.draft import Draft
from drift.results import ResultTable
from drift.study import Study

_DAY = 86400.0


def check_order(draft: Draft, exposure: str) -> None:
    """Report rows whose exposure is below one that the same sensor had at an earlier time."""
    if not all(n in draft for n in ("sensor", exposure)) or "time" not in draft.times:
        return
    seconds = draft.times["time"].seconds
    # Where either time is a date alone, only whole days can be put in order.
    clock = draft.times["time"].has_clock
    if not clock.all():
        seconds = np.floor(seconds / _DAY) * _DAY
    value = draft[exposure]
    # A count below zero has its own finding.
    at = np.flatnonzero(draft.active & np.isfinite(seconds) & np.isfinite(value) & (np.nan_to_num(value) >= 0)
                        & np.array([s is not None for s in draft["sensor"]], dtype=bool))
    if len(at) < 2:
        return
    sensor = draft.codes("sensor")[at]
    order = np.lexsort((value[at], seconds[at], sensor))
    at, sensor = at[order], sensor[order]
    first = np.r_[True, sensor[1:] != sensor[:-1]]
    # Highest exposure at strictly earlier times: a running maximum within the sensor, taken at the start of each time.
    # It runs over ranks, which set the sensors apart without losing a digit, however large a count is.
    levels, rank = np.unique(value[at], return_inverse=True)
    offset = sensor * len(levels)
    running = np.maximum.accumulate(rank + offset)
    new_time = first | np.r_[True, seconds[at][1:] != seconds[at][:-1]]
    head = np.maximum.accumulate(np.where(new_time, np.arange(len(at)), 0))
    so_far = running[np.maximum(head - 1, 0)] - offset
    before = np.where(first[head], -np.inf, levels[np.maximum(so_far, 0)])
    back = value[at] < before - 1e-9 * np.maximum(1.0, np.abs(before))
    if not back.any():
        return
    mask = np.zeros(len(draft), dtype=bool)
    mask[at[back]] = True
    earlier = dict(zip(at[back].tolist(), before[back].tolist(), strict=True))
    draft.say(mask, exposure, "backwards",
              lambda i: f"{draft['sensor'][i]!r} had {exposure} {earlier[i]:g} before {draft['time'][i]} already",
              expected=f"{exposure} that never falls as time goes on", mend="Correct the count or the time")


def count_uses(drafts: Mapping[str, Draft], study: Study) -> tuple[ResultTable | None, list[Finding]]:
    """Count the uses completed before each row, from the session log or from the dates of trials.

    Parameters
    ----------
    drafts : mapping of str to Draft
        ``use`` is added to checks and trials that have sensor and time.
    study : Study
        ``count_uses`` says from what. ``"session log"``: each row of the log is one use. ``"dates"``: each
        calendar day on which trials were made on a sensor is one use. With ``checks_are_uses`` each time of a
        bench check of a sensor is one as well.

    Returns
    -------
    counts : ResultTable or None
        Sensor, table, file, row, time and the use counted, for review; None where nothing was counted.
    findings : list of Finding
    """
    how = study.study.count_uses
    if how == "column":
        return None, []
    findings: list[Finding] = []
    log = _log(drafts, how, study.study.checks_are_uses, findings)
    if log is None:
        return None, findings
    timeless = _timeless(drafts, how)
    by_day = how == "dates"
    rows: dict[str, list[Any]] = {k: [] for k in ("sensor", "table", "file", "row", "time", "use")}
    for name in ("checks", "trials"):
        draft = drafts.get(name)
        if draft is None or "sensor" not in draft:
            continue
        if "time" not in draft.times:
            findings.append(Finding(severity="error", code="missing-column", file=draft.raw.file, column="time",
                                    message="uses cannot be counted without a column 'time'",
                                    mend=f"Map it in [columns.{name}], or set count_uses = \"column\""))
            continue
        counted, unsure = _counted(draft, log, timeless if not by_day else set(log), by_day)
        _keep(draft, counted, unsure, findings)
        for i in range(len(draft)):
            rows["sensor"].append(draft["sensor"][i])
            rows["table"].append(name)
            rows["file"].append(draft.raw.file)
            rows["row"].append(int(draft.raw.row[i]))
            rows["time"].append(draft["time"][i])
            rows["use"].append(counted[i])
    if not rows["row"]:
        return None, findings
    caption = ("Uses completed before each row, counted from the session log." if how == "session log" else
               "Uses completed before each row: days with trials on the sensor before that day.")
    columns = {k: (np.array(v, dtype=np.float64) if k in ("row", "use") else np.array(v, dtype=object))
               for k, v in rows.items()}
    return ResultTable.build("use counts", columns, units={"use": "use"}, caption=caption), findings


def _log(drafts: Mapping[str, Draft], how: str, checks_too: bool, findings: list[Finding],
         ) -> dict[str, NDArray[np.float64]] | None:
    """Return the times of all uses of each sensor, in order; days where uses are counted from dates."""
    source = drafts.get("session_log" if how == "session log" else "trials")
    if source is None:
        return None
    if "sensor" not in source or "time" not in source.times:
        findings.append(Finding(severity="error", code="missing-column", file=source.raw.file,
                                message="uses are counted from 'sensor' and 'time'; one of them is not there",
                                mend=f"Map it in [columns.{source.kind}]"))
        return None
    made: dict[str, list[float]] = {}
    for name, second in zip(source["sensor"], source.times["time"].seconds, strict=True):
        if name is not None and np.isfinite(second):
            made.setdefault(name, []).append(second)
    if how == "dates":
        made = {k: sorted({float(np.floor(s / _DAY) * _DAY) for s in v}) for k, v in made.items()}
    checks = drafts.get("checks")
    if checks_too and checks is not None and "sensor" in checks and "time" in checks.times:
        extra: dict[str, set[float]] = {}
        for name, second in zip(checks["sensor"], checks.times["time"].seconds, strict=True):
            if name is not None and np.isfinite(second):
                extra.setdefault(name, set()).add(float(np.floor(second / _DAY) * _DAY) if how == "dates" else second)
        for name, seconds in extra.items():
            made[name] = sorted([*made.get(name, []), *seconds])
    return {k: np.sort(np.array(v, dtype=np.float64)) for k, v in made.items()}


def _timeless(drafts: Mapping[str, Draft], how: str) -> set[str]:
    """Return the sensors with a use whose clock time is not known; only days can be put in order for them."""
    source = drafts.get("session_log" if how == "session log" else "trials")
    if source is None or "time" not in source.times or "sensor" not in source:
        return set()
    times = source.times["time"]
    return {str(s) for s, clock, second in zip(source["sensor"], times.has_clock, times.seconds, strict=True)
            if s is not None and not clock and np.isfinite(second)}


def repeated_log_rows(log: Draft) -> None:
    """Report uses that the session log holds twice: the same sensor at the same time."""
    if "sensor" not in log or "time" not in log.times:
        return
    times = log.times["time"]
    first: dict[tuple[object, float], int] = {}
    twice = np.array([np.isfinite(t) and s is not None and first.setdefault((s, float(t)), i) != i
                      for i, (s, t) in enumerate(zip(log["sensor"], times.seconds, strict=True))], dtype=bool)

    def said(i: int) -> str:
        return f"row {log.raw.row[first[log['sensor'][i], float(times.seconds[i])]]} has the same sensor and time"

    log.say(twice & times.has_clock, "time", "exact-duplicate", said, expected="each use once",
            mend="Delete one of the rows, or correct the time")
    log.say(twice & ~times.has_clock, "time", "exact-duplicate", lambda i: said(i) + "; both count as a use",
            severity="warning", mend="Give clock times to two uses of one day, or delete one of the rows")


def _counted(draft: Draft, log: Mapping[str, NDArray[np.float64]], timeless: Collection[str], by_day: bool,
             ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Count the uses before each row; say where a use on the same day leaves the order unknown."""
    times = draft.times["time"]
    counted = np.full(len(draft), np.nan)
    unsure = np.zeros(len(draft), dtype=bool)
    for name in {s for s in draft["sensor"] if s is not None}:
        uses = log.get(name, np.zeros(0))
        rows = np.flatnonzero((draft["sensor"] == name) & np.isfinite(times.seconds))
        days = np.floor(times.seconds[rows] / _DAY) * _DAY
        vague = np.full(len(rows), by_day or name in timeless) | ~times.has_clock[rows]
        moment = np.where(vague, days, times.seconds[rows])
        counted[rows] = np.searchsorted(uses, moment, side="left")
        same_day = np.searchsorted(uses, days + _DAY, side="left") - np.searchsorted(uses, days, side="left")
        # A trial is itself a use of that day; only a second one leaves the order open.
        unsure[rows] = vague & (same_day > (0 if draft.kind == "checks" else 1))
    return counted, unsure


def _keep(draft: Draft, counted: NDArray[np.float64], unsure: NDArray[np.bool_], findings: list[Finding]) -> None:
    """Put the counts into the table; where it has counts of its own they must agree."""
    if "use" in draft.columns:
        own = draft["use"]
        differ = np.isfinite(own) & np.isfinite(counted) & (own != counted) & draft.active
        draft.say(differ, "use", "use-conflict",
                  lambda i: f"the table says {own[i]:g} uses and {counted[i]:g} are counted",
                  mend="Correct the log or the count, or set count_uses = \"column\"")
    draft.say(unsure & draft.active, "time", "same-day", "a use falls on the same day and the order is not known",
              severity="warning", mend="Give clock times; a use on the day itself is not counted as completed")
    draft.say(~np.isfinite(counted) & draft.active, "time", "not-counted", "no use can be counted for this row",
              mend="Fill in sensor and time")
    draft.columns["use"] = counted
    draft.units["use"] = "use"
