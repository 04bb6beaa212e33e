"""Calibration of tables: the demo's truth recovered, bad input refused or answered in a sentence, properties."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.calibration import CalibrationCurve, curves_of, static_components
from drift.calibration.with_reference import moved_by_reference
from drift.engine.curve_models import values
from drift.engine.curves import fit_curve
from drift.engine.inverse_prediction import inverse_set
from drift.errors import DriftError
from drift.report.study_result import StudyResult
from drift.study import read_study
from drift.workflow import run_study, write_output
from tests.calibration.helpers import DEMO, answer, calibrated, estimate, levels, run
from tests.coverage.demo import generator

TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
X = np.repeat(np.arange(0.0, 801.0, 100.0), 3)


@pytest.fixture(scope="module")
def demo() -> StudyResult:
    return run_study(read_study(DEMO))


def test_the_demo_is_made_again_byte_for_byte(tmp_path: Path) -> None:
    for name in generator("make_calibration").write(tmp_path):
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name


def test_the_truth_of_the_demo_lies_in_its_intervals(demo: StudyResult) -> None:
    part = demo.part("calibrate")
    assert part is not None
    (curve,) = curves_of(part)
    assert curve.model == "quadratic"
    for key, name in (("saturation_pressure", "saturation pressure"), ("repeatability_sd", "repeatability SD")):
        e = part.estimate(name)
        assert e.low < TRUTH[key] < e.high
    assert part.estimate("creep per decade of time, percent").low < 100 * TRUTH["creep_per_decade"]
    assert part.estimate("creep per decade of time, percent").high > 100 * TRUTH["creep_per_decade"]
    span = sum(TRUTH["curve"][k] * 800**p for k, p in (("s", 1), ("q", 2)))
    e = part.estimate("hysteresis, percent of span")
    assert e.low < 100 * TRUTH["hysteresis_at_middle"] / span < e.high
    e = part.estimate("reproducibility SD over mountings, percent")
    assert e.low < 100 * TRUTH["sd_of_mountings"] < e.high


def test_the_curve_comes_back_from_the_result_and_from_plain_values(demo: StudyResult) -> None:
    part = demo.part("calibrate")
    assert part is not None
    (curve,) = curves_of(part)
    again = CalibrationCurve.from_dict(json.loads(json.dumps(curve.to_dict(), allow_nan=False)))
    assert again.to_dict() == curve.to_dict()
    assert curve.sensor == "P31"
    assert curve.reference_unit == "kPa"
    with pytest.raises(ValueError, match="read-only"):
        curve.coefficients[0] = 0.0


def test_every_pressure_is_marked() -> None:
    curve = CalibrationCurve(model="line", coefficients=np.array([10.0, 1.0]), covariance=np.diag([1.0, 1e-4]),
                             between=np.zeros((2, 2)), sigma=2.0, df=10.0, curve_df=10.0, low=100.0, high=800.0,
                             full_scale=1023.0)
    made = curve.pressure([50.0, 200.0, 900.0, 1023.0])
    assert list(made.mark) == ["below lowest", "inside", "above highest", "saturated"]
    assert made.value[:3] == pytest.approx([40.0, 190.0, 890.0])
    assert math.isnan(made.value[3])
    assert made.std_uncertainty[1] == pytest.approx(math.sqrt(4.0 + 1.0 + 190.0**2 * 1e-4))
    bent = CalibrationCurve(model="quadratic", coefficients=np.array([0.0, 2.0, -0.002]), covariance=np.zeros((3, 3)),
                            between=np.zeros((3, 3)), sigma=1.0, df=5.0, curve_df=5.0, low=0.0, high=800.0)
    assert not bent.monotone
    assert list(bent.pressure([100.0, 480.0, 600.0]).mark) == ["inside", "not invertible", "not invertible"]
    with pytest.raises(ValueError, match="unknown model"):
        CalibrationCurve.from_dict({**curve.to_dict(), "model": "cubic"})


def test_components_for_a_budget_have_type_distribution_and_degrees_of_freedom(demo: StudyResult) -> None:
    part = demo.part("calibrate")
    assert part is not None
    found = {c.name: c for c in static_components(part, sensor="P31")}
    assert set(found) == {"repeatability", "mounting", "hysteresis", "creep", "zero"}
    assert (found["repeatability"].kind, found["repeatability"].df) == ("A", 27.0)
    assert (found["hysteresis"].kind, found["hysteresis"].distribution) == ("B", "rectangular")
    assert math.isinf(found["creep"].df)
    assert static_components(part, sensor="other") == ()


def test_the_report_shows_curves_and_gains(demo: StudyResult, tmp_path: Path) -> None:
    page = (write_output(demo, tmp_path / "out") / "report.html").read_text(encoding="utf-8")
    for words in ("Calibration: bench calibration", "Gains of cells", "Loads behind readings", "crossed out",
                  "two-way fit of the logarithms", "the replicates did not reject"):
        assert words in " ".join(page.split()), words


def test_the_error_over_mountings_comes_from_how_they_differ() -> None:
    # The naive twin, all readings independent, gives a tenth of the error where mountings differ by 5 %.
    rng = np.random.default_rng(4)
    frames = [levels(f * (5 + X) + rng.normal(0, 1, len(X)), X, replicate=m, direction="up", sensor="A", use=0)
              for m, f in enumerate((0.95, 1.0, 1.05), 1)]
    frame = pd.concat(frames)
    frame["cycle"] = np.tile(np.arange(3), 27)
    e = calibrated(frame, model="line").estimate("coefficient s")
    naive = fit_curve(frame["reference"], frame["reading"])
    assert e.std_error == pytest.approx(0.05 / math.sqrt(3), rel=0.05)
    assert math.sqrt(naive.covariance[1, 1]) < 0.5 * e.std_error
    assert "(2 df)" in e.method


def test_bounds_enter_the_likelihood_and_match_another_library() -> None:
    # R survival::survreg(Surv(lo, hi, type = "interval2") ~ x, dist = "gaussian"), tests/references/censored_curve.R.
    folder = Path(__file__).parents[1] / "references"
    data = pd.read_csv(folder / "censored_curve.csv")
    fit = fit_curve(data["x"], data["y"], right=data["y"] >= 900, left=data["y"] <= 0)
    told = json.loads((folder / "censored_curve.json").read_text(encoding="utf-8"))
    # Ours divides the expected squares by n - q: coefficients move by less than a hundredth of their error.
    assert fit.coefficients == pytest.approx([told["intercept"], told["slope"]], rel=2e-2)
    shrunk = math.sqrt((len(data) - 2) / len(data))
    assert fit.sigma * shrunk == pytest.approx(told["sigma"], rel=1e-2)
    assert np.sqrt(np.diag(fit.covariance)) * shrunk == pytest.approx([told["se_intercept"], told["se_slope"]],
                                                                     rel=3e-2)
    exact = (data["y"] < 900) & (data["y"] > 0)
    naive = fit_curve(data["x"], data["y"])
    dropped = fit_curve(data["x"][exact], data["y"][exact])
    assert abs(fit.coefficients[1] - 1.02) < abs(naive.coefficients[1] - 1.02)
    assert dropped.n < fit.n


@pytest.mark.parametrize(("frame", "question", "told"), [
    (levels([1.0, 2.0, 3.0], [100, 100, 100]), {}, "all exact readings stand at one load"),
    (levels([1023.0] * 4, [100, 200, 300, 400]), {"full_scale": 1023}, "every reading is at full scale"),
    (levels([5.0] * 4, [100, 200, 300, 400]), {}, "does not change with the load"),
    (levels([0.5, 10, 20, 30], [0, 100, 200, 300]), {"model": "power of logs"}, "needs loads and readings above zero"),
    (levels([10.0, 20], [100, 200]), {"model": "quadratic"}, "quadratic could not be fitted to 2 loads; it needs 3")])
def test_what_cannot_be_fitted_is_said_in_one_sentence(frame: pd.DataFrame, question: dict[str, Any],
                                                       told: str) -> None:
    result = calibrated(frame, **question)
    assert told in result.answer
    assert any(f.severity == "warning" and f.mend for f in result.findings)
    assert all(not math.isfinite(e.value) or e.name != "coefficient s" for e in result.estimates)


@pytest.mark.parametrize(("y", "question", "code"), [
    (1000 - X + np.tile([0.0, 1, 2], 9), {"model": "line"}, "falling-curve"),
    (2 * X - 0.002 * X**2 + np.tile([0.0, 1, 2], 9), {"model": "quadratic"}, "not-monotone"),
    (2 * X - 0.001 * X**2 + np.tile([0.0, 1, 2], 9), {"model": "line"}, "lack-of-fit"),
    (X + np.tile([0.0, 1, 2], 9), {"model": "line", "full_scale": 2000}, "saturation-extrapolated"),
    (np.tile([0.0, 300, 900], 9) + 0.02 * X, {"model": "line", "invert": [500]}, "open-set"),
    (X + np.tile([0.0, 1, 2], 9), {"model": "line", "invert": [2000]}, "outside-range"),
    (X + np.tile([0.0, 1, 2], 9), {"model": "line", "invert": [850], "full_scale": 850}, "saturated-reading"),
    (X + np.tile([0.0, 1, 2], 9), {"usable_at": 1e-9}, "nowhere-usable")])
def test_cautions_stand_where_they_belong(y: np.ndarray, question: dict[str, Any], code: str) -> None:
    assert code in {f.code for f in calibrated(levels(y, X), **question).findings}


def test_a_line_through_two_readings_has_no_error() -> None:
    result = calibrated(levels([10.0, 20.0], [100, 200]), model="line", invert=[15])
    assert "no-error" in {f.code for f in result.findings}
    assert math.isnan(result.estimate("coefficient s").low)


def test_unbounded_sets_are_said_in_words() -> None:
    x, y = np.array([0.0, 0, 1, 1]), np.array([0.0, 10, 2, 9])
    fit = fit_curve(x, y)
    assert inverse_set(fit, 5.0).kind == "everything"
    steep = fit_curve(np.array([0.0, 0, 1, 1, 2, 2]), np.array([0.0, 4, 3, 6.5, 5, 9.5]))
    far = inverse_set(steep, 40.0, level=0.99)
    assert far.kind in ("two pieces", "interval")
    assert inverse_set(fit, 1e4).kind in ("two pieces", "everything")


def test_wrong_usage_says_what_to_give() -> None:
    table = DEMO / "cycles.csv"
    for words, told in ((("--cells", "--model", "line"), "belongs to calibration curves"),
                        (("--orientation", "x"), "belongs to --cells"),
                        (("--simultaneous",), "goes with --regulation"),
                        (("--full-scale", "-1"), "a number above zero"), (("--full-scale", "nan"), "a number above"),
                        (("--usable-at", "much"), "give a share")):
        out = run(table, *words)
        assert out.exit_code == 2
        assert told in " ".join(out.stderr.split())
    assert run(table, "--reference", "nothing").exit_code == 1


def test_faults_name_the_option_to_give(tmp_path: Path) -> None:
    table = DEMO / "cycles.csv"
    for words, told in ((("--hold", "nope"), "--hold names a column"), (("--cycle", "nope"), "--cycle names a column"),
                        (("--where", "use=99"), "Look at --where, and at rows marked exclude")):
        out = run(table, *words)
        assert out.exit_code == 1
        assert told in " ".join(out.stderr.split())
    notes = " ".join(f["mend"] for f in answer(table)["findings"])
    assert "--both-directions" in notes
    assert "Say --full-scale" in notes
    assert "direction =" not in notes


def test_a_table_of_cells_is_told_to_say_so(tmp_path: Path) -> None:
    out = run(DEMO / "exposures.csv")
    assert out.exit_code == 1
    assert "Say --cells" in " ".join(out.stderr.split())
    rows = "".join(f"A,{c},1,{k},{100 * k},{100 * k + c}\n" for k in (1, 2, 3) for c in (1, 2))
    (tmp_path / "t.csv").write_text("sensor,row,col,exposure,reference,reading\n" + rows)
    assert "readings-of-cells" in {f["code"] for f in answer(tmp_path / "t.csv")["findings"]}
    assert "readings-of-cells" not in {f["code"] for f in answer(DEMO / "cycles.csv")["findings"]}


def test_a_full_scale_below_zero_is_refused_in_a_study_too() -> None:
    with pytest.raises(DriftError, match="full_scale"):
        calibrated(levels(X + 1, X), full_scale=-1)


def test_a_load_below_the_lowest_level_is_not_called_usable_without_a_word() -> None:
    at = np.repeat(np.linspace(200.0, 800.0, 7), 3)
    result = calibrated(levels(5 + at + np.tile([-3.0, 1.0, 2.5], 7), at), model="line", usable_at=0.1)
    e = result.estimate("lowest usable load")
    assert e.value < 200
    assert "below the lowest level of 200" in e.method
    assert "usable-below-levels" in {f.code for f in result.findings}
    tested = calibrated(levels(5 + at + np.tile([-30.0, 10.0, 25.0], 7), at), model="line", usable_at=0.2)
    assert tested.estimate("lowest usable load").value > 200
    assert "usable-below-levels" not in {f.code for f in tested.findings}


def test_the_reference_widens_what_it_moves_and_nothing_else() -> None:
    frame = levels(5 + X + np.tile([-3.0, 1.0, 2.5], 9), X)
    plain = calibrated(frame, model="line", spread="constant", invert=[500])
    given = calibrated(frame, model="line", spread="constant", invert=[500], reference_uncertainty="1 %")
    for name in ("coefficient a", "coefficient s", "load at a reading"):
        assert (given.estimate(name).low, given.estimate(name).high) == (plain.estimate(name).low,
                                                                         plain.estimate(name).high)
    names = {e.name for e in given.estimates}
    assert "coefficient a, with the reference" not in names
    assert not any("reference" in e.name for e in plain.estimates)
    for name in ("coefficient s", "load at a reading"):
        without, whole = given.estimate(name), given.estimate(f"{name}, with the reference")
        assert "given the reference" in without.method
        assert whole.std_error == pytest.approx(math.hypot(without.std_error, 0.01 * without.value))
        assert whole.high - whole.value == pytest.approx(math.hypot(without.high - without.value,
                                                                    1.959964 * 0.01 * without.value), rel=1e-6)


@pytest.mark.parametrize(("model", "b"), [("line", [5.0, 1.2]), ("through-zero", [1.1]), ("quadratic", [5, 1.2, -1e-4]),
                                          ("power", [2.0, 0.9]), ("power of logs", [0.7, 0.9]),
                                          ("saturating", [900.0, 2e-3])])
def test_a_reference_off_by_a_factor_moves_coefficients_as_said(model: Any, b: list[float]) -> None:
    step, x = 1e-6, np.linspace(50.0, 800.0, 12)
    moved = np.array(b) + step * moved_by_reference(model, np.array(b))
    assert values(model, moved, x) == pytest.approx(values(model, np.array(b), x * math.exp(step)), rel=1e-10)


def test_a_result_quotes_its_simulated_coverage() -> None:
    x = np.repeat(np.linspace(100.0, 800.0, 5), 2)
    y = 20 + x + np.random.default_rng(1).normal(0, 8, 10)
    result = calibrated(levels(y, x), model="line", spread="constant", full_scale=1000, invert=[470])
    table = next(t for t in result.tables if t.name == "coverage")
    assert set(table["nearest design"]) == {"line, 5 levels x 2",
                                            "line, 5 levels x 2, curve chosen, top level at 80 %"}
    assert set(table["quantity"]) == {"load at a reading", "saturation pressure", "coefficient a", "coefficient s"}
    assert "simulated-coverage" in {f.code for f in result.findings}
    free = calibrated(levels(y, x), model="line", full_scale=1000)
    assert all("SD" in str(d) or "chosen" in str(d)
               for d in next(t for t in free.tables if t.name == "coverage")["nearest design"])
    bent = calibrated(levels(y, x), model="power", full_scale=1000)
    rows = next(t for t in bent.tables if t.name == "coverage")
    assert set(rows["quantity"]) == {"saturation pressure"}  # of the curve itself there are no rows
    assert "coverage" not in {t.name for t in calibrated(levels(y, x), model="saturating").tables}


def test_only_a_reading_and_a_reference_are_needed(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("load,out\n1,2.1\n2,3.9\n3,6.2\n3,6.0\n4,8.0\n")
    data = answer(tmp_path / "t.csv", "--reference", "load", "--reading", "out", "--model", "line", "--invert", 5)
    assert estimate(data, "load at a reading")["value"] == pytest.approx(2.5, abs=0.1)
    (tmp_path / "bad.csv").write_text("load,out\n1,x\n")
    assert run(tmp_path / "bad.csv", "--reference", "load", "--reading", "out").exit_code == 1


@settings(max_examples=12, deadline=None)
@given(st.floats(0.01, 100), st.floats(0.01, 100), st.permutations(range(27)))
def test_units_and_order_of_rows_change_nothing_else(unit: float, scale: float, order: list[int]) -> None:
    y = 5 + 1.2 * X + np.tile([-3.0, 1.0, 2.5], 9)
    base = inverse_set(fit_curve(X, y), 500.0)
    other = inverse_set(fit_curve(unit * X[order], scale * y[order]), 500.0 * scale)
    assert other.estimate == pytest.approx(unit * base.estimate, rel=1e-9)
    assert (other.low, other.high) == pytest.approx((unit * base.low, unit * base.high), rel=1e-9)


@settings(max_examples=6, deadline=None)
@given(st.floats(100, 900), st.floats(0.6, 0.98))
def test_a_higher_level_gives_a_wider_set_around_the_same_load(reading: float, level: float) -> None:
    fit = fit_curve(X, 5 + 1.2 * X - 1e-4 * X**2 + np.tile([-3.0, 1.0, 2.5], 9), model="quadratic")
    narrow, wide = inverse_set(fit, reading, level=level), inverse_set(fit, reading, level=level + 0.01)
    assert wide.low < narrow.low < narrow.estimate < narrow.high < wide.high
    regulation = inverse_set(fit, reading, level=level, problem="regulation")
    assert narrow.low < regulation.low < regulation.high < narrow.high
    assert inverse_set(fit, reading, level=level, m=4).high < narrow.high
