"""Budgets on calibration curves that are not lines."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from drift.budget import BudgetResult, budget
from drift.budget.curve import curve_of
from drift.calibration import calibrate_curves, curves_of
from drift.records import CheckTable, Tables
from drift.study import CalibrationQuestion, Study, study_from_dict
from tests.budget.studies import tables

POWER = 0.8
LEVELS = np.array([100.0, 200, 300, 450, 600, 800])


def bent(shape: str = "power", **options: Any) -> Tables:
    """Checks whose readings lie on a curve that wear, days and mountings stretch about the reading without load."""
    given = {"levels": LEVELS, "noise": 0.5, "day": 0.004, **options}
    plain = tables(**given).checks
    assert plain is not None
    gain, load = (plain["reading"] - 3) / plain["reference"], plain["reference"]
    curve = load**POWER if shape == "power" else 10 + load - 4e-4 * load**2
    start = 0.0 if shape == "power" else 10.0
    columns = {**plain.columns, "reading": start + gain * (curve - start)}
    return Tables(checks=CheckTable(columns, plain.row, "checks.csv", units=dict(plain.units)))


def asked(model: str | None, **spec: Any) -> Study:
    data: dict[str, Any] = {"study": {"title": "x"}, "files": {"checks": "checks.csv"},
                            "units": {"checks": {"reading": "count", "reference": "kPa"}},
                            "sensitivity": {"full_scale": 1023}, "budget": spec}
    if model is not None:
        data["calibration"] = [{"name": "bench", "model": model}]
    return study_from_dict(data)


def made(shape: str, model: str | None, **spec: Any) -> BudgetResult:
    return budget(bent(shape), asked(model, **{"use": 20, "sensor": "S1", **spec}), draws=20_000)


@pytest.mark.parametrize(("shape", "model"), [("power", "power"), ("quadratic", "quadratic")])
def test_a_curve_gives_the_pressure_that_a_line_in_its_place_misses(shape: str, model: str) -> None:
    """The naive twin: the line, by as much as its bend."""
    fresh = 120.0**POWER if shape == "power" else 10 + 120 - 4e-4 * 120**2
    spec = {"use": 0, "since_calibration": 0, "reading": float(fresh)}
    gain = 1.0
    curve, line = (made(shape, m, **spec).estimate("pressure").value for m in (model, None))
    assert curve == pytest.approx(120 * gain, rel=0.12)
    assert abs(line - curve) > 10
    names = set(made(shape, model, **spec).table("budget")["quantity"])
    assert "slope of the calibration" not in names
    assert {"c of the calibration", "k of the calibration"} <= names or "q of the calibration" in names


def test_its_sensitivity_coefficients_are_those_of_the_curve() -> None:
    result = made("power", "power", reading=100.0, use=0, since_calibration=0)
    at = list(result.table("budget")["quantity"]).index("scatter of a reading")
    p = result.estimate("pressure").value
    assert result.table("budget")["sensitivity coefficient"][at] == pytest.approx(-p / (100 * POWER), rel=0.05)


def test_wear_stretches_the_curve_and_is_corrected() -> None:
    result = made("power", "power", pressure="400 kPa")
    assert result.estimate("pressure").value == pytest.approx(400, rel=1e-6)
    # The reading falls by exp(-0.12); the pressure it would be taken for falls by the power of that.
    assert result.estimate("bias without correction").value == pytest.approx(
        -400 * (1 - math.exp(-0.12 / POWER)), rel=0.3)


def test_simulation_confirms_it_or_the_interval_to_state_is_printed() -> None:
    result = made("quadratic", "quadratic", pressure="400 kPa")
    e, d = result.estimate("pressure"), result.estimate("pressure, Monte Carlo")
    assert (d.low, d.high) == pytest.approx((e.low, e.high), rel=0.05)
    assert any("quadratic curve of [[calibration]]" in f.message for f in result.findings)


def test_a_curve_that_is_a_line_is_budgeted_as_the_line() -> None:
    plain = tables()
    spec = {"use": 20, "sensor": "S1", "reading": 400}
    one, other = (budget(plain, asked(m, **spec), draws=20_000) for m in (None, "line"))
    assert one.estimate("pressure").value == other.estimate("pressure").value


def test_a_calibration_that_cannot_serve_is_refused_in_words_and_no_line_is_put_in_its_place() -> None:
    few = bent(levels=np.array([200.0, 600.0]))
    result = budget(few, asked("quadratic", use=20, sensor="S1", reading=100), draws=20_000)
    assert math.isnan(result.estimate("pressure").value)
    assert "a line in its place would not be what was asked" in result.answer
    assert "[[calibration]]" in next(f for f in result.findings if f.code == "no-pressure").mend


def test_a_reading_above_the_top_of_a_curve_has_no_pressure() -> None:
    result = made("quadratic", "quadratic", reading=900.0)
    assert "higher than the calibration curve ever gets" in result.answer


def test_the_covariance_is_that_of_the_scatter_about_the_curve() -> None:
    checks = bent(mountings=1, n_sensors=1, uses=(0.0, 10.0)).checks
    assert checks is not None
    rows = checks.take(checks["use"] == 0)
    assert isinstance(rows, CheckTable)
    fitted, = curves_of(calibrate_curves(rows, CalibrationQuestion(name="x", model="quadratic", spread="constant")))
    curve = curve_of(fitted, rows["reference"], gain=1.0)
    np.testing.assert_allclose(curve.covariance, fitted.covariance, rtol=1e-6)
