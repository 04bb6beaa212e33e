"""``drift new``, ``drift check`` and ``drift run``."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Drift = Callable[..., Result]


def test_a_new_study_is_accepted_apart_from_its_named_blanks(drift: Drift, study: Path) -> None:
    result = drift("check", study, "--json")
    found = json.loads(result.stdout)
    assert result.exit_code == 0
    assert found["answer"].startswith("The study can run")
    assert {f["column"] for f in found["findings"] if f["code"] == "blank"} == {
        "[study] title", "[study] lab", "[study] contact", "[study] use_is"}
    assert not [f for f in found["findings"] if f["severity"] == "error"]


def test_new_refuses_a_folder_that_holds_anything(drift: Drift, study: Path) -> None:
    before = {p.name: p.read_bytes() for p in study.iterdir()}
    result = drift("new", study)
    assert result.exit_code == 1
    assert "nothing was written" in " ".join(result.stderr.split())  # wrapped where the path leaves no room
    assert {p.name: p.read_bytes() for p in study.iterdir()} == before


def test_new_files_are_the_same_each_time(drift: Drift, study: Path, tmp_path: Path) -> None:
    drift("new", tmp_path / "again")
    for file in study.iterdir():
        assert (tmp_path / "again" / file.name).read_bytes() == file.read_bytes()


def test_a_new_study_runs_and_says_when_to_retire(drift: Drift, study: Path, tmp_path: Path) -> None:
    result = drift("run", study, "--out", tmp_path / "out")
    assert result.exit_code == 0
    assert "retire after" in result.stdout.split("\n\n")[0].lower()
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "report.html", "tables", "figures", "results.json", "excluded.csv", "manifest.json"}
    assert {p.suffix for p in (tmp_path / "out" / "figures").iterdir()} == {".svg", ".png"}


def test_the_default_output_stands_beside_the_study(drift: Drift, study: Path, tmp_path: Path) -> None:
    shutil.copytree(study, tmp_path / "mine")
    result = drift("run", tmp_path / "mine", "--json")
    assert result.exit_code == 0
    assert (tmp_path / "mine-report" / "report.html").is_file()
    printed = json.loads(result.stdout)
    assert printed == json.loads((tmp_path / "mine-report" / "results.json").read_text(encoding="utf-8"))
    assert sorted(p.name for p in (tmp_path / "mine").iterdir()) == sorted(p.name for p in study.iterdir())


def test_every_wrong_cell_is_told_at_once(drift: Drift, study: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad"
    shutil.copytree(study, bad)
    lines = (bad / "checks.csv").read_text().splitlines()
    lines[3] = lines[3].replace(",1,", ",1,x", 1)
    lines[7] = "S1,-2,1,50,100"
    (bad / "checks.csv").write_text("\n".join(lines) + "\n")
    for command in ("check", "run"):
        result = drift(command, bad, "--json")
        found = json.loads(result.stdout)
        assert result.exit_code == 1
        errors = [f for f in found["findings"] if f["severity"] == "error"]
        assert {f["row"] for f in errors if f["file"] == "checks.csv"} == {4, 8}
        assert all(f["mend"] for f in errors)
    assert not (tmp_path / "bad-report").exists()


def test_errors_in_words_go_to_stderr_with_place_and_mend(drift: Drift, tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text('[study]\ntitle = "t"\n[files]\ncheks = "a.csv"\n')
    result = drift("run", tmp_path)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "checks" in result.stderr  # the nearest known key


def test_a_folder_that_is_not_ours_is_refused(drift: Drift, study: Path, tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    result = drift("run", study, "--out", tmp_path)
    assert result.exit_code == 1
    assert "did not write" in " ".join(result.stderr.split())
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_the_study_folder_itself_is_refused_as_output(drift: Drift, study: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    shutil.copytree(study, mine)
    assert drift("run", mine, "--out", mine).exit_code == 1
    assert sorted(p.name for p in mine.iterdir()) == sorted(p.name for p in study.iterdir())


def test_quiet_prints_the_answer_alone(drift: Drift, study: Path) -> None:
    result = drift("check", study, "--quiet")
    assert result.stdout.startswith("The study can run")
    assert result.stdout.count("\n") == 1


@pytest.mark.parametrize("ending", [".json", "words"])
def test_pseudonyms_hide_people_everywhere(drift: Drift, study: Path, tmp_path: Path, ending: str) -> None:
    mine = tmp_path / "mine"
    shutil.copytree(study, mine)
    text = (mine / "trials.csv").read_text()
    (mine / "trials.csv").write_text(text.replace("P01,", "Marguerite,") + "Marguerite,third visit,bench,wrong\n")
    shown = drift("check", mine, "--pseudonyms", *(["--json"] if ending == ".json" else []))
    assert "Marguerite" not in shown.output
    (mine / "trials.csv").write_text(text.replace("P01,", "Marguerite,"))
    done = drift("run", mine, "--pseudonyms", "--out", tmp_path / "out", *(["--json"] if ending == ".json" else []))
    assert done.exit_code == 0
    assert "Marguerite" not in done.output
    for file in (tmp_path / "out").rglob("*"):
        if file.is_file() and file.suffix != ".png":
            assert "Marguerite" not in file.read_text(encoding="utf-8"), file
