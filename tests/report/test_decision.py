"""The top of the report says each decision once, and a condition that several share once below them."""

from __future__ import annotations

import pytest

from drift.report.decision import decisions
from drift.report.drawing import spread
from drift.report.tables import Grid, result_grid
from drift.results import Result, ResultTable

RETIRE = ("Laminated sensors: retire after 38 uses for a sensor from a new batch (with 95 % confidence most are "
          "within; the binding limit is A). Plain sensors: retire after 20 uses for a sensor from a new batch (with "
          "95 % confidence most are within; the binding limit is B).")
AGAIN = ("Laminated sensors: recalibrate every 8 uses, retire after 38 uses for a sensor from a new batch (with 95 % "
         "confidence close). Plain sensors: recalibrate every 3 uses, retire after 19 uses for a sensor from a new "
         "batch (with 95 % confidence close).")


def part(command: str, answer: str) -> Result:
    made = Result(question=command, answer=answer)
    object.__setattr__(made, "command", command)
    return made


def test_what_is_shared_is_said_once_and_what_differs_stays_with_its_line() -> None:
    retire, = decisions([part("retire", RETIRE)])
    assert retire.shared == "With 95 % confidence most are within."
    assert retire.lines == ("Laminated sensors: retire after 38 uses for a sensor from a new batch; the binding limit "
                            "is A.", "Plain sensors: retire after 20 uses for a sensor from a new batch; the binding "
                            "limit is B.")


def test_a_count_said_above_is_not_repeated_and_another_one_is_kept() -> None:
    _, again = decisions([part("retire", RETIRE), part("recalibrate", AGAIN)])
    assert again.lines == ("Laminated sensors: recalibrate every 8 uses until then.",
                           "Plain sensors: recalibrate every 3 uses, retire after 19 uses for a sensor from a new "
                           "batch.")


@pytest.mark.parametrize("answer", ["No count: too few sensors.", RETIRE.split(" Plain")[0],
                                    "A: retire after 3 uses (with care). B: no count can be given."])
def test_a_line_alone_or_unlike_the_others_stands_as_it_is(answer: str) -> None:
    alone, = decisions([part("retire", answer)])
    assert " ".join(alone.lines) == answer
    assert alone.shared == ""


def test_without_counts_the_answers_stand_in_order() -> None:
    found = decisions([part("icc", "One."), part("agree", "Two.")])
    assert [d.lines for d in found] == [("One.",), ("Two.",)]


def test_a_tiny_percentage_is_said_to_be_tiny_and_none_has_a_row_of_zeros() -> None:
    grid = result_grid(ResultTable.build("t", {"share": [1e-9, 0.0, 2e-8]}, units={"share": "%"}))
    assert [row[0] for row in grid.rows] == ["< 0.01", "0.00", "< 0.01"]
    grid = result_grid(ResultTable.build("t", {"share": [12.5, 0.004, 80.0]}, units={"share": "%"}))
    assert [row[0] for row in grid.rows] == ["12.5", "0.0", "80.0"]


def test_labels_stay_inside_as_long_as_they_fit() -> None:
    assert spread([10.0, 10.0, 10.0], 2.0, (0.0, 10.0)) == [6.0, 8.0, 10.0]
    assert spread([0.0, 0.1], 1.0, (0.0, 10.0)) == [0.0, 1.0]
    assert spread([5.0, 5.0], 2.0, (0.0, 10.0)) == spread([5.0, 5.0], 2.0)
    crowded = spread([1.0, 1.0, 1.0], 2.0, (0.0, 3.0))
    assert crowded == spread([1.0, 1.0, 1.0], 2.0)


def test_only_tables_wider_than_a_phone_say_so() -> None:
    short = Grid(caption="", heads=("sensor", "uses"), rows=(("A", "3"),), numeric=(False, True))
    long = Grid(caption="", heads=tuple("abcdef"), rows=(tuple(["0.91 (0.84 to 0.95)"] * 6),), numeric=(True,) * 6)
    assert not short.wide
    assert long.wide
