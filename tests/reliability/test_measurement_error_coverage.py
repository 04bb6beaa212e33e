"""The table of simulated coverage of measurement error: what holds where, and that a row can be made again."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from drift.engine.pivotal import component_cdf, component_intervals
from drift.reliability.components import Components, analyse
from drift.reliability.measurement_error import sizes_in_unit
from tests.coverage.family import LEVEL
from tests.coverage.measurement_error import DESIGNS, SEED, TABLE, Design, drawn, laid_out, simulate, study
from tests.coverage.runner import rows_of

ROWS = pd.read_csv(TABLE, keep_default_na=False)


def test_the_table_covers_the_grid_and_says_how_it_was_made() -> None:
    assert sorted(ROWS.design.unique()) == sorted(DESIGNS)
    assert (ROWS.studies >= 2000).all()
    assert ROWS[["seed", "date", "versions"]].ne("").all().all()


def test_every_printed_interval_holds_from_eight_targets_on() -> None:
    """At least 0.93 in every design; with three Monte-Carlo errors to spare where a random factor has five levels."""
    assert ROWS.coverage.astype(float).min() >= 0.93
    assert (ROWS.without_interval == 0).all()


@pytest.mark.parametrize("design", ["8 x 2, facet share 0.3", "8 x 5, facet share 0.3, 25 % of cells missing"])
def test_a_row_can_be_made_again(design: str) -> None:
    again = pd.DataFrame(rows_of(study, design, studies=40, seed=SEED)).set_index(["quantity", "method"])
    stored = ROWS[ROWS.design == design].set_index(["quantity", "method"])
    assert set(again.index) == set(stored.index)
    for key in again.index:
        p = float(stored.loc[key, "coverage"])
        assert float(again.loc[key, "coverage"]) == pytest.approx(p, abs=4 * (max(p * (1 - p), 0.01) / 40) ** 0.5)


def test_the_short_cuts_count_what_is_printed() -> None:
    """A value lies in the printed interval where its distribution function says so, and REML only widens."""
    for seed in range(6):
        group = simulate(DESIGNS["8 x 5, facet share 0.3, 25 % of cells missing"], np.random.default_rng(seed))
        full, short = analyse(group, level=LEVEL, average=False, target="a", facet="b"), laid_out(group, fixed=False)
        assert isinstance(full, Components)
        assert isinstance(short, Components)
        assert full.pivots is not None
        ends = component_intervals(full.pivots, LEVEL)
        for part in ("target", "facet"):
            for true in (0.05, 0.3, 0.6, 2.0):
                inside = 0.025 <= component_cdf(full.pivots, part)(true) <= 0.975
                assert inside == (ends[part][0] <= true <= ends[part][1])
        for mine, printed in zip(sizes_in_unit(short, level=LEVEL, target="a", facet="b"),
                                 sizes_in_unit(full, level=LEVEL, target="a", facet="b"), strict=True):
            if mine.name in ("SEM (agreement)", "SEM (consistency)"):
                assert printed.low <= mine.low * (1 + 1e-9) or printed.value < mine.value
                assert printed.high >= mine.high * (1 - 1e-9) or printed.value > mine.value


def test_tables_drawn_as_sums_of_squares_are_tables_of_readings() -> None:
    """Means of SEM and mean over 800 tables of each kind agree within four standard errors."""
    d = Design(8, 3, 0.3)
    sems: dict[str, list[tuple[float, float]]] = {"drawn": [], "read": []}
    for seed in range(800):
        rng = np.random.default_rng(seed)
        short, group = drawn(d, rng), simulate(d, rng)
        whole = laid_out(group, fixed=False)
        assert whole is not None
        for name, parts in (("drawn", short), ("read", whole)):
            v = parts.variances
            sems[name].append((math.sqrt(v["facet"] + v["residual"]), parts.mean))
    one, other = (np.array(x) for x in sems.values())
    error = np.sqrt(one.var(axis=0) / 800 + other.var(axis=0) / 800)
    assert np.all(np.abs(one.mean(axis=0) - other.mean(axis=0)) < 4 * error)
