"""Day means of never-worn sensors, and the days on which a change of them is on record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from drift.calibration import calibrate, codes_of, numbers, words
from drift.records import CheckTable, Tables
from drift.sensitivity.design import NOT_WORN, QUESTION, full_scale_of, label_of
from drift.study import ScreeningSpec, SensitivitySpec

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.object_]
Bools = NDArray[np.bool_]
NEW_BASELINE = "new baseline"
#: What prevents that nobody watches the rig from one standard to the next.
TOGETHER = "Read the old and the new check standard on some days together before the old one goes."


@dataclass(frozen=True, kw_only=True, eq=False)
class ControlDays:
    """Means of never-worn sensors by day; arrays of shape ``(n_points,)``.

    Parameters
    ----------
    value, day : array
        Sensitivity (or reading), averaged over the readings of a day on the response scale, and days since 1970-01-01.
    code : array of int
        Sensor, a place in ``names``.
    names : tuple of str
    """

    value: Floats
    day: Floats
    code: Ints
    names: tuple[str, ...]

    def of(self, sensor: str) -> frozenset[float]:
        """Return the days on which a sensor was read."""
        if sensor not in self.names:
            return frozenset()
        return frozenset(self.day[self.code == self.names.index(sensor)].tolist())


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """A new baseline on record: of which sensor, after which use or from which day on, and why; ``row`` is its row."""

    sensor: str
    use: float
    day: str
    cause: str
    row: int

    def first(self, use: Floats, day: Words) -> int:
        """Return how many readings, in the order of use, come before it.

        One with a day starts with the reading of that day; one without starts after its use, unless that is the use of
        the first reading of all: then with it.
        """
        if self.day and all(day):
            return sum(str(d)[:10] < self.day for d in day)
        return 0 if len(use) and use[0] == self.use else int(np.searchsorted(use, self.use, side="right"))


@dataclass(frozen=True, kw_only=True)
class Logged:
    """A change on record as 'new baseline', among the days on which never-worn sensors were read.

    Parameters
    ----------
    before, at : float
        Last day before it and first after it; NaN where none was read there.
    sensors : tuple of str
        Whose baselines.
    cause : str
    spanned : bool
        A never-worn sensor was read on both sides, which tells how far it moved.
    undated : bool
        Readings before it bear no day.
    """

    before: float
    at: float
    sensors: tuple[str, ...]
    cause: str
    spanned: bool
    undated: bool = False

    @property
    def when(self) -> str:
        """``from 2026-05-03 on``."""
        return since(self.before, self.at)


def date_of(day: float) -> str:
    """Write a day number as a date."""
    return str(np.datetime64(int(day), "D"))


def day_numbers(time: Words) -> Floats:
    """Return days since 1970-01-01 of ISO dates or moments; NaN where there is none."""
    date = np.array([str(t)[:10] or "NaT" for t in time.tolist()], dtype="datetime64[D]")
    return np.where(np.isnat(date), np.nan, date.astype(np.int64).astype(np.float64))


def since(before: float, at: float) -> str:
    """Say when a change was: ``from 2026-05-03 on``, ``after 2026-04-28``."""
    return (f"from {date_of(at)} on" if np.isfinite(at) else f"after {date_of(before)}" if np.isfinite(before)
            else "at a day that is not on record")


def on_both_sides(sensor: Words, day: Floats, before: float, at: float) -> set[str]:
    """Return the sensors read up to one day and from another on; NaN for a day not known."""
    first = day <= before if np.isfinite(before) else day < at
    later = day >= at if np.isfinite(at) else day > before
    return set(sensor[first].tolist()) & set(sensor[later].tolist())


def control_days(tables: Tables, spec: SensitivitySpec, screening: ScreeningSpec, *, log: bool
                 ) -> tuple[bool, ControlDays | None]:
    """Return whether the study has never-worn sensors, and their day means; None without a dated one.

    ``log`` takes values as logarithms, and those without one do not enter.
    """
    checks = tables.checks
    assert checks is not None
    role = label_of(checks, tables.sensors, "role")
    mine = np.isin(role.astype(str), sorted(NOT_WORN)) & ~(np.nan_to_num(numbers(checks, "exclude")) > 0)
    if not mine.any():
        return False, None
    found = calibrate(checks, exposure=counted_by(checks, mine, spec.exposure),
                      full_scale=full_scale_of(checks, spec, tables.sensors),
                      saturated_limit=screening.saturated_fraction, keep=mine, question=QUESTION)
    value = found.sensitivity if found.form != "reading" else found.reading
    place = {int(r): i for i, r in enumerate(checks.row)}
    time = words(checks, "time")
    day = day_numbers(np.array([time[place[int(r)]] for r in found.row], dtype=object))
    good = (value > 0 if log else np.isfinite(value)) & np.isfinite(day)
    if not good.any():
        return True, None
    response = np.log(value[good]) if log else value[good]
    dates = day[good]
    cell, first = codes_of([found.sensor[good], dates])
    code, whose = codes_of([found.sensor[good][first]])
    return True, ControlDays(
        value=np.bincount(cell, weights=response) / np.bincount(cell), day=dates[first], code=code,
        names=tuple(str(s) for s in found.sensor[good][first][whose]))


def baselines(tables: Tables) -> list[Baseline]:
    """Return the new baselines on record, with or without a cause."""
    events = tables.events
    if events is None or "event" not in events:
        return []
    time = words(events, "time")
    return [Baseline(sensor=str(s), use=float(u), day=str(t)[:10], cause=str(w).strip(), row=int(events.row[i]))
            for i, (s, u, e, w, t) in enumerate(zip(words(events, "sensor"), numbers(events, "use"),
                                                    words(events, "event"), words(events, "note"), time, strict=True))
            if e == NEW_BASELINE]


def counted_by(checks: CheckTable, never_worn: Bools, exposure: str) -> str:
    """Return the column that counts occasions of never-worn sensors: uses, as events do, also where wear has hours."""
    return "use" if "use" in checks and np.isfinite(numbers(checks, "use")[never_worn]).any() else exposure


def logged_changes(tables: Tables, days: ControlDays | None, exposure: str) -> tuple[Logged, ...]:
    """Return the new baselines on record that bear a cause, those of one change as one.

    The first baseline of the first never-worn sensor is no change; nor is one whose readings before it were excluded:
    then it is known that the standard changed, and not the rig.
    """
    checks = tables.checks
    known = [b for b in baselines(tables) if b.cause]
    if checks is None or not known:
        return ()
    worn_not = np.isin(label_of(checks, tables.sensors, "role").astype(str), sorted(NOT_WORN))
    never = {str(s) for s in words(checks, "sensor")[worn_not]}
    counts = numbers(checks, counted_by(checks, worn_not, exposure))
    every = np.unique(days.day) if days is not None else np.zeros(0)
    made = []
    for b in known:
        if b.sensor not in never:
            continue
        mine = np.flatnonzero(words(checks, "sensor") == b.sensor)
        use, time = counts[mine], words(checks, "time")[mine]
        order = np.lexsort((time.astype(str), use))
        use, time = use[order], time[order]
        day = day_numbers(time)
        enters = ~(np.nan_to_num(numbers(checks, "exclude")[mine][order]) > 0)
        used = days.of(b.sensor) if days is not None else frozenset()
        k = b.first(use, time)
        sides = [[d for d in part.tolist() if d in used] for part in (day[:k], day[k:])]
        before, at = max(sides[0], default=np.nan), min(sides[1], default=np.nan)
        undated = bool((enters[:k] & np.isnan(day[:k])).any())
        settled = bool(sides[1]) and not sides[0] and k > 0 and not undated
        if not settled:
            made.append(replace(_among(b, before, at, every), undated=undated))
    joined = _together([m for m in made if np.isfinite(m.before) or not np.isfinite(m.at) or m.undated])
    return tuple(replace(c, spanned=_spanned(c, days)) for c in joined)


def _among(b: Baseline, before: float, at: float, every: Floats) -> Logged:
    """Place a change by the readings of other never-worn sensors where its own stand on one side only."""
    if np.isfinite(before) and not np.isfinite(at):
        at = min(every[every > before].tolist(), default=np.nan)
    elif np.isfinite(at) and not np.isfinite(before):
        before = max(every[every < at].tolist(), default=np.nan)
    return Logged(before=before, at=at, sensors=(b.sensor,), cause=b.cause, spanned=False)


def _spanned(c: Logged, days: ControlDays | None) -> bool:
    return days is not None and np.isfinite(c.at) and any(
        min(own) < c.at <= max(own) for own in (days.of(name) for name in days.names))


def gaps(days: ControlDays | None) -> tuple[tuple[float, float], ...]:
    """Return the days between which no never-worn sensor goes on: what the rig did there nothing tells."""
    if days is None:
        return ()
    every = np.unique(days.day)
    ends = [(min(own), max(own)) for own in (days.of(name) for name in days.names)]
    return tuple((float(a), float(b)) for a, b in pairwise(every)
                 if not any(first <= a and last >= b for first, last in ends))


def _together(made: list[Logged]) -> list[Logged]:
    """Join changes whose days overlap: one day of the rig, seen by each sensor when it was next read."""
    joined: list[Logged] = []
    for one in sorted(made, key=lambda c: (np.nan_to_num(c.at, nan=np.inf), np.nan_to_num(c.before, nan=-np.inf))):
        last = joined[-1] if joined else None
        open_end = last is not None and np.isnan(last.at) and np.isnan(one.at)
        if last is not None and (open_end or last.at == one.at or (one.before < last.at and last.before < one.at)):
            causes = list(dict.fromkeys((*last.cause.split("; "), one.cause)))
            joined[-1] = replace(last, before=float(np.fmax(last.before, one.before)),
                                 at=float(np.fmin(last.at, one.at)), sensors=(*last.sensors, *one.sensors),
                                 cause="; ".join(causes), undated=last.undated or one.undated)
        else:
            joined.append(one)
    return joined
