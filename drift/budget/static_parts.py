"""Hysteresis, creep and zero of a calibration, where its readings tell them; the one door to static calibration."""

from __future__ import annotations

import numpy as np

from drift.budget.quantities import Quantity
from drift.budget.stated import NAMES
from drift.budget.subjects import Subject
from drift.calibration import calibrate_curves, numbers, static_components, words
from drift.errors import DriftError
from drift.records import CheckTable
from drift.study import CalibrationQuestion

# Components taken over, with their keys under [budget]; repeatability and mountings come from the wear model.
TAKEN = ("hysteresis", "creep", "zero")


def static_quantities(checks: CheckTable, subject: Subject, *, stated: frozenset[str]) -> tuple[Quantity, ...]:
    """Return what the checks of a calibration tell of hysteresis, creep and zero; what is stated goes before it.

    Parameters
    ----------
    checks : CheckTable
    subject : Subject
        Whose calibration is looked at.
    stated : frozenset of str
        Keys of ``[budget]`` that are given.
    """
    if not any(k in checks for k in ("direction", "hold_s")) and not (numbers(checks, "reference") == 0).any():
        return ()
    at = float(subject.calibrated_at)
    mine = (words(checks, "sensor") == subject.like) & (np.abs(numbers(checks, "use") - at) < 1e-9)
    if not mine.any():
        return ()
    rows = checks.take(np.asarray(mine, dtype=np.bool_))
    assert isinstance(rows, CheckTable)
    try:
        # The line of the wear model goes through all readings, up and down.
        asked = CalibrationQuestion(name="budget", model="line", direction="both")
        found = static_components(calibrate_curves(rows, asked))
    except DriftError:  # a calibration that gives no curve has told what it could to the wear model
        return ()
    made: dict[str, Quantity] = {}
    for c in found:
        if c.name in TAKEN and c.name not in stated and np.isfinite(c.value):
            share = c.unit == "%"
            made[c.name] = Quantity(
                name=NAMES[c.name], u=c.value / 100 if share else c.value, unit="" if share else c.unit, df=c.df,
                kind="A" if c.kind == "A" else "B", distribution=c.distribution,
                place="relative" if share else "reading",
                source=f"this calibration: {c.note}" if c.note else "this calibration")
    return tuple(made.values())
