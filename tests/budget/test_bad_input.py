"""Bad input of a budget: one clear sentence or error each."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from drift.budget import BudgetResult
from drift.budget import budget as budget_of
from drift.errors import DriftError
from drift.records import CheckTable, Tables
from drift.study import Study, study_findings, study_from_dict
from tests.budget.studies import study, tables


def budget(t: Tables, s: Study) -> BudgetResult:
    return budget_of(t, s, draws=20_000)


def errors(asked: dict[str, Any]) -> list[str]:
    data = {"study": {"title": "x"}, "files": {"checks": "checks.csv"}, "budget": asked}
    try:
        study_from_dict(data)
    except DriftError as error:
        return [str(f) for f in error.findings if f.severity == "error"]
    return []


@pytest.mark.parametrize(("asked", "said"), [
    ({"reference": "-0.3 %"}, "an uncertainty is not negative"),
    ({"reference": "0.3"}, "needs its unit"),
    ({"reference": 0.3}, "needs its unit"),
    ({"reference": "0.3 blurb"}, "is not known"),
    ({"reference": {"value": "0.3 %", "coverage": 2, "level": 0.95}}, "both are given"),
    ({"hysteresis": {"value": "1 %", "coverage": 2, "distribution": "rectangular"}}, "half-width"),
    ({"use": 10, "since_calibration": 20}, "before the first use"),
    ({"use": -1}, "not negative"),
    ({"since_calibration": -1}, "before the calibration"),
    ({"reading": 1, "pressure": "1 kPa"}, "both are given"),
    ({"sensor": "a", "construction": "b"}, "both"),
    ({"pressure": "400 N"}, "unit of pressure"),
    ({"pressure": "-4 kPa"}, "above zero"),
    ({"drift": "0.1 %"}, "needs its estimate"),
    ({"drift": {"value": "1 kPa", "estimate": "-1 kPa"}}, "% per use"),
    ({"temperatur": "1 %"}, "temperature"),
    ({"mean_of": 0}, "mean_of"),
    ({"reference": {"value": "1 %", "distribution": "gamma"}}, "distribution")])
def test_settings_that_cannot_be_meant_are_refused_with_their_place(asked: dict[str, Any], said: str) -> None:
    found = errors(asked)
    assert found
    assert any(said in f for f in found), found
    assert all("[budget]" in f for f in found), found


def refused(asked: dict[str, Any], t: Tables | None = None) -> str:
    with pytest.raises(DriftError) as caught:
        budget(tables() if t is None else t, study(asked))
    return " ".join(str(f) for f in caught.value.findings)


def test_a_unit_that_does_not_convert_is_refused_with_what_would() -> None:
    text = refused({"reference": "1 N", "zero": "2 s"})
    assert "'N' cannot be converted to 'kPa'" in text
    assert "'s' cannot be converted" in text
    assert "Give it in %, in kPa, or in count" in text


def test_an_estimate_and_an_uncertainty_of_different_kinds_are_refused() -> None:
    assert "not in one kind of unit" in refused({"zero": {"value": "1 kPa", "estimate": "1 %"}})


def test_an_unknown_sensor_or_construction_is_refused_with_the_nearest() -> None:
    assert "S1" in refused({"sensor": "S11"})
    assert "no check that can be used is of construction 'x'" in refused({"construction": "x"})
    text = refused({"sensor": "unheard of"})
    assert "np.str_" not in text
    assert text.count("unheard of") == 1


def test_a_use_before_the_first_check_of_the_sensor_is_refused() -> None:
    late = tables(uses=(10.0, 20.0, 30.0))
    assert "no check at or before use 5" in refused({"sensor": "S1", "use": 5}, late)


def test_checks_without_a_reference_give_no_pressure() -> None:
    full = tables().checks
    assert full is not None
    bare = CheckTable({k: v for k, v in full.columns.items() if k != "reference"}, full.row, "checks.csv",
                      units={"reading": "count"})
    assert "hold no reference" in refused({"use": 3}, Tables(checks=bare))


@pytest.mark.parametrize(("asked", "said"), [
    ({"reading": 1023, "sensor": "S1"}, "the sensor is saturated"),
    ({"pressure": "4000 kPa", "sensor": "S1"}, "the sensor is saturated"),
    ({"reading": 1, "sensor": "S1"}, "no higher than that without load")])
def test_a_reading_that_has_no_pressure_is_an_answer_that_says_so(asked: dict[str, Any], said: str) -> None:
    result = budget(tables(), study(asked))
    assert said in result.answer
    assert math.isnan(result.estimate("pressure").value)
    found = [f for f in result.findings if f.code == "no-pressure"]
    assert found[0].severity == "warning"
    assert found[0].mend


def test_far_beyond_the_checks_the_extrapolation_is_said() -> None:
    near = budget(tables(), study({"reading": 400, "use": 32, "sensor": "S1"}))
    far = budget(tables(), study({"reading": 300, "use": 90, "sensor": "S1"}))
    assert [f.severity for f in near.findings if f.code == "beyond-checks"] == ["note"]
    said = [f for f in far.findings if f.code == "beyond-checks"]
    assert said[0].severity == "warning"
    assert "extrapolated, far beyond what was seen" in said[0].message


@pytest.mark.parametrize("pressure", ["60 kPa", "950 kPa"])
def test_outside_the_levels_of_the_calibration_it_says_so(pressure: str) -> None:
    result = budget(tables(), study({"pressure": pressure, "use": 10, "sensor": "S1"}))
    assert any(f.code == "outside-calibration" for f in result.findings)


@pytest.mark.parametrize("n", [1, 2, 4])
@pytest.mark.parametrize("uses", [(0.0,), (0.0, 10.0), (0.0, 10.0, 20.0)])
@pytest.mark.parametrize("mountings", [1, 2])
def test_small_studies_give_an_answer_and_say_what_is_missing(n: int, uses: tuple[float, ...], mountings: int) -> None:
    for asked in ({"sensor": "S1", "use": 20}, {"use": 20}):
        result = budget(tables(n_sensors=n, uses=uses, mountings=mountings), study({"reading": 400, **asked}))
        assert np.isfinite(result.estimate("pressure").value)
        assert "left-out" in {f.code for f in result.findings}


def test_readings_exactly_on_their_lines_leave_no_scatter_and_no_crash() -> None:
    t = tables(noise=0.0, day=0.0)
    result = budget(t, study({"reading": 400, "use": 20, "sensor": "S1"}))
    assert np.isfinite(result.estimate("pressure").value)


def test_one_level_alone_assumes_a_line_through_zero() -> None:
    result = budget(tables(levels=np.array([500.0])), study({"reading": 400, "use": 20, "sensor": "S1"}))
    assert np.isfinite(result.estimate("pressure").std_error)
    assert "intercept of the calibration" not in set(result.table("budget")["quantity"])


def test_a_negative_drift_in_the_wrong_direction_is_corrected_like_any_other() -> None:
    result = budget(tables(drift=0.004), study({"reading": 400, "use": 30, "sensor": "S1", "corrected": False}))
    assert "too high because drift is not corrected" in result.answer


def test_a_study_file_with_a_budget_has_no_findings() -> None:
    good = study({"pressure": "400 kPa", "use": 30, "reference": {"value": "0.3 %", "coverage": 2}})
    assert [f for f in study_findings(good) if f.severity == "error"] == []
