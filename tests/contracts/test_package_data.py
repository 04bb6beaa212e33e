"""What the package reads at run time is in its wheel."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "drift"
PATTERNS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["package-data"]


@pytest.mark.parametrize("ending", ["csv", "md", "json", "svg", "html", "css", "toml"])
def test_every_data_file_is_packaged(ending: str) -> None:
    packed = {p for pattern in PATTERNS["drift"] for p in PACKAGE.glob(pattern)}
    there = {p for p in PACKAGE.rglob(f"*.{ending}") if p.name != "CHANGES.md"}
    assert there, f"no {ending} file in the package"
    assert there <= packed


def test_tables_under_way_are_not_packaged() -> None:
    assert "handbook/coverage/*.csv" in PATTERNS["drift"]
    assert not any(p.startswith("handbook/coverage/") and p.endswith("*") for p in PATTERNS["drift"])
