"""The table of simulated coverage of reliability: how it was made, what it shows, and that a row can be made again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from drift.reliability.components import Components, analyse
from drift.reliability.icc import coefficients
from drift.reliability.measurement_error import error_sizes
from tests.coverage.reliability import DESIGNS, SEED, TABLE, simulate, study
from tests.coverage.runner import rows_of

ROWS = pd.read_csv(TABLE, keep_default_na=False)


def test_the_table_covers_the_grid_and_says_how_it_was_made() -> None:
    assert sorted(ROWS.design.unique()) == sorted(DESIGNS)
    assert (ROWS.studies >= 2000).all()
    assert (ROWS.without_interval == 0).all()
    assert ROWS[["seed", "date", "versions"]].ne("").all().all()


@pytest.mark.parametrize("design", ["20 x 3, facet share 0.16", "20 x 3, facet share 0.04, 10 % of cells missing"])
def test_a_row_can_be_made_again(design: str) -> None:
    again = pd.DataFrame(rows_of(study, design, studies=40, seed=SEED)).set_index(["quantity", "method"])
    stored = ROWS[ROWS.design == design].set_index(["quantity", "method"])
    assert set(again.index) == set(stored.index)
    for key in again.index:
        p = float(stored.loc[key, "coverage"])
        assert float(again.loc[key, "coverage"]) == pytest.approx(p, abs=4 * (max(p * (1 - p), 0.01) / 40) ** 0.5)


def test_leaving_out_component_intervals_leaves_the_printed_ones_alone() -> None:
    group = simulate(DESIGNS["20 x 3, facet share 0.16"], np.random.default_rng(7))
    full, short = (
        analyse(group, level=0.95, average=False, target="a", facet="b", spreads=spreads) for spreads in (True, False))
    assert isinstance(full, Components)
    assert isinstance(short, Components)
    # As text, because an interval that does not exist is NaN.
    assert repr(coefficients(full, level=0.95)) == repr(coefficients(short, level=0.95))
    assert repr(error_sizes(full, group, level=0.95)) == repr(error_sizes(short, group, level=0.95))


def test_a_design_with_missing_cells_always_misses_some() -> None:
    design = DESIGNS["20 x 3, facet share 0.04, 10 % of cells missing"]
    assert {len(simulate(design, np.random.default_rng(i)).values) for i in range(50)} == {54}


def test_exact_and_pivotal_intervals_hold() -> None:
    """Four Monte-Carlo errors of 2,000 studies at 0.95 are two per cent."""
    assert ROWS[~ROWS.method.str.contains("Satterthwaite")].coverage.min() >= 0.93


def test_the_classical_interval_of_agreement_falls_short_where_the_printed_one_holds() -> None:
    """The naive one takes the facet variance as estimated."""
    table = pd.read_csv(TABLE.with_name("agreement_interval.csv"), keep_default_na=False)
    table = table[table.quantity == "ICC(A,1)"].set_index("method")
    assert (table.groupby("method").size() == 144).all()
    assert table.loc["F/Satterthwaite interval"].coverage.min() < 0.80
    printed, pivotal = table.loc["shortest calibrated interval"], table.loc["generalised pivotal interval"]
    # The rule by which the default was chosen: at least 0.935 everywhere, and the narrowest on average of those.
    assert printed.coverage.min() > 0.935
    for name in set(table.index) - {"shortest calibrated interval"}:
        other = table.loc[name]
        holds = (other.coverage >= 0.935 - 2 * (0.935 * 0.065 / other.studies) ** 0.5).all()
        assert not holds or other.mean_width.mean() > printed.mean_width.mean(), name
    assert printed.mean_width.mean() < 0.9 * pivotal.mean_width.mean()
    rows = ROWS[(ROWS.quantity == "ICC(A,1)")]
    assert rows.coverage.min() > 0.935
