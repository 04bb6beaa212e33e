"""The table of simulated coverage of generalizability: it holds, says how it was made, and a row can be made again."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.coverage.generalizability import DESIGNS, SEED, TABLE, study
from tests.coverage.runner import rows_of
from tests.reliability.tables import ask
from tests.reliability.test_generalizability import study as readings

ROWS = pd.read_csv(TABLE, keep_default_na=False)


def test_the_table_covers_the_grid_and_says_how_it_was_made() -> None:
    assert sorted(ROWS.design.unique()) == sorted(DESIGNS)
    assert (ROWS.studies >= 2000).all()
    assert ROWS[["seed", "date", "versions"]].ne("").all().all()


def test_every_printed_interval_holds_what_it_promises() -> None:
    # Two to five levels, complete and with a quarter of the readings missing: two Monte-Carlo errors below 0.93.
    assert (ROWS.coverage >= 0.93 - 2 * (0.93 * 0.07 / ROWS.studies) ** 0.5).all()


@pytest.mark.parametrize("design", ["20 targets x (3 sensors in 2 constructions)",
                                    "30 targets x 3 sensors x 3 sessions, 25 % of readings missing"])
def test_a_row_can_be_made_again(design: str) -> None:
    again = pd.DataFrame(rows_of(study, design, studies=30, seed=SEED)).set_index(["quantity", "method"])
    stored = ROWS[ROWS.design == design].set_index(["quantity", "method"])
    assert set(again.index) == set(stored.index)
    for key in again.index:
        p = float(stored.loc[key, "coverage"])
        assert float(again.loc[key, "coverage"]) == pytest.approx(p, abs=4 * (max(p * (1 - p), 0.01) / 30) ** 0.5)


def test_a_result_quotes_the_row_nearest_to_its_design() -> None:
    r = ask(readings(n=18, missing=0.05, sensors=3, sessions=2), facet=("sensor", "session"))
    table = r.table("coverage").to_frame()
    assert set(table["nearest design"]) == {
        "20 targets x 3 sensors x 2 sessions x 2 replicates, 5 % of readings missing"}
    assert list(table.quantity) == ["Phi coefficient", "SEM (absolute)"]
    assert any(f.code == "simulated-coverage" for f in r.findings)
