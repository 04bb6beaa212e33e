"""The table of simulated coverage of drift: how it was made, what it shows, and that a row can be made again."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.coverage.drift import DESIGNS, SEED, TABLE, study
from tests.coverage.runner import rows_of

ROWS = pd.read_csv(TABLE, keep_default_na=False)


def test_the_table_covers_the_grid_and_says_how_it_was_made() -> None:
    assert sorted(ROWS.design.unique()) == sorted(DESIGNS)
    assert (ROWS.studies >= 2000).all()
    assert ROWS[["seed", "date", "versions"]].ne("").all().all()


def test_a_row_can_be_made_again() -> None:
    design = "12 sensors"
    again = pd.DataFrame(rows_of(study, design, studies=40, seed=SEED)).set_index(["quantity", "method"])
    stored = ROWS[ROWS.design == design].set_index(["quantity", "method"])
    for key in again.index:
        p = float(stored.loc[key, "coverage"])
        assert float(again.loc[key, "coverage"]) == pytest.approx(p, abs=4 * (max(p * (1 - p), 0.01) / 40) ** 0.5)


def test_kenward_roger_holds_where_the_shortcuts_fall_short() -> None:
    """2,000 studies: four Monte-Carlo errors at 0.95 are two per cent."""
    kr = ROWS[ROWS.method == "REML, Kenward-Roger t"].coverage.astype(float)
    assert kr.min() >= 0.93
    pooled = ROWS[ROWS.method.str.startswith("one line through all rows")].coverage.astype(float)
    assert pooled.max() < 0.85
