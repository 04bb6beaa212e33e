"""``drift icc`` along use and between levels: options, text, report and figures."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.report.document import report_figures
from drift.study import study_from_dict
from drift.workflow import answer_table
from tests.reliability.test_comparison import two
from tests.reliability.test_repeated_uses import worn


def run(*words: object, code: int = 0) -> str:
    result = CliRunner().invoke(cli, [str(w) for w in words])
    assert result.exit_code == code, result.output
    return result.output


@pytest.fixture
def uses(tmp_path: Path) -> Path:
    worn().to_csv(tmp_path / "uses.csv", index=False)
    return tmp_path / "uses.csv"


@pytest.fixture
def levels(tmp_path: Path) -> Path:
    two(sensors=("L", "P")).to_csv(tmp_path / "levels.csv", index=False)
    return tmp_path / "levels.csv"


def test_the_text_says_trend_both_states_and_windows(uses: Path) -> None:
    said = run("icc", uses, "--facet", "use", "--window", "4", "--unit", "kPa")
    assert "Readings fall by" in said
    assert "drift removed" in said
    assert "sliding windows of 4 levels" in said
    assert "Do not retire a sensor on the ICC alone" in " ".join(said.split())


def test_not_ordered_leaves_all_of_it_out(uses: Path) -> None:
    assert "drift removed" not in run("icc", uses, "--facet", "use", "--not-ordered")


def test_compare_puts_the_one_sentence_first(levels: Path) -> None:
    said = run("icc", levels, "--facet", "sensor", "--compare", "construction", "--agree", "order")
    assert " ".join(said.split()).startswith(
        "Laminated reads more repeatably than plain: SEM (consistency) ratio laminated / plain")
    assert "Reliability compared between levels of construction" in said


def test_json_carries_the_estimates_and_tables(levels: Path, uses: Path) -> None:
    data = json.loads(run("icc", levels, "--facet", "sensor", "--compare", "construction", "--json"))
    names = {e["name"] for e in data["estimates"]}
    assert {"difference of ICC(A,1)", "ratio of SEM (agreement)", "ratio of SEM (consistency)"} <= names
    data = json.loads(run("icc", uses, "--facet", "use", "--json"))
    assert {"ICC(A,1), drift left in", "SEM (agreement), drift removed"} <= {e["name"] for e in data["estimates"]}


def test_a_column_to_compare_that_is_not_there_is_named(levels: Path) -> None:
    said = run("icc", levels, "--facet", "sensor", "--compare", "cover", code=1)
    assert "cover" in said


def test_the_report_draws_two_panels_along_use_and_the_ratios(levels: Path, uses: Path, tmp_path: Path) -> None:
    compared = {"facet": "sensor", "compare": "construction"}
    for path, question, figure in ((uses, {"facet": "use"}, "along-use"), (levels, compared, "comparison")):
        study = study_from_dict({"study": {"title": "t"}, "files": {"trials": path.name},
                                 "reliability": [{"name": "q", "target": "participant", **question}]}, folder=tmp_path)
        drawn = [f for f in report_figures(answer_table(path, "icc", study)) if figure in f.name]
        assert len(drawn) == 1
        assert drawn[0].caption
        assert "<svg" in drawn[0].svg
    assert "ICC(C,1)" in drawn[0].svg or "ratio of SEM" in drawn[0].svg


def test_a_column_of_the_sensors_table_can_be_compared(tmp_path: Path) -> None:
    frame = two(sensors=("L", "P"))
    frame.drop(columns="construction").to_csv(tmp_path / "trials.csv", index=False)
    frame[["sensor", "construction"]].drop_duplicates().to_csv(tmp_path / "sensors.csv", index=False)
    (tmp_path / "study.toml").write_text('[study]\ntitle = "t"\n[files]\ntrials = "trials.csv"\n'
                                         'sensors = "sensors.csv"\n[[reliability]]\nname = "q"\n'
                                         'target = "participant"\nfacet = "sensor"\ncompare = "construction"\n')
    said = " ".join(run("run", tmp_path, "--out", tmp_path / "out").split())
    assert "SEM (agreement) ratio laminated / plain" in said


@pytest.mark.parametrize(("line", "words"), [
    ('compare = "sensor"', "is both facet and compare"),
    ('compare = "construction"\nwhere = { construction = "plain" }', "the compared column is fixed in where"),
    ("window = 3", "not declared as ordered")])
def test_what_cannot_be_meant_is_said_of_the_study_file(levels: Path, line: str, words: str) -> None:
    folder = levels.parent
    (folder / "study.toml").write_text('[study]\ntitle = "t"\n[files]\ntrials = "levels.csv"\n[[reliability]]\n'
                                       f'name = "q"\ntarget = "participant"\nfacet = "sensor"\n{line}\n')
    said = CliRunner().invoke(cli, ["check", str(folder)]).output
    assert words in " ".join(said.split())


def test_people_who_are_compared_are_coded_like_all_others(tmp_path: Path) -> None:
    two(sensors=("L", "P")).rename(columns={"construction": "operator"}).to_csv(tmp_path / "trials.csv", index=False)
    (tmp_path / "study.toml").write_text('[study]\ntitle = "t"\n[files]\ntrials = "trials.csv"\n[[reliability]]\n'
                                         'name = "q"\ntarget = "participant"\nfacet = "sensor"\n'
                                         'compare = "operator"\n')
    said = run("run", tmp_path, "--out", tmp_path / "out", "--pseudonyms")
    assert "laminated" not in said
    assert "SEM (agreement) ratio" in " ".join(said.split())
