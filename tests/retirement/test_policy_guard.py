"""The guard band as a number: what is printed is what the simulation used, in the unit that is read on the bench."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import numpy as np
import pytest

import drift.retirement.policy as module
from drift.engine.policy import Policy
from drift.engine.policy import simulate as real_simulate
from drift.report.policy_grids import guard_rows, policy_grids
from drift.retirement.limits import Limit
from drift.retirement.policy_guard import _rounded, shown, step_of, upward
from tests.retirement.test_policy import answer, rows_of

FALL = Limit(key="sensitivity_change", value=0.25, unit="", relative=True, log=True, sign=-1.0, words="")
SATURATION = Limit(key="saturation_pressure", value=1400.0, unit="kPa", relative=False, log=True, sign=1.0, words="")
LOW_READING = Limit(key="reading", value=5.0, unit="N", relative=False, log=False, sign=-1.0, words="")
LINEAR_FALL = Limit(key="sensitivity_change", value=0.25, unit="", relative=True, log=False, sign=-1.0, words="")


@pytest.mark.parametrize(("limit", "up", "seen"), [
    (FALL, -math.log(0.8), 20.0), (LINEAR_FALL, 0.2, 20.0), (SATURATION, math.log(1300.0), 1300.0),
    (LOW_READING, -6.0, 6.0)])
def test_what_a_check_shows_and_the_scale_of_the_lines_are_one(limit: Limit, up: float, seen: float) -> None:
    assert shown(limit, up) == pytest.approx(seen)
    assert upward(limit, seen) == pytest.approx(up)


@pytest.mark.parametrize(("limit", "up", "fresh", "rounded"), [
    (FALL, -math.log1p(-0.19567), 0.0, 19.5), (LINEAR_FALL, 0.19567, 0.0, 19.5),
    (SATURATION, math.log(1312.7), math.log(1000.0), 1312.0), (LOW_READING, -6.2221, -10.0, 6.23)])
def test_a_threshold_is_rounded_towards_fresh_so_that_no_sensor_stays_longer(limit: Limit, up: float, fresh: float,
                                                                             rounded: float) -> None:
    assert _rounded(limit, up, fresh) == pytest.approx(rounded)
    assert upward(limit, _rounded(limit, up, fresh)) <= up
    assert 200 * step_of(limit, fresh) <= abs(shown(limit, limit.threshold()) - shown(limit, fresh)) * (1 + 1e-9)


CRITERIA: list[Any] = []  # of the last simulation


def used_by_the_simulation(monkeypatch: pytest.MonkeyPatch, **changes: Any) -> tuple[Any, list[Policy]]:
    """Answer a study and keep the policies that were simulated."""
    seen: list[Policy] = []

    def spy(population: Any, criteria: Any, policies: list[Policy], **options: Any) -> Any:
        seen.extend(policies)
        CRITERIA[:] = [criteria]
        return real_simulate(population, criteria, policies, **options)

    monkeypatch.setattr(module, "simulate", spy)
    return answer(**changes), seen


@pytest.mark.parametrize("policy", [{"check_every": (5,)}, {"check_every": (5,), "guard": 0.8}])
def test_the_printed_number_is_the_one_the_simulation_used(monkeypatch: pytest.MonkeyPatch,
                                                           policy: dict[str, Any]) -> None:
    """Two limits: a fall from the sensor's own fresh value, and a pressure."""
    costs = {"sensor": 90.0, "spoilt_session": 400.0, "check": 0.5, "currency": "EUR"}
    result, simulated = used_by_the_simulation(monkeypatch, policy=policy, costs=costs, limits={
        "sensitivity_change": 0.25, "saturation_pressure": "1500 kPa"})
    used, = {tuple(p.threshold) for p in simulated if p.threshold is not None}
    said = re.search(r"retire at a check that shows a sensitivity ([\d.]+) % or more below the sensor's own fresh "
                     r"value \(that is ([\d.]+) +for an average one, ([\d.]+) fresh, and no threshold for another "
                     r"sensor\) or a saturation pressure of ([\d,.]+) kPa or above\.", result.answer)
    assert said is not None, result.answer
    fall, average, fresh, pressure = (float(x.replace(",", "")) for x in said.groups())
    # Where the average sensor wears early its line starts there: limit and threshold are that much nearer.
    early = -math.log(0.75) - CRITERIA[0].limit[0]
    assert 0 <= early < 0.01
    assert -math.log1p(-fall / 100) - early == pytest.approx(used[0], rel=1e-9)
    assert math.log(pressure) == pytest.approx(used[1], rel=1e-9)
    assert average == pytest.approx(fresh * (1 - fall / 100), rel=5e-3)
    if "guard" in policy:
        assert (fall, pressure) == (20.0, 1200.0)
    row = next(r for r in rows_of(result) if r["check every"] == 5)
    assert (row["retire at, sensitivity_change"], row["retire at, saturation_pressure"]) == (fall, pressure)
    assert row["retire at a check that shows"] == (f"sensitivity {fall:.1f} % down or saturation pressure "
                                                   f"{pressure:,.0f} kPa")
    written = json.loads(json.dumps(result.to_dict()))
    at = {e["of"]["limit"]: e for e in written["estimates"] if e["name"] == "retire at a check"}
    assert (at["sensitivity_change"]["value"], at["sensitivity_change"]["unit"]) == (fall, "%")
    assert (at["saturation_pressure"]["value"], at["saturation_pressure"]["unit"]) == (pressure, "kPa")


def test_a_limit_on_the_reading_is_retired_at_a_reading_and_on_its_side(monkeypatch: pytest.MonkeyPatch) -> None:
    result, simulated = used_by_the_simulation(monkeypatch, policy={"check_every": (2,)}, limits={
        "reading": {"value": 0.8, "direction": "below"}})
    used, = {float(p.threshold[0]) for p in simulated if p.threshold is not None}
    row = next(r for r in rows_of(result) if r["check every"] == 2)
    at = next(e for e in result.estimates if e.name == "retire at a check")
    assert at.value == row["retire at, reading"] > 0.8
    assert math.exp(-used) == pytest.approx(at.value, rel=1e-9)
    assert at.unit == "count"
    assert "or one below is retired" in at.method


def test_a_policy_without_checks_has_no_such_number() -> None:
    result = answer(policy={"check_every": (60,)})
    assert "at a check" not in result.answer
    assert not any(e.name == "retire at a check" for e in result.estimates)
    assert guard_rows(result, "")[1] == []
    assert len(policy_grids(result)) == 1


def test_the_table_of_the_report_gives_one_row_for_each_way_of_checking() -> None:
    result = answer(policy={"check_every": (2, 5)})
    policies, guard = policy_grids(result)
    assert [r[0] for r in guard.rows] == ["2 uses", "5 uses"]
    assert guard.heads == ("check every", "fall from own fresh value [%]", "average sensor")
    fall = np.array([float(r[1]) for r in guard.rows])
    assert fall[0] > fall[1]  # the longer until the next check, the earlier
    assert any("guard band" in r[0] for r in policies.rows)
