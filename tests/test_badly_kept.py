"""``drift check`` says about the badly kept folder exactly what was planted in it, all at once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import drift
from drift.workflow import CheckResult, check_study
from tests.coverage.demo import generator

DEMO = Path(__file__).resolve().parents[1] / "demo_trials"
KEPT = DEMO / "badly_kept"


@pytest.fixture(scope="module")
def check() -> CheckResult:
    return check_study(KEPT)


@pytest.fixture(scope="module")
def expected() -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((KEPT / "expected_findings.json").read_text(encoding="utf-8"))
    return found


def _place(finding: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(str(finding[k]) for k in ("severity", "code", "file", "row", "column", "value"))


def test_every_planted_fault_is_found_in_one_go_and_nothing_else(check: CheckResult,
                                                                expected: list[dict[str, Any]]) -> None:
    found = sorted(_place(f.to_dict()) for f in check.findings if f.severity != "note")
    assert found == sorted(_place(f) for f in expected)


def test_every_finding_says_what_is_wrong_and_how_to_mend_it(check: CheckResult) -> None:
    for f in check.findings:
        assert f.message, f
        assert f.mend or f.severity == "note", f


def test_the_row_of_a_finding_is_the_line_an_editor_shows(expected: list[dict[str, Any]]) -> None:
    for f in expected:
        encoding = "latin-1" if f["file"] == "checks.csv" else "utf-8-sig"
        lines = (KEPT / f["file"]).read_text(encoding=encoding).splitlines()
        assert f["value"] in lines[f["row"] - 1], f


def test_run_refuses_what_check_finds() -> None:
    with pytest.raises(drift.DriftError, match="sensitivty_change"):
        drift.read_study(KEPT)


def test_what_is_only_unusual_is_read_as_the_well_kept_data(tmp_path: Path) -> None:
    generator("spoil").write_badly_kept(DEMO, tmp_path, faults=False)
    good, odd = (drift.read_tables(drift.read_study(folder)) for folder in (DEMO, tmp_path))
    assert not [f for f in odd.findings if f.severity == "error"]
    for name in ("checks", "trials", "sensors", "events"):
        kept, read = getattr(good.tables, name), getattr(odd.tables, name)
        assert set(kept.columns) == set(read.columns)
        for column in kept.columns:
            expected = kept[column][:len(read)]
            if expected.dtype == object:
                assert list(read[column]) == list(expected), column
            else:
                np.testing.assert_array_equal(read[column], expected, err_msg=column)
    assert len(odd.tables.checks) == len(good.tables.checks)
