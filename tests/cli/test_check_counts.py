"""``drift check`` names what it counts: rows that questions ask for, before pairs are formed."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from drift.cli import cli
from drift.workflow import check_study

TOML = """[study]
title = "t"
[files]
trials = "trials.csv"
[units.trials]
reading = "kPa"
[[agreement]]
name = "two methods"
compare = "method"
a = "new"
b = "old"
pair_by = ["participant"]
structure = "independent"
"""


def made(folder: Path) -> Path:
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    (folder / "trials.csv").write_text("participant,method,reading\n" + "".join(
        f"A{i},{m},{100 + 7 * i + (m == 'old')}\n" for i in range(9) for m in ("new", "old") if (i, m) != (8, "old")),
        encoding="utf-8")
    return folder


def test_a_check_says_that_nothing_is_paired_yet(tmp_path: Path) -> None:
    text = CliRunner().invoke(cli, ["check", str(made(tmp_path))], env={"COLUMNS": "110"}).output
    assert "Rows the questions ask for, before pairing" in text
    assert "asked for" in text
    assert "unmatched" not in text
    assert "before pairs and cells are formed" in " ".join(text.split())


def test_the_note_and_the_counts_are_in_the_result(tmp_path: Path) -> None:
    result = check_study(made(tmp_path))
    assert [f.severity for f in result.findings if f.code == "rows-asked-for"] == ["note"]
    (account,) = result.provenance.accounts
    assert (account.used, account.unmatched) == (17, 0)
