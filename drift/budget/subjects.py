"""Of which sensor, at which use, since which calibration, and at which reading a budget is made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.sensitivity.design import WearData
from drift.study import suggestion
from drift.study.budgets import BudgetSpec

Ints = NDArray[np.int64]
QUESTION = "budget"


@dataclass(frozen=True, kw_only=True, eq=False)
class Subject:
    """One budget to make.

    Parameters
    ----------
    construction, sensor : str
        ``sensor`` is empty where any sensor of the construction is meant; ``like`` is then the one whose calibration
        stands for theirs.
    use, calibrated_at : float
    calibration : array of int
        Mountings of that calibration.
    said : tuple of str
        What was taken for granted.
    """

    construction: str
    sensor: str
    like: str
    use: float
    calibrated_at: float
    calibration: Ints
    said: tuple[str, ...]

    @property
    def since(self) -> float:
        """Uses since the calibration."""
        return self.use - self.calibrated_at

    @property
    def of(self) -> dict[str, str]:
        """Labels of its estimates."""
        return {k: v for k, v in (("construction", self.construction), ("sensor", self.sensor)) if v}

    @property
    def words(self) -> str:
        """Who it is, in a sentence."""
        if self.sensor:
            return f"sensor {self.sensor}"
        return f"a sensor of construction {self.construction}" if self.construction else "a sensor like these"


def subjects(data: WearData, spec: BudgetSpec, *, question: str = QUESTION) -> tuple[Subject, ...]:
    """Return the budgets asked: of the sensor named, else of each construction (or the one named).

    Raises
    ------
    DriftError
        For a sensor or construction that has no checks, and for a calibration before the first check.
    """
    if spec.sensor is not None:
        names = sorted({str(s) for s in data.sensor})
        if spec.sensor not in names:
            raise DriftError(_unknown("sensor", spec.sensor, names, question))
        first = int(np.flatnonzero(data.sensor == spec.sensor)[0])
        return (_of_sensor(data, spec, spec.sensor, str(data.construction[first]), question),)
    known = sorted({str(c) for c in data.construction})
    if spec.construction is not None and spec.construction not in known:
        raise DriftError(_unknown("construction", spec.construction, [k for k in known if k], question))
    asked = [spec.construction] if spec.construction else known
    return tuple(_of_construction(data, spec, c, question) for c in asked)


def _unknown(what: str, name: str, names: list[str], question: str) -> Finding:
    return Finding(severity="error", code=f"unknown-{what}", question=question,
                   message=f"no check that can be used is of {what} {name!r}",
                   mend=suggestion(name, names, noun=f"{what}s") if names else f"The checks name no {what}")


def _of_sensor(data: WearData, spec: BudgetSpec, sensor: str, construction: str, question: str) -> Subject:
    mine = np.flatnonzero(data.sensor == sensor)
    uses = np.unique(data.use[mine])
    said: list[str] = []
    use = spec.use
    if use is None:
        use = float(uses.max())
        said.append(f"no use is named: its last check, at {use:g}, is taken")
    wanted = use - spec.since_calibration if spec.since_calibration is not None else float(uses.min())
    if spec.since_calibration is None:
        said.append(f"no calibration is named: its first check, at {wanted:g}, is taken for it")
    earlier = uses[uses <= wanted + 1e-9]
    if not len(earlier) or use < float(earlier.max()) - 1e-9:
        raise DriftError(Finding(
            severity="error", code="before-calibration", question=question, value=f"{min(use, wanted):g}",
            message=f"sensor {sensor} has no check at or before use {min(use, wanted):g}, so no calibration that early",
            mend=f"Name a use from {uses.min():g} on, and fewer uses since the calibration"))
    at = float(earlier.max())
    if at < wanted - 1e-9:
        said.append(f"sensor {sensor} was not checked at {wanted:g}: its last check before, at {at:g}, is taken for "
                    "the calibration")
    return Subject(construction=construction, sensor=sensor, like=sensor, use=use, calibrated_at=at, said=tuple(said),
                   calibration=mine[data.use[mine] == at])


def _of_construction(data: WearData, spec: BudgetSpec, construction: str, question: str) -> Subject:
    mine = np.flatnonzero(data.construction == construction)
    last = [float(data.use[mine][data.sensor[mine] == s].max()) for s in sorted(set(data.sensor[mine].astype(str)))]
    said: list[str] = []
    use = spec.use
    if use is None:
        use = float(np.median(last))
        said.append(f"no use is named: the median last check, at {use:g}, is taken")
    since = spec.since_calibration
    there = np.unique(data.use[mine])
    if since is None:
        # Drift counts from the check that makes the calibration, which is not always one of a fresh sensor.
        since = use - float(there.min())
        if since < 0:
            raise DriftError(Finding(
                severity="error", code="before-calibration", question=question, value=f"{use:g}",
                message=f"no sensor of construction {construction!r} has a check that counts at or before use {use:g}",
                mend=f"Name a use from {there.min():g} on"))
        said.append("no calibration is named: a sensor calibrated "
                    + ("when fresh" if not there.min() else f"at the first checks that count, at {there.min():g},")
                    + " is meant")
    at = use - since
    nearest = float(there[np.argmin(np.abs(there - at))])
    rows = mine[data.use[mine] == nearest]
    sensors = sorted(set(data.sensor[rows].astype(str)))
    level = {s: float(data.calibration.sensitivity[rows][data.sensor[rows] == s].mean()) for s in sensors}
    like = sorted(sensors, key=lambda s: (level[s], s))[(len(sensors) - 1) // 2]
    said.append(f"its calibration is that of {like} at {nearest:g}, the middle one of {len(sensors)}"
                + (f", which stands for one at {at:g}, where none was checked" if nearest != at else ""))
    return Subject(construction=construction, sensor="", like=like, use=use, calibrated_at=at, said=tuple(said),
                   calibration=rows[data.sensor[rows] == like])
