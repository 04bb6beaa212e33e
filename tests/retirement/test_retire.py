"""``retire`` through its public door: counts, refusals, caps, batches, dead cells, words."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.tolerance import one_sided_factor
from drift.records import CheckTable, Tables
from drift.retirement import RetirementResult, retire
from drift.sensitivity import fit_wear
from drift.study import study_from_dict
from tests.published_examples import agrees, load
from tests.retirement.worlds import sensors, world

FALL = {"sensitivity_change": 0.25}


def answer(rows: list[dict[str, Any]], **settings: Any) -> RetirementResult:
    wear, study, tables = world(rows, **{"limits": FALL, **settings})
    return retire(wear, study, tables, seed=1)


def codes(result: RetirementResult) -> set[str]:
    return {f.code for f in result.findings}


def laser_result(order: np.ndarray | None = None) -> RetirementResult:
    frame = load("meeker-gaas-laser").frame()
    if order is not None:
        frame = frame.iloc[order]
    checks = CheckTable({"sensor": frame["unit"].astype(str).to_numpy(object), "hours": frame["hours"].to_numpy(float),
                         "reading": frame["increase"].to_numpy(float)}, np.arange(2, len(frame) + 2), "checks.csv",
                        units={"reading": "%"})
    study = study_from_dict({
        "study": {"title": "lasers", "use_is": "one hour"}, "files": {"checks": "checks.csv"},
        "sensitivity": {"exposure": "hours", "exposure_unit": "h", "scale": "linear"},
        "limits": {"reading": {"value": 10, "direction": "above"}}, "retirement": {}})
    tables = Tables(checks=checks)
    return retire(fit_wear(tables, study, seed=1), study, tables, seed=1)


def test_lasers_are_retired_after_3210_hours() -> None:
    """Meeker and Escobar (1998), chapter 13: published crossing times; 3324 h and 3210 h computed for this project."""
    result = laser_result()
    count = result.estimate("retire after")
    assert (count.value, count.unit, count.bound, count.n) == (3210, "h", "exact", 15)
    assert "retire after 3,210 h" in result.answer
    assert agrees(result.estimate("line bound reaches the limit").value, "3324")
    assert agrees(result.estimate("skew companion").value, "3210")
    assert result.estimate("longest count that can be stated").value == 5000
    table = result.table("own crossing counts")
    printed = load("meeker-gaas-laser").expected
    for unit, t in zip(table["sensor"], table["crosses at"], strict=True):
        assert agrees(float(t), printed[f"t_{unit}"]), unit
    assert sum(table["extrapolated"] == "no") == 3
    assert "no-batch-column" in codes(result)


def test_row_order_of_the_checks_does_not_matter() -> None:
    shuffled = laser_result(np.random.default_rng(3).permutation(255))
    assert shuffled.estimate("line bound reaches the limit").value == pytest.approx(3324.2116, rel=1e-8)
    assert shuffled.estimate("retire after").value == 3210


def test_relative_fall_uses_slopes_alone() -> None:
    rows = sensors()
    result = answer(rows)
    slope = []
    for s in sorted({r["sensor"] for r in rows}):
        x, y = zip(*[(r["use"], r["response"]) for r in rows if r["sensor"] == s], strict=True)
        slope.append(np.polyfit(x, y, 1)[0])
    b = -np.array(slope)
    k = float(one_sided_factor(12, 0.90, 0.95))
    line = -math.log(0.75) / (b.mean() + k * b.std(ddof=1))
    t = np.log(-math.log(0.75) / b)
    companion = math.exp(t.mean() - k * t.std(ddof=1))
    assert result.estimate("line bound reaches the limit").value == pytest.approx(line, rel=1e-9)
    assert result.estimate("skew companion").value == pytest.approx(companion, rel=1e-9)
    assert result.count().value == min(math.floor(line), math.floor(companion))
    mean = result.estimate("average sensor reaches the limit (not a policy)")
    assert mean.value == pytest.approx(-math.log(0.75) / b.mean(), rel=1e-9)
    assert mean.low < mean.value < mean.high
    assert mean.value > result.count().value


def test_absolute_limit_lets_starts_vary_too() -> None:
    """Naive twin: slopes alone would allow more uses than starts and slopes do."""
    limits = {"saturation_pressure": "1300 kPa"}
    tight = answer(sensors(start_sd=0.001), limits=limits).estimate("line bound reaches the limit").value
    loose = answer(sensors(start_sd=0.05), limits=limits).estimate("line bound reaches the limit").value
    assert loose < tight - 2


def test_a_saturation_pressure_counts_the_same_in_kpa_and_psi() -> None:
    a = answer(sensors(), limits={"saturation_pressure": "1300 kPa"})
    b = answer(sensors(), limits={"saturation_pressure": f"{1300 / 6.894757293168361} psi"})
    assert a.estimate("line bound reaches the limit").value == pytest.approx(
        b.estimate("line bound reaches the limit").value, rel=1e-9)


def test_a_fall_and_the_same_limit_on_the_reading_below_are_both_downward() -> None:
    down = answer(sensors(start_sd=0.0), limits={"reading": {"value": 0.75, "direction": "below"}})
    fall = answer(sensors(start_sd=0.0))
    assert down.count().value == pytest.approx(fall.count().value, abs=1)


def test_several_limits_share_the_risk_and_the_smallest_count_binds() -> None:
    limits = {"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"}
    both = answer(sensors(), limits=limits)
    alone = answer(sensors())
    each = both.count(limit="sensitivity_change")
    assert each.level == pytest.approx(0.975)
    assert each.value < alone.count().value
    assert both.count().value == min(both.count(limit=k).value for k in limits)
    assert "binding limit is the" in both.answer
    strict = answer(sensors(), retirement={"content": 0.95, "confidence": 0.975})
    assert each.value == strict.count().value


def test_four_sensors_are_refused_in_a_sentence() -> None:
    result = answer(sensors(4))
    assert math.isnan(result.count().value)
    assert "retire after" in result.answer
    assert "5 are needed" in result.answer
    refusal = next(f for f in result.findings if f.code == "retirement-refused")
    assert refusal.severity == "warning"
    assert "Add 1 or more sensors" in refusal.mend


def test_too_few_checks_are_refused_in_a_sentence() -> None:
    result = answer(sensors(8, checks=(0.0, 20.0)))
    assert math.isnan(result.count().value)
    assert "none of 8 sensors has 3 or more checks" in result.answer


def test_a_refused_construction_leaves_the_other_its_count() -> None:
    rows = sensors(8, construction="plain") + sensors(3, construction="laminated", prefix="L")
    result = answer(rows)
    assert result.count("plain").value > 0
    assert math.isnan(result.count("laminated").value)
    assert result.answer.count("retire after") == 2


def test_a_sensor_with_a_short_line_is_left_out_by_name() -> None:
    short = sensors(1, prefix="X", checks=(0.0, 1.0, 2.0))
    result = answer(sensors() + short)
    finding = next(f for f in result.findings if f.code == "sensor-left-out")
    assert "X01" in finding.message
    assert "half of the median span" in finding.message
    assert result.count().value == answer(sensors()).count().value
    account = result.provenance.accounts[0]
    assert (account.read, account.used, account.excluded) == (75, 72, 3)
    assert {x.key for x in result.exclusions} == {"sensor X01"}


def worn_early(n: int = 2, checks: tuple[float, ...] = (0.0, 10.0)) -> tuple[list[dict], dict]:
    """Return fast sensors that were removed after two checks, and their entry in the sensors table."""
    rows = sensors(n, prefix="X", checks=checks, slope=-0.016, seed=3)
    names = [f"X{i + 1:02d}" for i in range(n)]
    return rows, {"sensor": names, "retired_at_use": [checks[-1]] * n, "retired_reason": ["creased"] * n}


@pytest.mark.parametrize("limits", [{"sensitivity_change": 0.25}, {"saturation_pressure": "1300 kPa"}])
def test_sensors_that_wore_out_after_two_checks_count_by_a_mixed_model(limits: dict) -> None:
    """Naive twin: leaving the fast ones out raises the count."""
    rows, table = worn_early()
    result = answer(sensors() + rows, limits=limits, sensors_table=table)
    count = result.count()
    assert "bootstrap-t" in count.method
    assert "X01 and X02 taken in by a mixed model" in result.answer
    assert 5 < count.value < answer(sensors(), limits=limits).count().value
    assert any(f.code == "sparse-sensors" and f.severity == "warning" for f in result.findings)


def test_the_count_by_a_mixed_model_does_not_depend_on_the_order_of_rows() -> None:
    rows, table = worn_early()
    both = sensors() + rows
    one, two = (answer(r, sensors_table=table).count().value for r in (both, both[::-1]))
    assert one == two


def test_a_worn_sensor_with_one_check_or_beside_batches_is_refused_in_a_sentence() -> None:
    rows, table = worn_early(1, checks=(0.0,))
    result = answer(sensors() + rows, sensors_table=table)
    assert math.isnan(result.count().value)
    assert "X01 was removed for wear after a single check" in result.answer
    rows, table = worn_early()
    for i, r in enumerate(rows):
        r["batch"] = f"B{i % 4}"
    result = answer(sensors(batches=4) + rows, sensors_table=table)
    assert math.isnan(result.count().value)
    assert "X01 and X02 were removed for wear with too few checks" in result.answer


def test_a_short_line_counts_where_its_sensor_wore_out_and_is_left_out_where_it_did_not() -> None:
    short = sensors(1, prefix="X", checks=(0.0, 1.0, 2.0))
    table = {"sensor": ["X01"], "retired_at_use": [2.0], "retired_reason": ["cells gone"]}
    assert "bootstrap-t" in answer(sensors() + short, sensors_table=table).count().method
    lost = {"sensor": ["X01"], "retired_at_use": [2.0], "retired_reason": ["lost in the post"]}
    assert answer(sensors() + short, sensors_table=lost).count().value > 0
    dead = {"sensor": ["X01"], "retired_at_use": [2.0], "retired_reason": ["dead column"]}  # counted, not on a line
    assert answer(sensors() + short, sensors_table=dead).count().value > 0
    event = {"sensor": ["X01"], "use": [2.0], "event": ["failed"], "note": ["no output"]}
    assert "bootstrap-t" in answer(sensors() + short, events=event).count().method
    mislaid = {"sensor": ["X01"], "use": [2.0], "event": ["lost"], "note": [""]}
    assert answer(sensors() + short, events=mislaid).count().value > 0


def test_a_sensor_first_checked_late_leaves_the_relative_limit_only() -> None:
    late = sensors(1, prefix="X", checks=(5.0, 10.0, 20.0, 30.0, 40.0))
    result = answer(sensors() + late, limits={"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"})
    assert result.count(limit="sensitivity_change").n == 12
    assert result.count(limit="saturation_pressure").n == 13
    finding = next(f for f in result.findings if f.code == "sensor-left-out")
    assert "X01 (first checked at 5, after use 1" in finding.message
    assert not result.exclusions  # it still carries the other limit


def test_controls_do_not_enter() -> None:
    control = sensors(1, prefix="C", slope=0.0)
    table = {"sensor": ["C01"], "role": ["control"]}
    assert answer(sensors() + control, sensors_table=table).count().n == 12


def test_no_wear_is_at_least_the_cap_and_says_so() -> None:
    result = answer(sensors(slope=0.0, slope_sd=0.0001))
    count = result.count()
    assert (count.value, count.bound) == (50, "at least")
    assert "retire after at least 50 uses, not estimable beyond" in result.answer
    assert "no wear was seen in these data" in result.answer
    assert {"capped", "companion-not-available"} <= codes(result)


def test_slow_wear_is_at_least_the_cap_without_claiming_that_none_was_seen() -> None:
    result = answer(sensors(slope=-0.002, slope_sd=0.0001))
    assert result.count().bound == "at least"
    assert "no wear" not in result.answer


def test_the_cap_follows_the_median_last_check() -> None:
    """Two sensors checked for long do not stretch it."""
    rows = sensors(10, slope=-0.001) + sensors(2, prefix="X", slope=-0.001, checks=(0.0, 10.0, 30.0, 80.0))
    assert answer(rows).count().value == 50


def test_sensors_that_start_beyond_the_limit_get_zero_in_words() -> None:
    result = answer(sensors(), limits={"saturation_pressure": "900 kPa"})
    assert result.count().value == 0
    assert "not even fresh sensors are shown to be within the limit" in result.answer
    assert "no-use-promised" in codes(result)


def test_no_limit_means_no_count() -> None:
    wear, study, tables = world(sensors(), limits=FALL)
    bare = study.model_copy(update={"limits": type(study.limits)()})
    result = retire(wear, bare, tables, seed=1)
    assert math.isnan(result.estimate("retire after").value)
    assert "no continuous limit is declared" in result.answer
    assert "retire after" in result.answer
    assert "no-limit" in codes(result)


def test_new_batches_need_four_of_them() -> None:
    two, six = answer(sensors(batches=2)), answer(sensors(batches=6))
    assert "for sensors of these batches only" in two.answer
    finding = next(f for f in two.findings if f.code == "these-batches-only")
    assert "2 more batches would extend it" in finding.mend
    assert "for a sensor from a new batch" in six.answer
    assert six.count().value < answer(sensors()).count().value
    assert "no-batch-column" in codes(answer(sensors()))


@pytest.mark.parametrize(("batches", "code"), [(0, "no-batch-column"), (1, "these-batches-only"),
                                               (3, "these-batches-only"), (4, "few-batches"), (5, "")])
def test_fewer_than_five_batches_are_always_said(batches: int, code: str) -> None:
    result = retire(*world(sensors(10, batches=batches), limits={"sensitivity_change": 0.25}))
    about = [f.code for f in result.findings if "batch" in f.code and f.severity == "warning"]
    assert about == ([code] if code else [])


def test_one_unknown_batch_is_named() -> None:
    rows = sensors(batches=6)
    for r in rows:
        if r["sensor"] == "S03":
            r["batch"] = ""
    result = answer(rows)
    assert "S03" in next(f for f in result.findings if f.code == "batch-missing").message
    assert "new batch" not in result.answer


def test_constructions_are_pooled_only_where_equivalence_is_shown() -> None:
    alike = sensors(12, construction="plain", slope_sd=0.0004)
    alike += sensors(12, construction="laminated", prefix="L", seed=2, slope_sd=0.0004)
    pooled = answer(alike, retirement={"pool": True})
    assert pooled.count().n == 24
    assert pooled.count().of["construction"] == "all constructions"
    assert "pooled" in codes(pooled)
    # Naive twin: these two do not differ significantly, but that is no proof of equality.
    vague = sensors(6, construction="plain", slope_sd=0.004)
    vague += sensors(6, construction="laminated", prefix="L", seed=2, slope_sd=0.004)
    refused = answer(vague, retirement={"pool": True})
    pair = refused.estimate("relative difference of slopes")
    assert pair.low < 0 < pair.high
    assert "pooling-refused" in codes(refused)
    assert {e.of["construction"] for e in refused.estimates if e.name == "retire after"} == {"plain", "laminated"}
    assert answer(alike).count("plain").n == 12  # not asked for, not pooled


def test_dead_cells_are_counted_beside_the_count() -> None:
    limits = {"sensitivity_change": 0.25, "dead_fraction": 0.02}
    result = answer(sensors(), limits=limits, dead={("S04", 20.0): 0.06, ("S09", 40.0): 0.03, ("S02", 10.0): 0.02})
    table = result.table("dead cells")
    assert table["sensors past"].tolist() == [0, 0, 0, 1, 1, 2]
    assert table["upper bound"][0] == pytest.approx(1 - 0.05 ** (1 / 12), rel=1e-9)
    assert result.count().value == answer(sensors()).count().value  # content is not split for it
    said = next(f for f in result.findings if f.code == "sensors-past-a-jump-limit")
    assert "1 of 12 sensors was past dead_fraction by 20 uses" in said.message
    assert "beside the count" in said.message
    share = result.estimate("share of sensors past the limit", limit="dead_fraction")
    assert share.n == 12
    assert share.low <= share.value <= share.high


def test_a_dead_limit_without_its_column_is_said() -> None:
    assert "limit-not-recorded" in codes(answer(sensors(), limits={"sensitivity_change": 0.25, "dead_lines": 0}))


def test_what_the_count_leans_on_is_printed_with_it() -> None:
    result = answer(sensors())
    left = result.table("leave one sensor out")
    assert len(left) == 24
    assert set(left["limit"]) == {"sensitivity_change", "all limits"}
    shares = result.table("sensitivity to content and confidence").to_frame()
    declared = shares[(shares.declared == "yes") & (shares.limit == "all limits")]
    assert declared["retire after"].tolist() == [result.count().value]
    by_limit = result.table("sensitivity to limit").to_frame()
    overall = by_limit[by_limit.limit == "all limits"]["retire after"].tolist()
    assert overall[0] < overall[1] < overall[2]
    assert overall[1] == result.count().value
    share = result.estimate("share expected beyond the limit")
    assert share.unit == "%"
    assert 0 <= share.low < share.value < share.high <= 15
    path = result.table("bound path").to_frame()
    at = path[path.use <= result.count().value]
    assert (at.bound >= at.limit_value - 1e-12).all()


def test_every_number_has_a_method_and_the_result_survives_a_round_trip() -> None:
    result = answer(sensors(batches=6), limits={"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"})
    assert all(e.method for e in result.estimates)
    again = RetirementResult.from_dict(result.to_dict())
    assert again.to_dict() == result.to_dict()
    assert set(result.counts["holds for"]) == {"new batch"}


def test_counts_do_not_depend_on_the_seed() -> None:
    wear, study, tables = world(sensors(batches=6), limits=FALL)
    one, two = retire(wear, study, tables, seed=1), retire(wear, study, tables, seed=2)
    assert [e.value for e in one.estimates] == [e.value for e in two.estimates]


def test_progress_is_told_in_sentences() -> None:
    said: list[str] = []
    wear, study, tables = world(sensors(), limits=FALL)
    retire(wear, study, tables, seed=1, progress=said.append)
    assert said
    assert all(isinstance(s, str) for s in said)


@given(seed=st.integers(0, 1000), factor=st.sampled_from([0.5, 2.0, 24.0]))
@settings(max_examples=8, deadline=None)
def test_relabelling_and_scaling_the_exposure_change_what_they_must(seed: int, factor: float) -> None:
    rows = sensors(8, seed=seed)
    plain = answer(rows, limits={"saturation_pressure": "1300 kPa"})
    moved = [{**r, "sensor": f"z{r['sensor']}", "use": factor * r["use"]} for r in reversed(rows)]
    scaled = answer(moved, limits={"saturation_pressure": "1300 kPa"}, exposure="hours")
    assert scaled.estimate("line bound reaches the limit").value == pytest.approx(
        factor * plain.estimate("line bound reaches the limit").value, rel=1e-8)


def test_a_relative_fall_on_the_linear_scale_is_relative_to_the_own_fitted_start() -> None:
    """Sensors of different size that lose the same share a use: one count, however big they are."""
    rng = np.random.default_rng(5)
    size = np.exp(rng.normal(0, 0.5, 10))
    loss = rng.normal(0.01, 0.0008, 10)
    rows = [{"sensor": f"S{i}", "construction": "", "batch": "", "use": u, "response": size[i] * (1 - loss[i] * u)}
            for i in range(10) for u in (0.0, 5.0, 10.0, 15.0)]
    result = answer(rows, scale="linear", limits={"sensitivity_change": 0.10})
    k = float(one_sided_factor(10, 0.90, 0.95))
    assert result.estimate("line bound reaches the limit").value == pytest.approx(
        0.10 / (loss.mean() + k * loss.std(ddof=1)), rel=1e-9)


def test_a_limit_about_a_quantity_nobody_measured_is_refused_with_the_way_out() -> None:
    wear, study, tables = world(sensors(), limits={"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"})
    mountings = wear.table("sensitivities")
    blank = {c.name: np.full(len(mountings), np.nan) if c.name == "saturation_pressure" else c.values
             for c in mountings.columns}
    changed = type(wear)(question=wear.question, answer="", provenance=wear.provenance, tables=(
        type(mountings).build("sensitivities", blank), wear.table("occasions")))
    result = retire(changed, study, tables, seed=1)
    assert math.isnan(result.count().value)
    assert result.count(limit="sensitivity_change").value > 0
    assert "no mounting gives a saturation pressure" in result.answer
    assert {"count-over-all-limits-refused", "retirement-refused"} <= codes(result)


EXACT = {"noise": 0.0, "slope_sd": 0.0, "start_sd": 0.0}


@pytest.mark.parametrize(("made", "limits", "words"), [
    (EXACT, FALL, "retire after 28 uses"),  # 28.8, from -log(0.75) over 0.01
    ({**EXACT, "batches": 6}, {"saturation_pressure": "1300 kPa"}, "26 uses for a sensor from a new batch"),
    ({**EXACT, "slope": 0.0, "batches": 5}, FALL, "no wear was seen"),
    ({"slope": 0.01}, FALL, "sensitivity rises by 1.0"),  # away from the limit: no wear, and said to be none
    ({"n": 9, "batches": 4, "start_sd": 0.2}, {"saturation_pressure": "1300 kPa"}, "retire after 0 uses"),
    ({"n": 1}, FALL, "only 1 sensor has"),
])
def test_lines_without_spread_or_wear_or_company_are_answered_in_words(
        made: dict[str, Any], limits: dict[str, Any], words: str) -> None:
    result = answer(sensors(**{"n": 12, **made}), limits=limits)
    assert words in result.answer
    assert "retire after" in result.answer
    assert RetirementResult.from_dict(result.to_dict()).answer == result.answer


def test_one_reason_for_all_limits_is_said_once() -> None:
    result = answer(sensors(4), limits={"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"})
    assert result.answer.count("only 4 sensors") == 1
    assert sum(f.code == "retirement-refused" for f in result.findings) == 1


def test_a_count_of_dead_cells_and_one_of_failures_are_two_counts() -> None:
    events = {"sensor": ["S04"], "use": [20.0], "event": ["failed"]}
    result = answer(sensors(), limits={"sensitivity_change": 0.25, "dead_fraction": 0.02}, dead={("S05", 20.0): 0.06},
                    events=events)
    said = [f.message for f in result.findings if f.code == "sensors-past-a-jump-limit"]
    assert len(said) == 1
    assert "1 of 12 sensors was past dead_fraction by 20 uses" in said[0]
    assert ", and as many had failed" in said[0]


def test_pooled_sensors_are_named_as_such() -> None:
    rows = sensors(12, construction="plain", seed=3) + sensors(12, construction="laminated", prefix="L", seed=4)
    result = answer(rows, retirement={"pool": True, "equal_slopes_within": 0.5})
    assert result.answer.startswith("Sensors of all constructions: retire after ")


def test_a_reference_without_a_unit_is_taken_in_that_of_the_limit_and_said() -> None:
    """Naive: the reference is taken to be in kPa, so that 200 psi would stand for 1379 of whatever it is."""
    wear, study, tables = world(sensors(), limits={"saturation_pressure": "1300 psi"}, pressure_unit="")
    result = retire(wear, study, tables, seed=1)
    assert result.count().value == answer(sensors(), limits={"saturation_pressure": "1300 kPa"}).count().value
    assert "reference-without-unit" in codes(result)


def test_the_share_beyond_is_inside_its_interval_and_readable() -> None:
    result = answer(sensors(batches=6), limits={"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"})
    for e in result.estimates:
        if e.name == "share expected beyond the limit":
            assert e.low <= e.value <= e.high
            assert (e.unit, round(100 * e.value, 6) % 1) == ("%", 0)


NAMES = [f"S{i + 1:02d}" for i in range(12)]


def test_more_data_is_priced_from_the_studys_own_estimates() -> None:
    result = answer(sensors(6, noise=0.03))
    table = result.table("what would more data buy")
    gained = dict(zip(table["change"], table["gained"], strict=True))
    assert gained["as it is"] == 0
    assert 0 < gained["1 more check a sensor"] < gained["3 more checks a sensor"] < gained["checks without end"]
    assert 0 < gained["5 more sensors"] < gained["twice the sensors"]
    assert any(f.code == "more-data" and "twice the sensors" in f.message for f in result.findings)


def test_new_batches_buy_more_than_more_sensors_of_the_same() -> None:
    rows = sensors(24, batches=6)
    for r in rows:  # batches differ strongly
        r["response"] -= 0.0012 * int(r["batch"][1:]) * r["use"]
    table = answer(rows).table("what would more data buy")
    gained = dict(zip(table["change"], table["gained"], strict=True))
    assert gained["as many sensors again, of new batches"] > gained["twice the sensors"] + 1


def test_sensors_removed_by_judgement_are_taken_to_wear_faster_in_a_table() -> None:
    table = {"sensor": NAMES, "retired_at_use": [40.0] * 3 + [math.nan] * 9,
             "retired_reason": ["looked creased"] * 3 + [""] * 9}
    result = answer(sensors(), limits={"sensitivity_change": 0.5}, sensors_table=table)
    found = result.table("sensitivity to removal")
    whole = found["limit"] == "all limits"
    assert list(found["slopes of removed sensors times"][whole]) == [1.0, 1.25, 1.5]
    counts = list(found["retire after"][whole])
    assert counts[0] == result.count().value > counts[1] > counts[2]
    said = next(f for f in result.findings if f.code == "removed-by-judgement")
    assert "S01, S02 and S03 were removed" in said.message
    # The reading that led to removal is there: nothing is left to judgement.
    beyond = answer(sensors(), sensors_table=table)
    assert "sensitivity to removal" not in [t.name for t in beyond.tables]


@pytest.mark.parametrize(("rows", "settings", "code", "words"), [
    (sensors(checks=(0.0,)), {}, "retirement-refused", "none of 12 sensors has 3 or more checks"),
    (sensors(slope=0.01), {}, "away-from-limit", "leads away from the limit on sensitivity_change"),
    (sensors(slope=0.0, slope_sd=1e-4), {}, "capped", "what comes later was not observed"),
    (sensors(), {"limits": {"saturation_pressure": "900 kPa"}}, "no-use-promised", "not even fresh sensors"),
    (sensors(), {"sensors_table": {"sensor": NAMES, "retired_at_use": [40.0] * 12}}, "removed-together",
     "read as the end of the study"),
    (sensors(checks=(0.0, 5.0)), {"sensors_table": {"sensor": NAMES, "retired_at_use": [5.0] * 12}},
     "retirement-refused", "only 0 of 12 sensors have 3 or more checks"),
    (sensors(9) + sensors(3, prefix="L", checks=(15.0, 20.0, 30.0, 40.0)),
     {"limits": {"saturation_pressure": "1300 kPa"}}, "entered-late", "L01, L02 and L03 were first checked at 15 uses"),
], ids=lambda v: v if isinstance(v, str) and " " not in v else "")
def test_bad_input_is_answered_in_one_clear_sentence(rows: list[dict], settings: dict, code: str, words: str) -> None:
    found = [f.message for f in answer(rows, **settings).findings if f.code == code]
    assert len(found) == 1
    assert words in found[0]


def test_other_questions_keep_refusing_short_lines_of_worn_sensors() -> None:
    from drift.retirement.groups import exposure_of, make_groups
    from drift.retirement.limits import declared_limits

    rows, table = worn_early()
    wear, study, tables = world(sensors() + rows, limits=FALL, sensors_table=table)
    kept = {m: make_groups(declared_limits(study, tables), wear.table("occasions"), wear.table("sensitivities"), tables,
                           exposure=exposure_of(study), pooled=False, modelled=m)[0][0] for m in (False, True)}
    assert "removed for wear with too few checks" in kept[False].fitness.refused
    assert kept[True].sparse is not None
    assert not kept[True].fitness.refused


def test_a_sensor_past_another_limit_did_not_leave_by_judgement_and_the_limit_is_named() -> None:
    table = {"sensor": NAMES, "retired_at_use": [40.0] * 4 + [math.nan] * 8, "retired_reason": ["worn"] * 4 + [""] * 8}
    dead = {("S04", 40.0): 0.05}
    rows = sensors()
    fell = {r["sensor"]: r["response"] for r in rows if r["use"] == 40.0}
    fresh = {r["sensor"]: r["response"] for r in rows if r["use"] == 0.0}
    pressure = 1000 * math.exp(-sorted(fell[s] for s in NAMES[:4])[1])  # two of four are beyond it
    result = answer(rows, limits={"sensitivity_change": 0.6, "saturation_pressure": f"{pressure - 0.01:.3f} kPa",
                                  "dead_fraction": 0.02}, sensors_table=table, dead=dead)
    found = result.table("removals and limits")
    passed = dict(zip(found["sensor"], found["limit passed at the last check"], strict=True))
    assert set(passed) == set(NAMES[:4])
    assert all(fresh[s] - fell[s] < -math.log(0.4) for s in NAMES[:4])  # none is past the fall
    for s, words in passed.items():
        by = (["saturation_pressure"] if 1000 * math.exp(-fell[s]) > pressure - 0.01 else []) + (
            ["dead_fraction"] if s == "S04" else [])
        assert words == (" and ".join(by) or "none, by judgement")
    note = next(f for f in result.findings if f.code == "removed-past-a-limit")
    warning = next((f for f in result.findings if f.code == "removed-by-judgement"), None)
    for s, words in passed.items():
        assert (s in note.message) == (words != "none, by judgement")
        assert (warning is not None and s in warning.message) == (words == "none, by judgement")
    judged = sum(w == "none, by judgement" for w in passed.values())
    assert set(result.table("sensitivity to removal")["removed by judgement"]) == {float(judged)}
    assert warning is not None
    assert "within every limit" in warning.message
