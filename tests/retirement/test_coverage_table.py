"""The committed table of simulated coverage says what the handbook claims."""

from __future__ import annotations

import pandas as pd

from tests.coverage.retirement import TABLE


def rows() -> pd.DataFrame:
    return pd.read_csv(TABLE)


def four_errors(studies: pd.Series) -> pd.Series:
    return 4 * (0.05 * 0.95 / studies) ** 0.5


def test_every_row_rests_on_two_thousand_studies_and_names_seed_date_and_versions() -> None:
    table = rows()
    assert (table.studies >= 2000).all()
    assert table[["seed", "date", "versions"]].notna().all().all()


def test_the_rule_keeps_its_level_in_every_world() -> None:
    table = rows()
    without = (table.rule == "smaller of line bound and companion") & (table.table != "batches")
    ours = table[without | (table.rule == "smaller of two-level bound and two-level companion")]
    assert len(ours) == 66
    assert (ours.unsafe < 0.05 + four_errors(ours.studies)).all()


def test_the_shortcuts_do_not() -> None:
    table = rows()
    assert (table[table.rule.str.startswith("mean line")].unsafe > 0.98).all()
    assert (table[table.rule.str.startswith("plug-in")].unsafe > 0.35).all()
    ignored = table[(table.rule == "line bound") & (table.batch_sd == 0.0035)]
    assert (ignored.unsafe > 0.05).all()
    assert ignored.unsafe.max() > 0.2
