"""A study in which sensitivity rises says so in the first lines of ``today``; one in which it does not is silent."""

from __future__ import annotations

import numpy as np
import pytest

from drift.records import Tables
from drift.sensitivity.design import prepare
from drift.study import Study
from drift.today import all_sensors, one_sensor, prepare_setting
from drift.today.rising import rise_sentences, rises_of
from tests.sensitivity.worlds import checks_of, laboratory

STUDY = Study.model_validate({"study": {"title": "t"}, "sensitivity": {}, "limits": {"sensitivity_change": "20 %"}})


def lab(slope, **made):
    return laboratory(seed=3, slope=slope, mountings=1, intercept=0.0, **made)


def test_a_rise_is_said_for_one_and_for_all():
    tables = lab(0.008)
    setting = prepare_setting(tables, STUDY)
    for part in (one_sensor(setting, "S01", tables, STUDY), all_sensors(setting, tables, STUDY)):
        assert "Caution: sensitivity rises, by 0." in part.answer
        assert "not wear" in part.answer
        assert [f.code for f in part.findings].count("rises-with-use") == 1
    assert "% by use 40" in one_sensor(setting, "S01", tables, STUDY).answer


@pytest.mark.parametrize("slope", [0.0, -0.004])
def test_without_a_rise_there_is_no_word_of_it(slope):
    tables = lab(slope)
    part = all_sensors(prepare_setting(tables, STUDY), tables, STUDY)
    assert "rises" not in part.answer
    assert "rises-with-use" not in [f.code for f in part.findings]


def test_the_test_is_that_of_scipy_over_the_own_slopes():
    from scipy.stats import ttest_1samp

    data = prepare(lab(0.004, slope_sd=0.004), STUDY)
    slopes = [np.polyfit(data.use[data.sensor == s], data.response[data.sensor == s], 1)[0]
              for s in sorted(set(data.sensor.tolist()))]
    (found,) = rises_of(data)
    assert found.p == pytest.approx(ttest_1samp(slopes, 0).pvalue, rel=1e-6)
    assert found.slope == pytest.approx(np.mean(slopes), rel=1e-9)


def test_three_batches_or_more_are_tested_by_their_means():
    data = prepare(lab(0.008, n=8, batches=4), STUDY)
    assert rises_of(data)[0].batches == 4
    assert rises_of(prepare(lab(0.008, n=8, batches=2), STUDY))[0].batches == 0


@pytest.mark.parametrize("made", [{"n": 2}, {"uses": (0,)}])
def test_too_few_sensors_or_checks_show_nothing(made):
    assert rises_of(prepare(lab(0.008, **made), STUDY)) == ()


def test_readings_without_a_reference_and_no_data_show_nothing():
    columns = {"sensor": ["A"] * 3 + ["B"] * 3 + ["C"] * 3, "use": [0.0, 5.0, 10.0] * 3,
               "reading": [100.0, 110.0, 121.0] * 3}
    assert rises_of(prepare(Tables(checks=checks_of(columns)), STUDY)) == ()
    assert rises_of(None) == ()
    assert rise_sentences((), None) == ""
