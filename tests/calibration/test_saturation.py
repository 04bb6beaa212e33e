"""Saturation pressure beyond the levels: held over every curve that the readings allow, open where one has no end."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drift.calibration.saturation import REACHES
from tests.calibration.helpers import DEMO, answer, calibrated, estimate, levels
from tests.coverage.calibration import CHOSEN, HULL, KNOWN, TWO, study

X = np.repeat(np.linspace(100.0, 800.0, 8), 3)
NOISE = np.random.default_rng(1).normal(0, 4, len(X))


def _held(design: str, studies: int) -> dict[str, float]:
    made = [study(design, np.random.default_rng([5, i])) for i in range(studies)]
    return {m: float(np.mean([h["saturation pressure", m][0] for h in made if ("saturation pressure", m) in h]))
            for m in (HULL, KNOWN, TWO)}


def test_the_hull_holds_where_the_chosen_curve_alone_does_not() -> None:
    held = _held("quadratic, 5 levels x 2, curve chosen, top level at 80 %", 24)
    assert held[HULL] >= 22 / 24
    assert held[KNOWN] < 0.7  # naive: the curve that was chosen, taken as true
    assert held[TWO] < held[HULL]
    assert set(CHOSEN) >= {f"{w}, 5 levels x 2, curve chosen, top level at 80 %" for w in ("line", "saturating")}


def test_a_hull_that_is_open_above_is_said_as_at_least() -> None:
    result = calibrated(levels(1500 * -np.expm1(-X / 1000) + NOISE, X), full_scale=1023)
    e = result.estimate("saturation pressure")
    assert math.isnan(e.high)
    assert e.low < 1145 < e.value
    assert math.isnan(e.std_error)  # a standard uncertainty would say more than is known
    assert "at least" in result.answer
    assert "open above" in e.method
    log = result.estimate("log saturation pressure")
    assert log.low == pytest.approx(math.log(e.low))
    assert math.isnan(log.high)
    message = next(f.message for f in result.findings if f.code == "saturation-extrapolated")
    assert "saturating exponential" in message
    assert "no end above" in message


def test_a_curve_that_never_gets_there_says_so_of_itself() -> None:
    result = calibrated(levels(1500 * -np.expm1(-X / 1000) + NOISE, X), model="quadratic", full_scale=1400)
    message = next(f.message for f in result.findings if f.code == "never-saturates")
    assert "as fitted never reaches full scale" in message
    assert "not about the sensor" in message
    e = result.estimate("saturation pressure")
    assert math.isnan(e.value)
    assert e.low > 2000
    # 1500 is never reached by the sensor either; then there is nothing to print at all.
    far = calibrated(levels(1500 * -np.expm1(-X / 1000) + NOISE, X), full_scale=5000)
    assert "never reaches full scale" in next(f.message for f in far.findings if f.code == "never-saturates")


def test_readings_at_full_scale_bound_it_above() -> None:
    result = calibrated(levels(np.minimum(5 + X + NOISE, 700), X), full_scale=700)
    e = result.estimate("saturation pressure")
    assert 680 < e.low < 695 < e.high <= 702
    table = next(t for t in result.tables if t.name == "curves tried")
    assert np.isfinite(table["saturation low"]).sum() >= 3  # of every curve with a part in the hull
    beyond = calibrated(levels(5 + X + NOISE, X), model="line", full_scale=1300).estimate("saturation pressure")
    assert "hull of the exact sets" in beyond.method
    assert beyond.high - beyond.low > 2 * (e.high - e.low)


def test_where_the_curve_gets_there_within_the_levels_it_counts_for_itself() -> None:
    frame = levels([100.0, 190, 310, 395, 505, 610, 655, 804, 699], [100, 200, 300, 400, 500, 600, 700, 720, 750])
    frame.loc[7, "reading"] = 699.5
    e = calibrated(frame, model="line", full_scale=700).estimate("saturation pressure")
    assert e.value < 750
    assert "t interval of the log" in e.method


def test_no_curve_puts_it_below_the_highest_level() -> None:
    # Six readings leave a saturating curve that reaches full scale far below the highest level, where readings do not.
    frame = levels([50.0, 51, 210, 205, 380, 383], [100, 100, 400, 400, 800, 800])
    e = calibrated(frame, full_scale=450).estimate("saturation pressure")
    assert e.low >= 800 * 0.99


def test_the_parts_that_are_known_widen_every_set() -> None:
    frame = levels(5 + X + NOISE, X)
    plain = calibrated(frame, model="line", full_scale=1300).estimate("saturation pressure")
    given = calibrated(frame, model="line", full_scale=1300, reference_uncertainty="1 %",
                       resolution=1.0).estimate("saturation pressure")
    assert given.value == plain.value
    assert given.low < plain.low
    assert given.high > plain.high


def test_rows_units_and_scale_change_nothing_else() -> None:
    y = 3 * X**0.85 + NOISE
    base = calibrated(levels(y, X), spread="constant", full_scale=1023).estimate("saturation pressure")
    order = np.random.default_rng(3).permutation(len(X))
    other = calibrated(levels(7 * y[order], 0.1 * X[order]), spread="constant",
                       full_scale=7 * 1023).estimate("saturation pressure")
    for name in ("value", "low", "high", "std_error"):
        assert 10 * getattr(other, name) == pytest.approx(getattr(base, name), rel=1e-5, nan_ok=True), name


def test_the_demo_prints_it_with_its_ends() -> None:
    e = estimate(answer(DEMO / "cycles.csv", "--full-scale", 1023), "saturation pressure")
    assert e["low"] < 975 < e["high"]
    assert 800 / e["value"] > REACHES
