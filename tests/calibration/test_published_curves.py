"""Published calibration examples through --json to their printed digits, and nonlinear ones through the fitter."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from drift.calibration import CalibrationCurve
from drift.calibration.rows import prepare
from drift.calibration.statics import hysteresis_pairs
from drift.engine.curves import fit_curve
from drift.engine.inverse_prediction import inverse_set, mean_variance
from drift.engine.nonlinear import nonlinear_least_squares
from drift.ingest import read_one_table
from drift.study import study_from_dict
from tests.calibration.helpers import PUBLISHED, answer, estimate
from tests.published_examples import agrees, load

FORMS = {
    "strd-danwood": lambda x: lambda b: b[0] * x ** b[1],
    "strd-misra1a": lambda x: lambda b: b[0] * (1 - np.exp(-b[1] * x)),
    "strd-chwirut2": lambda x: lambda b: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "strd-mgh17": lambda x: lambda b: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])}
LINEAR = {"strd-danwood": (0,), "strd-misra1a": (0,), "strd-mgh17": (0, 1, 2)}


@pytest.mark.parametrize("start", [1, 2])
@pytest.mark.parametrize("name", sorted(FORMS))
def test_certified_nonlinear_fits_come_from_both_official_starts(name: str, start: int) -> None:
    # NIST StRD, nonlinear least squares, certified values.
    example = load(name)
    x, y = example.frame().to_numpy(dtype=float).T
    p = sum(k.startswith("se_") for k in example.expected)
    fit = nonlinear_least_squares(FORMS[name](x), y, [float(example.unprinted[f"start{start}_b{i + 1}"])
                                                      for i in range(p)], linear=LINEAR.get(name, ()))
    assert fit.converged
    for i in range(p):
        assert fit.coefficients[i] == pytest.approx(float(example.expected[f"b{i + 1}"]), rel=1e-8)
        assert fit.std_errors[i] == pytest.approx(float(example.expected[f"se_b{i + 1}"]), rel=1e-7)
    assert fit.sse == pytest.approx(float(example.expected["rss"]), rel=1e-9)
    assert fit.residual_sd == pytest.approx(float(example.expected["residual_sd"]), rel=1e-9)


def _json(name: str, *words: object) -> dict[str, object]:
    return answer(PUBLISHED / f"{name}.csv", *words)


@pytest.mark.parametrize(("name", "words", "names"), [
    ("strd-danwood", ("--reference", "temperature", "--reading", "energy", "--model", "power"), {"b1": "c", "b2": "k"}),
    ("strd-misra1a", ("--reference", "pressure", "--reading", "volume", "--model", "saturating"),
     {"b1": "b1", "b2": "b2"}),
    ("strd-norris", ("--model", "line"), {"b0": "a", "b1": "s"}),
    ("strd-noint1", ("--reference", "x", "--reading", "y", "--model", "through-zero"), {"b1": "s"})])
def test_certified_curves_through_json(name: str, words: tuple[str, ...], names: dict[str, str]) -> None:
    # The spread is set: certified values are of constant SD.
    data, expected = _json(name, *words, "--spread", "constant"), load(name).expected
    for key, ours in names.items():
        e = estimate(data, f"coefficient {ours}")
        assert e["value"] == pytest.approx(float(expected[key]), rel=1e-9)
        assert e["std_error"] == pytest.approx(float(expected[f"se_{key}"]), rel=1e-9)
    assert estimate(data, "residual SD")["value"] == pytest.approx(float(expected["residual_sd"]), rel=1e-9)


def test_pontius_rejects_the_line_and_takes_the_quadratic() -> None:
    data, example = _json("strd-pontius-load-cell", "--reference", "load", "--reading", "deflection", "--spread",
                          "constant"), load(
        "strd-pontius-load-cell")
    for j, ours in enumerate("asq"):
        e = estimate(data, f"coefficient {ours}", curve="quadratic")
        assert e["value"] == pytest.approx(float(example.expected[f"quad_b{j}"]), rel=1e-11)
        assert e["std_error"] == pytest.approx(float(example.expected[f"quad_se_b{j}"]), rel=1e-11)
    tried = next(t for t in data["tables"] if t["name"] == "curves tried")
    heads = [c["name"] for c in tried["columns"]]
    of = {r[0]: r[heads.index("F")] for r in tried["rows"]}
    assert of["line"] == pytest.approx(float(example.unprinted["lack_of_fit_F_line"]), rel=1e-6)
    assert of["quadratic"] == pytest.approx(float(example.unprinted["lack_of_fit_F_quadratic"]), rel=1e-6)


def test_a_power_law_of_logs_is_another_answer_than_one_whose_errors_add() -> None:
    where = (PUBLISHED / "strd-danwood.csv", "--reference", "temperature", "--reading", "energy")
    add, multiply = answer(*where, "--model", "power"), answer(*where, "--model", "power of logs")
    assert estimate(add, "coefficient k")["value"] != pytest.approx(estimate(multiply, "coefficient k")["value"],
                                                                    rel=1e-3)
    assert "errors that multiply" in multiply["answer"]


def test_thermostat_and_crystal_of_graybill_and_iyer(tmp_path: Path) -> None:
    # Graybill & Iyer (1994), chapter 6, p. 431 and p. 434.
    example = load("graybill-iyer-inverse-prediction")
    frame, expected = example.frame(), example.expected
    for name in ("thermostat", "crystal"):
        frame[frame["example"] == name].to_csv(tmp_path / f"{name}.csv", index=False)
    shared = ("--reference", "x", "--reading", "y", "--model", "line", "--spread", "constant")
    e = estimate(answer(tmp_path / "thermostat.csv", *shared, "--invert", 104), "load at a reading")
    for key, end in (("x_at_104", "value"), ("lower95", "low"), ("upper95", "high")):
        assert agrees(e[end], expected[f"thermostat_{key}"])
    e = estimate(answer(tmp_path / "thermostat.csv", *shared, "--invert", 100, "--level", 0.9), "load at a reading")
    for key, end in (("x_at_100", "value"), ("lower90", "low"), ("upper90", "high")):
        assert agrees(e[end], expected[f"thermostat_{key}"])
    words = (tmp_path / "crystal.csv", *shared, "--invert", 5)
    e = estimate(answer(*words, "--regulation", "--level", 0.9), "load at a reading")
    for key, end in (("x_mean5", "value"), ("lower90", "low"), ("upper90", "high"), ("wald_se_regulation",
                                                                                      "std_error")):
        assert agrees(e[end], expected[f"crystal_{key}"])
    assert agrees(estimate(answer(*words), "load at a reading")["std_error"], expected["crystal_wald_se_calibration"])


def test_load_cell_of_the_engineering_handbook(tmp_path: Path) -> None:
    # e-Handbook 2.3.6.5: the page truncates its standard errors, 13.417 is a plot label and both fits give 13.414.
    example = load("nist-mpc365-load-cell-inverse")
    where = ("--reference", "load_psi", "--duplicates", "keep", "--model", "quadratic", "--spread", "constant")
    data = _json("nist-mpc365-load-cell-inverse", *where, "--invert", 1.344)
    for j, ours in enumerate("asq"):
        e = estimate(data, f"coefficient {ours}")
        assert agrees(e["value"], example.expected[f"page33_b{j}"], units=0.5 if j == 2 else 0)  # truncated
        assert agrees(e["std_error"], example.expected[f"page33_se_b{j}"], units=0.5)  # truncated
    found = estimate(data, "load at a reading")
    assert found["value"] == pytest.approx(float(example.recomputed["x_at_y_1.344"]), rel=1e-9)
    assert not agrees(found["value"], example.expected["x_at_y_1.344"])
    # Rows 13 to 33 entered twice: the printout of the handbook's script.
    frame = example.frame()
    twice = frame.loc[frame.index.repeat(frame["copies_in_script"])]
    twice.to_csv(tmp_path / "twice.csv", index=False)
    doubled = answer(tmp_path / "twice.csv", *where)
    assert any(f["code"] == "exact-duplicate" and "intervals too narrow" in f["mend"] for f in doubled["findings"])
    for j, ours in enumerate("asq"):
        e = estimate(doubled, f"coefficient {ours}")
        assert agrees(e["value"], example.expected[f"script54_b{j}"])
        assert agrees(e["std_error"], example.expected[f"script54_se_b{j}"], units=0.5 if j == 1 else 0)  # truncated
    fit = fit_curve(twice["load_psi"], twice["reading"], model="quadratic")
    for i in range(3):
        for j in range(i, 3):
            key = f"script54_var_b{i}" if i == j else f"script54_cov_b{i}_b{j}"
            assert agrees(fit.covariance[i, j], example.expected[key])
    assert fit.df == float(example.expected["script54_df"])


def test_the_thermometer_of_the_gum_needs_its_covariance() -> None:
    # JCGM 100:2008, H.3: correction against temperature less 20 degrees.
    example = load("gum-h3-thermometer")
    frame, expected = example.frame(), example.expected
    fit = fit_curve(frame["reading_c"] - 20, frame["correction_c"])
    (y1, y2), V = fit.coefficients, fit.covariance
    assert agrees(y1, expected["y1"])
    assert agrees(y2, expected["y2"])
    assert agrees(math.sqrt(V[0, 0]), expected["s_y1"])
    assert agrees(math.sqrt(V[1, 1]), expected["s_y2"])
    assert agrees(V[0, 1] / math.sqrt(V[0, 0] * V[1, 1]), expected["r_y1_y2"])
    assert agrees(fit.sigma, expected["s"])
    assert agrees(fit.sse, expected["sum_sq_residuals"])
    assert agrees(y1 + 10 * y2, expected["correction_at_30"])
    u = math.sqrt(float(mean_variance(fit, 10.0)[0]))
    assert agrees(u, expected["u_correction_at_30"])
    naive = math.sqrt(V[0, 0] + 100 * V[1, 1])
    assert naive > 1.7 * u


def test_the_scale_of_wheeler_and_ganji() -> None:
    # Wheeler & Ganji, example 2.3; two printed values were read off a plot and do not recompute, as its file notes.
    example = load("wheeler-ganji-scale")
    frame, expected, again = example.frame(), example.expected, example.recomputed
    line = CalibrationCurve(model="line", coefficients=np.array([-0.374, 1.290]), covariance=np.zeros((2, 2)),
                            between=np.zeros((2, 2)), sigma=0.1, df=10.0, curve_df=10.0, low=0.0, high=5.0)
    deviation = frame["reading_lb"].to_numpy() - line.reading(frame["true_lb"])
    assert agrees(float(deviation.max()), expected["accuracy_plus_lb"])
    assert agrees(float(deviation.min()), expected["accuracy_minus_lb"])
    span = float(np.ptp(line.reading([0.0, 5.0])))
    assert agrees(span, expected["output_span_lb"])
    study = study_from_dict({"study": {"title": "t"}, "files": {"checks": "x"}, "calibration": [
        {"name": "c", "cycle": "table_column"}], "columns": {"checks": {"reference": "true_lb",
                                                                        "reading": "reading_lb"}}})
    checks = read_one_table(PUBLISHED / "wheeler-ganji-scale.csv", "checks", study).tables.checks
    assert checks is not None
    series = prepare(checks, study.calibration[0]).series[0]
    _, gap, _, _ = hysteresis_pairs(series)
    assert float(np.abs(gap).max()) == pytest.approx(float(again["hysteresis_lb"]))
    assert not agrees(float(np.abs(gap).max()), expected["hysteresis_lb"])
    rows = frame[frame["table_column"] > 0].groupby(["true_lb", "direction"])["reading_lb"]
    spread = float((rows.max() - rows.min()).max())
    assert agrees(spread, expected["repeatability_lb"])
    assert agrees(100 * spread / span / 2, expected["repeatability_pm_percent_span"])
    means = rows.mean().reset_index()
    systematic = means["reading_lb"].to_numpy() - line.reading(means["true_lb"])
    assert float(systematic.max()) == pytest.approx(float(again["systematic_plus_lb"]), abs=5e-4)
    # Without the lone reading in column 0 the printed value comes out; with it, the one recomputed in the file.
    assert agrees(float(systematic.min()), expected["systematic_minus_lb"])
    means = frame.groupby(["true_lb", "direction"])["reading_lb"].mean().reset_index()
    systematic = means["reading_lb"].to_numpy() - line.reading(means["true_lb"])
    assert float(systematic.min()) == pytest.approx(float(again["systematic_minus_lb"]), abs=5e-4)


def test_a_set_is_where_the_test_of_its_load_does_not_reject() -> None:
    frame = load("strd-pontius-load-cell").frame()
    fit = fit_curve(frame["load"], frame["deflection"], model="quadratic")
    found = inverse_set(fit, 1.0)
    from drift.engine.inverse_prediction import excess, t_quantile

    for end in (found.low, found.high):
        t = t_quantile(0.95, fit.df)
        assert float(excess(fit, np.array([end]), 1.0, t=t, m=1, problem="calibration")[0]) == pytest.approx(
            0, abs=1e-12)
