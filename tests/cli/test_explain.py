"""``drift explain``: quick, plain into a pipe, and an object for machines."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from click.testing import Result

from drift.handbook_pages import find, pages

Drift = Callable[..., Result]
SCHEMA = json.loads((Path(__file__).parents[2] / "drift" / "schema" / "output.json").read_text(encoding="utf-8"))


def test_without_a_topic_the_pages_are_listed(drift: Drift) -> None:
    shown = drift("explain").stdout
    assert all(p.spoken in shown and p.title in shown for p in pages())


def test_a_page_goes_into_a_pipe_as_it_stands(drift: Drift) -> None:
    shown = drift("explain", "icc").stdout
    page = find("icc")
    assert page is not None
    assert shown.strip() == page.text.strip()
    assert "\x1b" not in shown


def test_a_topic_of_two_words_needs_no_quotes(drift: Drift) -> None:
    assert drift("explain", "measurement", "error").stdout == drift("explain", "sem").stdout


def test_an_unknown_topic_is_wrong_usage_and_suggests_the_nearest(drift: Drift) -> None:
    result = drift("explain", "icx")
    assert result.exit_code == 2
    assert "did you mean 'icc'?" in " ".join(result.stderr.split())
    assert result.stdout == ""


@pytest.mark.parametrize("topic", [(), ("icc",), ("coverage",)])
def test_json_follows_the_schema_of_every_command(drift: Drift, topic: tuple[str, ...]) -> None:
    found = json.loads(drift("explain", *topic, "--json").stdout)
    jsonschema.validate(found, SCHEMA)
    assert found["command"] == "explain"
    names = [t["name"] for t in found["tables"]]
    assert names == (list(topic) or [p.spoken for p in pages()])
    sections = [row[0] for row in found["tables"][0]["rows"]]
    assert sections


def test_quiet_prints_the_first_sentence(drift: Drift) -> None:
    shown = drift("explain", "mdc", "--quiet").stdout
    assert shown.startswith("To judge one person's change")
    assert shown.count("\n") == 1


def test_the_local_page_is_written(drift: Drift, tmp_path: Path) -> None:
    out = tmp_path / "handbook.html"
    assert drift("explain", "--page", out).stdout.strip() == f"Written: {out}"
    page = out.read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert all(f'id="handbook-{p.topic}"' in page for p in pages())


def test_a_page_that_cannot_be_written_is_one_sentence(drift: Drift, tmp_path: Path) -> None:
    result = drift("explain", "--page", tmp_path / "no" / "such" / "out.html")
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr


def test_a_page_loads_no_numerical_library() -> None:
    program = ("import sys; from drift.cli import cli; cli.main(['explain', 'icc'], standalone_mode=False); "
               "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'pint', 'jinja2'} & set(sys.modules); "
               "sys.exit(str(sorted(heavy)) if heavy else 0)")
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
