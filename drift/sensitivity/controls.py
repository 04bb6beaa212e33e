"""Never-worn sensors: whether the rig itself moved while the others were worn, or one of them moved by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import calibrate, codes_of, numbers, words
from drift.engine.shared_steps import shared_steps
from drift.errors import Finding
from drift.records import Tables
from drift.results import Estimate, ResultTable
from drift.sensitivity.controls_fit import Fit, fit_controls
from drift.sensitivity.controls_words import worded
from drift.sensitivity.design import NOT_WORN, QUESTION, WearData, full_scale_of, label_of
from drift.sensitivity.rig_effect import effects_on_wear
from drift.study import ScreeningSpec

Floats = NDArray[np.float64]
Words = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Controls:
    """Change of never-worn sensors over calendar time; ``sentence`` is said in the answer."""

    estimates: tuple[Estimate, ...] = ()
    findings: tuple[Finding, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    sentence: str = ""


def controls(tables: Tables, data: WearData, *, level: float, screening: ScreeningSpec, slopes: Mapping[str, float]
             ) -> Controls:
    """Look for steps and a common trend of never-worn sensors over the days on which they were checked.

    Steps first (:func:`drift.engine.shared_steps.shared_steps`), then one slope beside them over the sensors' own
    means, with a t interval on the scatter about it. What all of them show together is the rig's (or the ageing of
    stored sensors), and worn sensors share it; what one shows alone is its own. ``slopes`` is the drift of each
    construction, to say what a step of the rig does to it; nothing is corrected.

    References
    ----------
    D. R. Cox (1958), Planning of Experiments, ch. 1 (controls).
    """
    checks = tables.checks
    assert checks is not None
    role = label_of(checks, tables.sensors, "role")
    mine = np.isin(role.astype(str), sorted(NOT_WORN)) & ~(np.nan_to_num(numbers(checks, "exclude")) > 0)
    if not mine.any():
        return Controls()
    found = calibrate(checks, exposure=data.spec.exposure, full_scale=full_scale_of(checks, data.spec, tables.sensors),
                      saturated_limit=screening.saturated_fraction, keep=mine, question=QUESTION)
    value = found.sensitivity if found.form != "reading" else found.reading
    place = {int(r): i for i, r in enumerate(checks.row)}
    time = words(checks, "time")
    day = np.array([time[place[int(r)]][:10] for r in found.row], dtype=object)
    good = (value > 0 if data.log else np.isfinite(value)) & (day != "")
    names = sorted(set(found.sensor[good].tolist()))
    dates = day[good].astype("datetime64[D]").astype(np.int64).astype(np.float64) if good.any() else np.zeros(0)
    days = len(set(dates.tolist()))
    if days < 3 or not names:
        note = Finding(severity="note", code="controls-without-trend", question=QUESTION, column="time",
                       message="There are never-worn sensors, but not three dated days of checking them, so whether "
                               "the rig moved cannot be said", mend="Check them on every day, and record the time.")
        return Controls(findings=(note,))
    fit = _fitted(np.log(value[good]) if data.log else value[good], dates, found.sensor[good], level)
    if fit is None:
        return Controls()
    estimates, findings, made, sentence = worded(fit, data, effects_on_wear(fit, tables, data), level, slopes)
    return Controls(estimates=tuple(estimates), findings=tuple(findings), tables=tuple(made), sentence=sentence)


def _fitted(response: Floats, dates: Floats, sensor: Words, level: float) -> Fit | None:
    """Average readings into day means of each sensor, and fit steps and slope."""
    cell, first = codes_of([sensor, dates])
    y, x = np.bincount(cell, weights=response) / np.bincount(cell), dates[first]
    code, whose = codes_of([sensor[first]])
    names = tuple(str(s) for s in sensor[first][whose])
    return fit_controls(y, x, code, names, shared_steps(y, x, code), level)
