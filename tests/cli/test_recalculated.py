"""``drift agree --calibrations``: two calibrations of one table of raw readings, in the words of options."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli

DEMO = Path(__file__).resolve().parents[2] / "demo_trials" / "recalculated"
ASK = ["agree", str(DEMO / "raw_walks.csv"), "--calibrations", str(DEMO / "calibrations.csv"), "--b", "bench 2025-02"]


def test_the_command_gives_the_numbers_of_the_study() -> None:
    from drift.study import read_study
    from drift.workflow import run_study

    made = CliRunner().invoke(cli, [*ASK, "--a", "gait", "--unit", "count", "--harmless", "25 kPa", "--json"])
    assert made.exit_code == 0, made.output
    found = {e["name"]: e["value"] for e in json.loads(made.stdout)["estimates"]}
    part = run_study(read_study(DEMO)).parts[1]
    for e in part.estimates:
        if e.name in ("bias", "upper limit", "upper limit at high pressure", "interchangeable to pressure"):
            assert found[e.name] == pytest.approx(e.value, rel=1e-12)


@pytest.mark.parametrize(("words", "said"), [
    (["--a", "gaitt"], "Did you mean 'gait'?"), (["--a", "gait", "--unit", "kPa"], "--shown-by"),
    (["--a", "gait", "--shown-by", "calid"], "calid"), (["--a", "gait", "--at", "100,low"], "100,200"),
    (["--a", "gait", "--target", "participant"], "--target cannot go with"),
    (["--a", "gait", "--checks", "x.csv"], "either --calibrations or --checks"), ([], "--a and --b"),
    (["--a", "bench 2025-02"], "the same")])
def test_what_is_wrong_is_said_in_options(words: list[str], said: str) -> None:
    made = CliRunner().invoke(cli, [*ASK, *words])
    assert made.exit_code != 0
    assert said in " ".join(made.output.split())
    assert "Traceback" not in made.output


def test_a_pressure_to_look_at_needs_calibrations() -> None:
    made = CliRunner().invoke(cli, ["agree", str(DEMO / "raw_walks.csv"), "--at", "100"])
    assert "--at goes with" in " ".join(made.output.split())


def test_pressures_asked_for_stand_in_the_printed_table() -> None:
    made = CliRunner().invoke(cli, [*ASK, "--a", "gait", "--unit", "count", "--harmless", "25 kPa", "--at", "200,900"])
    rows = {line.split()[0]: line for line in made.stdout.splitlines() if "declared" in line}
    assert set(rows) == {"200", "900"}
    assert rows["200"].endswith("  interchangeable")
    assert "What stands at 900 kPa is an extrapolation" in made.stdout
