"""The budget of a pressure at a use: what enters, what comes out, what is refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.budget import BudgetResult, budget
from drift.budget.analysis import grounds, one_budget
from drift.budget.evidence import fitted_group
from drift.budget.subjects import subjects
from drift.engine.mixed import blups
from drift.engine.mixed_combination import predict_combination
from drift.sensitivity.engine_calls import fit_rows
from tests.budget.studies import study, tables

DRAWS = 20_000
FULL = {"pressure": "400 kPa", "use": 30, "reference": {"value": "0.6 %", "coverage": 2}, "hysteresis": "1.5 %",
        "creep": "1 %", "temperature": "0.5 %", "zero": "1 kPa", "non_linearity": "1 %", "resolution": "1 count",
        "cell_gain": "2 %"}


def made(asked: dict[str, Any], **data: Any) -> BudgetResult:
    return budget(tables(**data), study(asked), draws=DRAWS)


def rows(result: BudgetResult) -> dict[str, dict[str, Any]]:
    table = result.table("budget")
    return {str(q): {c.name: c.values[i] for c in table.columns} for i, q in enumerate(table["quantity"])}


def codes(result: BudgetResult) -> set[str]:
    return {f.code for f in result.findings}


# What comes out.


def test_the_answer_says_what_the_reading_means_with_its_expanded_uncertainty() -> None:
    result = made({"reading": 400, "use": 30, "sensor": "S3"})
    e = result.estimate("pressure")
    assert result.answer.startswith("A reading of 400 count of sensor S3 at use 30, 30 uses after its calibration, "
                                    "means ")
    assert "U = " in result.answer
    assert "(k = " in result.answer
    assert e.high - e.value == pytest.approx(result.estimate("expanded uncertainty").value, rel=1e-12)
    assert e.value - e.low == pytest.approx(e.std_error * result.estimate("coverage factor").value, rel=1e-12)


def test_the_pressure_of_a_worn_sensor_is_corrected_upwards_and_near_the_truth() -> None:
    result = made({"pressure": "500 kPa", "use": 30, "sensor": "S2"})
    assert result.estimate("pressure").value == pytest.approx(500, abs=1e-6)
    assert result.estimate("bias without correction").value == pytest.approx(-500 * (1 - math.exp(-0.18)), rel=0.35)


def test_shares_add_up_and_contributions_are_sensitivity_times_uncertainty() -> None:
    found = rows(made(FULL))
    assert sum(r["share"] for r in found.values()) == pytest.approx(100, rel=1e-9)
    for r in found.values():
        expected = abs(r["sensitivity coefficient"]) * r["standard uncertainty"]
        assert r["contribution"] == pytest.approx(expected, rel=1e-9)


def test_every_component_of_the_measurand_is_there_with_its_type_and_distribution() -> None:
    found = rows(made(FULL))
    assert {k: (v["type"], v["distribution"]) for k, v in found.items()} == {
        "intercept of the calibration": ("A", "t"), "slope of the calibration": ("A", "t"),
        "scatter of a reading": ("A", "t"), "mounting of the reading": ("A", "t"),
        "mounting of the calibration": ("A", "t"), "day of the reading": ("A", "t"),
        "day of the calibration": ("A", "t"), "drift per use": ("A", "t"), "reference load": ("B", "normal"),
        "hysteresis": ("B", "rectangular"), "creep": ("B", "rectangular"), "non-linearity": ("B", "rectangular"),
        "temperature": ("B", "rectangular"), "zero": ("B", "rectangular"), "resolution": ("B", "rectangular"),
        "gain of the cell": ("B", "normal")}
    assert not len(made(FULL).table("left out"))


@pytest.mark.parametrize(("name", "u"), [("reference load", 0.3), ("hysteresis", 1.5 / 3**0.5), ("zero", 1 / 3**0.5),
                                         ("resolution", 1 / 12**0.5), ("gain of the cell", 2.0)])
def test_stated_uncertainties_become_standard_ones(name: str, u: float) -> None:
    assert rows(made(FULL))[name]["standard uncertainty"] == pytest.approx(u, rel=1e-12)


@pytest.mark.parametrize(("stated", "u"), [
    ({"value": "1 %", "level": 0.95}, 1 / 1.959964), ({"value": "1 %", "level": 0.95, "df": 4}, 1 / 2.776445),
    ({"value": "1 %", "distribution": "triangular"}, 1 / 6**0.5),
    ({"value": "1 %", "distribution": "arcsine"}, 1 / 2**0.5),
    ({"value": "1 %", "distribution": "trapezoidal", "shape": 0.5}, (1.25 / 6) ** 0.5),
    ({"value": "4 kPa", "coverage": 2}, 2.0), ({"value": "1 psi", "coverage": 1}, 6.894757),
    ({"value": "3 count"}, 3.0)])
def test_coverage_level_distribution_and_units_are_resolved(stated: dict[str, Any], u: float) -> None:
    found = rows(made({"pressure": "400 kPa", "use": 10, "reference": stated}))
    assert found["reference load"]["standard uncertainty"] == pytest.approx(u, rel=1e-6)


def test_relative_effects_grow_with_the_pressure_and_absolute_ones_do_not() -> None:
    small, large = (rows(made({**FULL, "pressure": f"{p} kPa"})) for p in (250, 750))
    assert large["hysteresis"]["contribution"] == pytest.approx(3 * small["hysteresis"]["contribution"], rel=0.01)
    assert large["zero"]["contribution"] == pytest.approx(small["zero"]["contribution"], rel=1e-6)


def test_a_known_effect_is_corrected_for() -> None:
    plain = made({"reading": 400, "use": 0, "sensor": "S1"}).estimate("pressure").value
    warm = {"value": "0.2 %", "estimate": "2 %"}
    assert made({"reading": 400, "use": 0, "sensor": "S1", "temperature": warm}).estimate("pressure").value == (
        pytest.approx(plain * math.exp(-0.02), rel=1e-9))
    zero = {"value": "1 kPa", "estimate": "5 kPa"}
    assert made({"reading": 400, "use": 0, "sensor": "S1", "zero": zero}).estimate("pressure").value == (
        pytest.approx(plain - 5, rel=1e-9))


def test_the_mean_of_mountings_is_better_known_and_the_day_is_not_averaged_with_it() -> None:
    one, four = (rows(made({**FULL, "mean_of": k})) for k in (1, 4))
    assert four["mounting of the reading"]["standard uncertainty"] == pytest.approx(
        one["mounting of the reading"]["standard uncertainty"] / 2)
    assert four["day of the reading"]["standard uncertainty"] == one["day of the reading"]["standard uncertainty"]
    assert four["reference load"]["standard uncertainty"] == one["reference load"]["standard uncertainty"]


def test_in_a_force_over_cells_common_effects_stay_and_those_of_cells_average_out() -> None:
    result = made({**FULL, "cells": 100})
    found = rows(result)
    e = result.estimate("pressure")
    own = sum(found[n]["share"] for n in ("gain of the cell", "resolution")) / 100
    expected = 100 * e.std_error / e.value * math.sqrt(1 - own + own / 100)
    assert result.estimate("expanded uncertainty of a force over cells, percent").std_error == pytest.approx(expected)


# Drift.


def test_a_sensor_with_checks_of_its_own_is_better_known_than_any_sensor() -> None:
    own = made({"pressure": "400 kPa", "use": 30, "sensor": "S2"})
    other = made({"pressure": "400 kPa", "use": 30})
    mine, theirs = (rows(r)["drift per use"]["standard uncertainty"] for r in (own, other))
    assert mine < 0.5 * theirs
    assert own.estimate("pressure").std_error < other.estimate("pressure").std_error


def test_the_calibration_and_the_drift_of_a_sensor_share_readings_and_their_errors_cancel_in_part() -> None:
    result = made({"pressure": "400 kPa", "use": 30, "sensor": "S2"})
    table = result.table("correlations")
    found = {(str(a), str(b)): float(r) for a, b, r in zip(table["quantity"], table["with"], table["correlation"],
                                                           strict=True)}
    assert found["day of the calibration", "drift per use"] > 0.1
    share = rows(result)["day of the calibration"]["share"]
    assert share < rows(result)["day of the reading"]["share"]


def test_drift_left_in_is_a_bias_and_the_interval_lies_to_one_side() -> None:
    asked = {"reading": 400, "use": 30, "sensor": "S2"}
    good, bad = made(asked), made({**asked, "corrected": False})
    g, b = good.estimate("pressure"), bad.estimate("pressure")
    assert (b.low, b.high) == pytest.approx((g.low, g.high))
    assert b.value < b.low
    assert bad.estimate("expanded uncertainty").value == pytest.approx(
        abs(bad.estimate("bias without correction").value) + good.estimate("expanded uncertainty").value)
    assert "too low because drift is not corrected" in bad.answer
    assert "not-corrected" in codes(bad)


def test_drift_as_a_random_error_in_both_directions_misses_what_the_interval_holds() -> None:
    """The naive twin: the expected change as limits about what is shown."""
    result = made({"pressure": "500 kPa", "use": 60, "sensor": "S2", "corrected": False})
    e, bias = result.estimate("pressure"), result.estimate("bias without correction").value
    half = 2 * math.hypot(result.estimate("pressure, Monte Carlo").std_error, bias / 3**0.5)
    naive = (e.value - half, e.value + half)
    assert naive[0] < e.low - abs(bias)  # pressures that no wear could make of this reading
    assert naive[1] - naive[0] > 3 * (e.high - e.low)


def test_at_the_calibration_there_is_no_drift_to_correct() -> None:
    result = made({"reading": 400, "use": 20, "since_calibration": 0, "sensor": "S2"})
    assert "drift per use" not in rows(result)
    assert "the use of its calibration" in result.answer


def test_a_stated_drift_serves_where_the_checks_give_none() -> None:
    alone = {"uses": (0.0,), "n_sensors": 1}
    asked = {"reading": 400, "use": 10, "sensor": "S1"}
    without = made(asked, **alone)
    assert "no-drift" in codes(without)
    assert "drift per use" in set(without.table("left out")["component"])
    assert "drift neither corrected nor in it" in without.answer
    given = made({**asked, "drift": {"estimate": "-1 %", "value": "0.2 %"}}, **alone)
    assert given.estimate("pressure").value == pytest.approx(without.estimate("pressure").value * 0.99**-10, rel=1e-9)
    assert "no-drift" not in codes(given)


def test_three_sensors_have_lines_of_their_own_and_any_sensor_has_none() -> None:
    own = made({"reading": 400, "use": 30, "sensor": "S1"}, n_sensors=3)
    assert rows(own)["drift per use"]["source"] == "slope of its own least-squares line"
    other = made({"reading": 400, "use": 30}, n_sensors=3)
    assert "no-drift" in codes(other)


def test_the_uncertainty_grows_with_uses_and_the_uncorrected_one_faster() -> None:
    table = made({"pressure": "400 kPa", "use": 30}).table("along use")
    good, bad = table["expanded uncertainty, corrected"], table["enlarged uncertainty, not corrected"]
    assert (np.diff(good) > 0).all()
    assert (bad[1:] > good[1:]).all()
    assert bad[0] == pytest.approx(good[0])


def test_a_linear_scale_gives_about_the_same_pressure() -> None:
    asked = {"reading": 400, "use": 10, "sensor": "S2"}
    log = budget(tables(), study(asked), draws=DRAWS).estimate("pressure")
    linear = budget(tables(), study(asked, scale="linear"), draws=DRAWS).estimate("pressure")
    assert linear.value == pytest.approx(log.value, rel=0.01)
    assert linear.std_error == pytest.approx(log.std_error, rel=0.3)


# The engine of the prediction.


def test_a_predicted_slope_and_its_error_are_those_of_the_mixed_model_engine() -> None:
    ground = grounds(tables(), study(), study({}).budget, level=0.95)  # type: ignore[arg-type]
    found = fitted_group(ground.data, "")
    laid: Any = found.laid
    design, fit = fit_rows(found.group.response, laid.columns, laid.levels)
    theirs = blups(design, fit)
    for code in range(3):
        mine = predict_combination(found.group.response, laid.columns, laid.levels, fit.covariances, fit.sigma2,
                                   fixed=np.zeros(2), random=[(code, np.array([0.0, 1.0]))])
        at = int(np.flatnonzero(theirs.codes[0] == code)[0])
        assert mine.value == pytest.approx(theirs.effects[0][at, 1], rel=1e-8)
        assert mine.variance == pytest.approx(theirs.covariances[0][at, 1, 1], rel=1e-8)
        assert mine.weights @ found.group.response == pytest.approx(mine.value, rel=1e-10)


def test_a_new_sensor_has_the_mean_drift_and_the_whole_spread() -> None:
    ground = grounds(tables(), study(), study({}).budget, level=0.95)  # type: ignore[arg-type]
    found = fitted_group(ground.data, "")
    laid, fit = found.laid, found.fit
    new = predict_combination(found.group.response, laid.columns, laid.levels, fit.covariances,  # type: ignore[attr-defined]
                              fit.sigma2, fixed=laid.slopes[0],  # type: ignore[attr-defined]
                              random=[(None, np.array([0.0, 1.0]))])
    assert new.value == pytest.approx(fit.beta[1], rel=1e-8)  # type: ignore[attr-defined]
    assert new.variance == pytest.approx(fit.cov_beta[1, 1] + fit.covariances[0][1, 1], rel=1e-8)  # type: ignore[attr-defined]


# Naive twins.


def test_the_scatter_of_readings_alone_is_a_fraction_of_the_uncertainty() -> None:
    result = made(FULL)
    assert rows(result)["scatter of a reading"]["contribution"] < 0.4 * result.estimate("pressure").std_error


def test_more_levels_do_not_average_the_reference_down() -> None:
    few, many = (made(FULL, levels=np.linspace(200, 800, n)) for n in (3, 12))
    assert rows(many)["slope of the calibration"]["standard uncertainty"] < (
        0.7 * rows(few)["slope of the calibration"]["standard uncertainty"])
    assert rows(many)["reference load"]["contribution"] == pytest.approx(rows(few)["reference load"]["contribution"],
                                                                         rel=0.01)


def test_without_the_covariance_of_the_coefficients_the_line_would_be_overstated() -> None:
    asked = study({"reading": 450, "use": 0, "since_calibration": 0, "sensor": "S1"})
    ground = grounds(tables(), asked, asked.budget, level=0.95)  # type: ignore[arg-type]
    one = one_budget(ground, subjects(ground.data, ground.spec)[0], fitted_group(ground.data, ""), rng=None)
    names = [q.name for q in one.assembly.quantities]
    line = [names.index(n) for n in ("intercept of the calibration", "slope of the calibration")]
    right = float(one.gum.share[line].sum())
    naive = float(np.sum(one.gum.contribution[line] ** 2))
    assert naive > 3 * right


# Properties.


@settings(max_examples=4, deadline=None, derandomize=True)
@given(st.sampled_from([0.5, 2.0, 40.0]))
def test_the_unit_of_the_reading_changes_nothing(factor: float) -> None:
    one = budget(tables(), study({"pressure": "400 kPa", "use": 30, "sensor": "S2"}), draws=DRAWS)
    other = budget(tables(factor=factor), study({"pressure": "400 kPa", "use": 30, "sensor": "S2"},
                                                full_scale=1023 * factor), draws=DRAWS)
    assert other.estimate("pressure").std_error == pytest.approx(one.estimate("pressure").std_error, rel=1e-5)
    assert other.estimate("effective degrees of freedom").value == pytest.approx(
        one.estimate("effective degrees of freedom").value, rel=1e-4)


def test_the_order_of_the_rows_changes_nothing() -> None:
    asked = study({"reading": 400, "use": 30, "sensor": "S2"})
    one, other = budget(tables(), asked, draws=DRAWS), budget(tables(reverse=True), asked, draws=DRAWS)
    for name in ("pressure", "expanded uncertainty"):
        assert other.estimate(name).value == pytest.approx(one.estimate(name).value, rel=1e-9)


def test_a_higher_level_gives_a_wider_interval_and_the_same_seed_the_same_result() -> None:
    asked = study({"reading": 400, "use": 30, "sensor": "S2"})
    low, high = (budget(tables(), asked, level=p, draws=DRAWS) for p in (0.90, 0.99))
    assert high.estimate("expanded uncertainty").value > 1.3 * low.estimate("expanded uncertainty").value
    once, again = (budget(tables(), asked, seed=5, draws=DRAWS) for _ in range(2))
    assert once.to_dict() == again.to_dict()


def test_constructions_are_budgeted_one_by_one() -> None:
    result = made({"pressure": "400 kPa", "use": 30}, n_sensors=12, constructions=("plain", "laminated"))
    assert {e.of["construction"] for e in result.estimates} == {"plain", "laminated"}
    assert result.answer.count("means") == 2
    alone = made({"pressure": "400 kPa", "use": 30, "construction": "plain"}, n_sensors=12,
                 constructions=("plain", "laminated"))
    assert alone.estimate("pressure").std_error == pytest.approx(
        result.estimate("pressure", construction="plain").std_error)
