"""Policies of a study: choice, costs, what the statement costs, refusals, bad input, the command."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.engine.policy import Policy
from drift.errors import DriftError
from drift.retirement import retire
from drift.retirement.policy import PolicyResult, compare_policies
from drift.retirement.policy_scores import broken
from drift.retirement.policy_words import number
from drift.retirement.recalibration import recalibrate
from drift.study import Costs, PolicySpec, RecalibrationSpec, study_from_dict
from tests.retirement.worlds import sensors, world

FALL = {"sensitivity_change": 0.25}
COSTS = {"sensor": 90.0, "spoilt_session": 400.0, "check": 10.0, "recalibration": 15.0, "currency": "EUR"}


def answer(rows: list[dict[str, Any]] | None = None, *, costs: dict[str, Any] | None = None,
           policy: dict[str, Any] | None = None, tolerance: float | None = None, limits: dict[str, Any] | None = None,
           **changes: Any) -> PolicyResult:
    wear, study, tables = world(sensors(12) if rows is None else rows, limits=FALL if limits is None else limits,
                                **changes)
    study = study.model_copy(update={
        "costs": Costs(**(COSTS if costs is None else costs)), "policy": PolicySpec(lives=2000, **(policy or {})),
        "recalibration": RecalibrationSpec(tolerance=tolerance) if tolerance else None})
    retired = retire(wear, study, tables, seed=1)
    interval = recalibrate(wear, study, tables, retired=retired) if tolerance else None
    return compare_policies(wear, retired, study, tables, interval=interval, seed=1)


@cache
def usual() -> PolicyResult:
    return answer()


@cache
def with_tolerance() -> PolicyResult:
    return answer(tolerance=0.10)


def codes(result: PolicyResult) -> set[str]:
    return {f.code for f in result.findings}


def rows_of(result: PolicyResult) -> list[dict[str, Any]]:
    t = result.table("policies")
    return [{c.name: c.values[i] for c in t.columns} for i in range(len(t))]


def test_the_answer_names_policy_cost_with_band_and_spoilt_sessions() -> None:
    result = usual()
    assert result.answer.startswith(f"All sensors: {result.chosen()}, the cheapest of ")
    e = result.estimate("cost per use", chosen="yes")
    assert f"EUR {number(e.value)} ({number(e.low)} to {number(e.high)}) per use" in result.answer
    assert "spoilt sessions and" in result.answer
    assert e.low <= e.value <= e.high
    assert e.std_error > 0
    assert e.unit == "EUR per use"


def test_the_cheapest_that_keeps_the_statement_is_chosen_and_a_cheaper_one_is_said() -> None:
    rows = rows_of(usual())
    keep = [r for r in rows if r["keeps the statement"] == "yes"]
    chosen, = (r for r in rows if r["chosen"] == "yes")
    assert chosen["cost per use"] == min(r["cost per use"] for r in keep)
    least = min(rows, key=lambda r: r["cost per use"])
    if least is not chosen:
        assert f"Cheaper without the statement: {least['policy']}" in usual().answer
    for r in rows:
        if r["kind"] == "fixed count" and "noticed" not in r["policy"]:
            count = next(x["retire after"] for x in rows if x["count"] == "retire-after count")
            assert (r["keeps the statement"] == "yes") == (r["retire after"] <= count)


def test_a_policy_beaten_by_none_has_no_other_that_is_cheaper_and_spoils_less() -> None:
    rows = rows_of(usual())
    for r in rows:
        beaten = any(o["cost per use"] <= r["cost per use"] and o["spoilt per 100"] <= r["spoilt per 100"]
                     and (o["cost per use"], o["spoilt per 100"]) != (r["cost per use"], r["spoilt per 100"])
                     for o in rows)
        assert (r["beaten by none"] == "yes") != beaten


def test_the_count_of_the_average_sensor_spoils_far_more_than_the_statement_allows() -> None:
    rows = rows_of(usual())
    naive, = (r for r in rows if r["count"] == "average sensor reaches a limit")
    ours, = (r for r in rows if r["count"] == "retire-after count")
    assert naive["spoilt per 100"] > 20 * max(ours["spoilt per 100"], 0.01)
    assert naive["keeps the statement"] == "no"


def test_a_fixed_count_costs_a_sensor_over_the_count_where_nothing_is_spoilt() -> None:
    result = answer(policy={"retire_after": (3,)})
    r, = (r for r in rows_of(result) if r["policy"] == "retire after 3")
    assert r["cost per use"] == pytest.approx(30)
    assert r["sensors per 100"] == pytest.approx(100 / 3)
    assert r["uses per sensor"] == 3


def test_the_price_of_the_statement_is_what_the_chosen_policy_costs_more_than_the_cheapest_everywhere() -> None:
    for result in (usual(), with_tolerance(), answer(costs={**COSTS, "spoilt_session": 20.0})):
        rows = rows_of(result)
        price = result.estimate("price of the statement")
        chosen, = (r["cost per use"] for r in rows if r["chosen"] == "yes")
        least = min(rows, key=lambda r: r["cost per use"])
        assert price.value == pytest.approx(chosen - least["cost per use"], abs=1e-9)
        assert price.low <= price.value <= price.high
        told = [result.answer, *(f.message for f in result.findings)]
        prices = [t for t in told if "price of" in t]  # one sentence speaks of a price, and it is this one
        assert len(prices) == (price.value > 0)
        assert all(f"EUR {number(price.value)} less, the price of the statement" in t for t in prices)


def test_a_count_has_one_cost_by_whichever_road() -> None:
    """Of the curve over all counts and of the policy, in every way of working, calibration errors included."""
    inside = answer(tolerance=0.10, policy={"recalibrate_every": (4,)})
    noticing = answer(policy={"noticed_after": 2})
    for result in (usual(), with_tolerance(), inside, noticing):
        curve = result.table("cost curve")
        cost = {(str(w), float(n)): float(c) for w, n, c in zip(curve["way of working"], curve["retire after"],
                                                                curve["cost per use"], strict=True)}
        seen = 0
        for way, count in {(w, result.estimate("cheapest count", **{"way of working": w}).value) for w, _ in cost}:
            every = float(way.removeprefix("recalibrated every ")) if "recalibrated" in way else math.nan
            noticed = "noticed after" in way
            same = [r for r in rows_of(result) if r["retire after"] == count and ("noticed" in r["policy"]) == noticed
                    and np.array_equal([r["recalibrate every"]], [every], equal_nan=True)]
            seen += len(same)
            for r in same:
                assert r["cost per use"] == pytest.approx(cost[way, count], rel=1e-9)
        assert seen >= (1 if result is usual() else 2)


def test_no_count_leans_on_failures_being_noticed_unless_the_study_says_so() -> None:
    assert not any("noticed" in r["policy"] for r in rows_of(usual()) if r["kind"] == "fixed count")
    said = answer(policy={"noticed_after": 1})
    assert any("failures noticed after 1" in r["policy"] for r in rows_of(said) if r["kind"] == "fixed count")
    said = answer(policy={"noticed_after": 3})
    failing = [next(r for r in rows_of(x) if r["kind"] == "run to failure") for x in (usual(), said)]
    assert failing[1]["spoilt per 100"] > 2 * failing[0]["spoilt per 100"]  # the longer undetected, the more is spoilt


def test_policies_alike_in_every_life_are_one_row() -> None:
    """Up to a count at which no simulated sensor has failed it is the same whether failures are noticed."""
    result = answer(policy={"noticed_after": 1, "retire_after": (3,)}, costs={**COSTS, "spoilt_session": 1e7})
    rows = rows_of(result)
    seen = [tuple(r[k] for k in ("retire after", "cost per use", "spoilt per 100", "check every", "recalibrate every"))
            for r in rows]
    assert len({str(s) for s in seen}) == len(seen)


def test_the_bound_of_the_share_ever_past_has_a_small_error_and_says_it() -> None:
    for r in rows_of(usual()):
        assert 0 <= r["ever past, Monte Carlo error of the bound"] < 1.5
    assert "Monte Carlo error" in next(f for f in usual().findings if f.code == "statement").message


def test_dear_sessions_make_the_cheapest_count_earlier() -> None:
    counts = [answer(costs={**COSTS, "spoilt_session": s}).estimate("cheapest count").value for s in (50.0, 4000.0)]
    assert counts[0] > counts[1]


def test_a_tolerance_brings_recalibration_in_and_counts_readings_off_as_spoilt() -> None:
    plain, result = usual(), with_tolerance()
    assert not any(r["recalibrations per 100"] for r in rows_of(plain))
    rows = rows_of(result)
    assert {r["kind"] for r in rows} >= {"recalibrate and retire", "check, recalibrate and retire", "fixed count"}
    bare = next(r for r in rows if r["count"] == "retire-after count" and r["kind"] == "fixed count")
    kept = next(r for r in rows if r["count"] == "retire-after count" and r["kind"] == "recalibrate and retire")
    assert bare["spoilt per 100"] > 30 > kept["spoilt per 100"]
    assert bare["past a limit per 100"] == pytest.approx(kept["past a limit per 100"])
    assert "recalibrate every" in result.chosen()
    assert "tolerance" in next(f for f in result.findings if f.code == "spoilt-is").message


def test_a_policy_that_uses_old_calibrations_breaks_the_recalibration_statement() -> None:
    rows, seen = rows_of(with_tolerance()), set()
    every = next(r["recalibrate every"] for r in rows if r["chosen"] == "yes")
    for r in rows:
        oldest = np.fmin(r["recalibrate every"], r["retire after"])
        late = not oldest <= every
        assert ("recalibration" in r["statement broken"].split(" and ")) == late
        assert (r["keeps the statement"] == "yes") == (r["statement broken"] == "")
        seen.add(r["statement broken"])
    assert seen == {"", "recalibration", "retirement", "retirement and recalibration"} - (
        {"retirement"} if not any(r["statement broken"] == "retirement" for r in rows) else set())
    assert "both statements (retirement and recalibration)" in with_tolerance().answer
    dear = answer(tolerance=0.10, costs={**COSTS, "recalibration": 80.0, "spoilt_session": 20.0})
    assert "without the recalibration statement" in dear.answer or "without the retirement and" in dear.answer


def test_a_limit_that_jumps_is_named_where_it_is_not_shown_to_be_kept() -> None:
    """With 12 sensors none of which was past it, the 95 % bound of their share is 22 %, beyond the 10 % allowed."""
    dead = {(f"S{i:02d}", u): 0.0 for i in range(1, 13) for u in (0.0, 5.0, 10.0, 15.0, 20.0)}
    result = answer(limits={**FALL, "dead_fraction": 0.02}, dead=dead)
    assert "for every limit that wear approaches gradually (not shown for dead cells)" in result.answer
    found = next(f for f in result.findings if f.code == "jump-limit-not-shown")
    assert found.severity == "warning"
    assert "0 of 12 sensors past dead_fraction" in found.message
    assert "at most 22.1 %" in found.message
    assert "gradually" not in usual().answer


def test_which_statement_a_policy_breaks() -> None:
    def of(interval: float | None, **policy: Any) -> tuple[str, ...]:
        return broken(Policy(**policy), 0.05, retire=20, interval=interval, allowed=0.10)

    assert of(None, retire_after=20) == of(5, retire_after=20, recalibrate_every=5) == of(5, retire_after=5) == ()
    assert of(5, retire_after=20) == of(5, retire_after=20, recalibrate_every=10) == ("recalibration",)
    assert of(5, retire_after=21, recalibrate_every=10) == ("retirement", "recalibration")
    assert of(math.nan, retire_after=3) == of(0, retire_after=3) == ("recalibration",)
    assert of(5, check_every=10) == ("recalibration",)


def test_each_cost_halved_and_doubled_is_tabled() -> None:
    t = with_tolerance().table("sensitivity to costs")
    assert {(c, f) for c, f in zip(t["cost"], t["times"], strict=True)} == {
        (c, f) for c in ("sensor", "spoilt session", "check", "recalibration") for f in (0.5, 2.0)}
    assert codes(with_tolerance()) & {"choice-turns-on", "choice-stands"}


def test_the_cost_ratio_is_always_printed() -> None:
    assert "4.44" in next(f for f in usual().findings if f.code == "cost-ratio").message


def test_the_same_seed_gives_the_same_numbers_and_row_order_changes_none() -> None:
    rows = sensors(12)
    one, two = answer(rows), answer(rows[::-1])
    assert one.to_dict()["estimates"] == usual().to_dict()["estimates"]
    for a, b in zip(one.estimates, two.estimates, strict=True):
        assert a.value == pytest.approx(b.value, rel=1e-9)


def test_guard_band_and_share_of_the_limit_are_both_offered() -> None:
    band, share = answer(policy={"check_every": (5,)}), answer(policy={"check_every": (5,), "guard": 0.8})
    assert any("guard band" in r["policy"] for r in rows_of(band))
    assert any("80 % of the limit" in r["policy"] for r in rows_of(share))
    one, two = (next(r for r in rows_of(x) if r["kind"] == "check and retire") for x in (
        answer(policy={"check_every": (5,), "guard": 0.5}), share))
    assert one["uses per sensor"] < two["uses per sensor"]
    assert one["spoilt per 100"] <= two["spoilt per 100"]


def test_checks_so_rare_that_no_room_is_left_are_named() -> None:
    result = answer(policy={"check_every": (5, 60)})
    assert "checks every 60" in next(f for f in result.findings if f.code == "no-room-for-checks").message


@pytest.mark.parametrize("gone", ["check", "spoilt_session", "sensor"])
def test_a_missing_cost_is_one_error_that_names_its_key_and_the_mend(gone: str) -> None:
    with pytest.raises(DriftError, match=f"{gone} is missing, and without it") as caught:
        answer(costs={k: v for k, v in COSTS.items() if k != gone})
    found, = caught.value.findings
    assert found.severity == "error"
    assert f"{gone} = ..." in found.mend
    assert "0 where it costs nothing" in found.mend


def test_the_cost_of_a_recalibration_is_missed_only_where_there_are_recalibrations() -> None:
    costs = {k: v for k, v in COSTS.items() if k != "recalibration"}
    assert answer(costs=costs).chosen()
    with pytest.raises(DriftError, match="recalibration is missing"):
        answer(costs=costs, tolerance=0.10)
    with pytest.raises(DriftError, match="recalibration is missing"):
        answer(costs=costs, policy={"recalibrate_every": (5,)})


def test_no_costs_at_all_are_one_error_and_so_are_costs_that_are_all_nothing() -> None:
    with pytest.raises(DriftError, match="sensor, spoilt_session and check are missing") as caught:
        answer(costs={})
    assert len(caught.value.findings) == 1
    with pytest.raises(DriftError, match="so that every policy costs the same"):
        answer(costs=dict.fromkeys(("sensor", "spoilt_session", "check", "recalibration"), 0.0))


@pytest.mark.parametrize(("name", "code", "said"), [
    ("spoilt_session", "spoilt-session-free", "money cannot say when to retire a sensor: the statement alone decides"),
    ("sensor", "sensor-free", "money cannot say how long to keep one"),
    ("check", "check-free", "money cannot say how often to check")])
def test_with_a_cost_of_nothing_the_answer_says_what_is_then_not_decided(name: str, code: str, said: str) -> None:
    result = answer(costs={**COSTS, name: 0.0})
    assert said in result.answer
    assert next(f for f in result.findings if f.code == code).severity == "warning"
    assert "costs nothing" not in usual().answer
    chosen, = (r for r in rows_of(result) if r["chosen"] == "yes")
    assert chosen["keeps the statement"] == "yes"


def test_a_recalibration_dearer_than_a_sensor_is_said() -> None:
    assert "recalibration-dear" in codes(answer(costs={**COSTS, "recalibration": 120.0}, tolerance=0.10))


@pytest.mark.parametrize("key", ["sensor", "check", "spoilt_session", "recalibration"])
def test_a_negative_cost_is_refused(key: str) -> None:
    with pytest.raises(DriftError, match=key):
        study_from_dict({"study": {"title": "t"}, "costs": {key: -1}})


@pytest.mark.parametrize("policy", [{"retire_after": [0]}, {"check_every": [-5]}, {"recalibrate_every": [0.5]},
                                    {"guard": 1.5}, {"noticed_after": 0}, {"lives": 3}])
def test_policies_that_cannot_be_are_refused(policy: dict[str, Any]) -> None:
    with pytest.raises(DriftError, match="policy"):
        study_from_dict({"study": {"title": "t"}, "policy": policy})


def test_no_limit_is_one_sentence() -> None:
    result = answer(limits={"dead_fraction": 0.02})
    assert "no continuous limit" in result.answer
    assert "no-limit" in codes(result)


def test_sensors_past_their_limit_when_fresh_are_refused() -> None:
    result = answer(limits={"saturation_pressure": "900 kPa"})
    assert "already past the limit" in result.answer
    assert math.isnan(result.estimate("cost per use").value)
    assert next(f for f in result.findings if f.code == "policy-refused").mend


@pytest.mark.parametrize("n", [1, 4])
def test_too_few_sensors_are_refused(n: int) -> None:
    result = answer(sensors(n))
    assert "no policy can be compared" in result.answer
    assert "policy-refused" in codes(result)


def test_without_wear_run_to_failure_never_fails() -> None:
    result = answer(sensors(slope=0.0, slope_sd=0.00005, noise=0.0005))
    assert "never-fails" in codes(result)
    assert "no-optimum" in codes(result)


def test_wear_in_the_wrong_direction_is_said() -> None:
    result = answer(sensors(slope=0.004))
    assert "no-wear" in codes(result)


def test_another_exposure_than_uses_is_refused() -> None:
    result = answer(sensors(12), exposure="hours")
    assert "not counted in uses" in result.answer


def test_batches_are_those_of_new_sensors() -> None:
    result = answer(sensors(12, batches=6))
    assert "new sensors of new batches" in result.estimate("cost per use").method


def test_two_limits_are_simulated_together() -> None:
    result = answer(limits={"sensitivity_change": 0.25, "saturation_pressure": "1300 kPa"})
    one = answer(limits={"saturation_pressure": "1300 kPa"})
    failing, alone = (next(r for r in rows_of(x) if r["kind"] == "run to failure") for x in (result, one))
    assert failing["uses per sensor"] <= alone["uses per sensor"] + 0.5


def demo(folder: Path, **changes: str) -> Path:
    """The study that ``drift new`` writes, with costs and a tolerance."""
    CliRunner().invoke(cli, ["new", str(folder)])
    file = folder / "study.toml"
    text = file.read_text(encoding="utf-8")
    for section in ("costs", "recalibration", "policy"):
        text = text.replace(f"\n[{section}]", f"\n[{section}_old]") if section in changes else text
    extra = "".join(f"\n[{k}]\n{v}\n" for k, v in changes.items())
    kept, skip = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skip = line.endswith("_old]")
        if not skip:
            kept.append(line)
    file.write_text("\n".join(kept) + extra, encoding="utf-8")
    return folder


def test_the_command_answers_first_and_prints_the_seed(tmp_path: Path) -> None:
    study = demo(tmp_path / "s", costs="sensor = 90\nspoilt_session = 400\ncheck = 10\nrecalibration = 15",
                 recalibration='tolerance = "10 %"')
    result = CliRunner().invoke(cli, ["policy", str(study), "--lives", "1000", "--seed", "7"])
    assert result.exit_code == 0, result.output
    first = result.stdout.split("\n\n")[0]
    assert "per use" in " ".join(first.split())
    assert "=>" in result.stdout
    assert "seed 7" in " ".join(result.stdout.split())
    again = CliRunner().invoke(cli, ["policy", str(study), "--lives", "1000", "--seed", "7"])
    assert again.stdout == result.stdout


def test_the_command_takes_candidates_and_says_what_it_cannot_read(tmp_path: Path) -> None:
    study = demo(tmp_path / "s", costs="sensor = 90\nspoilt_session = 400\ncheck = 10")
    result = CliRunner().invoke(cli, ["policy", str(study), "--lives", "1000", "--checks-every", "3", "--guard", "70 %",
                                      "--retire-after", "4,6", "--json"])
    data = json.loads(result.stdout)
    assert data["command"] == "policy"
    words = {e["of"]["policy"] for e in data["estimates"] if "policy" in e["of"]}
    assert {"retire after 4", "retire after 6"} <= words
    assert any(w.startswith("check every 3, retire past 70 % of the limit or after ") for w in words)
    for wrong in (["--retire-after", "0"], ["--checks-every", "x"], ["--guard", "120 %"], ["--lives", "3"]):
        assert CliRunner().invoke(cli, ["policy", str(study), *wrong]).exit_code == 2


def test_a_study_without_checks_is_refused(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text('[study]\ntitle = "t"\n', encoding="utf-8")
    result = CliRunner().invoke(cli, ["policy", str(tmp_path)])
    assert result.exit_code == 1
    assert "limit" in result.output or "checks" in result.output


def test_numbers_are_printed_with_three_digits() -> None:
    assert [number(v) for v in (0, 0.06312, 4.1249, 1234.5, 0.00071)] == ["0", "0.0631", "4.12", "1,234", "0.000710"]


def test_a_study_that_asks_for_policies_and_lacks_a_cost_is_told_before_anything_is_computed(tmp_path: Path) -> None:
    with pytest.raises(DriftError, match="compares policies by cost") as caught:
        study_from_dict({"study": {"title": "t"}, "policy": {"lives": 2000}, "costs": {"sensor": 1, "check": 1}})
    assert any("spoilt_session = ..." in f.mend for f in caught.value.findings)
    assert not any("recalibration" in f.mend for f in caught.value.findings)
    folder = demo(tmp_path / "study", costs="sensor = 90\ncheck = 10\nrecalibration = 15")
    result = CliRunner().invoke(cli, ["policy", str(folder)])
    assert result.exit_code == 1
    assert "spoilt_session is missing" in " ".join(result.output.split())


def test_an_early_loss_counts_in_the_simulation_as_it_does_in_the_count() -> None:
    """Sensors that lose 8 % in the first uses reach their limit earlier than their lines alone say."""
    late = sensors(12, checks=(0.0, 5.0, 10.0, 20.0, 30.0, 40.0))
    early = [{**r, "response": r["response"] - (0.08 if r["use"] > 0 else 0.0)} for r in late]
    share = [next(r for r in rows_of(answer(rows, policy={"retire_after": (24,)})) if r["retire after"] == 24)
             ["sensors ever past a limit"] for rows in (late, early)]
    assert share[1] > 20 + share[0]


def test_a_check_dearer_than_a_sensor_and_a_failure_noticed_late_are_said() -> None:
    assert "check-dear" in codes(answer(costs={**COSTS, "check": 200.0}))
    result = answer(policy={"noticed_after": 500})
    said = next(f.message for f in result.findings if f.code == "noticed-late")
    assert "noticed only after 500 spoilt sessions" in said
    assert "never-fails" not in codes(result)


def test_no_policy_that_keeps_the_statements_is_one_sentence_with_its_reason_and_a_warning() -> None:
    for changes, why in (({"tolerance": 0.005}, "the recalibration interval is 0"),
                         ({"limits": {"saturation_pressure": "1030 kPa"}}, "the retire-after count is 0")):
        result = answer(**changes)
        assert f"({why}), so none is chosen. For comparison, " in result.answer
        warning = next(f for f in result.findings if f.code == "none-keeps")
        assert warning.severity == "warning"
        assert warning.mend
        assert result.chosen() == ""


def test_recalibrating_later_than_retiring_is_no_policy_of_its_own() -> None:
    rows = rows_of(answer(tolerance=0.9))
    assert not any(r["recalibrate every"] >= r["retire after"] for r in rows)


def test_bands_hold_their_own_value() -> None:
    for result in (usual(), with_tolerance()):
        for r in rows_of(result):
            assert r["cost, low"] <= r["cost per use"] <= r["cost, high"]
            assert r["spoilt, low"] <= r["spoilt per 100"] <= r["spoilt, high"]
            assert r["sensors ever past a limit"] <= r["ever past, upper bound"]
