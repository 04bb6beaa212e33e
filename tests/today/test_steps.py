"""Checks on both sides of a change of the rig: put on the present rig, tried at both ends, or not judged."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drift.records import Tables
from drift.results import Result
from drift.sensitivity.design import prepare
from drift.study import Study
from drift.today import judge, one_sensor, prepare_setting
from drift.today.steps import rig_steps
from drift.workflow import _budget
from drift.workflow_today import today_of_study
from tests.coverage.rig_steps import STUDY, World, laboratory
from tests.today.test_verdict import TOML

PLAIN = World()


def drawn(w: World = PLAIN, seed: int = 4) -> Tables:
    return laboratory(w, np.random.default_rng(seed))[0]


def said(tables: Tables, sensor: str = "P01", study: Any = STUDY) -> Result:
    return one_sensor(prepare_setting(tables, study), sensor, tables, study)


def shown(tables: Tables) -> float:
    """Return the fall that the latest check of P01 shows, in percent."""
    near = judge(prepare_setting(tables, STUDY), "P01").forecasts[0].near
    assert near is not None
    return near.shown


def without(tables: Tables, rows: Any) -> Tables:
    assert tables.checks is not None
    return replace(tables, checks=tables.checks.take(np.asarray(rows)))  # type: ignore[arg-type]


def changed(tables: Tables, **columns: Any) -> Tables:
    assert tables.checks is not None
    held = {k: tables.checks[k] for k in tables.checks.columns} | columns
    return replace(tables, checks=type(tables.checks)(held, tables.checks.row, tables.checks.file,
                                                      units=tables.checks.units))


def sensor_is(tables: Tables, start: str) -> Any:
    assert tables.checks is not None
    return np.array([str(s).startswith(start) for s in tables.checks["sensor"]])


def test_a_step_of_the_rig_no_longer_hides_what_a_sensor_has_lost() -> None:
    """The same draws with the rig standing still show the same fall, to the error of the step."""
    still, moved = shown(drawn(replace(PLAIN, step=0.0, logged=False))), shown(drawn())
    hidden = shown(without(drawn(), ~sensor_is(drawn(), "CS")))
    assert moved == pytest.approx(still, abs=1.0)
    assert hidden < still - 5


def test_the_answer_says_how_far_the_rig_moved_and_since_when() -> None:
    found = said(drawn())
    assert re.search(r"The rig moved \+[78]\S* \(\+[78]\S* to \+[78]\S*\) % from", found.answer)
    assert "from 2026-03-06 on (simulated): its checks before are put on the present rig" in found.answer
    assert "rig-step-between-checks" in {f.code for f in found.findings}
    table = found.table("reasons")
    assert "rig, between its checks" in table["reason"].tolist()


def test_a_step_that_is_not_on_record_is_found() -> None:
    steps = prepare_setting(drawn(replace(PLAIN, logged=False)), STUDY).steps
    assert steps is not None
    assert [s.cause for s in steps.steps] == [""]
    assert steps.steps[0].size == pytest.approx(math.log(1.08), abs=0.006)


def test_bound_and_chance_are_those_of_the_least_favourable_end() -> None:
    setting = prepare_setting(drawn(), STUDY)
    whole = judge(setting, "P01")
    assert len(whole.ends) >= 2
    each = [e.forecasts[0] for e in whole.ends]
    assert whole.forecasts[0].low <= min(f.low for f in each)
    assert whole.forecasts[0].next >= max(f.next for f in each)


def test_one_standard_leaves_two_answers_and_both_are_said() -> None:
    found = said(drawn(replace(PLAIN, standards=1)))
    assert "CS1 moved +" in found.answer
    assert "whether the rig or the standard changed is not known" in found.answer
    assert "if it was the rig, the latest check shows a fall" in found.answer


def test_where_the_two_answers_differ_the_sensor_is_not_cleared() -> None:
    """Nineteen percent lost is past a limit of 18 % if the rig moved, and eleven is not if the standard did."""
    limit = STUDY.model_copy(update={"limits": STUDY.limits.model_copy(update={"sensitivity_change": 0.17})})
    found = said(drawn(replace(PLAIN, standards=1)), study=limit)
    assert found.answer.startswith("Check P01 again before use: whether the rig or CS1 itself changed")
    assert "exclude" in found.answer
    assert said(without(drawn(), ~sensor_is(drawn(), "CS")), study=limit).answer.startswith("Use P01")


def test_excluding_the_standard_before_its_own_change_settles_it() -> None:
    tables = drawn(replace(PLAIN, standards=1, alone=True))
    assert tables.checks is not None
    before = sensor_is(tables, "CS") & (tables.checks["use"] < 12)
    assert prepare_setting(tables, STUDY).steps is not None
    assert prepare_setting(without(tables, ~before), STUDY).steps is None


def test_a_standard_that_moved_alone_changes_no_sensor() -> None:
    tables = drawn(replace(PLAIN, alone=True))
    assert prepare_setting(tables, STUDY).steps is None
    assert "The rig moved" not in said(tables).answer


def test_a_baseline_begun_anew_and_not_read_since_clears_nothing() -> None:
    tables = drawn()
    assert tables.checks is not None
    late = sensor_is(tables, "CS") & (tables.checks["use"] >= 12)
    found = said(without(tables, ~late))
    assert found.answer.startswith("Check P01 again before use: the rig changed after 2026-03-01 (simulated)")
    assert "Read the check standards, which tells how far the rig moved." in found.answer


def test_checks_without_a_day_are_not_judged_across_a_step() -> None:
    tables = drawn()
    assert tables.checks is not None
    time = np.where(sensor_is(tables, "P01"), "", tables.checks["time"].astype(str)).astype(object)
    found = said(changed(tables, time=time))
    assert found.answer.startswith("Check P01 again before use: the rig changed, and on which side")
    assert "column time" in found.answer


def test_one_check_without_a_day_between_two_of_one_side_is_of_that_side() -> None:
    tables = drawn()
    assert tables.checks is not None
    time = tables.checks["time"].copy()
    time[np.flatnonzero(sensor_is(tables, "P01"))[1]] = ""
    assert shown(changed(tables, time=time)) == pytest.approx(shown(tables), abs=1e-9)


@pytest.mark.parametrize("turn", [1, 2])
def test_the_order_of_rows_changes_nothing(turn: int) -> None:
    tables = drawn()
    assert tables.checks is not None
    order = np.random.default_rng(turn).permutation(len(tables.checks))
    assert shown(without(tables, order)) == pytest.approx(shown(tables), abs=1e-9)


def test_a_limit_on_pressure_is_held_against_the_present_rig() -> None:
    """A rig that reads 8 % higher makes the saturation pressure read 8 % lower: earlier values are divided by it."""
    tables = drawn()
    data = prepare(tables, STUDY)
    steps = rig_steps(tables, data, STUDY)
    assert steps is not None
    moved = steps.put_on_present(data, np.array([0.1]))
    early = steps.earlier[0] | steps.open[0]
    np.testing.assert_allclose(moved.response[early] - data.response[early], 0.1)
    np.testing.assert_allclose(moved.response[~early], data.response[~early])
    np.testing.assert_allclose(moved.calibration.reading[early], data.calibration.reading[early] * math.exp(0.1))


def test_all_sensors_are_told_of_the_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tables = drawn()
    for name, table in (("checks", tables.checks), ("sensors", tables.sensors), ("events", tables.events)):
        assert table is not None
        columns = list(table.columns)
        lines = [",".join(columns)] + [",".join(str(table[c][i]) for c in columns) for i in range(len(table))]
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    found = today_of_study(str(tmp_path), None)
    assert "checks before are put on the present rig" in found.answer
    monkeypatch.chdir(tmp_path)
    assert today_of_study(".", None).answer == found.answer  # a folder without a name of its own
    one = today_of_study(str(tmp_path), "P01", readings=[140.0], references=["200 kPa"], use=32)
    assert "The rig moved +" in one.answer


def test_a_budget_says_that_its_drift_holds_a_step_of_the_rig() -> None:
    asked = Study.model_validate({"study": {"title": "simulated"}, "budget": {"pressure": "200 kPa", "use": 20}})
    assert "This rests on readings across a step of the rig that is not corrected" in _budget(
        drawn(), asked, 0.95, 1).answer
    assert "step of the rig" not in _budget(drawn(replace(PLAIN, step=0.0, logged=False)), asked, 0.95, 1).answer


def _renamed(tables: Tables, day: int = 60) -> Tables:
    """The only standard is replaced by another on the day of the change, without a day on which both were read."""
    assert tables.checks is not None
    assert tables.sensors is not None
    late = sensor_is(tables, "CS") & (tables.checks["use"] >= day // 5)
    names = np.where(late, "CSb", tables.checks["sensor"].astype(str)).astype(object)
    listed = {"sensor": np.append(tables.sensors["sensor"], "CSb"),
              "role": np.append(tables.sensors["role"], "check standard")}
    return replace(changed(tables, sensor=names),
                   sensors=type(tables.sensors)(listed, np.arange(2, len(listed["sensor"]) + 2), "sensors", units={}))


def test_a_standard_replaced_without_a_common_day_is_said_to_tell_nothing() -> None:
    tables = _renamed(drawn(replace(PLAIN, standards=1, logged=False)))
    found = said(tables)
    assert "no check standard was read both before and after" in found.answer
    assert "standards-do-not-overlap" in {f.code for f in found.findings}
    both = drawn(replace(PLAIN, logged=False))
    assert "no check standard was read" not in said(both).answer


@pytest.mark.parametrize("whose", ["CS1", "CSb"])
def test_a_change_on_record_that_no_standard_spans_clears_nothing(whose: str) -> None:
    tables = _renamed(drawn(replace(PLAIN, standards=1)))
    assert tables.events is not None
    use = 11.0 if whose == "CS1" else 12.0
    columns = {"sensor": np.array([whose], dtype=object), "use": np.array([use]),
               "event": np.array(["new baseline"], dtype=object), "note": np.array(["new indenter"], dtype=object)}
    events = type(tables.events)(columns, np.array([2]), "events", units={})
    found = said(replace(tables, events=events))
    assert found.answer.startswith("Check P01 again before use: the rig changed from 2026-03-06 on (new indenter)")
    assert math.isnan(found.estimate("remaining uses").value)  # what is not known is not printed


@pytest.mark.parametrize(("use", "day"), [(11.0, ""), (12.0, ""), (10.0, ""), (3.0, "2026-03-06"),
                                          (23.0, "2026-03-06")])
def test_an_event_a_day_beside_the_step_or_with_its_day_is_that_step(use: float, day: str) -> None:
    tables = drawn()
    assert tables.events is not None
    n = len(tables.events)
    columns = {k: tables.events[k] for k in tables.events.columns}
    columns |= {"use": np.full(n, use), "time": np.full(n, day, dtype=object)}
    events = type(tables.events)(columns, np.arange(2, n + 2), "events", units={})
    steps = prepare_setting(replace(tables, events=events), STUDY).steps
    assert steps is not None
    assert [(s.when, s.cause) for s in steps.steps] == [("from 2026-03-06 on", "simulated")]


def test_a_rig_that_may_have_gone_down_retires_nobody_by_one_standard() -> None:
    """Uncorrected it is past its limit, and not if the rig went down: neither cleared nor thrown away."""
    limit = STUDY.model_copy(update={"limits": STUDY.limits.model_copy(update={"sensitivity_change": 0.2})})
    down = drawn(replace(PLAIN, standards=1, step=math.log(0.92)))
    assert said(without(down, ~sensor_is(down, "CS")), study=limit).answer.startswith("Do not use P01")
    found = said(down, study=limit)
    assert found.answer.startswith("Check P01 again before use: whether the rig or CS1 itself changed")
    assert "exclude" in found.answer


def rows_of(tables: Tables, *sensors: str, use: tuple[float, float] = (-1.0, math.inf)) -> Any:
    assert tables.checks is not None
    inside = (tables.checks["use"] >= use[0]) & (tables.checks["use"] < use[1])
    return np.isin(tables.checks["sensor"].astype(str), sensors) & inside


def test_a_standard_given_up_long_ago_does_not_speak_for_the_rig() -> None:
    """CS1 was read to day 30 only; CS2 starts anew at day 60 and is not read since: nothing tells how far."""
    tables = drawn()
    assert tables.events is not None
    tables = replace(tables, events=tables.events.take(tables.events["sensor"] == "CS2"))
    read_on = without(tables, ~rows_of(tables, "CS2", use=(12, math.inf)))
    steps = prepare_setting(read_on, STUDY).steps
    assert steps is not None
    assert all(s.known for s in steps.steps)
    given_up = without(read_on, ~rows_of(read_on, "CS1", use=(7, math.inf)))
    assert said(given_up).answer.startswith("Check P01 again before use: the rig changed after 2026-03-01 (simulated)")


def test_a_control_that_changed_alone_asks_nothing_of_a_laboratory_without_standards() -> None:
    tables = drawn(replace(PLAIN, alone=True))
    assert tables.sensors is not None
    role = np.where(tables.sensors["role"] == "check standard", "control", tables.sensors["role"]).astype(object)
    held = type(tables.sensors)({"sensor": tables.sensors["sensor"], "role": role}, tables.sensors.row, "simulated")
    tables = replace(without(tables, ~rows_of(tables, "CS1", use=(12, math.inf))), sensors=held)
    assert said(tables).answer.startswith("Use P01")


def test_reading_a_standard_anew_does_not_clear_what_its_undated_readings_left_open() -> None:
    tables = drawn()
    time = tables.checks["time"].copy()  # type: ignore[index]
    time[rows_of(tables, "CS1", "CS2", use=(-1, 12))] = ""
    found = said(changed(tables, time=time))
    assert found.answer.startswith("Check P01 again before use: the rig changed from 2026-03-06 on (simulated)")
    assert "also of the check standards, into the column time" in found.answer
    assert found.answer.count("(simulated)") == 1


@pytest.mark.parametrize("standing", [0.0, math.nan])
def test_a_change_is_found_where_wear_is_counted_in_hours_that_a_standard_does_not_make(standing: float) -> None:
    tables = drawn()
    assert tables.checks is not None
    hours = np.where(sensor_is(tables, "CS"), standing, 1.5 * tables.checks["use"])
    study = STUDY.model_copy(update={"sensitivity": Study.model_validate(
        {"study": {"title": "t"}, "sensitivity": {"exposure": "hours"}}).sensitivity})
    steps = prepare_setting(changed(tables, hours=hours), study).steps
    assert steps is not None
    assert [(s.cause, s.known) for s in steps.steps] == [("simulated", True)]
    assert steps.steps[0].size == pytest.approx(math.log(1.08), abs=0.006)


def test_a_step_between_two_checks_that_standards_bracket_together_is_tried() -> None:
    """All checks of P01 lie between two readings of the standards: the rig may have changed between any two."""
    tables = drawn()
    tables = without(tables, ~rows_of(tables, "CS1", "CS2", use=(3, 21)))
    first = np.datetime64("2026-01-16")
    time = tables.checks["time"].copy()  # type: ignore[index]
    mine = np.flatnonzero(sensor_is(tables, "P01"))
    time[mine] = [str(first + 12 * i) for i in range(len(mine))]
    setting = prepare_setting(changed(tables, time=time), STUDY)
    assert setting.steps is not None
    shown = [e.forecasts[0].near.shown for e in judge(setting, "P01").ends]  # type: ignore[union-attr]
    assert max(shown) - min(shown) > 5


def test_sensors_that_cannot_be_put_on_one_rig_tell_nothing_of_the_others() -> None:
    """Nine sensors without days look as if they wore half as fast, for the rig reads higher from day 60 on."""
    tables = without(drawn(), ~rows_of(drawn(), "P01", use=(11, math.inf)))
    time = tables.checks["time"].copy()  # type: ignore[index]
    time[~rows_of(tables, "P01", "CS1", "CS2")] = ""
    setting = prepare_setting(changed(tables, time=time), STUDY)
    assert setting.steps is not None
    assert len(setting.steps.undated) == 9
    assert len(setting.population(0, "")[1]) == 1
    verdict = judge(setting, "P01")
    assert all(f.basis == "own line" for f in verdict.forecasts)
    assert judge(setting, "P02").word == "check again"


def test_a_sensor_past_its_limit_as_read_is_not_said_to_be_so_at_both_ends() -> None:
    """One standard reads 8 % lower: past the limit if it was the standard, within it if it was the rig."""
    tables = drawn(replace(PLAIN, standards=1, step=math.log(0.92)))
    limit = STUDY.model_copy(update={"limits": STUDY.limits.model_copy(update={"sensitivity_change": 0.22})})
    assert {e.word for e in judge(prepare_setting(tables, limit), "P01").ends} == {"use", "do not use"}
    table = said(tables, study=limit).table("reasons")
    means = dict(zip(table["reason"].tolist(), table.columns[-1].values.tolist(), strict=True))
    assert means["rig or standard, between its checks"] == "check again"


def test_a_standard_read_badly_leaves_open_how_far_the_rig_moved_with_another() -> None:
    """CS1 moves by 12 % and CS2, read five times with three times the scatter, by the rig's 4 %."""
    rng = np.random.default_rng(2)
    tables = drawn(replace(PLAIN, step=math.log(1.04), logged=False))
    assert tables.checks is not None
    one, two = rows_of(tables, "CS1"), rows_of(tables, "CS2")
    late = tables.checks["use"] >= 12
    reading = tables.checks["reading"].copy()
    reading[one & late] *= 1.08
    reading[two] *= np.exp(0.02 * rng.standard_normal(int(two.sum())))
    kept = ~two | np.isin(tables.checks["use"], [2, 6, 10, 14, 20])
    steps = prepare_setting(without(changed(tables, reading=reading), kept), STUDY).steps
    assert steps is not None
    (step,) = steps.steps
    assert step.low < math.log(1.04) < step.high


def test_a_sensor_open_at_two_steps_is_not_judged() -> None:
    """Standards are read every 60 days: its checks in between may lie on either side of both changes."""
    tables = drawn(replace(PLAIN, last=180, logged=False))
    assert tables.checks is not None
    use, reading = tables.checks["use"], tables.checks["reading"].copy()
    standards = sensor_is(tables, "CS")
    reading[standards & (use >= 24)] *= 1.06
    changed_twice = changed(tables, reading=reading)
    seldom = without(changed_twice, ~standards | np.isin(use, [*range(9), *range(15, 20), *range(27, 37)]))
    steps = prepare_setting(seldom, STUDY).steps
    assert steps is not None
    assert len(steps.steps) == 2
    assert steps.undated
    assert all(len(steps.crossed[s]) == 2 for s in steps.undated)
    who = min(steps.undated)
    assert "on which side of that some of its checks lie" in said(seldom, who).answer
    assert not said(seldom, who).answer.startswith("Use")
