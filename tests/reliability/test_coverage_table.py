"""The table of simulated coverage of reliability: how it was made, what it shows, and that a row can be made again."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.coverage.reliability import DESIGNS, SEED, TABLE, study
from tests.coverage.runner import rows_of

ROWS = pd.read_csv(TABLE, keep_default_na=False)


def test_the_table_covers_the_grid_and_says_how_it_was_made() -> None:
    assert sorted(ROWS.design.unique()) == sorted(DESIGNS)
    assert (ROWS.studies >= 2000).all()
    assert ROWS[["seed", "date", "versions"]].ne("").all().all()


def test_a_row_can_be_made_again() -> None:
    design = "20 x 3, facet share 0.04"
    again = pd.DataFrame(rows_of(study, design, studies=60, seed=SEED)).set_index(["quantity", "method"])
    stored = ROWS[ROWS.design == design].set_index(["quantity", "method"])
    for key in again.index:
        p = float(stored.loc[key, "coverage"])
        assert float(again.loc[key, "coverage"]) == pytest.approx(p, abs=4 * (max(p * (1 - p), 0.01) / 60) ** 0.5)


def test_exact_and_pivotal_intervals_hold_and_the_printed_classical_one_does_not() -> None:
    """Four Monte-Carlo errors of 2,000 studies at 0.95 are two per cent."""
    held = ROWS[~ROWS.method.str.contains("Satterthwaite")]
    assert held.coverage.astype(float).min() >= 0.93
    classical = ROWS[ROWS.method.str.contains("Satterthwaite") & (ROWS.design == "20 x 2, facet share 0.16")]
    assert classical.coverage.astype(float).max() < 0.85
