"""The calibration curve that a study asks for, where it is not a line; the door to the fitted curves."""

from __future__ import annotations

import numpy as np

from drift.budget.curve import Curve, curve_of
from drift.budget.subjects import Subject
from drift.calibration import calibrate_curves, curves_of, numbers, words
from drift.errors import DriftError
from drift.records import CheckTable
from drift.study import CalibrationQuestion

STRAIGHT = ("line", "through-zero")


def bent_curve(checks: CheckTable, subject: Subject, questions: tuple[CalibrationQuestion, ...], line: Curve
               ) -> tuple[Curve, str]:
    """Return the curve of a calibration by the first question of ``[[calibration]]`` that is about it.

    Parameters
    ----------
    checks : CheckTable
    subject : Subject
    questions : tuple of CalibrationQuestion
    line : Curve
        What serves without a question, or where the curve asked for is a line.

    Returns
    -------
    Curve, str
        With the reason why there is none that could serve; empty when there is one.
    """
    mine = (words(checks, "sensor") == subject.like) & (np.abs(numbers(checks, "use") - subject.calibrated_at) < 1e-9)
    rows = checks.take(np.asarray(mine, dtype=np.bool_))
    assert isinstance(rows, CheckTable)
    ceiling = line.full_scale if np.isfinite(line.full_scale) else None
    for asked in questions:
        try:
            found = curves_of(calibrate_curves(rows, asked, full_scale=ceiling))
        except DriftError:  # not about these rows
            continue
        if len(found) == 1 and found[0].model in STRAIGHT:
            return line, ""
        if len(found) == 1 and found[0].rises and found[0].df > 0:
            x = numbers(rows, "reference")
            exact = np.isfinite(x) & (numbers(rows, "reading") < (np.inf if ceiling is None else ceiling)) & (x > 0)
            return curve_of(found[0], x[exact], gain=line.sensitivity), ""
        why = ("gives no curve" if not found else f"gives {len(found)} curves" if len(found) > 1 else
               "does not rise throughout" if not found[0].rises else "has no degrees of freedom left")
        return line, (f"its calibration by [[calibration]] {asked.name!r} {why}, and a line in its place would not be "
                      "what was asked")
    return line, ""
