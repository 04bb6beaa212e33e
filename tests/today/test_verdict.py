"""The verdict on one sensor: use, check again, do not use, with the right sentence for each state of knowledge."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.errors import DriftError
from drift.workflow_today import today_of_study

TOML = """[study]
title = "t"
[files]
checks = "checks.csv"
sensors = "sensors.csv"
events = "events.csv"
[units.checks]
reading = "count"
reference = "kPa"
[limits]
sensitivity_change = 0.25
dead_fraction = 0.05
"""


def write(folder: Path, *, rows: list[tuple[Any, ...]] = [], sensors: list[str] = [], events: list[str] = [],  # noqa: B006
          toml: str = TOML, standards: dict[str, np.ndarray] | None = None) -> str:
    """Eight plain sensors checked at uses 0 to 25, and what a test adds."""
    rng = np.random.default_rng(1)
    lines = ["sensor,use,replicate,reading,reference,dead"]
    listed = ["sensor,construction,role"]
    for i in range(8):
        start, slope = rng.normal(0, 0.03), rng.normal(-0.006, 0.001)
        listed.append(f"P{i + 1:02d},plain,worn")
        lines += [f"P{i + 1:02d},{u},1,{200 * np.exp(start + slope * u + rng.normal(0, 0.01)):.2f},200,0"
                  for u in range(0, 26, 5)]
    for name, x in (standards or {}).items():
        listed.append(f"{name},,check standard")
        lines += [f"{name},{u},1,{v:.3f},200,0" for u, v in enumerate(x)]
    lines += [",".join(str(c) for c in r) for r in rows]
    (folder / "checks.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "sensors.csv").write_text("\n".join([*listed, *sensors]) + "\n", encoding="utf-8")
    (folder / "events.csv").write_text("\n".join(["sensor,use,event,note", *events]) + "\n", encoding="utf-8")
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    return str(folder)


def test_a_good_sensor_may_be_used(tmp_path: Path) -> None:
    found = today_of_study(write(tmp_path), "P01")
    assert found.answer.startswith("Use P01: its latest check (use 25) lies on its predicted path and it stays within")
    left = found.estimate("remaining uses")
    assert 0 < left.low < left.value < 60
    assert "posterior" in left.method


def test_a_worn_sensor_is_not_to_be_used(tmp_path: Path) -> None:
    path = write(tmp_path)
    assert today_of_study(path, "P01", use=60).answer.startswith("Do not use P01: it is past its limit, a fall of "
                                                                 "sensitivity of 25 %")


def test_a_sensor_off_its_path_is_checked_again_and_the_repeat_decides(tmp_path: Path) -> None:
    off = ("P01", 30, 1, 140, 200, 0)
    first = today_of_study(write(tmp_path, rows=[off]), "P01")
    assert first.answer.startswith("Check P01 again before use: its latest check (use 30) lies")
    assert "below its predicted path. One repeat check decides." in first.answer
    good = today_of_study(write(tmp_path, rows=[off, ("P01", 30, "repeat", 171, 200, 0)]), "P01")
    assert good.answer.startswith("Use P01: the repeat of its check at use 30 lies on its predicted path")
    assert "slip" in [f.code for f in good.findings]
    bad = today_of_study(write(tmp_path, rows=[off, ("P01", 30, "repeat", 141, 200, 0)]), "P01")
    assert bad.answer.startswith("Do not use P01")
    assert "and the repeat lie" in bad.answer
    more = today_of_study(write(tmp_path, rows=[off, ("P01", 30, "repeat", 141, 200, 0),
                                                ("P01", 30, "repeat 2", 171, 200, 0)]), "P01")
    assert more.answer.startswith("Do not use P01")
    assert "more-than-one-repeat" in [f.code for f in more.findings]


def test_a_repeat_off_the_path_of_a_good_check_is_said(tmp_path: Path) -> None:
    rows = [("P01", 30, 1, 171, 200, 0), ("P01", 30, "repeat", 158, 200, 0)]
    found = today_of_study(write(tmp_path, rows=rows), "P01")
    assert "although the repeat of that check lies" in found.answer
    assert found.answer.startswith("Use P01: its latest check (use 30) lies on its predicted path")
    assert "repeat-off-path" in [f.code for f in found.findings]
    reasons = found.parts[0].table("reasons") if found.parts else found.table("reasons")
    assert "off its path, the first decides" in set(reasons["means"])
    whole = today_of_study(str(tmp_path), None).parts[0].table("sensors today")
    assert "the repeat of that check lies" in dict(zip(whole["sensor"], whole["why"], strict=True))["P01"]


def test_a_reading_in_the_hand_is_judged_and_not_recorded(tmp_path: Path) -> None:
    path = write(tmp_path)
    bad = today_of_study(path, "P01", readings=[120.0], references=["200"], use=30)
    assert bad.answer.startswith(("Check P01 again", "Do not use P01"))
    good = today_of_study(path, "P01", readings=[171.0], references=["0.2 MPa"], use=30)
    assert good.answer.startswith("Use P01")
    assert "not-logged" in [f.code for f in good.findings]
    with pytest.raises(DriftError, match="bears none"):
        today_of_study(path, "P01", readings=[166.0])
    with pytest.raises(DriftError, match="such as '200 kPa'"):
        today_of_study(path, "P01", readings=[166.0], references=["2 bananas"])


def test_one_check_no_check_and_a_new_construction(tmp_path: Path) -> None:
    path = write(tmp_path, rows=[("N01", 0, 1, 200, 200, 0), ("Q01", 0, 1, 200, 200, 0)],
                 sensors=["N01,plain,worn", "N02,plain,worn", "Q01,woven,worn", "Q02,woven,worn"])
    one = today_of_study(path, "N01")
    assert one.answer.startswith("Use N01")
    assert "one-check" in [f.code for f in one.findings]
    none = today_of_study(path, "N02")
    assert none.answer.startswith("Check N02 before use: it has no usable check yet. Of sensors like it 95 %")
    new = today_of_study(path, "Q01")
    assert new.answer.startswith("Check Q01 again before use: there are no other checked sensors of construction woven")
    assert np.isnan(new.estimate("remaining uses").value)
    bare = today_of_study(path, "Q02")
    assert bare.answer == "Check Q02 before use: it has no usable check yet."


def test_a_lone_sensor_with_checks_is_judged_by_its_own_line(tmp_path: Path) -> None:
    rows = [("Q01", u, 1, round(200 - 0.6 * u + d, 2), 200, 0) for u, d in zip(range(0, 30, 5), (0, 1, -1, 0, 1, -1),
                                                                              strict=True)]
    found = today_of_study(write(tmp_path, rows=rows, sensors=["Q01,woven,worn"]), "Q01")
    assert found.answer.startswith("Use Q01")
    assert "own-line-only" in [f.code for f in found.findings]


def test_an_unknown_sensor_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    with pytest.raises(DriftError, match=r"Did you mean 'P01'\?"):
        today_of_study(write(tmp_path), "P0l")


def test_a_retired_sensor_and_dead_cells(tmp_path: Path) -> None:
    path = write(tmp_path, events=["P02,25,retired,creased"], rows=[("P03", 30, 1, 167, 200, 0.2)])
    assert today_of_study(path, "P02").answer == "Do not use P02: it was retired after use 25 (creased)."
    assert "20 % of its cells are dead" in today_of_study(path, "P03").answer


def test_without_a_limit_only_the_path_is_judged(tmp_path: Path) -> None:
    path = write(tmp_path, toml=TOML.split("[limits]")[0])
    found = today_of_study(path, "P01")
    assert found.answer.startswith("Use P01: its latest check")
    assert "no limit under [limits]" in found.answer


def test_the_rig_speaks_before_the_sensor(tmp_path: Path) -> None:
    x, y = np.random.default_rng(1).normal(100, 0.5, (2, 25))
    fine = today_of_study(write(tmp_path, standards={"CS1": x, "CS2": y}), "P01")
    assert fine.answer.startswith("Use P01")
    x[-1] += 6
    y[-1] += 6
    both = today_of_study(write(tmp_path, standards={"CS1": x, "CS2": y}), "P01")
    assert both.answer.startswith("Check P01 again before use: the rig is out of control")
    y[-1] -= 6
    alone = today_of_study(write(tmp_path, standards={"CS1": x, "CS2": y}), "P01")
    assert alone.answer.startswith("Use P01")
    assert "standard-jumped" in [f.code for f in alone.findings]
    cause = today_of_study(write(tmp_path, standards={"CS1": x, "CS2": y}, events=["CS1,23,new baseline,"]), "P01")
    assert "baseline-without-cause" in [f.code for f in cause.findings]
    whole = today_of_study(str(tmp_path), "CS1")
    assert whole.answer.startswith("CS1 is a check standard and not for use")


def test_a_step_of_the_rig_that_stays_is_never_taken_into_the_baseline(tmp_path: Path) -> None:
    x, y = np.random.default_rng(1).normal(100, 0.5, (2, 18))
    x[12:] += 3
    y[12:] += 3
    for n in (13, 15, 18):
        found = today_of_study(write(tmp_path, standards={"CS1": x[:n], "CS2": y[:n]}), "P01")
        assert found.answer.startswith("Check P01 again before use: the rig is out of control"), n
        assert {"baseline-stopped"} <= {f.code for f in found.findings}


def test_all_sensors_in_one_table(tmp_path: Path) -> None:
    found = today_of_study(write(tmp_path, rows=[("P01", 30, 1, 130, 200, 0)]), None)
    table = found.parts[0].table("sensors today")
    assert len(table) == 8
    # The one far off makes all checks look worse, and P04, the most worn, is no longer shown to be within.
    why = dict(zip(table["sensor"], table["why"], strict=True))
    assert [s for s, w in why.items() if w] == ["P04", "P01"]
    assert "near a limit" in why["P04"]
    assert found.answer.startswith("Of 8 sensors in use: 6 may be used, 2 to be checked again")


def test_no_wear_wrong_way_and_equal_checks_have_an_answer(tmp_path: Path) -> None:
    rows = [(f"F{i}", u, 1, 200 + (u if i else 0) * 0.5, 200, 0) for i in range(3) for u in (0, 5, 10)]
    sensors = [f"F{i},flat,worn" for i in range(3)]
    found = today_of_study(write(tmp_path, rows=rows, sensors=sensors), "F0")
    assert found.answer.startswith(("Use F0", "Check F0"))


def test_the_command_prints_the_answer_first_and_json_has_the_shape(tmp_path: Path) -> None:
    path = write(tmp_path)
    shown = CliRunner().invoke(cli, ["today", path, "--sensor", "P01"])
    assert shown.exit_code == 0
    assert shown.output.startswith("Use P01")
    assert "Why: P01 at use 25" in shown.output
    data = json.loads(CliRunner().invoke(cli, ["today", path, "--sensor", "P01", "--json"]).output)
    assert data["command"] == "today"
    import jsonschema

    schema = json.loads((Path(__file__).parents[2] / "drift" / "schema" / "output.json").read_text(encoding="utf-8"))
    jsonschema.validate(data, schema)
    assert CliRunner().invoke(cli, ["today", path, "--repeat"]).exit_code == 2
