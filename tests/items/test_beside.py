"""What stands beside the answers of a study: it changes none of them, reaches report and command line, names no one."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.report.beside_sections import beside_sections
from drift.report.document import render
from drift.report.study_result import StudyResult
from drift.study import read_study
from drift.workflow import new_study, run_study
from drift.workflow_items import lock_of_study

STUDY = """
[study]
title = "days and methods"
[files]
trials = "trials.csv"
[units.trials]
reading = "kPa"
[[reliability]]
name = "another day"
target = "participant"
facet = "session"
where = { method = "bench", participant = ["P01", "P02", "P03", "P04", "P05", "P06", "P07"] }
[[agreement]]
name = "gait against bench"
compare = "method"
a = "gait"
b = "bench"
target = "participant"
pair_by = ["participant", "session"]
harmless = "20 kPa"
"""
PROTOCOL = """
[protocol]
purpose = "research"
activity = "running"
calibration = "gait"
"""
ITEM_TABLES = ("reporting items", "lists of items", "risk of bias")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new study with a protocol, a question that names a person, and a lock."""
    made: Path = tmp_path_factory.mktemp("beside") / "study"
    new_study(made)
    (made / "study.toml").write_text(STUDY + PROTOCOL, encoding="utf-8")
    lock_of_study(made, who="Ada Lovelace", now=datetime(2025, 1, 1, tzinfo=UTC))
    return made


@pytest.fixture(scope="module")
def result(folder: Path) -> StudyResult:
    return run_study(read_study(folder))


@pytest.fixture(scope="module")
def page(result: StudyResult) -> str:
    return render(result, ())


def call(*words: object) -> Iterator[object]:
    done = CliRunner().invoke(cli, [str(w) for w in words])
    yield done.exit_code
    yield done.output


def test_no_answer_and_no_part_is_changed(result: StudyResult) -> None:
    assert [p.command for p in result.parts] == ["icc", "agree"]
    assert "reporting" not in result.answer
    assert {t.name for t in result.tables} > {*ITEM_TABLES, "protocol remarks", "locks", "fixed in advance"}
    assert "study.lock" in result.provenance.inputs


def test_the_report_shows_protocol_lock_and_items(page: str) -> None:
    for anchor in ("protocol", "fixed", "items"):
        assert f'<h2 id="{anchor}">' in page
        assert f'href="#{anchor}"' in page
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    assert "Calibration method, look at this:" in text
    assert "a calibration from walking is narrow for research and running" in text
    assert "(common practice, no source)" in text
    assert "None of them blocks anything." in text
    assert "by Ada Lovelace" in text
    assert "GRRAS 5 needs you:" in text
    assert "[reporting] background" in text
    assert "The wording of the items is our own" in text


def test_what_a_section_says_does_not_stand_among_the_assumptions_too(page: str) -> None:
    assumptions = page[page.index('id="assumptions"'):page.index('id="methods"')]
    assert "Protocol, calibration method" not in assumptions
    assert "As locked" not in assumptions


def test_a_study_without_them_has_no_such_sections(result: StudyResult) -> None:
    bare = StudyResult.from_dict({**result.to_dict(), "tables": [
        t.to_dict() for t in result.tables if t.name in ("answers", "tables read") or ": " in t.name]})
    assert not beside_sections(bare).items_answer
    assert 'id="items"' not in render(bare, ())


def test_a_study_that_was_never_locked_is_told_so(folder: Path, tmp_path: Path) -> None:
    for file in folder.iterdir():
        if file.name != "study.lock":
            (tmp_path / file.name).write_bytes(file.read_bytes())
    found = beside_sections(run_study(read_study(tmp_path)))
    assert found.locks is None
    assert "never locked" in found.fixed[0]


def test_nobody_is_named_where_people_have_codes(folder: Path) -> None:
    coded = run_study(read_study(folder), pseudonyms=True)
    tables = [t for t in coded.tables if t.name in (*ITEM_TABLES, "locks", "fixed in advance", "protocol remarks",
                                                    "changed since the first lock")]
    text = json.dumps([t.to_dict() for t in tables] + [f.to_dict() for f in coded.findings])
    assert len(tables) >= 5
    assert "Lovelace" not in text
    assert not re.search(r"\bP0[1-7]\b", text)
    assert "changed since the first lock" not in {t.name for t in tables}  # codes are no change


def test_a_broken_file_of_locks_blocks_no_run(folder: Path, tmp_path: Path) -> None:
    for file in folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "study.lock").write_text("[[lock", encoding="utf-8")
    found = [f for f in run_study(read_study(tmp_path)).findings if f.code == "lock-broken"]
    assert [f.severity for f in found] == ["warning"]


def test_lock_says_with_its_exit_code_whether_anything_changed(tmp_path: Path) -> None:
    study = tmp_path / "study"
    new_study(study)
    assert next(call("lock", study, "--check")) == 1
    code, told = call("lock", study, "--who", "Ada")
    assert code == 0
    assert "Locked: " in str(told)
    assert next(call("lock", study, "--check")) == 0
    toml = study / "study.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace('"20 %"', '"30 %"'), encoding="utf-8")
    code, told = call("lock", study, "--check")
    assert code == 1
    assert "0.2 -> 0.3" in " ".join(str(told).split())
    assert next(call("lock", study, "--check", "--who", "Ada")) == 2
    assert next(call("lock", study, "--who", " ")) == 1


def test_items_in_the_terminal_say_what_is_open_first(folder: Path) -> None:
    code, told = call("items", folder, "--list", "grras")
    assert code == 0
    text = " ".join(str(told).split())
    assert text.startswith("Of 15 reporting items ")
    assert text.index("Needs you (") < text.index("GRRAS 2011 (15 items)")
    assert "Fill in: [reporting] population" in text
    assert "COSMIN" not in text


def test_lists_are_named_without_a_study() -> None:
    code, told = call("items")
    assert code == 0
    assert "grras-2011" in str(told)
    code, told = call("items", "--list", "grass")
    assert code == 1
    assert "Did you mean 'grras'?" in " ".join(str(told).split())
