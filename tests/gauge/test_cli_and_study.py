"""``drift gauge`` and the two sections of a study file: options, refusals, report with figures."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from drift.cli import cli
from drift.errors import DriftError
from drift.study import read_study, study_from_dict
from drift.workflow import check_study, run_study, write_output
from tests.gauge.tables import drawn


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a study of both kinds."""
    frame = drawn(3).rename(columns={"part": "block", "operator": "rig"})
    frame = frame.assign(reference=frame.groupby("block")["reading"].transform("mean").round(1))
    frame.to_csv(tmp_path / "trials.csv", index=False)
    (tmp_path / "study.toml").write_text("""
[study]
title = "Blocks on three rigs"
[files]
trials = "trials.csv"
[[gauge]]
name = "rigs on blocks"
part = "block"
operator = "rig"
reference = "reference"
tolerance = 60
[[interlaboratory]]
name = "over rigs"
laboratory = "rig"
material = "block"
""")
    return tmp_path


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["gauge", *(str(w) for w in words)])


def test_the_answer_comes_first_and_leads_with_the_share(folder: Path) -> None:
    out = run(folder / "trials.csv", "--part", "block", "--operator", "rig", "--tolerance", 60)
    assert out.exit_code == 0, out.output
    first = " ".join(out.stdout.split("\n\n")[0].split())
    assert first.startswith("Gauge R&R takes ")
    assert "of the study variation and" in first
    assert "of the tolerance" in first


def test_quiet_prints_the_answer_only(folder: Path) -> None:
    out = run(folder / "trials.csv", "--part", "block", "--operator", "rig", "--quiet")
    assert len(out.stdout.split("\n\n")) == 1


@pytest.mark.parametrize(("words", "told"), [
    (("--part", "block", "--laboratory", "rig"), "give one or the other"),
    (("--laboratory", "rig", "--tolerance", "5"), "--tolerance belongs to a gauge study"),
    (("--material", "block"), "--material belongs to --laboratory"), ((), "give --part"),
    (("--part", "block", "--pool-above", "2"), "between 0 and 1"), (("--part", "block", "--by", "rig,rig"),
                                                                    "named twice")])
def test_wrong_usage_says_what_to_give(folder: Path, words: tuple[str, ...], told: str) -> None:
    out = run(folder / "trials.csv", *words)
    assert out.exit_code == 2
    assert told in " ".join(out.stderr.split())


def test_a_column_that_is_not_there_is_named_by_its_option(folder: Path) -> None:
    out = run(folder / "trials.csv", "--part", "blok", "--operator", "rig")
    assert out.exit_code == 1
    assert "--part" in out.stderr


def test_rows_of_several_operators_without_an_operator_name_the_option(folder: Path) -> None:
    out = run(folder / "trials.csv", "--part", "block")
    assert out.exit_code == 1
    assert "--operator" in out.stderr


def test_a_table_without_replicates_is_read_and_says_what_is_confounded(tmp_path: Path) -> None:
    drawn(5, m=1).drop(columns="replicate").to_csv(tmp_path / "once.csv", index=False)
    out = run(tmp_path / "once.csv", "--part", "part", "--operator", "operator")
    assert out.exit_code == 0, out.output
    assert "cannot be told apart" in " ".join(out.stdout.split())


def test_pooling_can_be_switched_off(folder: Path) -> None:
    data = json.loads(run(folder / "trials.csv", "--part", "block", "--operator", "rig", "--pool-above", "never",
                          "--json").stdout)
    assert any(f["code"] == "interaction-kept" for f in data["findings"])


def test_the_laboratory_form_says_which_question_it_answered(folder: Path) -> None:
    data = json.loads(run(folder / "trials.csv", "--laboratory", "rig", "--material", "block", "--json").stdout)
    assert data["command"] == "interlaboratory"
    assert {t["name"] for t in data["tables"]} >= {"precision", "laboratories", "outlier tests"}


def test_by_repeats_the_study(folder: Path) -> None:
    frame = pd.read_csv(folder / "trials.csv")
    both = pd.concat([frame.assign(day="Mon"), frame.assign(day="Tue", reading=frame["reading"] + 1)])
    both.to_csv(folder / "two.csv", index=False)
    data = json.loads(run(folder / "two.csv", "--part", "block", "--operator", "rig", "--by", "day", "--json").stdout)
    assert {e["of"].get("day") for e in data["estimates"]} == {"Mon", "Tue"}
    assert "day Mon: Gauge R&R" in data["answer"]


def test_a_study_file_asks_both_and_reports_with_figures(folder: Path) -> None:
    checked = check_study(folder)
    assert checked.answer.startswith("The study can run")
    assert list(checked.table("questions")["command"]) == ["gauge", "interlaboratory"]
    result = run_study(read_study(folder))
    assert [p.command for p in result.parts] == ["gauge", "interlaboratory"]
    out = write_output(result, folder / "out")
    names = {p.name for p in (out / "figures").glob("*.svg")}
    assert {"01-components-rigs-on-blocks.svg", "01-bias-rigs-on-blocks.svg", "02-mandel-h-over-rigs.svg",
            "02-mandel-k-over-rigs.svg"} <= names
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Gauge study: rigs on blocks" in page
    assert "Precision over laboratories: over rigs" in page
    assert "Burdick, Borror and Montgomery 2005" in page


@pytest.mark.parametrize(("section", "question", "told"), [
    ("gauge", {"name": "q", "part": "block", "operator": "block"}, "both part and operator"),
    ("gauge", {"name": "q", "part": "block", "lower": 3.0, "upper": 1.0}, "not below the upper"),
    ("gauge", {"name": "q", "part": "block", "lower": 1.0, "tolerance": 3.0}, "one-sided"),
    ("gauge", {"name": "q", "part": "block", "nested": True}, "no operator is named"),
    ("interlaboratory", {"name": "q", "laboratory": "rig", "material": "rig"}, "both laboratory and material")])
def test_settings_that_contradict_each_other_are_refused(section: str, question: dict[str, object], told: str) -> None:
    with pytest.raises(DriftError, match=told):
        study_from_dict({"study": {"title": "t"}, "files": {"trials": "trials.csv"}, section: [question]})
