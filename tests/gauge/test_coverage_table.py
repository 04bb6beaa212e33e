"""Simulated coverage of gauge and interlaboratory studies: what the tables promise, and that rows come again."""

import pandas as pd
import pytest

from tests.coverage import gauge, interlaboratory
from tests.coverage.runner import rows_of

OTHERS = "operator share 0.3.*against references"
GAUGE, LABORATORIES = (pd.read_csv(m.TABLE) for m in (gauge, interlaboratory))


@pytest.mark.parametrize("table", [GAUGE, LABORATORIES])
def test_the_table_says_how_it_was_made(table):
    assert (table.studies >= 2000).all()
    assert (table.without_interval == 0).all()
    assert table[["seed", "date", "versions"]].notna().all().all()


@pytest.mark.parametrize("module", [gauge, interlaboratory])
def test_a_row_can_be_made_again(module):
    """The first block of studies of a design are those of the table: their misses are counted in its record."""
    from tests.coverage.family import held_of, misses_in, read_rows, record_of

    design = module.DESIGNS[-1] if module is gauge else module.DESIGNS[0]
    rows = [r for r in read_rows(record_of(module.TABLE)) if r["design"] == design]
    size = int(rows[0]["block"])
    held = held_of(module.study, design, studies=size, seed=module.SEED)
    assert rows
    for r in rows:
        missed = sum(not h[r["quantity"], r["method"]][0] for h in held)
        assert missed == misses_in(r["misses"])[0], r["quantity"]


def test_a_whole_row_of_laboratories_can_be_made_again():
    design = interlaboratory.DESIGNS[0]
    again = {(r["quantity"], r["method"]): r["coverage"] for r in rows_of(interlaboratory.study, design, studies=2000,
                                                                         seed=interlaboratory.SEED)}
    stored = LABORATORIES[LABORATORIES.design == design].set_index(["quantity", "method"])
    for key, coverage in again.items():
        assert float(coverage) == float(stored.loc[key, "coverage"]), key


def test_intervals_hold_in_every_design():
    """Two Monte-Carlo errors of 2,000 studies are one per cent."""
    assert LABORATORIES.coverage.min() >= 0.94 - 0.005
    # Repeatability pays for the test that decides about pooling; most with half of the rest an interaction.
    tested = GAUGE.quantity == "repeatability (EV)"
    about_others = GAUGE.design.str.contains(OTHERS) & ~GAUGE.method.str.contains("over operators")
    assert GAUGE[tested].coverage.min() >= 0.92
    assert GAUGE[~tested & ~about_others].coverage.min() >= 0.93


def test_a_line_through_readings_of_several_operators_is_about_these_operators():
    """Naive twin: taking the readings for independent, its interval misses the bias of another operator."""
    rows = GAUGE[GAUGE.design.str.contains(OTHERS)]
    at_zero = rows[rows.quantity == "linearity, bias at reference 0"]
    assert at_zero[at_zero.method.str.contains("through")].coverage.max() < 0.90
    assert rows[rows.method.str.contains("over operators")].coverage.min() >= 0.935


def test_two_operators_hold_and_say_little():
    """AV of two operators: the truth is held, in an interval many times as wide as that of five."""
    av = GAUGE[GAUGE.quantity == "reproducibility (AV)"].set_index("design")
    two, five = (av.loc[f"10 x {o} x 2, operator share 0.1, ICC 0.8"] for o in (2, 5))
    assert two.coverage >= 0.94
    assert two.mean_width > 5 * five.mean_width
