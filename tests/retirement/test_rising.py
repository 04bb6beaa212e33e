"""A sensitivity that rises is said first and not called wear; other answers say that readings grow too high."""

from __future__ import annotations

import pytest

from drift.retirement import retire
from drift.retirement.recalibration import recalibrate
from drift.sensitivity import fit_wear
from drift.study import Study
from tests.retirement.worlds import sensors, world
from tests.sensitivity.worlds import laboratory

FALL = {"sensitivity_change": 0.25}


def answered(slope, slope_sd=0.0008):
    tables = laboratory(seed=3, slope=slope, slope_sd=slope_sd, mountings=1, intercept=0.0)
    study = Study.model_validate({"study": {"title": "t"}, "sensitivity": {}, "limits": FALL,
                                  "recalibration": {"tolerance": "5 %"}})
    wear = fit_wear(tables, study)
    count = retire(wear, study, tables, seed=1)
    return wear, count, recalibrate(wear, study, tables, retired=count)


@pytest.fixture(scope="module")
def rising():
    return answered(0.008)


def test_the_first_sentence_says_the_rise_its_size_and_that_it_is_not_wear(rising):
    wear, count, _ = rising
    stated = wear.estimate("drift per use, percent")
    assert count.answer.startswith(f"All sensors: sensitivity rises by {stated.value:.2f} % per use (95 % interval")
    assert "after 40 uses). A rise is not wear: readings become too high" in count.answer
    assert "no limit declared judges a rise" in count.answer
    assert "temperature" in count.answer
    assert "no wear was seen" not in count.answer
    assert "says nothing of the rise" in count.answer


def test_drift_and_recalibration_say_that_readings_grow_too_high(rising):
    wear, _, interval = rising
    assert "A rise is not wear" in wear.answer
    assert "too high by use 40" in wear.answer
    assert "readings grow too high after a calibration: on average by 0." in interval.answer


def test_without_a_rise_nothing_of_it_is_said():
    for part in answered(0.0):
        assert "rise is" not in part.answer
        assert "too high" not in part.answer


def test_a_limit_that_a_rise_may_reach_is_named():
    limits = {**FALL, "reading": {"value": 3, "direction": "above"}}
    wear, study, tables = world(sensors(slope=0.008), limits=limits)
    assert "a limit on a fall does not judge it (the reading" in retire(wear, study, tables, seed=1).answer


def test_on_the_linear_scale_a_rise_is_said_in_the_wear_models_unit():
    tables = laboratory(seed=3, slope=0.008, mountings=1, intercept=0.0)
    study = Study.model_validate({"study": {"title": "t"}, "sensitivity": {"scale": "linear"}, "limits": FALL})
    wear = fit_wear(tables, study)
    assert "A rise is not wear" in wear.answer
    assert "rises by" in retire(wear, study, tables, seed=1).answer
