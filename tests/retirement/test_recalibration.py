"""The recalibration interval: the rule on arrays, its words, refusals, bad input."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.cli import cli
from drift.engine.tolerance import one_sided_factor
from drift.engine.worst_window import worst_excess
from drift.errors import DriftError
from drift.results import ResultTable
from drift.retirement import retire
from drift.retirement.groups import exposure_of
from drift.retirement.interval_rule import distance_of, interval_arrays
from drift.retirement.recalibration import RecalibrationResult, Statement, recalibrate, share_out
from drift.retirement.recalibration_groups import make_changes, path_excess
from drift.study import RecalibrationSpec, study_from_dict
from tests.retirement.worlds import sensors, world

ROOT = Path(__file__).parents[2]
FALL = {"sensitivity_change": 0.25}


def answer(rows: list[dict[str, Any]], *, retired: bool = False, bent: bool = False, tolerance: float = 0.05,
           **changes: Any) -> RecalibrationResult:
    spec = {k: changes.pop(k) for k in ("content", "confidence", "calibration_error") if k in changes}
    wear, study, tables = world(rows, **{"limits": FALL, **changes})
    if bent:
        seen = ResultTable.build("assumption checks", {"check": ["break-in"], "construction": [""], "statistic": [9.0],
                                                       "p": [0.0001], "finding": ["the first uses change faster"]})
        wear = type(wear)(question="wear", answer="", tables=(*wear.tables, seen), provenance=wear.provenance)
    study = study.model_copy(update={"recalibration": RecalibrationSpec(tolerance=tolerance, **spec)})
    before = retire(wear, study, tables, seed=1) if retired else None
    return recalibrate(wear, study, tables, retired=before)


def codes(result: RecalibrationResult) -> set[str]:
    return {f.code for f in result.findings}


def test_the_interval_is_distance_over_the_tolerance_bound_of_slopes() -> None:
    """Owen (1963): the bound of normal slopes is mean + k1 SD; k1 for n = 10, P = 0.90, C = 0.95 is 2.355."""
    b = np.random.default_rng(3).normal(0.01, 0.001, 10)
    found = interval_arrays(b, distance_of(0.05))
    k = float(one_sided_factor(10, 0.90, 0.95))
    assert k == pytest.approx(2.355, abs=5e-4)
    assert float(found.line) == pytest.approx(math.log(1.05) / (b.mean() + k * b.std(ddof=1)), rel=1e-12)
    t = np.log(math.log(1.05) / b)
    assert float(found.companion) == pytest.approx(math.exp(t.mean() - k * t.std(ddof=1)), rel=1e-12)
    assert float(found.count) == math.floor(min(float(found.line), float(found.companion)))


def test_starts_drop_out() -> None:
    near, far = (answer(sensors(start_sd=s, noise=0.0)) for s in (0.0, 0.5))
    assert near.interval().value == far.interval().value
    assert near.estimate("interval bound, not rounded").value == pytest.approx(
        far.estimate("interval bound, not rounded").value, rel=1e-9)


def test_a_rise_counts_like_a_fall() -> None:
    fall, rise = answer(sensors(slope=-0.01)), answer([{**r, "response": -r["response"]} for r in sensors(slope=-0.01)])
    assert fall.interval().value == rise.interval().value
    assert "sensitivity-rises" in codes(rise) - codes(fall)


def test_slopes_both_ways_keep_less_on_each_side_than_one_side_alone() -> None:
    b = np.array([-0.002, 0.001, 0.003, 0.0015, -0.001, 0.002])
    both, one = interval_arrays(b, 0.05, step=0.01), interval_arrays(b + 0.01, 0.05, step=0.01)
    assert np.isnan(float(both.companion))
    assert np.isfinite(float(one.companion))
    one_sided = 0.05 / (b.mean() + float(one_sided_factor(6, 0.90, 0.95)) * b.std(ddof=1))
    assert float(both.line) < one_sided


def test_the_calibrations_own_error_shortens_the_interval() -> None:
    rows = sensors(noise=0.01)
    apart, inside = answer(rows), answer(rows, calibration_error="inside")
    assert inside.interval().value < apart.interval().value
    assert apart.estimate("recalibrate every, calibration error inside the tolerance").value == inside.interval().value
    assert inside.estimate("recalibrate every, drift alone").value == apart.interval().value
    sd = apart.estimate("error of one calibration, SD")
    assert sd.low < 1.0 < sd.high  # noise of 0.01 on the log scale


def test_the_share_out_of_tolerance_is_of_the_change_that_the_interval_is_of() -> None:
    """The error of a calibration, the bend and the other side of the tolerance each add to it."""
    def share(rows: list[dict[str, Any]], **changes: Any) -> float:
        wear, study, tables = world(rows, limits=FALL)
        c = make_changes(wear, study, tables, exposure=exposure_of(study), fall=0.05 / 1.05)[0]
        s = Statement(tolerance=0.05, distance=distance_of(0.05), content=0.9, confidence=0.95,
                      inside=changes.get("inside", False))
        return share_out(c, s, changes.get("at", 4.0), 0.95)[0]

    rows = sensors(noise=0.01, slope=-0.01)
    assert share(rows, inside=True) > share(rows) + 0.001
    bent = [{**r, "response": r["response"] + 0.02 * math.expm1(-r["use"] / 2)} for r in rows]
    assert share(bent) > share(rows) + 0.05
    ways = sensors(noise=0.001, slope=0.0, slope_sd=0.01)
    b = np.random.default_rng(1).normal(0, 0.01, 400)
    assert share(ways, at=6.0) > 1.5 * float(np.mean(6 * b > math.log(1.05)))


def test_the_naive_interval_of_the_mean_sensor_breaks_the_statement() -> None:
    """Of 400 studies nearly all intervals of the mean slope leave more than a tenth of the sensors out of tolerance."""
    rng = np.random.default_rng(5)
    b = rng.normal(0.007, 0.0012, (400, 12))
    d = distance_of(0.05)
    ours, naive = interval_arrays(b, d, step=0.25).count, np.floor(d / b.mean(-1) / 0.25) * 0.25
    right = d / (0.007 + 1.2815515655 * 0.0012)
    assert np.mean(ours > right) < 0.06
    assert np.mean(naive > right) > 0.9


def test_the_combined_sentence_names_both() -> None:
    result = answer(sensors(), retired=True)
    assert result.answer.startswith("All sensors: recalibrate every 3 uses, retire after ")
    long = answer(sensors(), retired=True, tolerance=0.6)
    assert "before a recalibration is due" in long.answer


def test_drift_that_is_not_constant_is_judged_by_its_worst_stretch() -> None:
    rows = sensors(checks=(0.0, 1.0, 2.0, 4.0, 10.0, 20.0, 30.0, 40.0), slope=-0.004, slope_sd=0.0005)
    for r in rows:
        r["response"] += 0.03 * math.expm1(-r["use"] / 2)
    unseen, seen = answer(rows), answer(rows, bent=True)
    assert 0 < seen.interval().value == unseen.interval().value < seen.estimate("interval bound, not rounded").value - 1
    assert "drift-not-constant" in codes(seen) - codes(unseen)
    assert "worst stretch" in unseen.interval().method
    assert "worst stretch" in unseen.answer
    # The true change over the first m uses is 0.03 (1 - exp(-m/2)) + 0.004 m + 1.28 x 0.0005 m.
    m = unseen.interval().value
    assert 0.03 * -math.expm1(-m / 2) + (0.004 + 1.2816 * 0.0005) * m <= math.log(1.05)


def test_a_bend_that_points_against_the_mean_counts_where_slopes_point_both_ways() -> None:
    use, error = np.array([0.0, 2.0, 40.0]), 0.0
    path, both, one = np.array([0.0, -0.02, 0.02]), np.array([-0.001, 0.002]), np.array([0.0004, 0.0006])
    assert path_excess(use, path, both, error, np.array([2.0]))[0] == pytest.approx(0.02 + 2 * 0.0005)
    assert path_excess(use, path, one, error, np.array([2.0]))[0] == pytest.approx(2 * (0.04 / 38 - 0.0005))


def test_the_worst_stretch_of_a_broken_line() -> None:
    uses, path = [0.0, 5.0, 30.0], [0.0, 0.10, 0.35]
    assert worst_excess(uses, path, 0.01, [5.0, 10.0]) == pytest.approx([0.05, 0.05])
    assert worst_excess(uses, [0.0, -0.10, -0.35], -0.01, 5.0) == pytest.approx(0.05)
    assert worst_excess(uses, path, 0.02, 40.0) == 0
    assert worst_excess([3.0], [1.0], 0.02, 4.0) == 0


def test_without_drift_no_end_is_stated() -> None:
    result = answer(sensors(slope=0.0, slope_sd=0.00005, noise=0.0005))
    assert result.interval().bound == "at least"
    assert "at the earliest" in result.answer
    capped = next(f for f in result.findings if f.code == "capped")
    assert "No drift was seen" in capped.message


def test_a_tolerance_too_tight_promises_no_use() -> None:
    result = answer(sensors(slope=-0.03, slope_sd=0.01), tolerance=0.02)
    assert result.interval().value == 0
    assert "cannot be promised" in result.answer
    assert "no-use-promised" in codes(result)


@pytest.mark.parametrize(("rows", "said"), [
    (sensors(1), "only 1 sensor has"), (sensors(4), "only 4 sensors have"),
    (sensors(6, checks=(0.0, 5.0)), "none of 6 sensors has")])
def test_what_cannot_be_answered_is_refused_with_a_mend(rows: list[dict[str, Any]], said: str) -> None:
    result = answer(rows)
    assert math.isnan(result.interval().value)
    assert said in result.answer
    refusal = next(f for f in result.findings if f.code == "interval-refused")
    assert refusal.severity == "warning"
    assert refusal.mend


def test_a_sensor_removed_for_wear_too_early_refuses() -> None:
    rows = [r for r in sensors(8) if r["sensor"] != "S01" or r["use"] < 6]
    result = answer(rows, sensors_table={"sensor": [f"S{i:02d}" for i in range(1, 9)],
                                         "retired_reason": ["worn", *[""] * 7]})
    assert math.isnan(result.interval().value)
    assert "removed for wear" in result.answer


def test_a_sensor_left_out_is_named_and_its_rows_are_counted() -> None:
    rows = [r for r in sensors(8) if r["sensor"] != "S01" or r["use"] < 6]
    result = answer(rows)
    assert "sensor-left-out" in codes(result)
    account = result.provenance.accounts[0]
    assert account.excluded == 2 == len(result.exclusions)


def test_batches_known_and_unknown_are_told_apart() -> None:
    new, these, none = (answer(sensors(12, batches=b)) for b in (6, 2, 0))
    assert "for a sensor from a new batch" in new.answer
    assert "two-level" in new.interval().method
    assert "these-batches-only" in codes(these)
    assert "no-batch-column" in codes(none)


def test_readings_from_zero_have_no_relative_change() -> None:
    rows = sensors(8, slope=0.2, slope_sd=0.02, start_sd=0.0, noise=0.0)
    for r in rows:
        r["response"] -= 0.5
    result = answer(rows, scale="linear", limits={"reading": {"value": 10, "direction": "above"}})
    assert "pass zero" in result.answer


def test_the_linear_scale_takes_the_smallest_value() -> None:
    rows = sensors(8, slope=-0.01, slope_sd=0.0005, start_sd=0.0, noise=0.0)
    for r in rows:
        r["response"] += 1.0  # 1 fresh, 0.6 at 40 uses
    result = answer(rows, scale="linear", limits={"sensitivity_change": 0.5})
    slopes = result.table("own changes")["change per use"]
    # 0.01 of 0.6, and of the log of what is left over one use
    assert float(np.mean(slopes)) == pytest.approx(100 * math.expm1(-0.0167), rel=0.05)


def test_without_a_tolerance_nothing_is_asked() -> None:
    wear, study, tables = world(sensors(), limits=FALL)
    with pytest.raises(DriftError, match="no tolerance"):
        recalibrate(wear, study, tables)


@pytest.mark.parametrize("written", ["5", 5, 0, -0.05, 1.0, "much"])
def test_a_tolerance_that_cannot_be_meant_is_refused(written: Any) -> None:
    with pytest.raises(DriftError, match="tolerance"):
        study_from_dict({"study": {"title": "t"}, "recalibration": {"tolerance": written}})


def test_a_tolerance_in_percent_is_a_share() -> None:
    study = study_from_dict({"study": {"title": "t"}, "recalibration": {"tolerance": "5 %"}})
    assert study.recalibration is not None
    assert study.recalibration.tolerance == pytest.approx(0.05)


@settings(max_examples=25, deadline=None)
@given(scale=st.sampled_from([0.5, 2.0, 10.0]), order=st.permutations(range(7)))
def test_order_changes_nothing_and_uses_scale(scale: float, order: list[int]) -> None:
    b = np.array([0.006, 0.007, 0.0081, 0.0065, 0.0092, 0.0058, 0.0074])
    one, other = interval_arrays(b, 0.05), interval_arrays(b[order], 0.05)
    assert float(one.line) == pytest.approx(float(other.line), rel=1e-12)
    assert float(interval_arrays(b * scale, 0.05).line) == pytest.approx(float(one.line) / scale, rel=1e-12)


def test_the_committed_coverage_keeps_the_promise_in_every_world() -> None:
    with (ROOT / "drift" / "handbook" / "coverage" / "recalibration.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 12
    assert {r["design"]: r["coverage"] for r in rows if float(r["coverage"]) < 0.94} == {}


def test_the_demo_interval_does_not_exceed_the_truth() -> None:
    truth = json.loads((ROOT / "demo_trials" / "truth.json").read_text(encoding="utf-8"))["wear"]
    result = CliRunner().invoke(cli, ["recalibrate", str(ROOT / "demo_trials" / "checks.csv"), "--tolerance", "5 %",
                                      "--where", "sensor=P01", "--where", "sensor=P02", "--where", "sensor=P03",
                                      "--where", "sensor=P04", "--where", "sensor=P05", "--where", "sensor=P06",
                                      "--full-scale", "1023", "--json"])
    found = json.loads(result.stdout)
    assert found["command"] == "recalibrate"
    value = next(e["value"] for e in found["estimates"] if e["name"] == "recalibrate every")
    assert 1 <= value <= truth["plain"]["recalibrate every"] == 6


@pytest.mark.parametrize("written", ["5", "x", "0", "100 %"])
def test_the_option_wants_a_share(written: str) -> None:
    result = CliRunner().invoke(cli, ["recalibrate", str(ROOT / "demo_trials" / "checks.csv"), "--tolerance", written])
    assert result.exit_code == 2
    assert "share" in result.output


def test_an_interval_cut_by_the_worst_stretch_says_what_even_wear_would_allow() -> None:
    uneven = sensors(12, slope=-0.004, checks=tuple(float(u) for u in range(0, 41, 5)))
    for r in uneven:  # a quick fortnight in the middle of life
        r["response"] -= 0.01 * min(max(r["use"] - 15, 0) / 5, 1)
    found = answer(uneven)
    interval, bound = found.interval(), found.estimate("interval bound, not rounded").value
    assert interval.value < int(bound)
    assert "in the worst stretch of their life too; even wear along a line would allow " in found.answer
    assert "worst-stretch" in {f.code for f in found.findings}


def test_no_interval_names_the_worst_stretch_where_it_is_what_leaves_none() -> None:
    steep = sensors(8, slope=-0.0435, slope_sd=0.0008, checks=(0.0, 5.0, 10.0, 15.0, 20.0), noise=0.012)
    words = answer(steep).answer
    assert "no recalibration interval keeps a tolerance" in words
    assert "in the worst stretch of their life; even wear along a line would allow 1 use" in words


def test_an_interval_as_long_as_all_that_was_followed_is_a_lower_one() -> None:
    checks = (0.0, 5.0, 10.0, 15.0, 20.0)
    found = answer(sensors(12, slope=-0.0018, slope_sd=0.00005, noise=0.0005, checks=checks))
    assert found.interval().value >= 20
    assert found.interval().bound == "at least"
    assert "not estimable beyond" in found.answer
