"""What the latest check of each sensor holds: whether it could be used at all, and which of its levels are missing."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import numbers, words
from drift.records import CheckTable
from drift.results import join_words
from drift.sensitivity.design import WearData

Floats = NDArray[np.float64]
SAME_LEVEL = 0.02  # set-points are measured: loads this share of the largest apart are one level
ON_PURPOSE = ("excluded in the file", "below start", "role ", "outside ")


@dataclass(frozen=True, kw_only=True)
class Latest:
    """The latest check of one sensor.

    Parameters
    ----------
    use : float
    reason : str
        Why it could not be used; empty where it was.
    levels, missing : tuple of float
        Loads it was read at, and those of the check before it that it lacks; only where lines are fitted to levels.
    unit : str
        Of the loads.
    given : bool
        It was given by hand.
    decides : bool
        It lies after every check that could be used, or was given by hand: what is known is older than it.
    """

    use: float
    reason: str
    levels: tuple[float, ...]
    missing: tuple[float, ...]
    unit: str
    given: bool
    decides: bool

    @property
    def told(self) -> str:
        """Why it could not be used, with the levels that are missing."""
        if not self.missing:
            return self.reason
        return f"{self.reason}; {loads(self.missing, self.unit)} {'are' if len(self.missing) > 1 else 'is'} missing"


def loads(levels: tuple[float, ...], unit: str) -> str:
    """Write loads with their unit."""
    return f"{join_words([f'{x:.4g}' for x in levels])} {unit}".rstrip()


class LatestChecks:
    """The latest check of each sensor, used or not.

    Parameters
    ----------
    checks : CheckTable
    data : WearData
    exposure : str
    given : set of int
        Numbers of the rows that were given by hand.
    """

    def __init__(self, checks: CheckTable, data: WearData, exposure: str, given: Set[int] = frozenset()) -> None:
        self.checks, self.data, self.given = checks, data, given
        self.use, self.label = numbers(checks, exposure), words(checks, "replicate")
        self.reasons = {x.row: x.reason for x in data.exclusions if not x.reason.startswith(ON_PURPOSE)}
        self.line = data.calibration.form == "line"
        self.used: dict[str, dict[tuple[float, str], int]] = {}
        for i, (s, u, r) in enumerate(zip(data.sensor.tolist(), data.use.tolist(),
                                          data.calibration.replicate.tolist(), strict=True)):
            self.used.setdefault(s, {})[u, r] = i
        self.rows: dict[str, list[int]] = {}
        enters = (data.calibration.mounting >= 0).tolist()
        for i, (s, n) in enumerate(zip(words(checks, "sensor").tolist(), checks.row.tolist(), strict=True)):
            if enters[i] or n in self.reasons:
                self.rows.setdefault(s, []).append(i)

    def of(self, sensor: str) -> Latest | None:
        """Say what is wrong with the latest check of a sensor; None where nothing is."""
        rows = [i for i in self.rows.get(sensor, ()) if np.isfinite(self.use[i])]
        if not rows:
            return None
        number = self.checks.row
        last = max(rows, key=lambda i: (float(self.use[i]), int(number[i]) in self.given, int(number[i])))
        key = float(self.use[last]), str(self.label[last])
        mine = np.array([i for i in rows if (float(self.use[i]), str(self.label[i])) == key], dtype=np.int64)
        known = self.used.get(sensor, {})
        lost, given = key not in known, int(number[last]) in self.given
        levels = _levels(self.checks, mine) if self.line else ()
        missing = _missing(self._before(known, key), levels) if self.line else ()
        if not lost and not missing:
            return None
        reason = next((self.reasons[int(number[i])] for i in mine if int(number[i]) in self.reasons), "")
        older = key[0] > max((u for u, _ in known), default=-np.inf)
        return Latest(use=key[0], reason=reason if lost else "", levels=levels, missing=missing, given=given,
                      unit=str(self.checks.units.get("reference", "")), decides=lost and (older or given))

    def _before(self, known: Mapping[tuple[float, str], int], key: tuple[float, str]) -> tuple[float, ...]:
        """Return the loads of the sensor's check before, or of the first check of any sensor."""
        mine = [k for k in sorted(known) if k != key and k[0] <= key[0]]
        if not mine and not len(self.data.sensor):
            return ()
        return _levels(self.checks, np.flatnonzero(self.data.calibration.mounting == (known[mine[-1]] if mine else 0)))


def _levels(checks: CheckTable, rows: NDArray[np.int64]) -> tuple[float, ...]:
    """Distinct loads of some rows, neighbours of one set-point as their mean."""
    x = np.sort(numbers(checks, "reference")[rows])
    x = x[np.isfinite(x)]
    if not len(x):
        return ()
    place = np.cumsum(np.r_[False, np.diff(x) > SAME_LEVEL * x[-1]])
    return tuple(float(v) for v in np.bincount(place, weights=x) / np.bincount(place))


def _missing(before: tuple[float, ...], levels: tuple[float, ...]) -> tuple[float, ...]:
    apart = SAME_LEVEL * max(before, default=0.0)
    return tuple(x for x in before if not any(abs(x - y) <= apart for y in levels))
