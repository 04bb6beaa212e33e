"""``drift budget`` as its user runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli

ROOT = Path(__file__).parents[2]
DEMO = str(ROOT / "demo_trials")


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(cli, ["budget", *words])
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def text() -> str:
    code, out = run(DEMO, "--sensor", "P03", "--use", "30", "--reading", "400")
    assert code == 0
    return out


def test_the_answer_comes_first_then_the_table_then_what_is_correlated_and_left_out(text: str) -> None:
    order = ["means", "Uncertainty budget of sensor P03", "effective degrees of freedom", "Correlations",
             "Left out because nothing states it", "Cautions", "Rows"]
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    assert text.splitlines()[0].startswith("A reading of 400 count of sensor P03 at use 30")


def test_options_go_before_what_the_study_says(text: str) -> None:
    assert "400 count" in text  # the study asks at 400 kPa
    assert "reference load" in text  # and what it states stays


def test_json_carries_the_budget_and_the_checks() -> None:
    code, out = run(DEMO, "--json", "--construction", "laminated", "--not-corrected")
    assert code == 0
    data = json.loads(out)
    assert data["command"] == "budget"
    names = {e["name"] for e in data["estimates"]}
    assert {"pressure", "expanded uncertainty", "coverage factor", "effective degrees of freedom",
            "pressure, Monte Carlo", "bias without correction"} <= names
    tables = {t["name"] for t in data["tables"]}
    assert tables >= {"budget", "correlations", "left out", "Monte Carlo check", "along use"}
    pressure = next(e for e in data["estimates"] if e["name"] == "pressure")
    assert pressure["value"] < pressure["low"]


@pytest.mark.parametrize(("words", "said"), [
    (("--reading", "4", "--pressure", "4 kPa"), "either --reading or --pressure"),
    (("--sensor", "P03", "--construction", "plain"), "either --sensor or --construction"),
    (("--use", "10", "--since-calibration", "20"), "before the first use"), (("--use", "-3"), "--use"),
    (("--mean-of", "0"), "--mean-of")])
def test_wrong_usage_is_refused_with_code_2(words: tuple[str, ...], said: str) -> None:
    code, out = run(DEMO, *words)
    assert code == 2
    assert said in out


@pytest.mark.parametrize(("words", "said"), [(("--sensor", "P3"), "Did you mean"), (("--pressure", "400"), "unit"),
                                             (("--pressure", "400 N"), "unit of pressure")])
def test_input_that_cannot_be_used_is_refused_with_code_1(words: tuple[str, ...], said: str) -> None:
    code, out = run(DEMO, *words)
    assert code == 1
    assert said in out


def test_a_saturated_reading_is_an_answer(tmp_path: Path) -> None:
    code, out = run(DEMO, "--sensor", "P03", "--reading", "1023", "--quiet")
    assert code == 0
    assert "saturated" in out


def test_out_writes_a_report_with_its_figures(tmp_path: Path) -> None:
    code, out = run(DEMO, "--sensor", "P03", "--use", "30", "--out", str(tmp_path / "r"))
    assert code == 0, out
    page = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert "Uncertainty of a pressure" in page
    assert "drift per use (A)" in page
    assert "not corrected:" in page
    assert (tmp_path / "r" / "tables").is_dir()
