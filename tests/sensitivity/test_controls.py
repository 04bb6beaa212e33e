"""Never-worn sensors show whether the rig moved."""

from __future__ import annotations

import numpy as np
import pytest

from drift.records import Tables
from drift.sensitivity import fit_wear
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
