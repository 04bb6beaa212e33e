"""A reading at full scale: the lower limit of the pressure is corrected for drift, as every pressure is."""

from __future__ import annotations

import math

import pytest

from drift.budget import budget
from tests.budget.test_bad_input import study, tables


def test_the_lower_limit_is_that_of_a_reading_of_full_scale_with_drift_corrected() -> None:
    at = budget(tables(), study({"reading": 1023, "sensor": "S1", "use": 20}))
    near = budget(tables(), study({"reading": 1022.999, "sensor": "S1", "use": 20})).estimate("pressure")
    e = at.estimate("pressure")
    assert math.isnan(e.value)
    assert math.isnan(e.high)
    assert e.bound == "at least"
    assert e.level == pytest.approx(0.975)
    assert e.low == pytest.approx(near.low, rel=1e-3)
    fresh = budget(tables(), study({"reading": 1023, "sensor": "S1", "use": 0})).estimate("pressure")
    assert e.low != pytest.approx(fresh.low, rel=1e-3)  # the calibration alone, the naive limit
    assert f"only known to be at least {e.low:.4g}" in at.answer
    assert "when it was calibrated" in at.answer
    assert e.text().startswith("at least ")


def test_fresh_and_without_known_drift_it_says_what_the_limit_rests_on() -> None:
    fresh = budget(tables(), study({"reading": 1023, "sensor": "S1", "use": 0}))
    assert "by the calibration full scale is reached at" in fresh.answer
    asked = budget(tables(), study({"pressure": "4000 kPa", "sensor": "S1", "use": 0}))
    assert "above full scale" in asked.answer
    assert asked.estimate("pressure").low == pytest.approx(fresh.estimate("pressure").low, rel=1e-6)
