"""What a comparison of policies says of its own bands: the row of the committed table nearest to the study."""

from __future__ import annotations

import csv
from importlib.resources import files

import pytest

from drift.simulated.quoting import NOTE
from tests.retirement.test_policy import answer, rows_of, usual, with_tolerance
from tests.retirement.worlds import sensors


def row(family: str, design: str, quantity: str) -> dict[str, str]:
    text = (files("drift") / "handbook" / "coverage" / f"{family}.csv").read_text(encoding="utf-8")
    return next(r for r in csv.DictReader(text.splitlines()) if (r["design"], r["quantity"]) == (design, quantity))


def test_a_policy_quotes_its_band_from_the_committed_table() -> None:
    result = answer(policy={"check_every": (5,)}, costs={"sensor": 90.0, "spoilt_session": 4.0, "check": 0.01})
    chosen, = (r for r in rows_of(result) if r["chosen"] == "yes")
    assert chosen["kind"] == "check and retire"
    t = result.table("coverage")
    shown = {q: (d, c) for q, d, c in zip(t["quantity"], t["nearest design"], t["coverage"], strict=True)}
    own = row("policy_checks", "12 sensors", "cost per use, check every 5, own guard band")
    assert shown["cost per use"] == ("12 sensors", pytest.approx(100 * float(own["coverage"])))
    bound = row("policy_checks", "12 sensors", "share ever past a limit, own guard band")
    assert shown["bound of the share ever past a limit"][1] == pytest.approx(100 * float(bound["coverage"]))
    said = next(f.message for f in result.findings if f.code == NOTE)
    assert said.startswith("In simulated studies like this one (12 sensors)")
    assert "recalibration" not in said


def test_a_fixed_count_quotes_that_of_fixed_counts() -> None:
    result = answer(costs={"sensor": 90.0, "spoilt_session": 4000.0, "check": 1e6})
    assert result.chosen().startswith("retire after")
    t = result.table("coverage")
    assert set(t["quantity"]) == {"cost per use", "spoilt sessions per 100 uses"}
    own = row("policy", "12 sensors", "cost per use, retire after 17")
    assert t["coverage"][list(t["quantity"]).index("cost per use")] == pytest.approx(100 * float(own["coverage"]))


def test_recalibration_was_not_simulated_and_that_is_said() -> None:
    assert next(f.message for f in with_tolerance().findings if f.code == NOTE).endswith("without recalibration")
    assert "recalibration" not in next(f.message for f in usual().findings if f.code == NOTE)


def test_a_refused_comparison_quotes_nothing() -> None:
    result = answer(sensors(4))
    assert NOTE not in {f.code for f in result.findings}
    assert "coverage" not in {t.name for t in result.tables}
