"""Readings that turn back as the load rises: no curve unasked, no load for a reading that belongs to two."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drift.engine.curve_choice import candidates, choose
from drift.engine.curves import Spread, fit_curve
from drift.engine.inverse_prediction import inverse_set
from drift.engine.reversals import reversal
from tests.calibration.helpers import calibrated, levels

X = np.repeat(np.linspace(100.0, 800.0, 8), 3)
NOISE = np.random.default_rng(1).normal(0, 4, len(X))
TURNED = 2 * X - 0.0017 * X**2 + NOISE


@pytest.mark.parametrize("rows", [slice(None), slice(None, None, 3)])
def test_readings_that_rise_and_fall_get_no_curve_unasked(rows: slice) -> None:
    result = calibrated(levels(TURNED[rows], X[rows]), invert=[300], full_scale=1023)
    assert "readings rise and then fall" in result.answer
    assert "two loads" in result.answer
    told = next(f for f in result.findings if f.code == "no-curve")
    assert told.mend
    assert not any(e.name in ("load at a reading", "saturation pressure") for e in result.estimates)
    # Naive: of the curves that rise throughout one is taken all the same.
    codes = np.unique(X[rows], return_inverse=True)[1]
    none = np.zeros(len(codes), dtype=bool)
    assert choose(candidates(X[rows], TURNED[rows], codes, theta=0.0, right=none, left=none))[0] == "power"


def test_readings_that_do_not_change_with_the_load_get_no_curve_unasked() -> None:
    """A power law with an exponent of 0.0006 was called a curve; a tenth of a real slope is still one."""
    flat = calibrated(levels(200 + NOISE, X))
    assert "do not change with the load by more than chance" in flat.answer
    assert next(f for f in flat.findings if f.code == "no-curve").mend
    assert "holds from" in calibrated(levels(200 + NOISE + 0.02 * X, X)).answer


def test_readings_that_fall_and_rise_are_said_the_other_way() -> None:
    assert "readings fall and then rise" in calibrated(levels(1000 - TURNED, X)).answer


def test_a_small_step_back_is_a_caution() -> None:
    y = 400 * -np.expm1(-X / 90.0) + NOISE / 20 - 4.0 * (X == 800)
    result = calibrated(levels(y, X))
    assert result.estimate("residual SD").value > 0
    assert "readings do not rise throughout" in next(f.message for f in result.findings
                                                     if f.code == "readings-turn-back")


def test_a_curve_that_was_asked_for_gives_no_load_to_a_reading_of_two() -> None:
    result = calibrated(levels(TURNED, X), model="quadratic", invert=[550, 300])
    e = result.estimate("load at a reading", reading="550")
    assert math.isnan(e.value)
    assert math.isnan(e.low)
    assert "a reading of 550.0 has no load" in result.answer
    assert {"not-monotone", "not-invertible", "readings-turn-back"} <= {f.code for f in result.findings}
    assert result.estimate("load at a reading", reading="300").value == pytest.approx(176, abs=4)


def test_chance_alone_makes_no_step_back() -> None:
    found = 0
    for i in range(200):
        y = 5 + 0.02 * X + np.random.default_rng(i).normal(0, 4, len(X))
        codes = np.unique(X, return_inverse=True)[1]
        found += reversal(X, y, codes, Spread(), []) is not None
    assert found <= 6  # 1 % over all pairs, and the line rises a little


def test_a_step_back_does_not_depend_on_units_or_rows() -> None:
    codes = np.unique(X, return_inverse=True)[1]
    base = reversal(X, TURNED, codes, Spread(), [])
    order = np.random.default_rng(2).permutation(len(X))
    other = reversal(3 * X[order], 0.2 * TURNED[order], codes[order], Spread(), [])
    assert base is not None
    assert other is not None
    assert (other.share, other.t) == pytest.approx((base.share, base.t), rel=1e-9)
    assert reversal(X[:6], TURNED[:6], codes[:6], Spread(), []) is None  # two levels


def test_an_unknown_error_is_not_an_empty_set() -> None:
    fit = fit_curve(np.array([100.0, 200.0]), np.array([10.0, 20.0]))
    assert inverse_set(fit, 15.0).kind == "not known"
    result = calibrated(levels([10.0, 20.0, 30.0], [100, 200, 300]), model="quadratic", invert=[15])
    words = " ".join([result.answer, *(f.message for f in result.findings)])
    assert "beyond what the curve can give" not in words
