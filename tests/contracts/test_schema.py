"""What ``--json`` prints is what the schema in the package says, closed at every level."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from drift.cli import COMMANDS, cli
from drift.results import Result

SCHEMA: dict[str, Any] = json.loads(files("drift").joinpath("schema/output.json").read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)


def objects(schema: Any, where: str = "#") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every subschema that describes an object."""
    if isinstance(schema, dict):
        if schema.get("type") == "object" or "properties" in schema:
            yield where, schema
        for key, value in schema.items():
            yield from objects(value, f"{where}/{key}")
    elif isinstance(schema, list):
        for i, value in enumerate(schema):
            yield from objects(value, f"{where}/{i}")


def printed(*words: object) -> dict[str, Any]:
    result = CliRunner().invoke(cli, [*(str(w) for w in words), "--json"])
    data: dict[str, Any] = json.loads(result.stdout)
    return data


def test_the_schema_is_itself_valid() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_it_is_closed_at_every_level() -> None:
    found = list(objects(SCHEMA))
    assert len(found) > 10
    for where, schema in found:
        assert schema.get("additionalProperties") is False, where


def test_every_field_is_required() -> None:
    for where, schema in objects(SCHEMA):
        if "properties" in schema:
            assert set(schema["required"]) == set(schema["properties"]), where


def test_every_command_is_known_to_it() -> None:
    # "drift gauge --laboratory" answers another question than "drift gauge --part", and says so.
    commands = {name for group in COMMANDS.values() for name in group} | {"interlaboratory", "cells"}
    assert set(SCHEMA["properties"]["command"]["enum"]) == commands


def test_results_of_every_class_are_valid(results: dict[str, Result]) -> None:
    for result in results.values():
        assert list(VALIDATOR.iter_errors(result.to_dict())) == []


@pytest.mark.parametrize("path", ["", "estimates/0", "findings/0", "tables/0", "tables/0/columns/0", "provenance",
                                  "provenance/rows", "provenance/questions/0", "provenance/settings/0"])
def test_a_key_too_many_is_refused_anywhere(results: dict[str, Result], path: str) -> None:
    data = copy.deepcopy(results["StudyResult"].to_dict())
    at: Any = data
    for step in filter(None, path.split("/")):
        at = at[int(step)] if step.isdigit() else at[step]
    at["another"] = 1
    assert not VALIDATOR.is_valid(data)


def test_every_command_prints_what_it_says(tmp_path: Path) -> None:
    study = tmp_path / "study"
    long = ("--compare", "method", "--a", "gait", "--b", "bench", "--pair-by", "participant,session")
    # "drift calibrate --cells" answers another question than the curves of "drift calibrate".
    calls: dict[str, tuple[object, ...]] = {
        "new": (study,), "check": (study,), "run": (study,), "wear": (study / "checks.csv",),
        "retire": (study / "checks.csv", "--limit", "20 %", "--reference", "reference"),
        "policy": (study, "--lives", "1000"),
        "recalibrate": (study / "checks.csv", "--tolerance", "20 %", "--reference", "reference"),
        "icc": (study / "trials.csv", "--where", "method=bench"), "agree": (study / "trials.csv", *long),
        "calibrate": (study / "checks.csv", "--where", "use=0"),
        "gauge": (study / "trials.csv", "--part", "participant", "--operator", "session", "--where", "method=bench"),
        "budget": (study,), "lifetimes": (study / "checks.csv", "--time", "use"),
        "plan": ("limits", "--sd", "2", "--width", "1", "--studies", "100"), "items": (study, "--list", "icc"),
        "lock": (study, "--who", "Ada")}
    for command, words in calls.items():
        if command == "policy":  # prices stand in a new study as comments
            text = (study / "study.toml").read_text(encoding="utf-8")
            priced = re.sub(r"(?m)^# ((?:sensor|recalibration|spoilt_session|check) = |\[costs\])", r"\1", text)
            (study / "study.toml").write_text(priced, encoding="utf-8")
        data = printed(command, *words)
        VALIDATOR.validate(data)
        assert data["command"] == command
        assert not [f for f in data["findings"] if f["severity"] == "error"], command


def test_failures_print_it_too(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("sensor,use,reading\na,0,x\n")
    study = tmp_path / "study"
    study.mkdir()
    (study / "study.toml").write_text("[study\n")
    for words in (("new", tmp_path), ("check", study), ("run", study), ("policy", study), ("wear", tmp_path / "t.csv"),
                  ("retire", tmp_path / "t.csv", "--limit", "1"),
                  ("recalibrate", tmp_path / "t.csv", "--tolerance", "0.1"), ("icc", tmp_path / "t.csv"),
                  ("agree", tmp_path / "t.csv", "--a-column", "sensor", "--b-column", "use"),
                  ("gauge", tmp_path / "t.csv", "--part", "sensor"), ("budget", study),
                  ("lifetimes", tmp_path / "t.csv", "--time", "no"), ("plan", "limits", "--width", "1")):
        data = printed(*words)
        VALIDATOR.validate(data)
        assert data["command"] == words[0]
        assert any(f["severity"] == "error" for f in data["findings"])
