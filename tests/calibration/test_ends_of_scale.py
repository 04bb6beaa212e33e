"""Readings at full scale or at a floor: one-sided loads, ends that nobody declared, rows alike that are no copies."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.curves import fit_curve
from drift.engine.inverse_prediction import inverse_set
from drift.engine.repeated_ends import repeated_end
from drift.errors import DriftError
from drift.ingest import read_one_table
from drift.study import study_from_dict
from tests.calibration.helpers import answer, calibrated, estimate, levels, run

LOADS = np.tile(np.arange(50.0, 701.0, 50.0), 3)
NOISE = np.random.default_rng(8).normal(0, 4, len(LOADS))
READINGS = np.minimum(np.round(10 + 2 * LOADS + NOISE), 1023.0)


def table(folder: Path, x: np.ndarray = LOADS, y: np.ndarray = READINGS) -> Path:
    path = folder / "ceil.csv"
    path.write_text("reference,reading\n" + "".join(f"{a:g},{b:g}\n" for a, b in zip(x, y, strict=True)))
    return path


def test_a_reading_at_full_scale_says_at_least(tmp_path: Path) -> None:
    result = calibrated(levels(READINGS, LOADS), full_scale=1023, invert=[1023, 600], model="line", spread="constant")
    e = result.estimate("load at a reading", reading="1023")
    below = READINGS < 1023
    fit = fit_curve(LOADS, READINGS, right=~below)
    assert e.low == pytest.approx(inverse_set(fit, 1023.0).low, rel=1e-9)
    assert math.isnan(e.value)
    assert math.isnan(e.high)
    assert e.bound == "at least"
    assert e.level == pytest.approx(0.975)
    assert "one-sided" in e.method
    assert e.text() == f"at least {e.low:.1f}"
    assert f"at a reading of 1023, full scale, the load is at least {e.low:.1f}" in result.answer
    rows = result.table("loads at readings")
    assert (rows["set"][0], rows["mark"][0]) == (f"at least {e.low:.1f}", "saturated")
    assert math.isnan(rows["load"][0])
    assert math.isnan(rows["high"][0])
    assert rows["low"][0] == e.low
    two_sided = result.estimate("load at a reading", reading="600")
    assert two_sided.low < two_sided.value < two_sided.high
    # The naive twin, the two-sided set of a value, leaves out most of the loads that read full scale.
    assert not inverse_set(fit, 1023.0).high > 550
    data = answer(table(tmp_path), "--full-scale", 1023, "--invert", 1023, "--duplicates", "keep")
    found = estimate(data, "load at a reading")
    assert (found["value"], found["high"], found["bound"]) == (None, None, "at least")


def test_the_bound_is_wider_with_the_reference_and_turns_round_where_readings_fall() -> None:
    result = calibrated(levels(READINGS, LOADS), full_scale=1023, invert=[1023], reference_uncertainty="2 %")
    alone = result.estimate("load at a reading", reading="1023")
    both = result.estimate("load at a reading, with the reference", reading="1023")
    assert both.low < alone.low
    assert both.bound == "at least"
    falling = calibrated(levels(np.minimum(1400 - 1.5 * LOADS + NOISE, 1023.0), LOADS), full_scale=1023,
                         invert=[1023], model="line").estimate("load at a reading", reading="1023")
    assert falling.bound == "at most"
    assert math.isnan(falling.low)
    assert falling.high == pytest.approx(252, abs=8)


@pytest.mark.parametrize("true", [520.0, 600.0, 690.0])
def test_at_least_is_safe_at_loads_that_read_full_scale(true: float) -> None:
    rng, held = np.random.default_rng(3), 0
    for _ in range(25):
        y = np.minimum(10 + 2 * LOADS + rng.normal(0, 4, len(LOADS)), 1023.0)
        fit = fit_curve(LOADS, y, right=y >= 1023)
        held += inverse_set(fit, 1023.0).low <= true
    assert held >= 23


def test_readings_above_full_scale_are_refused(tmp_path: Path) -> None:
    out = run(table(tmp_path), "--full-scale", 1023, "--invert", 1040, "--invert", 500, "--duplicates", "keep")
    assert out.exit_code == 1
    assert "above the full scale of 1023" in " ".join(out.output.split())
    assert "--invert" in out.output
    with pytest.raises(DriftError) as caught:
        calibrated(levels(READINGS, LOADS), full_scale=1023, invert=[500, 1040])
    (found,) = caught.value.findings
    assert (found.code, found.value) == ("above-full-scale", "1040")


def test_a_ceiling_that_nobody_declared_leads_the_answer() -> None:
    frame = levels(READINGS, LOADS)
    result = calibrated(frame, invert=[600])
    n = int((READINGS == 1023).sum())
    assert result.answer.startswith(f"No curve can be given, because {n} readings at loads of 550 to 700 are all "
                                    "exactly 1023: this looks like a full scale that is not declared")
    assert result.answer.endswith("Declare a full scale of 1023.")
    assert not any(math.isfinite(e.value) for e in result.estimates)
    named = calibrated(frame, model="quadratic", invert=[600])
    assert named.answer.startswith(f"{n} readings at loads of 550 to 700 are all exactly 1023")
    assert math.isfinite(named.estimate("coefficient q").value)
    assert "end-not-declared" in {f.code for f in named.findings}
    declared = calibrated(frame, full_scale=1023, invert=[600])
    assert declared.estimate("load at a reading", reading="600").value == pytest.approx(295, abs=3)
    assert "end-not-declared" not in {f.code for f in declared.findings}


def test_the_mend_is_an_option_on_the_command_line(tmp_path: Path) -> None:
    text = " ".join(run(table(tmp_path), "--duplicates", "keep").output.split())
    assert "Declare it: --full-scale 1023, and readings there count as bounds" in text
    y = np.maximum(READINGS - 310.0, 12.0)
    text = " ".join(run(table(tmp_path, y=y), "--full-scale", 713, "--duplicates", "keep").output.split())
    assert "are all exactly 12: this looks like a floor that is not declared" in text
    assert "Declare it: --floor 12, and" in text


def test_what_looks_like_an_end_and_what_does_not() -> None:
    x = np.arange(1.0, 9.0)
    assert repeated_end(x, [1, 2, 3, 4, 5, 6, 7, 8]) is None
    two = repeated_end(x, [10, 20, 30, 40, 50, 61, 70, 70])
    assert two is not None
    assert not two.sure
    three = repeated_end(x, [10, 20, 31, 40, 50, 70, 70, 70])
    assert three is not None
    assert three.sure
    assert (three.n, three.loads) == (3, (6.0, 7.0, 8.0))
    coarse = repeated_end(x, [1, 2, 3, 4, 5, 6, 6, 6])
    assert coarse is not None
    assert not coarse.sure  # two steps
    assert repeated_end(x, [1, 2, 3, 4, 5, 6, 7, 7]) is None  # a step of one: rounding
    assert repeated_end(x, [10, 70, 20, 70, 30, 70, 40, 50]) is None  # the highest stands among others
    low = repeated_end(x, [3, 3, 3, 20, 33, 41, 50, 60], "lowest")
    assert low is not None
    assert (low.reading, low.loads) == (3.0, (1.0, 2.0, 3.0))
    falling = repeated_end(x, [70, 70, 70, 50, 40, 31, 20, 10])
    assert falling is not None
    assert falling.loads == (1.0, 2.0, 3.0)
    assert repeated_end([], []) is None
    assert repeated_end([1, 2], [5, 5]) is None


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(len(LOADS))), st.floats(0.01, 100), st.floats(0.01, 100))
def test_order_and_units_do_not_matter(order: list[int], unit: float, scale: float) -> None:
    a, b = repeated_end(LOADS, READINGS), repeated_end(unit * LOADS[order], scale * READINGS[order])
    assert a is not None
    assert b is not None
    assert (a.n, a.sure) == (b.n, b.sure)
    assert np.allclose(np.multiply(a.loads, unit), b.loads)


def _read(x: np.ndarray, y: np.ndarray, **question: object) -> tuple[object, list[str]]:
    study = study_from_dict({"study": {"title": "t"}, "files": {"checks": "t.csv"},
                             "calibration": [{"name": "calibration", **question}]})
    reading = read_one_table(levels(y, x), "checks", study)
    return reading.tables.checks, [f.code for f in reading.findings]


def test_identical_readings_at_an_end_are_repeats_and_elsewhere_copies() -> None:
    x = np.tile([0.0, 100.0, 200.0, 300.0, 600.0, 700.0], 2)
    y = np.r_[0.0, 200.0, 401.0, 603.0, 1023.0, 1023.0, 1.0, 203.0, 399.0, 600.0, 1023.0, 1023.0]
    for question in ({"full_scale": 1023}, {}):
        table, codes = _read(x, y, **question)
        assert table is not None
        assert "alike-at-an-end" in codes
        assert "exact-duplicate" not in codes
    copied = y.copy()
    copied[8] = copied[2]
    table, codes = _read(x, copied, full_scale=1023)
    assert table is None
    assert "exact-duplicate" in codes
    zeros = y.copy()
    zeros[[1, 7]] = 0.0
    assert _read(x, zeros, full_scale=1023)[0] is not None


def test_with_a_column_of_mountings_identical_rows_are_still_refused() -> None:
    study = study_from_dict({"study": {"title": "t"}, "files": {"checks": "t.csv"},
                             "calibration": [{"name": "calibration", "full_scale": 1023}]})
    frame = levels([200.0, 401.0, 1023.0, 1023.0], [100.0, 200.0, 600.0, 600.0], replicate=["1"] * 4)
    reading = read_one_table(frame, "checks", study)
    assert reading.tables.checks is None
    assert "exact-duplicate" in {f.code for f in reading.findings}
