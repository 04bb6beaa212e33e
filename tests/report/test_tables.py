"""Tables for reading: shared decimals, intervals in one cell, nothing invented."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drift.report.tables import (
    Grid,
    estimate_grid,
    exclusion_grid,
    number,
    reliability_grid,
    result_grid,
    shared_decimals,
)
from drift.results import Estimate, Exclusion, ResultTable
from tests.report.example_results import reliability_result


def test_an_interval_stands_behind_its_value() -> None:
    table = ResultTable.build("t", {"what": ["a"], "sd": [0.9132], "low": [0.84], "high": [0.951]})
    assert result_grid(table).rows == (("a", "0.91 (0.84 to 0.95)"),)


def test_low_and_high_skip_what_has_no_interval_of_its_own() -> None:
    table = ResultTable.build("t", {"value": [1.0], "std_error": [0.2], "df": [9.0], "low": [0.55], "high": [1.45]})
    grid = result_grid(table)
    assert grid.heads == ("value (interval)", "std error", "df")
    assert grid.rows == (("1.00 (0.55 to 1.45)", "0.200", "9"),)


@pytest.mark.parametrize("ends", [("SD low", "SD high"), ("SD_low", "SD_high")])
def test_named_ends_go_to_their_name(ends: tuple[str, str]) -> None:
    table = ResultTable.build("t", {"variance": [4.0], "SD": [2.0], ends[0]: [1.5], ends[1]: [2.5], "share": [40.0]},
                              units={"SD": "kPa", "share": "%"})
    assert result_grid(table).heads == ("variance", "SD [kPa] (interval)", "share [%]")


def test_a_column_shares_its_decimals() -> None:
    grid = result_grid(ResultTable.build("t", {"x": [1.25, 10.0, 0.333]}))
    assert [r[0] for r in grid.rows] == ["1.25", "10.00", "0.33"]
    assert shared_decimals([1.0, 20.0, math.nan]) == 0


def test_missing_numbers_are_empty_and_minus_is_a_minus() -> None:
    assert number(math.nan, 2) == ""
    assert number(-1.5, 1) == "\N{MINUS SIGN}1.5"
    assert number(-0.0001, 2) == "0.00"


def test_alike_estimates_share_decimals_and_stand_together() -> None:
    made = [Estimate(name=n, value=v, low=v - w, high=v + w, level=0.95, method="m", of={"construction": c})
            for c, w in (("plain", 0.5), ("laminated", 0.4)) for n, v in (("slope", 1.0), ("start", 9.0))]
    grid = estimate_grid(made)
    assert grid is not None
    assert [r[0] for r in grid.rows] == ["slope", "slope", "start", "start"]
    assert len({len(r[2].split(" ")[0].split(".")[1]) for r in grid.rows}) == 1


def test_a_capped_count_says_at_least() -> None:
    grid = estimate_grid([Estimate(name="retire after", value=75.0, bound="at least", unit="uses")])
    assert grid is not None
    assert "at least 75" in grid.rows[0]


def test_reliability_is_one_row_a_group() -> None:
    grid = reliability_grid(reliability_result())
    assert grid is not None
    assert grid.heads == ("region", "ICC(A,1)", "SEM (agreement) [kPa]")
    assert [r[0] for r in grid.rows] == ["heel", "forefoot"]
    assert "two-way random" in grid.caption


def test_rows_left_out_are_counted_by_reason() -> None:
    rows = [Exclusion(question="q", table="checks", file="f", row=i, kind="excluded", reason=r)
            for i, r in enumerate(("wet", "wet", "torn"))]
    grid = exclusion_grid(rows)
    assert grid is not None
    assert [r[-1] for r in grid.rows] == ["2", "1"]
    assert exclusion_grid(()) is None


def test_values_keep_their_length() -> None:
    grid = result_grid(ResultTable.build("t", {"x": np.arange(30.0), "y": ["a"] * 30}))
    assert len(grid.rows) == 30


def test_few_rows_of_many_values_are_turned_so_that_no_column_leaves_the_page() -> None:
    heads = tuple(f"value {i}" for i in range(12))
    grid = Grid(caption="c", heads=heads, rows=(tuple(map(str, range(12))), tuple(map(str, range(12, 24)))),
                numeric=(True,) * 12)
    turned = grid.turned()
    assert turned.heads == ("value 0", "0", "12")
    assert turned.rows[0] == ("value 1", "1", "13")
    assert len(turned.rows) == 11
    narrow = Grid(caption="c", heads=heads[:3], rows=(("1", "2", "3"),), numeric=(True,) * 3)
    assert narrow.turned() is narrow


def test_many_labels_of_estimates_stand_in_one_column() -> None:
    of = {"construction": "plain", "limit": "saturation_pressure", "at": "38 uses", "policy": "check every 20",
          "chosen": "yes"}
    grid = estimate_grid([Estimate(name="cost", value=1.0, of=of), Estimate(name="cost", value=2.0, of={"a": "x"})])
    assert grid is not None
    assert grid.heads[:2] == ("estimate", "of")
    assert [r[1] for r in grid.rows] == ["plain, saturation pressure, at 38 uses, check every 20, chosen", "a x"]
