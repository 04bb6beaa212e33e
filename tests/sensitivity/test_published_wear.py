"""Drift per use on published data: printed lines, printed fits."""

from __future__ import annotations

import numpy as np

from drift.records import Tables
from drift.sensitivity import fit_wear
from tests.published_examples import agrees, load
from tests.sensitivity.worlds import checks_of, study


def wear_of(frame, sensor, use, reading, **spec):
    columns = {"sensor": [str(v) for v in frame[sensor]], use: frame[use].astype(float).tolist(),
               "reading": frame[reading].astype(float).tolist()}
    return fit_wear(Tables(checks=checks_of(columns, reading="")), study(exposure=use, scale="linear", **spec))


def test_gaas_lasers_have_the_published_crossing_times():
    # Meeker & Escobar (1998), chapter 13: least squares over all 17 readings, free intercept, limit 10 %.
    example = load("meeker-gaas-laser")
    result = wear_of(example.frame(), "unit", "hours", "increase")
    lines = result.lines
    assert len(lines) == 15
    for unit, a, b in zip(lines["sensor"], lines["intercept"], lines["slope"], strict=True):
        assert agrees((10 - a) / b, example.expected[f"t_{unit}"]), unit
    assert "per hours" in result.drift().unit


def test_sleepstudy_fit_has_the_published_digits():
    # Bates et al. (2015); Kenward-Roger df 17 (Halekoh & Hojsgaard 2014): subjects as sensors, days as exposure.
    example = load("lme4-sleepstudy")
    frame = example.frame()
    result = wear_of(frame, "Subject", "Days", "Reaction")
    drift, start = result.drift(), result.estimate("reading at use 0")
    assert agrees(drift.value, example.expected["slope"])
    assert agrees(drift.std_error, example.expected["se_slope"])
    assert agrees(start.value, example.expected["intercept"])
    assert agrees(start.std_error, example.expected["se_intercept"])
    assert agrees(result.estimate("SD between sensors, start").value, example.expected["sd_intercept"])
    assert agrees(result.estimate("SD between sensors, drift per use").value, example.expected["sd_slope"])
    assert agrees(result.estimate("SD residual, occasion included").value, example.expected["sd_residual"])
    assert agrees(result.estimate("correlation of start and drift between sensors").value, example.expected["corr"])
    # t with 17 degrees of freedom: 2.1098155778 (standard tables).
    np.testing.assert_allclose((drift.high - drift.value) / drift.std_error, 2.1098155778, rtol=1e-7)


def test_sleepstudy_predicted_lines_are_the_stored_ones():
    example = load("lme4-sleepstudy")
    result = wear_of(example.frame(), "Subject", "Days", "Reaction")
    lines = result.lines
    place = {s: i for i, s in enumerate(lines["sensor"])}
    a, b = result.estimate("reading at use 0").value, result.drift().value
    for subject in ("308", "309", "335", "337"):
        i = place[subject]
        # lme4's default optimiser stops 0.01 short of the closed form, so its BLUPs agree to about 1e-4 only.
        np.testing.assert_allclose(lines["blup_intercept"][i] - a, float(example.unprinted[f"blup_int_{subject}"]),
                                   rtol=2e-3, atol=2e-2)
        np.testing.assert_allclose(lines["blup_slope"][i] - b, float(example.unprinted[f"blup_slope_{subject}"]),
                                   rtol=2e-3, atol=2e-3)
