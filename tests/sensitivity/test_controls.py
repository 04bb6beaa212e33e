"""Never-worn sensors show whether the rig moved, or one of them by itself."""

from __future__ import annotations

import re

import numpy as np
import pytest

from drift.records import Tables
from drift.results import Provenance, Result
from drift.retirement import retire
from drift.sensitivity import WearResult, fit_wear
from drift.sensitivity.controls import controls
from drift.sensitivity.controls_words import TABLE, rest_words
from drift.sensitivity.design import prepare
from drift.workflow import _whole_answer
from tests.sensitivity.worlds import checks_of, laboratory, sensors_of, study


def with_controls(per_day, *, dated=True, seed=81):
    """Two never-worn sensors checked on the worn ones' days, on a rig that moves by ``per_day`` in log reading."""
    worn = laboratory(seed=seed, mountings=1)
    kept = laboratory(seed=seed + 1, n=2, slope=0.0, slope_sd=0.0, mountings=1, names="C")
    columns = {k: worn.checks[k].tolist() + kept.checks[k].tolist() for k in worn.checks.columns}
    day = [int(3 * u) for u in columns["use"]]
    columns["reading"] = [y * np.exp(per_day * d) for y, d in zip(columns["reading"], day, strict=True)]
    columns["use"] = [0.0 if s.startswith("C") else u for s, u in zip(columns["sensor"], columns["use"], strict=True)]
    columns["replicate"] = [f"{d}" if s.startswith("C") else r
                            for s, d, r in zip(columns["sensor"], day, columns["replicate"], strict=True)]
    if dated:
        columns["time"] = [str(np.datetime64("2024-01-01") + d) + "T10:00" for d in day]
    names = sorted(set(columns["sensor"]))
    sheet = sensors_of({"sensor": names, "role": ["control" if s.startswith("C") else "worn" for s in names]})
    return Tables(checks=checks_of(columns), sensors=sheet)


def code_of(result):
    return {f.code: f for f in result.findings}


def test_a_moving_rig_is_seen_by_the_controls():
    result = fit_wear(with_controls(-0.001), study())
    change = result.estimate("change of never-worn sensors")
    assert change.low < 100 * np.expm1(-0.1) < change.high < 0
    assert code_of(result)["rig-moved"].severity == "warning"


def test_a_steady_rig_is_called_steady():
    result = fit_wear(with_controls(0.0), study())
    change = result.estimate("change of never-worn sensors")
    assert change.low < 0 < change.high
    assert change.n == 2
    assert "rig-steady" in code_of(result)


def test_controls_never_enter_the_wear_model():
    result = fit_wear(with_controls(0.0), study())
    assert not [s for s in result.lines["sensor"] if s.startswith("C")]
    assert result.drift().n == 8
    assert sum("not worn" in x.reason for x in result.exclusions) == 2 * 6 * 5


def test_controls_without_dates_say_what_is_missing():
    found = code_of(fit_wear(with_controls(0.0, dated=False), study()))
    assert "time" in found["controls-without-trend"].mend


def test_the_trend_agrees_with_a_dummy_regression():
    import pandas as pd
    import statsmodels.formula.api as smf

    tables = with_controls(-0.0004, seed=85)
    result = fit_wear(tables, study(scale="linear"))
    from drift.calibration import calibrate

    keep = np.array([s.startswith("C") for s in tables.checks["sensor"]])
    made = calibrate(tables.checks, keep=keep)
    day = [int(r) for r in made.replicate]
    frame = pd.DataFrame({"y": made.sensitivity, "d": day, "s": made.sensor.astype(str)})
    fit = smf.ols("y ~ d + s", frame).fit()
    change = result.estimate("change of never-worn sensors")
    assert change.value == pytest.approx(100 * fit.params["d"], rel=1e-8)
    low, high = fit.conf_int().loc["d"]
    assert change.low == pytest.approx(100 * low, rel=1e-8)
    assert change.high == pytest.approx(100 * high, rel=1e-8)


STEP, AT = 0.08, 24


def with_standards(moved, *, standards=2, at=AT, step=STEP, trend=0.0, worn_until=30, seed=91, rig_moves=None):
    """Check standards read on 30 days, of which those in ``moved`` step on day ``at``; worn ones follow if all do."""
    rng = np.random.default_rng(seed)
    rig = rig_moves if rig_moves is not None else len(moved) == standards
    columns = {k: [] for k in ("sensor", "use", "reference", "reading", "time")}

    def add(sensor, use, reference, reading):
        day = str(np.datetime64("2026-01-05") + use) + "T08:00"
        for name, value in zip(columns, (sensor, float(use), float(reference), float(reading), day), strict=True):
            columns[name].append(value)

    for day in range(30):
        for i in range(standards):
            factor = np.exp(step * (day >= at and i in moved) + trend * day * (i in moved) + rng.normal(0, 0.006))
            add(f"C{i + 1}", day, 500, 500 * factor)
        if day < worn_until and (day % 5 == 0 or day == 29):
            for i in range(6):
                factor = np.exp(-0.007 * day * (1 + 0.1 * i) + rng.normal(0, 0.006)
                                + (step * (day >= at) if rig else 0))
                for load in (200, 400, 600):
                    add(f"S{i + 1}", day, load, load * factor + rng.normal(0, 1))
    names = sorted(set(columns["sensor"]))
    sheet = {"sensor": names, "role": ["check standard" if s.startswith("C") else "worn" for s in names]}
    return Tables(checks=checks_of(columns), sensors=sensors_of(sheet))


def seen(tables, slopes=None, **sensitivity):
    asked = study(**sensitivity)
    return controls(tables, prepare(tables, asked), level=0.95, screening=asked.screening, slopes=slopes or {})


def only(found, code):
    (finding,) = [f for f in found.findings if f.code == code]
    return finding


def test_a_standard_that_steps_alone_is_not_the_rig_and_is_not_for_correction():
    found = seen(with_standards({0}))
    finding = only(found, "standard-stepped")
    assert "C1 itself changed: from 2026-01-29 on" in finding.message
    assert "C2 did not follow" in finding.message
    assert "Do not correct readings by C1" in finding.mend
    assert found.sentence == ""
    assert not [f for f in found.findings if f.code in ("rig-moved", "rig-stepped") or "Correct each" in f.mend]
    (size,) = [e for e in found.estimates if e.name == "step of a never-worn sensor"]
    assert size.of["sensor"] == "C1"
    assert size.low < 100 * np.expm1(STEP) < size.high


def test_a_rig_that_steps_is_told_as_a_step_with_what_it_does_to_the_drift():
    found = seen(with_standards({0, 1}), slopes={"": -0.0043})
    finding = only(found, "rig-stepped")
    assert "The rig moved: from 2026-01-29 on" in finding.message
    assert "both never-worn sensors, C1 and C2," in finding.message
    assert "6 worn sensors were checked on both sides" in finding.message
    assert 'covariates = ["rig"]' in finding.mend
    (size,) = [e for e in found.estimates if e.name == "step of the rig"]
    assert size.low < 100 * np.expm1(STEP) < size.high
    assert found.sentence.startswith("The rig moved: ")
    change = next(e for e in found.estimates if e.name == "change of never-worn sensors")
    assert change.low < 10  # the step is not told as a slope of 30 % per 100 days
    assert not [f for f in found.findings if f.code == "rig-moved"]


def test_the_share_of_the_step_in_the_drift_is_what_a_refit_without_it_takes_away():
    """Independent: slopes of the readings with and without the step, sensor by sensor, by polyfit."""
    with_it, without = with_standards({0, 1}), with_standards({0, 1}, step=1e-12)

    def mean_slope(tables):
        made = []
        for name in [f"S{i + 1}" for i in range(6)]:
            mine = (tables.checks["sensor"] == name) & (tables.checks["reference"] == 400)
            made.append(np.polyfit(tables.checks["use"][mine], np.log(tables.checks["reading"][mine]), 1)[0])
        return float(np.mean(made))

    added = mean_slope(with_it) - mean_slope(without)
    told = only(seen(with_it, slopes={"": mean_slope(with_it)}), "rig-stepped").message
    value = float(re.search(r"about \+([0-9.]+) % per use", told)[1])
    assert value == pytest.approx(100 * added, rel=0.06)  # the size of the step is estimated from the standards


def test_one_standard_that_steps_cannot_be_told_from_the_rig():
    found = seen(with_standards({0}, standards=1))
    finding = only(found, "rig-or-standard-stepped")
    assert "cannot be told from one" in finding.message
    assert "second check standard" in finding.mend
    assert "not known" in found.sentence


def test_a_standard_that_drifts_alone_is_named_and_the_rig_is_not():
    found = seen(with_standards({0}, step=0.0, trend=0.002))
    assert "C1 itself drifts" in only(found, "standard-drifts").message
    assert not [f for f in found.findings if f.code == "rig-moved"]
    assert found.sentence == ""


def test_standards_that_drift_alike_are_the_rig():
    found = seen(with_standards({0, 1}, step=0.0, trend=0.002))
    assert "alike" in only(found, "rig-moved").message
    assert "The rig drifted" in found.sentence


def test_nothing_rests_on_a_step_that_no_worn_sensor_was_checked_across():
    found = seen(with_standards({0, 1}, worn_until=21))
    assert "No worn sensor was checked on both sides" in only(found, "rig-stepped").message
    assert found.sentence == ""


def test_the_rig_as_covariate_is_taken_out_of_the_drift_and_not_of_the_counts():
    tables = with_standards({0, 1})
    columns = {k: tables.checks[k].tolist() for k in tables.checks.columns}
    columns["rig"] = ["new" if t >= "2026-01-29" else "old" for t in columns["time"]]
    tables = Tables(checks=checks_of(columns), sensors=tables.sensors)
    found = seen(tables, covariates=["rig"])
    assert found.sentence == ""
    assert "counts and intervals hold the step" in only(found, "rig-stepped").message
    assert "not corrected" in rest_words(Result(question="wear", answer="", tables=found.tables,
                                                provenance=Provenance()))


def test_a_step_after_the_first_day_says_that_one_day_is_little():
    assert "one day only before it" in only(seen(with_standards({0, 1}, at=1)), "rig-stepped").message


@pytest.mark.parametrize("times", ["", "2026-01-05"])
def test_standards_without_days_are_refused_in_words(times):
    tables = with_standards({0})
    columns = {k: tables.checks[k].tolist() for k in tables.checks.columns} | {"time": [times] * len(tables.checks)}
    found = seen(Tables(checks=checks_of(columns), sensors=tables.sensors))
    assert [f.code for f in found.findings] == ["controls-without-trend"]
    assert found.sentence == ""


def test_answers_of_wear_and_count_say_that_they_rest_on_a_step_of_the_rig():
    tables = with_standards({0, 1})
    asked = study().model_copy(update={"limits": study().limits.model_copy(update={"sensitivity_change": 0.2})})
    wear = fit_wear(tables, asked)
    assert isinstance(wear, WearResult)
    assert "The rig moved: " in wear.answer
    assert "is the step's" in wear.answer
    assert wear.table(TABLE)["verdict"].tolist() == ["the rig"]
    count = retire(wear, asked, tables, seed=1)
    rests = rest_words(wear)
    assert rests.startswith("This rests on readings across a step of the rig that is not corrected (+")
    assert count.answer.endswith(rests)
    whole = _whole_answer((wear, count, count))
    assert whole.count(rests) == 1
    assert whole.endswith(rests)
