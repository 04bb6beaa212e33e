"""The sensors and events tables, and the session log."""

from __future__ import annotations

import numpy as np

from drift.errors import Finding
from drift.ingest import rules
from drift.ingest.draft import Draft, add_numbers, add_time, add_words, missing_column, require
from drift.ingest.uses import repeated_log_rows
from drift.records import EVENT_COLUMNS, NUMBER_COLUMNS, SENSOR_COLUMNS
from drift.study import Study


def fill_sensors(draft: Draft, study: Study) -> None:
    """Convert and check every column of a sensors table: one row a sensor."""
    _fill(draft, study, SENSOR_COLUMNS, ("sensor",))
    rules.choice(draft, "role", rules.ROLES, "role")
    rules.whole(draft, "rows", "a number of rows", least=1.0)
    rules.whole(draft, "cols", "a number of columns", least=1.0)
    rules.above_zero(draft, "full_scale", "a full scale")
    rules.not_negative(draft, "cost", "a cost")
    exposure = study.sensitivity.exposure if study.sensitivity is not None else "use"
    rules.exposure(draft, "retired_at_use", counted=exposure == "use")
    if "sensor" in draft:
        names = draft["sensor"]
        seen: dict[str, int] = {}
        again = np.zeros(len(draft), dtype=bool)
        for i, name in enumerate(names):
            if name is not None and seen.setdefault(name, i) != i:
                again[i] = True
        draft.say(again, "sensor", "duplicated-key",
                  lambda i: f"the sensor stands in row {draft.raw.row[seen[names[i]]]} already",
                  expected="one row a sensor", mend="Keep one of the rows")


def fill_events(draft: Draft, study: Study) -> None:
    """Convert and check every column of an events table."""
    _fill(draft, study, EVENT_COLUMNS, ("sensor", "use", "event"))
    rules.choice(draft, "event", rules.EVENTS, "event")
    exposure = study.sensitivity.exposure if study.sensitivity is not None else "use"
    rules.exposure(draft, "use", counted=exposure == "use")
    if all(n in draft for n in ("sensor", "use", "event")):
        first: dict[tuple[object, ...], int] = {}
        time = draft["time"] if "time" in draft else np.full(len(draft), None, dtype=object)
        keys = [(s, float(u), e, t)
                for s, u, e, t in zip(draft["sensor"], draft["use"], draft["event"], time, strict=True)]
        again = np.array([first.setdefault(k, i) != i for i, k in enumerate(keys)], dtype=bool)
        draft.say(again, "event", "duplicated-key",
                  lambda i: f"the same event stands in row {draft.raw.row[first[keys[i]]]} already",
                  expected="each event once", mend="Keep one of the rows")


def fill_session_log(draft: Draft, study: Study) -> None:
    """Convert a session log: one row for each use of a sensor."""
    _fill(draft, study, ("sensor", "time"), ("sensor", "time"))
    repeated_log_rows(draft)


def _fill(draft: Draft, study: Study, known: tuple[str, ...], required: tuple[str, ...]) -> None:
    declared = study.units.get(draft.kind, {})
    for ours in draft.placed.at:
        unit = declared.get(ours)
        text = unit if isinstance(unit, str) else None
        if ours in ("time", "first_used"):
            add_time(draft, ours)
        elif (ours in NUMBER_COLUMNS and ours in known) or text is not None:
            add_numbers(draft, ours, declared=text)
        else:
            add_words(draft, ours)
    for ours in required:
        if ours in draft:
            require(draft, ours)
        elif ours not in study.columns.get(draft.kind, {}):
            draft.findings.append(missing_column(draft, ours))


def events_against_sensors(sensors: Draft, events: Draft) -> list[Finding]:
    """Report sensors whose retirement is told differently in the two tables."""
    if "sensor" not in sensors or not all(n in events for n in ("sensor", "use", "event")):
        return []
    made: list[Finding] = []
    stated = sensors["retired_at_use"] if "retired_at_use" in sensors else np.full(len(sensors), np.nan)
    at = {name: (i, stated[i]) for i, name in enumerate(sensors["sensor"])}
    retired: dict[str, int] = {}
    for i, (name, use, event) in enumerate(zip(events["sensor"], events["use"], events["event"], strict=True)):
        if event != "retired":
            continue
        text = events.text("use")(i)
        common = {"severity": "error", "code": "event-conflict", "file": events.raw.file,
                  "row": int(events.raw.row[i]), "column": events.header("use"), "value": text}
        if name in retired and events["use"][retired[name]] != use:
            made.append(Finding(**common, mend="Keep the right one",  # type: ignore[arg-type]
                                message=f"{name!r} is retired in row {events.raw.row[retired[name]]} at another use"))
        retired.setdefault(name, i)
        if name in at and np.isfinite(at[name][1]) and np.isfinite(use) and at[name][1] != use:
            row, told = at[name]
            made.append(Finding(
                **common, message=f"{name!r} is retired after use {use:g} here and after use {told:g} in "  # type: ignore[arg-type]
                f"{sensors.raw.file}, row {sensors.raw.row[row]}", expected=f"{told:g}",
                mend="Correct whichever is wrong"))
    return made
