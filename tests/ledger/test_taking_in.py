"""A study moves from files to a ledger by the commands that handbook and messages name, and says the same after it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drift.cli import cli
from drift.handbook_pages import find
from drift.ingest import read_tables
from drift.ingest.logbook import show
from drift.study import read_study

ROOT = Path(__file__).parents[2]
TOML = """[study]
title = "t"
[files]
checks = "checks.csv"
sensors = "sensors.csv"
events = "events.csv"
[units.checks]
reading = "count"
reference = "kPa"
[format.checks]
dates = "day first"
[limits]
sensitivity_change = 0.25
"""
CHECKS = "sensor,use,reading,reference,time,dead\nP01,0,197,200,09.03.2026,1 %\nP02,0,190,200,10.03.2026,2 %\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "my-study"
    made.mkdir()
    (made / "study.toml").write_text(TOML, encoding="utf-8")
    (made / "checks.csv").write_text(CHECKS, encoding="utf-8")
    (made / "sensors.csv").write_text("sensor,construction\nP01,plain\nP02,plain\n", encoding="utf-8")
    (made / "events.csv").write_text("sensor,use,event,note\nP01,0,retired,creased\n", encoding="utf-8")
    return made


def edit(folder: Path, old: str, new: str) -> None:
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(w) for w in words])


def said(result: Result) -> str:
    return " ".join(result.output.split())


def test_the_road_that_the_handbook_shows_is_one(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder.parent)
    before = read_tables(read_study(folder))
    page = find("ledger")
    assert page is not None
    shown = re.findall(r"^- `drift (log my-study .*--import .*)`$", page.source, re.MULTILINE)
    assert len(shown) == 2
    edit(folder, "[files]\n", '[files]\nledger = "ledger.sqlite"\n')
    for command in shown:
        done = run(*command.split(), "--who", "Bo")
        assert done.exit_code == 0, said(done)
    assert 'Now take the lines checks = "checks.csv" and events = "events.csv" out of [files]' in said(done)
    refused = run("check", folder)
    assert 'only take the line checks = "checks.csv" out of [files]' in said(refused)
    edit(folder, 'checks = "checks.csv"\n', "")
    edit(folder, 'events = "events.csv"\n', "")
    checked = run("check", folder)
    assert checked.exit_code == 0, said(checked)
    assert "How does sensitivity drift per use?" in said(checked)
    assert "Cautions" not in said(checked)
    after = read_tables(read_study(folder))
    for kind in ("checks", "events"):
        old, new = getattr(before.tables, kind), getattr(after.tables, kind)
        for name in old.columns:
            assert list(old[name]) == list(new[name]), name
        assert dict(old.units) == dict(new.units)


def test_a_file_is_taken_in_once(folder: Path) -> None:
    edit(folder, "[files]\n", '[files]\nledger = "ledger.sqlite"\n')
    assert run("log", folder, "--import", folder / "checks.csv", "--who", "Bo").exit_code == 0
    again = run("log", folder, "--import", "checks.csv", "--who", "Bo")  # named as from the study folder
    assert again.exit_code == 1
    assert "every row of checks.csv stands in the ledger already. Take the line checks" in said(again)
    with (folder / "checks.csv").open("a", encoding="utf-8") as file:
        file.write("P01,3,195,200,11.03.2026,1 %\nP01,3,195,200,11.03.2026,1 %\n")
    mixed = said(run("log", folder, "--import", folder / "checks.csv", "--who", "Bo"))
    assert "row 2, column reading: the row repeats entry 1 of the ledger in key and reading" in mixed
    assert "row 5, column reading: the row repeats row 4 in key and reading" in mixed
    assert "Delete one of them in the file" in mixed
    assert len(show(read_study(folder), 9).table("entries")) == 2


def test_another_file_waits_until_the_first_is_moved(folder: Path) -> None:
    edit(folder, "[files]\n", '[files]\nledger = "ledger.sqlite"\n')
    (folder / "more.csv").write_text(CHECKS.replace(",0,", ",5,"), encoding="utf-8")
    refused = run("log", folder, "--import", folder / "more.csv", "--who", "Bo")
    assert refused.exit_code == 1
    assert "Take the file in once, with 'drift log STUDY --import checks.csv'" in said(refused)


def test_an_entry_too_many_is_withdrawn_and_not_deleted(folder: Path) -> None:
    edit(folder, 'checks = "checks.csv"\n', 'ledger = "ledger.sqlite"\n')
    assert run("log", folder, "--import", "checks.csv", "--who", "Bo").exit_code == 0
    cells = ("sensor=P01", "use=0", "reference=200")
    twice = said(run("log", folder, "check", *cells, "reading=197", "--who", "Bo"))
    assert "the entry repeats entry 1 in key and reading" in twice
    assert "Delete" not in twice
    assert "refers=NUMBER withdraw=yes" in twice
    assert "same sensor, use, reference as entry 1 and another reading" in said(
        run("log", folder, "check", *cells, "reading=190", "--who", "Bo"))
    withdrawn = run("log", folder, "correction", "refers=1", "withdraw=yes", "reason=logged twice", "--who", "Bo")
    assert withdrawn.exit_code == 0, said(withdrawn)


@pytest.mark.parametrize(("header", "words"), [
    ("reference [psi]", "here 'kPa' (found 'psi'). Convert the column to 'kPa'"),
    ("dead [%]", "it declares none (found '%'). Write dead = \"%\" under [units.checks]")])
def test_a_unit_that_the_header_alone_states_is_not_lost(folder: Path, header: str, words: str) -> None:
    edit(folder, 'checks = "checks.csv"\n', 'ledger = "ledger.sqlite"\n')
    name = header.split(" ")[0]
    text = CHECKS.replace(" %", "").replace(name, header, 1)
    (folder / "checks.csv").write_text(text, encoding="utf-8")
    refused = run("log", folder, "--import", folder / "checks.csv", "--who", "Bo")
    assert refused.exit_code == 1
    assert words in said(refused)


def test_a_file_left_behind_is_named_and_a_ledger_not_yet_begun_is_no_fault(folder: Path) -> None:
    edit(folder, 'checks = "checks.csv"\n', 'ledger = "ledger.sqlite"\n')
    fresh = run("log", folder)
    assert fresh.exit_code == 0
    assert "Nothing was logged yet" in said(fresh)
    assert run("log", folder, "check", "sensor=P01", "reading=190", "reference=200", "--who", "Bo").exit_code == 0
    for command in (("check", folder), ("today", folder, "--sensor", "P01")):
        assert ("checks.csv: the file lies in the study folder with 2 rows and is not read: checks come from "
                "ledger.sqlite, which holds 1.") in said(run(*command)), command


def test_many_entries_are_told_back_in_part(folder: Path) -> None:
    edit(folder, 'checks = "checks.csv"\n', 'ledger = "ledger.sqlite"\n')
    rows = "".join(f"P01,{u},197,200,09.03.2026,1 %\n" for u in range(30))
    (folder / "checks.csv").write_text(CHECKS.splitlines()[0] + "\n" + rows, encoding="utf-8")
    done = said(run("log", folder, "--import", folder / "checks.csv", "--who", "Bo"))
    assert "Logged as entries 1 to 30 by Bo" in done
    assert "The last 5 of these 30 entries" in done
    assert done.count("sensor=P01") == 5


def test_policies_are_compared_of_a_ledger_as_of_a_file(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "demo_trials" / "today", tmp_path / "s")
    found = said(run("policy", tmp_path / "s"))
    assert "without a table of checks" not in found


def test_an_entry_that_is_taken_for_a_command_is_told_where_it_is_logged() -> None:
    assert "Did you mean 'drift log STUDY event'?" in said(run("event", "--import", "x.csv"))
    assert "There is no command 'rn'. Did you mean 'drift run'?" in said(run("rn"))
