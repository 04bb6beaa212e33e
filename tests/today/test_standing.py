"""Limits that are near, and what the study states beside one sensor: count, guard band, calibration."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from drift.engine.check_alone import chance_by_check
from drift.engine.sensor_forecast import Mixture
from drift.ingest import read_tables
from drift.results import Result
from drift.retirement import retire
from drift.retirement.recalibration import recalibrate
from drift.retirement.statements_alone import counts_stated, intervals_stated
from drift.sensitivity import basic_tables, fit_wear
from drift.study import read_study
from drift.today.beside import nothing_beside, results_beside
from drift.workflow_today import today_of_study
from tests.today.test_verdict import TOML, write

DEMO = Path(__file__).parents[2] / "demo_trials"
STATED = TOML.replace('title = "t"', 'title = "t"\nuse_is = "one visit"') + (
    "[sensitivity]\nscale = \"log\"\n[retirement]\ncontent = 0.9\nconfidence = 0.95\n")
COSTS = "[costs]\nsensor = 90\nspoilt_session = 400\ncheck = 10\n"
LISTED = ["W01,plain,worn"]


def worn(last: int) -> list[tuple[Any, ...]]:
    """Return the checks of a sensor W01 that loses 0.6 % a use and reaches the limit at use 48."""
    off = (0.4, -0.5, 0.2, 0.3, -0.3, -0.2, 0.5, -0.4, 0.1, -0.1)
    return [("W01", 5 * i, 1, round(200 * math.exp(-0.006 * 5 * i) + off[i], 2), 200, 0) for i in range(last // 5 + 1)]


def own(folder: Path, last: int, more: list[tuple[Any, ...]] = [], **changes: Any) -> str:  # noqa: B006
    """Write eight sensors and W01."""
    return write(folder, rows=[*worn(last), *more], sensors=LISTED, **changes)


def reasons(found: Result) -> dict[str, tuple[str, str, str]]:
    part = found.parts[0] if hasattr(found, "parts") else found
    t = part.table("reasons")
    return {str(a): (str(b), str(c), str(d)) for a, b, c, d in zip(t["reason"], t["found"], t["limit"], t["means"],
                                                                  strict=True)}


def certain(start: float, slope: float, *, noise: float, cov: Any = 0.0) -> Mixture:
    return Mixture(np.ones(1), np.array([[start, slope]]), np.zeros((1, 2, 2)) + cov, np.array([noise**2]))


def test_one_check_alone_is_its_distance_over_its_error() -> None:
    known = certain(0.0, -0.01, noise=0.02)
    for since, value in ((0.0, -0.26), (3.0, -0.26)):
        z = (-value + 0.01 * since - 0.2877) / 0.02
        assert chance_by_check(known, value, 1.0, since, 0.2877, sign=-1.0, relative=True) == pytest.approx(
            stats.norm.cdf(z))
    twice = chance_by_check(known, -0.26, 2.0, 0.0, 0.2877, sign=-1.0, relative=True)
    assert twice == pytest.approx(stats.norm.cdf((0.26 - 0.2877) / (0.02 / math.sqrt(2))))


def test_the_error_of_start_and_slope_counts_and_an_absolute_limit_needs_no_start() -> None:
    cov = np.array([[4e-4, -1e-5], [-1e-5, 1e-6]])
    unsure = certain(0.0, -0.01, noise=0.02, cov=cov)
    sd = math.sqrt(0.02**2 + 4e-4 - 2 * 3 * -1e-5 + 9e-6)  # of value + 3 slope - start
    assert chance_by_check(unsure, -0.25, 1.0, 3.0, 0.2877, sign=-1.0, relative=True) == pytest.approx(
        stats.norm.cdf((0.25 + 0.03 - 0.2877) / sd))
    away = certain(99.0, 0.0, noise=0.02)  # a start that is nonsense
    assert chance_by_check(away, 7.20, 1.0, 0.0, math.log(1400), sign=1.0, relative=False) == pytest.approx(
        stats.norm.cdf((7.20 - math.log(1400)) / 0.02))


def test_a_share_of_the_start_is_the_same_in_any_unit_and_any_sign() -> None:
    cov = np.array([[4.0, 0.0], [0.0, 1e-4]])
    one = chance_by_check(certain(100, -1, noise=2, cov=cov), 78, 1.0, 2.0, 0.25, sign=-1.0, relative=True, share=True)
    scaled = certain(10, -0.1, noise=0.2, cov=cov / 100)
    turned = certain(-100, 1, noise=2, cov=cov)
    assert one == pytest.approx(chance_by_check(scaled, 7.8, 1.0, 2.0, 0.25, sign=-1.0, relative=True, share=True))
    assert one == pytest.approx(chance_by_check(turned, -78, 1.0, 2.0, 0.25, sign=-1.0, relative=True, share=True))
    # Within by 100 - 25 = 75 against 78 - 2 = 76, with the errors of the check and of three quarters of the start.
    assert one == pytest.approx(stats.norm.cdf(-1 / math.sqrt(4 + 0.75**2 * 4 + 4e-4)))


def test_a_sensor_at_its_limit_is_not_used_on_the_strength_of_its_line(tmp_path: Path) -> None:
    """A straight line through ten checks puts it within; its last one, 1.3 % from the limit, does not show it."""
    found = today_of_study(own(tmp_path, 45), "W01")
    assert found.estimate("past the limit at the next use").value < 5  # the naive verdict would be: use
    alone = found.estimate("past the limit at the next use, by the latest check alone")
    assert 5 < alone.value < 50
    assert found.estimate("latest check, from the limit").value == pytest.approx(1.3, abs=0.5)
    assert found.answer.startswith("Check W01 again before use: its latest check (use 45) alone does not show it")
    assert "(limit 25 %), past it with probability" in found.answer
    assert "one repeat check decides" in found.answer
    assert reasons(found)["check at use 45 alone"][2] == "check again"


def test_check_and_repeat_together_decide(tmp_path: Path) -> None:
    bad = today_of_study(own(tmp_path, 45, [("W01", 45, "repeat", 152.0, 200, 0)]), "W01")
    assert bad.answer.startswith("Do not use W01: its latest check and the repeat (use 45) alone do not show it")
    good = today_of_study(own(tmp_path, 45, [("W01", 45, "repeat", 156.5, 200, 0)]), "W01")
    assert good.answer.startswith("Use W01")
    assert "It shows a fall of sensitivity of 2" in good.answer


def test_a_fresh_check_says_nothing_of_a_fall(tmp_path: Path) -> None:
    found = today_of_study(write(tmp_path, rows=[("N01", 0, 1, 200, 200, 0)], sensors=["N01,plain,worn"]), "N01")
    assert found.answer.startswith("Use N01")
    assert "past the limit at the next use, by the latest check alone" not in {e.name for e in found.estimates}
    assert reasons(found)["check at use 0 alone"] == ("0.0 %, 25.0 % from it", "", "") or "from it" in reasons(found)[
        "check at use 0 alone"][0]


def test_the_counts_are_those_of_the_whole_analysis() -> None:
    study = read_study(DEMO)
    tables = read_tables(study).tables
    wear = fit_wear(tables, study, seed=1)
    retired = retire(wear, study, tables, seed=1)
    interval = recalibrate(wear, study, tables)
    bare = Result(question="wear", answer="", tables=basic_tables(tables, study))
    counts, every = counts_stated(bare, study, tables), intervals_stated(bare, study, tables)
    assert set(counts) == set(every) == {"plain", "laminated"}
    for c in counts:
        count, m = retired.count(c), interval.interval(c)
        assert (counts[c].count, counts[c].count_at_least) == (count.value, count.bound == "at least")
        assert (every[c].every, every[c].every_at_least) == (m.value, m.bound == "at least")


def test_the_count_is_named_and_the_rule_in_force_decides(tmp_path: Path) -> None:
    free = today_of_study(own(tmp_path, 40, toml=STATED), "W01")
    assert free.answer.startswith("Use W01")
    assert "It has made 40 uses, past the retire-after count of plain sensors, " in free.answer
    assert "its own forecast decides here ([today] retire_by)" in free.answer
    assert reasons(free)["retire-after count"][2] == "past it, does not decide"
    path = own(tmp_path, 40, toml=STATED + '[today]\nretire_by = "count"\n')
    bound = today_of_study(path, "W01")
    assert bound.answer.startswith("Do not use W01: it has made 40 uses, and the retire-after count of plain sensors ")
    assert reasons(bound)["retire-after count"][2] == "do not use"
    fine = today_of_study(path, "P02")
    assert fine.answer.startswith("Use P02")
    assert "Of the retire-after count of plain sensors, " in fine.answer
    assert "past the retire-after count" in today_of_study(path, None).answer


def test_checks_past_a_guard_band_and_checks_that_are_due_decide_where_checks_are_the_rule(tmp_path: Path) -> None:
    rule = STATED + COSTS + '[today]\nretire_by = "checks"\n[policy]\ncheck_every = [5]\n'
    fast = [("W01", u, 1, round(200 * math.exp(-0.0102 * u) + 0.3 * (-1) ** u, 2), 200, 0) for u in range(0, 26, 5)]
    path = write(tmp_path, rows=fast, sensors=LISTED, toml=rule)
    past = today_of_study(path, "W01")
    assert past.answer.startswith("Do not use W01: ")
    assert "its latest check (use 25) shows a fall of sensitivity of 2" in past.answer
    assert "(retire at " in past.answer
    assert today_of_study(path, "P02", use=29).answer.startswith("Use P02")
    end = today_of_study(path, "P02", use=31)
    assert "it has made 31 uses, and after 31 the policy in force retires it whatever a check shows" in end.answer
    due = today_of_study(path, "P02", use=30)
    assert due.answer.startswith("Check P02 again before use: a check is due every 5 uses and its latest was 5 uses ")


def test_an_overdue_calibration_is_said_with_its_numbers(tmp_path: Path) -> None:
    toml = STATED + '[recalibration]\ntolerance = "8 %"\n'
    never = today_of_study(write(tmp_path, toml=toml), "P02")
    assert never.answer.startswith("Check P02 again before use: recalibrate it first, for it has made 25 uses since "
                                   "its last calibration (no recalibration is on record) and one is due every ")
    every = float(never.answer.split("one is due every ")[1].split(" ")[0])
    assert every >= 1
    after = today_of_study(write(tmp_path, toml=toml, events=[f"P02,{25 - every + 1:g},recalibrated,"]), "P02")
    assert after.answer.startswith("Use P02")
    assert reasons(after)["calibration"][2] == "within"
    again = today_of_study(write(tmp_path, toml=toml, events=[f"P02,{25 - every:g},recalibrated,"]), "P02")
    assert f"recalibrated after use {25 - every:g}" in again.answer
    whole = today_of_study(str(tmp_path), None)
    assert "due for recalibration" in whole.answer
    assert {"retire after", "since calibration"} <= {c.name for c in whole.parts[0].table("sensors today").columns}
    assert "recalibrate" not in today_of_study(write(tmp_path, toml=STATED), "P02").answer  # no tolerance, no clock
    bare = today_of_study(write(tmp_path), None).parts[0].table("sensors today")
    assert not {"retire after", "since calibration"} & {c.name for c in bare.columns}


def test_a_check_given_by_hand_does_not_move_the_count(tmp_path: Path) -> None:
    path = own(tmp_path, 30, toml=STATED)
    before = reasons(today_of_study(path, "W01"))["retire-after count"][1]
    slip = today_of_study(path, "W01", readings=[60.0], references=["200"], use=31)
    assert slip.answer.startswith("Check W01 again")
    assert reasons(slip)["retire-after count"][1] == before


def report(folder: Path, made: dict[str, str]) -> None:
    """Write the part of a report that is read."""
    beside = folder.with_name(f"{folder.name}-report")
    beside.mkdir(exist_ok=True)
    names = ("construction", "policy", "chosen", "check every", "retire after", "retire at, sensitivity_change")
    data = {"provenance": {"inputs": made}, "estimates": [
        {"name": "retire after", "of": {"construction": "plain"}, "value": 31.0, "bound": "exact"},
        {"name": "retire after", "of": {"construction": "plain", "limit": "x"}, "value": 99.0, "bound": "exact"}],
        "tables": [{"name": "policy: policies", "columns": [{"name": n, "unit": "%" if "sens" in n else ""}
                                                            for n in names],
                    "rows": [["plain", "check every 10", "yes", 10.0, 56.0, 17.5]]}]}
    (beside / "results.json").write_text(json.dumps(data), encoding="utf-8")


def test_a_report_beside_is_believed_only_where_it_was_made_from_the_same_files(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    folder.mkdir()
    own(folder, 40)
    study = read_study(folder)
    inputs = {"checks.csv": "a", "study.toml": "b", "study.lock": "c"}
    report(folder, inputs)
    found = results_beside(study, {**inputs, "study.lock": "other"})
    assert found.stated["plain"][0] == 31
    (guard,), every, ends = found.guards["plain"]
    assert (guard.number, every, ends) == ("17.5 %", 10, 56)
    for now in ({**inputs, "checks.csv": "changed"}, {}):
        assert results_beside(study, now).stated == nothing_beside().stated == {}
    shutil.rmtree(tmp_path / "s-report")
    assert results_beside(study, inputs).guards == {}


def test_the_reports_guard_band_is_named_beside_the_verdict(tmp_path: Path) -> None:
    from drift.workflow import hashes_of

    folder = tmp_path / "s"
    folder.mkdir()
    own(folder, 40)
    study = read_study(folder)
    report(folder, hashes_of(study, read_tables(study)))
    found = today_of_study(folder, "W01")
    assert "past the retire-after count of plain sensors, 31 uses" in found.answer
    assert "The report's cheapest policy would have retired it at that check: a fall of sensitivity of" in found.answer
    assert "(retire at 17.5 %, limit 25 %)" in found.answer
    (folder / "checks.csv").write_text((folder / "checks.csv").read_text(encoding="utf-8") + "P02,26,1,170,200,0\n",
                                       encoding="utf-8")
    assert "report" not in today_of_study(folder, "W01").answer


@pytest.mark.parametrize(("rule", "what"), [("count", "retire-after count"), ("checks", "guard band")])
def test_a_rule_that_is_not_known_is_said_and_the_forecast_decides(tmp_path: Path, rule: str, what: str) -> None:
    found = today_of_study(own(tmp_path, 30, toml=TOML + f'[today]\nretire_by = "{rule}"\n'), "W01")
    assert found.answer.startswith("Use W01")
    told = next(f for f in found.findings if f.code == "rule-unknown")
    assert told.severity == "warning"
    assert f"no {what} is known for W01" in told.message
