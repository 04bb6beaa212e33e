"""One fault in many rows is printed once, with its rows; JSON keeps every one."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from drift.errors import Finding
from drift.report.same_faults import count_words, faults
from drift.validation import capped

Drift = Callable[..., Result]


def empty(row: int | None, **more: str) -> Finding:
    return Finding(**{"severity": "error", "code": "empty-cell", "message": f"nothing beside row {row}",  # type: ignore[arg-type]
                      "file": "t.csv", "row": row, "column": "reading", "mend": "Fill it in", **more})


@pytest.mark.parametrize("n", [4, 20, 60])
def test_rows_of_one_fault_are_listed_with_the_first(n: int) -> None:
    found = capped([empty(r, value="") for r in range(2, 2 + n)])
    fault, = faults(found)
    assert fault.finding.row == 2
    assert fault.rows == tuple(range(2, 2 + n))
    assert fault.further == f" The same in {n - 1} more rows: 3-{n + 1}."
    assert count_words(found) == f"1 error in {n} rows"


def test_what_differs_is_told_apart() -> None:
    found = [*(empty(r) for r in range(2, 9)), *(empty(r, column="use") for r in range(2, 9)),
             *(empty(r, mend="Did you mean 'a'?") for r in (3, 4)), empty(None, column="unit")]
    shown = faults(found)
    assert [(x.finding.column, len(x.rows)) for x in shown] == [("reading", 7), ("use", 7), ("reading", 1),
                                                                ("reading", 1), ("unit", 0)]
    assert count_words(found) == "5 errors in 17 places"
    assert count_words([empty(None)]) == "1 error"


def test_the_command_prints_a_repeated_fault_once(drift: Drift, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("participant,method,reading\n" + "".join(
        f"p{i},{m},{10 + i + j + k}\n" for i in range(15) for j, m in enumerate("xy") for k in range(2)),
        encoding="utf-8")
    ask = ("agree", path, "--compare", "method", "--a", "x", "--b", "y", "--pair-by", "participant")
    text = " ".join(drift(*ask).output.split())
    assert "Nothing was computed: 1 error in 30 rows." in text
    assert text.count("another reading") == 1
    assert "The same in 29 more rows:" in text
    assert sum(f["severity"] == "error" for f in json.loads(drift(*ask, "--json").stdout)["findings"]) == 21
