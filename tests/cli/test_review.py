"""``drift review``: the answer first, questions in neutral words, one page, one JSON object."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import Result
from jsonschema import Draft202012Validator

Drift = Callable[..., Result]
ROOT = Path(__file__).resolve().parents[2]
WRONG = ROOT / "analyses" / "do-reported-numbers-add-up" / "with-errors.toml"
CLEAN = WRONG.with_name("clean.toml")
SCHEMA = json.loads(files("drift").joinpath("schema/output.json").read_text(encoding="utf-8"))


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_answer_comes_first_and_names_the_places(drift: Drift) -> None:
    result = drift("review", str(WRONG))
    assert result.exit_code == 0
    said = flat(result.stdout)
    assert said.startswith("These 47 printed numbers cannot all be true: exact relations show 3 contradictions")
    for words in ("Cannot all be true", "Questions to the authors", "Relations checked", "Not printed, but implied",
                  "has the width of a 90 % interval", "would fit as 15.7, two digits exchanged"):
        assert words in said
    assert not re.search(r"fraud|fabricat|wrong\b", said, re.IGNORECASE)


def test_a_clean_paper_has_one_sentence_and_no_questions(drift: Drift) -> None:
    result = drift("review", str(CLEAN))
    assert flat(result.stdout).startswith("Nothing in these 47 printed numbers contradicts itself: 36 relations were ")
    assert "Questions" not in result.stdout
    assert flat(drift("review", str(CLEAN), "--quiet").stdout).count(". ") == 0


def test_lines_fit_a_narrow_terminal(drift: Drift, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert max(map(len, drift("review", str(WRONG)).stdout.splitlines())) <= 80


@pytest.mark.parametrize("file", [WRONG, CLEAN])
def test_json_is_what_the_schema_says(drift: Drift, file: Path) -> None:
    data = json.loads(drift("review", str(file), "--json").stdout)
    Draft202012Validator(SCHEMA).validate(data)
    assert data["command"] == "review"
    assert {t["name"] for t in data["tables"]} == {"conflicts", "questions", "relations", "what fits", "implied values",
                                                   "not compared", "claims"}
    assert {e["name"] for e in data["estimates"]} >= {"implied F (two-way)"}
    warned = [f for f in data["findings"] if f["severity"] == "warning"]
    assert bool(warned) == (file == WRONG)


def test_json_of_a_file_that_cannot_be_read(drift: Drift, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('[[claims]]\nwhat = "SEMM"\nprinted = "abc"\n', encoding="utf-8")
    result = drift("review", str(bad), "--json")
    assert result.exit_code == 1
    data = json.loads(result.stdout)
    Draft202012Validator(SCHEMA).validate(data)
    assert data["answer"].startswith("Nothing was computed")


def test_the_page_stands_alone(drift: Drift, tmp_path: Path) -> None:
    out = tmp_path / "verdict.html"
    result = drift("review", str(WRONG), "--page", str(out))
    assert f"Written: {out}" in result.stdout
    page = out.read_text(encoding="utf-8")
    assert "Invented paper" in page
    assert "cannot all be true" in page
    assert not re.search(r"https?://|<script|src=", page)
    for anchor in re.findall(r'href="#([\w-]+)"', page):
        assert f'id="{anchor}"' in page


def test_the_same_file_gives_the_same_bytes(drift: Drift, tmp_path: Path) -> None:
    pages = []
    for name in ("a.html", "b.html"):
        drift("review", str(WRONG), "--page", str(tmp_path / name))
        pages.append((tmp_path / name).read_bytes())
    assert pages[0] == pages[1]


def test_a_template_is_written_once_and_reviewed_as_it_stands(drift: Drift, tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    assert "Fill it in" in drift("review", "--new", str(file)).stdout
    assert drift("review", str(file)).exit_code == 0
    again = drift("review", "--new", str(file))
    assert again.exit_code == 1
    assert "there already" in again.stderr
    assert drift("review", "--new").stdout == file.read_text(encoding="utf-8")


def test_without_a_file_it_says_how_to_begin(drift: Drift) -> None:
    result = drift("review")
    assert result.exit_code == 2
    assert "--new" in result.stderr


def test_it_loads_neither_tables_nor_figures() -> None:
    program = ("import sys; from drift.cli import cli; "
               f"cli.main(['review', {str(WRONG)!r}], standalone_mode=False); "
               "heavy = {'pandas', 'matplotlib', 'pydantic', 'pint', 'scipy.stats', 'scipy.optimize', 'jinja2'} "
               "& set(sys.modules); sys.exit(str(sorted(heavy)) if heavy else 0)")
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_invented_papers_are_made_again_byte_for_byte() -> None:
    import importlib.util

    spec = importlib.util.spec_from_file_location("make_papers", WRONG.with_name("make_papers.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for name, text in module.papers().items():
        assert WRONG.with_name(name).read_text(encoding="utf-8") == text
