"""Screening rules: common practice, no source; every rule flags what it says, and drops only when asked."""

from __future__ import annotations

import numpy as np
import pytest

from drift.records import TrialTable
from drift.screening import CONSEQUENCES, RULES, screen, unknown_rules
from drift.study import ScreeningSpec
from tests.sensitivity.worlds import checks_of, sensors_of, table


def checks(**more):
    return checks_of({"sensor": ["A", "A", "B", "B"], "use": [0.0, 1.0, 0.0, 1.0],
                      "reading": [500.0, 1023.0, 480.0, 470.0], **more})


def trials(**more):
    return table(TrialTable, {"participant": ["P1", "P1", "P2", "P2"], "sensor": ["A"] * 4,
                              "measure": ["total force", "peak pressure"] * 2,
                              "reading": [600.0, 200.0, 790.0, 240.0], "reference": [800.0, np.nan, 800.0, np.nan],
                              **more}, "trials.csv")


def test_saturated_cells_are_censored_not_dropped():
    found = screen(checks(saturated=[0.0, 0.0, 0.02, 0.0]), ScreeningSpec(), full_scale=1023.0)
    assert found.flags["saturated cells"].tolist() == [False, True, True, False]
    assert not found.dropped.any()
    assert found.findings[0].severity == "note"
    assert "censored" in found.findings[0].message


def test_the_limit_of_dead_cells_is_the_spec_s():
    table_ = checks(dead=[0.0, 0.02, 0.021, 0.05])
    assert screen(table_, ScreeningSpec()).flags["dead cells"].tolist() == [False, False, True, True]
    assert screen(table_, ScreeningSpec(dead_fraction=0.03)).flags["dead cells"].tolist() == [False, False, False, True]


def test_rows_leave_only_when_drop_names_the_rule():
    table_ = checks(dead=[0.0, 0.0, 0.0, 0.05])
    kept = screen(table_, ScreeningSpec())
    dropped = screen(table_, ScreeningSpec(drop=("dead cells",)))
    assert not kept.dropped.any()
    assert dropped.dropped.tolist() == [False, False, False, True]
    assert dropped.reasons[3] == "screening: dead cells (dead fraction above 0.02)"
    assert "they stay" in kept.findings[0].message
    assert "they leave" in dropped.findings[0].message


def test_a_dead_line_is_seen_from_the_size_of_the_sheet():
    sensors = sensors_of({"sensor": ["A", "B"], "rows": [40.0, 10.0], "cols": [20.0, 10.0]})
    found = screen(checks(dead=[0.024, 0.025, 0.05, 0.1]), ScreeningSpec(), sensors=sensors)
    # A line of A is 20 of 800 cells (0.025); one of B is 10 of 100.
    assert found.flags["dead line"].tolist() == [False, True, False, True]


def test_a_column_of_dead_lines_is_believed_first():
    sensors = sensors_of({"sensor": ["A", "B"], "rows": [40.0, 10.0], "cols": [20.0, 10.0]})
    found = screen(checks(dead=[0.2] * 4, dead_lines=[0.0, 0.0, 1.0, 0.0]), ScreeningSpec(), sensors=sensors)
    assert found.flags["dead line"].tolist() == [False, False, True, False]


def test_low_total_force_takes_the_other_rows_of_the_recording_with_it():
    found = screen(trials(), ScreeningSpec(drop=("load off the sheet",)))
    assert found.flags["load off the sheet"].tolist() == [True, True, False, False]
    assert found.dropped.tolist() == [True, True, False, False]
    assert found.table["value"].tolist() == [0.75, 0.75]
    assert not screen(trials(), ScreeningSpec(force_fraction=0.7)).flags["load off the sheet"].any()


def test_total_force_without_a_known_force_is_not_judged():
    found = screen(trials(reference=[np.nan] * 4), ScreeningSpec())
    assert "load off the sheet" not in found.flags


def test_declared_conditions_are_flagged():
    found = screen(trials(method=["gait", "gait", "bench", "bench"], purpose=["research"] * 4,
                          equalised=["no", "no", "yes", "yes"], liner=["thick", "thin", "thin", "thin"],
                          cut=[0.0, 0.0, 0.01, 0.0]), ScreeningSpec())
    assert found.flags["calibration method against purpose"].tolist() == [True, True, False, False]
    assert found.flags["gains not equalised"].tolist() == [True, True, False, False]
    assert found.flags["thick liner"].tolist() == [True, False, False, False]
    assert found.flags["cut cells"].tolist() == [False, False, True, False]


def test_rows_not_considered_are_neither_flagged_nor_dropped():
    found = screen(checks(dead=[0.5] * 4), ScreeningSpec(drop=("dead cells",)), consider=[True, False, True, False])
    assert found.dropped.tolist() == [True, False, True, False]


def test_an_unknown_rule_is_an_error_with_the_nearest_name():
    found = unknown_rules(ScreeningSpec(drop=("dead lines",)))
    assert [f.severity for f in found] == ["error"]
    assert "'dead line'" in found[0].mend
    assert not unknown_rules(ScreeningSpec(drop=RULES))


def test_every_failing_row_is_listed_once_a_rule_with_its_row_number():
    found = screen(checks(dead=[0.0, 0.03, 0.0, 0.04], saturated=[0.0, 0.1, 0.0, 0.0]), ScreeningSpec())
    listed = list(zip(found.table["rule"], found.table["row"], strict=True))
    assert listed == [("saturated cells", 3.0), ("dead cells", 3.0), ("dead cells", 5.0)]
    assert set(found.table["consequence"]) <= set(CONSEQUENCES.values())


def test_flags_are_read_only():
    found = screen(checks(dead=[0.0, 0.03, 0.0, 0.04]), ScreeningSpec())
    with pytest.raises(ValueError, match="read-only"):
        found.flags["dead cells"][0] = True


def test_checks_of_force_against_force_are_judged_row_by_row():
    table_ = checks_of({"sensor": ["A", "A"], "use": [0.0, 1.0], "reading": [700.0, 795.0],
                        "reference": [800.0, 800.0]}, reading="N", reference="N")
    assert screen(table_, ScreeningSpec()).flags["load off the sheet"].tolist() == [True, False]


def test_rules_that_the_same_rows_fail_are_said_once():
    found = screen(checks(dead=[0.0, 0.0, 0.0, 0.5], dead_lines=[0.0, 0.0, 0.0, 1.0]), ScreeningSpec()).findings
    assert len(found) == 1
    assert found[0].message.startswith("Screening, dead cells and dead line: 1 of 4 rows")
    assert '"dead cells" and "dead line"' in found[0].mend
    apart = screen(checks(dead=[0.0, 0.0, 0.0, 0.5], dead_lines=[0.0, 0.0, 1.0, 1.0]), ScreeningSpec()).findings
    assert len(apart) == 2
