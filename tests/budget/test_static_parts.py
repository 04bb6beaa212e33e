"""Hysteresis, creep and zero come from the calibration where its readings tell them."""

from __future__ import annotations

import numpy as np
import pytest

from drift.budget import budget
from drift.records import CheckTable, Tables
from tests.budget.studies import study, tables

LOOP = 6.0


def both_ways() -> Tables:
    """The checks of a laboratory read up and down; the way down reads higher by a loop."""
    up = tables().checks
    assert up is not None
    down = {**up.columns, "reading": up["reading"] + LOOP}
    columns = {k: np.concatenate([up[k], down[k]]) for k in up.columns}
    columns["direction"] = np.array(["up"] * len(up) + ["down"] * len(up), dtype=object)
    return Tables(checks=CheckTable(columns, np.arange(2, 2 + 2 * len(up)), "checks.csv", units=dict(up.units)))


def test_the_loop_of_the_calibration_is_in_the_budget_as_its_half_width() -> None:
    result = budget(both_ways(), study({"reading": 400, "use": 20, "sensor": "S1"}), draws=20_000)
    table = result.table("budget")
    at = list(table["quantity"]).index("hysteresis")
    assert table["standard uncertainty"][at] == pytest.approx(LOOP / 2 / 3**0.5, rel=1e-9)
    assert table["unit"][at] == "count"
    assert "hysteresis" not in set(result.table("left out")["component"])


def test_what_is_stated_goes_before_what_the_calibration_tells() -> None:
    asked = study({"reading": 400, "use": 20, "sensor": "S1", "hysteresis": "1 %"})
    table = budget(both_ways(), asked, draws=20_000).table("budget")
    assert list(table["quantity"]).count("hysteresis") == 1
    assert table["unit"][list(table["quantity"]).index("hysteresis")] == "%"
