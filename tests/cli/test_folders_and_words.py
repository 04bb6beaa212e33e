"""A folder in the place of a table, words for what happened to a unit, and one number of errors."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drift.cli import cli
from drift.errors import Finding
from drift.report.same_faults import count_words

ROOT = Path(__file__).parents[2]
CALIBRATION = ROOT / "demo_trials" / "calibration"


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(w) for w in words])


def said(result: Result) -> str:
    return " ".join(result.output.split())


def test_calibrate_answers_what_a_study_asks() -> None:
    study, table = (json.loads(run("calibrate", *words, "--json").output) for words in (
        (CALIBRATION,), (CALIBRATION / "cycles.csv", "--cycle", "cycle", "--full-scale", "1023", "--resolution", "1",
                         "--reference-uncertainty", "0.5 %", "--usable-at", "5 %", "--invert", "300", "--invert",
                         "900")))
    own = {(e["name"], e["of"].get("reading")): e["value"] for e in table["estimates"]}
    asked = {(e["name"], e["of"].get("reading")): e["value"] for e in study["estimates"]}
    assert asked == own
    cells = said(run("calibrate", CALIBRATION, "--cells"))
    assert "the true gains of 85 live cells differ with an SD of 8.2 %" in cells
    assert "Sensor P31, use 0" not in cells


def test_calibrate_says_what_a_study_does_not_ask_and_refuses_options_of_a_table(tmp_path: Path) -> None:
    none = run("calibrate", ROOT / "demo_trials")
    assert none.exit_code == 1
    assert "the study asks for no calibration curve" in said(none)
    assert "'drift calibrate checks.csv' fits the curves of one table" in said(none)
    assert "names no table of exposures" in said(run("calibrate", ROOT / "demo_trials", "--cells"))
    assert "--model belongs to one table" in said(run("calibrate", CALIBRATION, "--model", "line"))
    assert "is a folder without study.toml" in said(run("calibrate", tmp_path))


@pytest.mark.parametrize("command", [("wear",), ("retire", "--limit", "10 %"), ("icc",)])
def test_a_study_in_the_place_of_a_table_is_told_what_to_say(command: tuple[str, ...]) -> None:
    found = run(*command, ROOT / "demo_trials")
    assert found.exit_code == 2
    text = said(found).replace(" │", "").replace("│ ", "")
    assert "is a study folder, and this command takes one table. 'drift run" in text
    assert "checks.csv" in text


@pytest.fixture
def spoilt(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "demo_trials", tmp_path / "s", ignore=shutil.ignore_patterns("badly_kept", "today"))
    path = tmp_path / "s" / "checks.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    at = {n: rows[0].split(",").index(n) for n in ("reading", "use")}
    for i in range(5, 60):
        cells = rows[i].split(",")
        cells[at["reading"]] = f"1x{i}"
        rows[i] = ",".join(cells)
    for i in range(200, 203):
        cells = rows[i].split(",")
        cells[at["use"]] = "-2"
        rows[i] = ",".join(cells)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return tmp_path / "s"


def test_check_counts_the_errors_that_it_lists(spoilt: Path) -> None:
    output = run("check", spoilt).output
    told = re.search(r"cannot run yet: (\d+) errors in \d+ places and no warning\.", " ".join(output.split()))
    assert told is not None, output
    assert f"Errors ({told[1]})" in output
    assert output.split("Errors (")[1].split("\n\n")[0].count("\n  - ") == int(told[1])
    refused = said(run("run", spoilt))
    assert f"Nothing was computed: {told[1]} errors" in refused


def test_one_sentence_about_two_questions_is_one_error() -> None:
    twice = [Finding(severity="error", code="c", message="m", question=q) for q in ("one", "two")]
    assert count_words(twice) == "1 error"
    assert count_words([], "warning") == "no warning"


LIVES = "unit,uses,outcome\n1,10,broken\n2,12,running\n3,30,broken\n4,33,lost\n5,40,broken\n6,41,failed\n7,44,failed\n"


def test_words_of_an_outcome_are_said_as_they_were_read(tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text(LIVES, encoding="utf-8")
    asked = ("lifetimes", tmp_path / "l.csv", "--time", "uses", "--event", "outcome")
    plain = said(run(*asked))
    assert ("read were 'broken' (3 rows) as a failure and 'running' (1 row) and 'lost' (1 row) as still fit" in plain)
    chosen = run(*asked, "--failed", "broken").output
    assert "Cautions" in chosen
    assert ("read were 'broken' (3 rows) as a failure and 'running' (1 row), 'lost' (1 row) and 'failed' (2 rows) as "
            "still fit" in " ".join(chosen.split()))
    usual = LIVES.replace("broken", "failed").replace("running", "0").replace("lost", "censored")
    (tmp_path / "l.csv").write_text(usual, encoding="utf-8")
    assert "read were" not in said(run(*asked))


def test_an_option_is_called_an_option() -> None:
    assert Finding(severity="error", code="c", message="m", column="--reading").place == "option --reading"
    assert Finding(severity="error", code="c", message="m", file="study.toml", column="[budget] reading").place == (
        "study.toml, [budget] reading")
    assert Finding(severity="error", code="c", message="m", column="reading").place == "column reading"
    found = said(run("today", ROOT / "demo_trials" / "today", "--sensor", "T01", "--reading", "5000", "--reference",
                     "200"))
    assert "option --reading: the reading is above the full scale" in found
