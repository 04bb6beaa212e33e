"""Findings of one rule: the first ones in full, the others folded, none uncounted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drift.errors import Finding
from drift.validation import SHOWN, at_rows, capped, first_row, ranges


def expand(text: str) -> set[int]:
    """Read row numbers written as ranges."""
    made: set[int] = set()
    for part in text.split(", "):
        low, _, high = part.partition("-")
        made.update(range(int(low), int(high or low) + 1))
    return made


def rows_named(findings: list[Finding]) -> set[int]:
    """Return every row that findings name, folded ones included."""
    made: set[int] = set()
    for f in findings:
        if f.row is not None:
            made.add(f.row)
        elif " more rows (" in f.message:
            made |= expand(f.message.split("): ", 1)[1])
    return made


@given(st.sets(st.integers(1, 2000), min_size=1))
def test_ranges_name_exactly_the_rows_given(rows: set[int]) -> None:
    assert expand(ranges(rows)) == rows


@pytest.mark.parametrize(("rows", "text"), [([2], "2"), ([3, 2], "2-3"), ([2, 4, 5, 6, 9], "2, 4-6, 9"), ([], "")])
def test_ranges_are_written_as_a_person_would(rows: list[int], text: str) -> None:
    assert ranges(rows) == text


@pytest.mark.parametrize(("broken", "made"), [(0, 0), (1, 1), (SHOWN, SHOWN), (SHOWN + 1, SHOWN + 1),
                                              (SHOWN + 2, SHOWN + 1), (500, SHOWN + 1)])
def test_long_lists_are_folded_and_every_row_is_still_named(broken: int, made: int) -> None:
    rows = np.arange(2, 1002, dtype=np.int64)
    found = at_rows(np.arange(1000) < broken, rows=rows, value=str, message="wrong", code="x",
                    mend=lambda i: f"mend {i}")
    assert len(found) == made
    assert rows_named(found) == set(rows[:broken].tolist())
    if broken > SHOWN + 1:
        assert f"({broken} in all)" in found[-1].message
        assert found[-1].row is None
        assert first_row(found[-1]) == SHOWN + 2
    assert [f.mend for f in found[:3]] == [f"mend {i}" for i in range(min(3, broken))]


def test_findings_made_one_by_one_are_folded_alike() -> None:
    many = [Finding(severity="error", code="x", message="wrong", row=i) for i in range(2, 60)]
    found = capped(many)
    assert len(found) == SHOWN + 1
    assert rows_named(found) == set(range(2, 60))
    assert "58 in all" in found[-1].message
