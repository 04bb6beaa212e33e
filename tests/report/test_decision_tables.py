"""The retirement section compares along its rows and says every bound in words."""

from __future__ import annotations

import math

from drift.report.decision_tables import count_cell, decision_grids
from drift.results import ResultTable
from drift.retirement import RetirementResult


def result() -> RetirementResult:
    shares = [(p, c, 30.0 - 100 * (p - 0.8) - 50 * (c - 0.8)) for p in (0.8, 0.9) for c in (0.9, 0.95)]
    one = ResultTable.build("sensitivity to content and confidence", {
        "construction": ["plain"] * 8, "limit": ["sensitivity_change", "all limits"] * 4,
        "content": [p for p, _, _ in shares for _ in range(2)],
        "confidence": [c for _, c, _ in shares for _ in range(2)],
        "retire after": [n + extra for _, _, n in shares for extra in (5.0, 0.0)], "bound": ["exact"] * 8,
        "declared": ["yes" if (p, c) == (0.9, 0.95) else "" for p, c, _ in shares for _ in range(2)]},
        units={"retire after": "uses"}, caption="How the count changes.")
    two = ResultTable.build("leave one sensor out", {
        "construction": ["plain"] * 3, "limit": ["all limits"] * 3, "left out": ["a", "b", "c"],
        "retire after": [20.0, 17.0, 22.0]}, units={"retire after": "uses"}, caption="Left out.")
    three = ResultTable.build("dead cells", {
        "construction": ["plain"] * 4, "limit": ["dead_fraction"] * 4, "use": [0.0, 10.0, 20.0, 30.0],
        "sensors past": [0.0, 0.0, 1.0, 1.0], "sensors known": [12.0] * 4, "share": [0.0, 0.0, 1 / 12, 1 / 12],
        "upper bound": [0.2, 0.2, 0.34, 0.34]}, caption="Past a limit that jumps.")
    return RetirementResult(question="retire after", answer="a", tables=(one, two, three))


def test_shares_are_turned_with_confidence_along_the_row() -> None:
    grid = decision_grids(result())[0]
    assert grid.heads == ("construction", "content", "confidence 90 %", "confidence 95 %")
    assert [r[1] for r in grid.rows] == ["80 %", "90 %"]
    assert [float(r[2]) > float(r[3]) for r in grid.rows] == [True, True]
    assert "declared are content 90 % and confidence 95 %" in grid.caption


def test_the_range_over_sensors_left_out_names_them() -> None:
    grid = decision_grids(result())[1]
    assert grid.rows == (("plain", "all limits", "17 (without b)", "22 (without c)"),)


def test_sensors_past_a_jump_are_shown_where_their_number_changes() -> None:
    grid = decision_grids(result())[2]
    assert [(r[2], r[3]) for r in grid.rows] == [("20", "1 of 12"), ("30", "1 of 12")]


def test_every_kind_of_count_has_its_words() -> None:
    assert count_cell(20.0, "exact") == "20"
    assert count_cell(75.0, "at least") == "at least 75"
    assert count_cell(math.nan, "refused") == "no count"
