"""Day means of never-worn sensors, and the days on which a change of them is on record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import calibrate, codes_of, numbers, words
from drift.records import Tables
from drift.sensitivity.design import NOT_WORN, QUESTION, full_scale_of, label_of
from drift.study import ScreeningSpec, SensitivitySpec

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NEW_BASELINE = "new baseline"


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
class Logged:
    """A change of never-worn sensors on record as the event 'new baseline', with its cause.

    ``before`` and ``at`` are the last day before it and the first after it; NaN where no sensor was read there.
    """

    before: float
    at: float
    sensors: tuple[str, ...]
    cause: str


def date_of(day: float) -> str:
    """Write a day number as a date."""
    return str(np.datetime64(int(day), "D"))


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
    found = calibrate(checks, exposure=spec.exposure, full_scale=full_scale_of(checks, spec, tables.sensors),
                      saturated_limit=screening.saturated_fraction, keep=mine, question=QUESTION)
    value = found.sensitivity if found.form != "reading" else found.reading
    place = {int(r): i for i, r in enumerate(checks.row)}
    time = words(checks, "time")
    day = np.array([time[place[int(r)]][:10] for r in found.row], dtype=object)
    good = (value > 0 if log else np.isfinite(value)) & (day != "")
    if not good.any():
        return True, None
    response = np.log(value[good]) if log else value[good]
    dates = day[good].astype("datetime64[D]").astype(np.int64).astype(np.float64)
    cell, first = codes_of([found.sensor[good], dates])
    code, whose = codes_of([found.sensor[good][first]])
    return True, ControlDays(
        value=np.bincount(cell, weights=response) / np.bincount(cell), day=dates[first], code=code,
        names=tuple(str(s) for s in found.sensor[good][first][whose]))


def logged_changes(tables: Tables, days: ControlDays | None, exposure: str) -> tuple[Logged, ...]:
    """Return the new baselines on record that bear a cause, those of one day as one.

    A baseline starts at the first reading of its sensor after the use of the event.
    """
    events, checks = tables.events, tables.checks
    if events is None or checks is None or "use" not in events:
        return ()
    role = label_of(checks, tables.sensors, "role").astype(str)
    never = {str(s) for s, r in zip(words(checks, "sensor"), role, strict=True) if r in NOT_WORN}
    use, name, time = numbers(checks, exposure), words(checks, "sensor"), words(checks, "time")
    made = []
    for s, u, e, cause in zip(words(events, "sensor"), numbers(events, "use"), words(events, "event"),
                              words(events, "note"), strict=True):
        if e != NEW_BASELINE or s not in never or not cause.strip():
            continue
        own = [(float(x), np.datetime64(t[:10], "D").astype(np.int64)) for x, n, t in
               zip(use.tolist(), name.tolist(), time.tolist(), strict=True) if n == s and t]
        used = days.of(str(s)) if days is not None else frozenset()
        before = max((float(d) for x, d in own if x <= u and float(d) in used), default=np.nan)
        at = min((float(d) for x, d in own if x > u and float(d) in used), default=np.nan)
        made.append(Logged(before=before, at=at, sensors=(str(s),), cause=cause.strip()))
    return _together(made)


def _together(made: list[Logged]) -> tuple[Logged, ...]:
    """Join changes whose days overlap: one day of the rig, seen by each sensor when it was next read."""
    joined: list[Logged] = []
    for one in sorted(made, key=lambda c: (np.nan_to_num(c.at, nan=np.inf), np.nan_to_num(c.before, nan=-np.inf))):
        last = joined[-1] if joined else None
        open_end = last is not None and np.isnan(last.at) and np.isnan(one.at)
        if last is not None and (open_end or (one.before < last.at and last.before < one.at)):
            causes = list(dict.fromkeys((*last.cause.split("; "), one.cause)))
            joined[-1] = Logged(before=float(np.fmax(last.before, one.before)), at=float(np.fmin(last.at, one.at)),
                                sensors=(*last.sensors, *one.sensors), cause="; ".join(causes))
        else:
            joined.append(one)
    return tuple(joined)
