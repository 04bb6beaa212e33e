"""Every published worked example is accounted for: checked, due, or not applicable with its reason."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

from tests.published_examples import FOLDER, agrees, half_unit, load

ROOT = Path(__file__).parent.parent
INDEX = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
NAMES = sorted(p.stem for p in FOLDER.glob("*.toml") if p.name != "index.toml")


def test_every_example_is_listed_once() -> None:
    listed = [name for part in INDEX.values() for name in part]
    assert sorted(listed) == NAMES


@pytest.mark.parametrize("name", sorted(INDEX["checked"]))
def test_a_checked_example_is_loaded_by_the_test_that_claims_it(name: str) -> None:
    tree = ast.parse((ROOT / INDEX["checked"][name]).read_text(encoding="utf-8"))
    words = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)}
    assert name in words


def test_a_reason_is_given_for_every_example_left_out() -> None:
    assert all(len(reason) > 5 for part in ("due", "not_applicable") for reason in INDEX[part].values())


@pytest.mark.parametrize("name", NAMES)
def test_an_example_says_where_it_comes_from(name: str) -> None:
    example = load(name)
    assert example.meta["source"]
    assert example.meta["feature"]


def test_agreement_by_printed_digits() -> None:
    assert half_unit("0.91") == pytest.approx(0.005)
    assert agrees(0.9149, "0.91")
    assert not agrees(0.9161, "0.91")
    assert agrees(612.0899, "612.09")
    assert not agrees(612.10, "612.09")
