"""``drift review --ask``: one line a number, each read at once, the same file and verdict in the end."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

from click.testing import CliRunner, Result

from drift.cli import cli


def typed(file: Path, *lines: str, options: tuple[str, ...] = ()) -> Result:
    result = CliRunner().invoke(cli, ["review", "--ask", str(file), *options], input="\n".join(lines))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


HEAD = ("A paper", "15", "2", "95 %")
NUMBERS = ("ICC(2,1) = 0.81 (0.52-0.93)", "mean 1 (SD) = 213.0 (21.8)", "SEM: 10.9", "MDC95", "30.3")


def test_what_is_typed_is_written_and_reviewed(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    result = typed(file, *HEAD, "Table 2", "", *NUMBERS, "", "n", "")
    assert result.exit_code == 0
    assert result.stdout.startswith("Nothing in these 9 printed numbers contradicts itself")
    held = tomllib.loads(file.read_text(encoding="utf-8"))
    assert held["paper"] == {"title": "A paper", "n": 15, "k": 2, "level": "95 %"}
    assert [c["what"] for c in held["claims"]] == ["ICC(2,1)", "mean 1 (SD)", "SEM", "MDC95"]
    assert {c["table"] for c in held["claims"]} == {"Table 2"}


def test_a_fault_is_said_at_once_and_asked_again(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    result = typed(file, "A paper", "two", "15", "2", "", "", "SEMM = 3", "?", "SEM = 3.1", "MDC = 9.9", "back",
                   "MDC = 8.6", "", "")
    assert "Did you mean 'SEM'?" in result.stderr
    assert "whole number of at least 2" in result.stderr
    assert "repeatability coefficient" in result.stderr
    held = tomllib.loads(file.read_text(encoding="utf-8"))
    assert [c["printed"] for c in held["claims"]] == ["3.1", "8.6"]


def test_a_number_typed_where_a_name_is_asked_for_is_not_lost(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    result = typed(file, *HEAD, "ICC(2,1) = 0.81", "", "SEM = 3.1", "", "y", "Table 2", "right foot", "SEM = 3.3", "",
                   "n")
    assert "type the number at the prompt" in result.stderr
    held = tomllib.loads(file.read_text(encoding="utf-8"))["claims"]
    assert held == [{"what": "SEM", "printed": "3.1"},
                    {"what": "SEM", "printed": "3.3", "table": "Table 2", "group": "right foot"}]


def test_an_end_of_the_typing_keeps_what_is_there(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    assert typed(file, *HEAD, "", 'SEM = 3.1 "kPa"', "SEM = 3.1").exit_code == 0
    assert tomllib.loads(file.read_text(encoding="utf-8"))["claims"] == [{"what": "SEM", "printed": "3.1"}]
    nothing = typed(tmp_path / "none.toml", "A paper")
    assert "nothing was written" in nothing.stderr
    assert not (tmp_path / "none.toml").exists()


def test_a_file_that_is_there_is_kept_and_json_stays_json(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    file.write_text("mine", encoding="utf-8")
    assert "there already" in typed(file, *HEAD).stderr
    assert file.read_text(encoding="utf-8") == "mine"
    made = typed(tmp_path / "new.toml", *HEAD, "", *NUMBERS, "", options=("--json",))
    assert json.loads(made.stdout)["command"] == "review"
    assert "to write" in CliRunner().invoke(cli, ["review", "--ask"]).stderr


def test_a_line_without_an_equals_sign_is_said_and_swallows_nothing(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    result = typed(file, *HEAD, "", "ICC (2,1) 0.90 [0.78, 0.96]", "mean 1 (SD) 213.0 (21.8)",
                   "ICC 0.9 [95% CI: 0.8, 1]", "no such thing 3", "SEMM", "SEM = 3.1",
                   "ICC(2,1) = 0.90 [95% CI: 0.78, 0.96]", "", "n")
    said = result.stderr
    for line in ("ICC (2,1) = 0.90 [0.78, 0.96]", "mean 1 (SD) = 213.0 (21.8)", "ICC = 0.9 [95% CI: 0.8, 1]"):
        assert f"The equals sign is missing. Type: {line}" in said
    assert "Type the name, an equals sign, and the number" in said
    assert "Did you mean 'SEM'?" in said
    held = tomllib.loads(file.read_text(encoding="utf-8"))["claims"]
    assert [(c["what"], c["printed"]) for c in held] == [("SEM", "3.1"), ("ICC(2,1)", "0.90 [95% CI: 0.78, 0.96]")]
