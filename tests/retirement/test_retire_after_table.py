"""The table of studies as they are: made by the package's own rule, and saying what the handbook claims."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from drift.engine.crossing import fit_lines
from drift.retirement import retire
from drift.retirement.sparse import RULE as SPARSE
from tests.coverage.retire_after import TABLE, counts_of, named
from tests.coverage.retire_after_worlds import Design, draw
from tests.coverage.retire_sparse import LEFT_OUT
from tests.coverage.retire_sparse import TABLE as SPARSE_TABLE
from tests.coverage.retire_warnings import ANY, BATCHES, BEYOND, SHAPE, WORLDS
from tests.coverage.retire_warnings import TABLE as WARNINGS_TABLE
from tests.coverage.retirement_worlds import LIMIT
from tests.retirement.worlds import world

BROKEN = ("lines are not straight", "batches differ and are not told")


def rows() -> pd.DataFrame:
    return pd.read_csv(TABLE)


def holding() -> pd.DataFrame:
    table = rows()
    return table[table.quantity == "retire after"]


def test_more_than_thirty_worlds_rest_on_thousands_of_studies() -> None:
    table = rows()
    assert len(table) >= 90
    assert (table.studies >= 4000).all()
    assert table[["seed", "date", "versions"]].notna().all().all()


def test_wherever_the_assumptions_hold_at_most_six_in_a_hundred_counts_are_unsafe() -> None:
    table = holding()
    assert len(table) >= 70
    assert (table.unsafe <= 0.06).all()
    # Before rounding down and the cap too.
    assert (table.unsafe_uncut <= 0.06).all()


def test_the_line_bound_alone_would_not_do_where_slopes_are_skewed() -> None:
    table = holding()
    skewed = table[table.design.str.contains("skewed")]
    assert skewed.unsafe_line_alone.max() > 0.09
    assert (skewed.unsafe_uncut < skewed.unsafe_line_alone).all()


def test_normal_slopes_in_batches_of_any_size_keep_the_level_by_the_line_bound_alone() -> None:
    table = holding()
    normal = table[table.design.str.contains("batches, normal")]
    assert len(normal) >= 20
    assert (normal.unsafe_line_alone <= 0.05 + 4 * (0.05 * 0.95 / normal.studies) ** 0.5).all()


def test_at_ten_and_twenty_sensors_hardly_anything_is_lost_to_lines_being_estimated() -> None:
    table = rows().set_index("design")
    for n in (10, 20):
        assert table.loc[f"{n} sensors, normal", "efficiency"] >= 0.95


def test_where_batches_are_not_told_the_table_says_that_the_rule_breaks() -> None:
    table = rows()
    untold = table[table.quantity == f"retire after, {BROKEN[1]}"]
    assert (untold.unsafe_uncut > 0.1).all()


DESIGNS = ["12 sensors, skewed, unequal schedules, worn ones removed",
           "12 sensors, normal, unequal schedules, worn ones removed, change from fresh",
           "14 sensors of 4 batches, normal, sizes 1-2-3-8, slopes SD 0.002 + 0.0035"]


@pytest.mark.parametrize("design", DESIGNS)
def test_the_simulated_rule_is_the_one_that_users_get(design: str) -> None:
    d = named()[design]
    drawn = draw(d, np.random.default_rng(3), 3)
    counts, refused = counts_of(fit_lines(drawn.use, drawn.value), d, drawn.gone, drawn.value[..., 0])
    for i in range(3):
        result = public(d, drawn.use[i], drawn.value[i], drawn.gone[i])
        found = next(e for e in result.estimates if e.name == "retire after")
        assert np.isnan(found.value) == refused[i]
        if not refused[i]:
            assert found.value == max(counts.count[i], 0)


def public(d: Design, use: np.ndarray, value: np.ndarray, gone: np.ndarray) -> Any:
    """Answer one study through the public function; wear is a growth of the log of the saturation pressure."""
    batch = np.repeat(np.arange(len(d.sizes)), d.sizes)
    rows = [{"sensor": f"S{i:02d}", "construction": "", "batch": f"B{batch[i]}" if d.told == "known" else "",
             "use": float(u), "response": -float(v)}
            for i in range(d.n) for u, v in zip(use[i], value[i], strict=True) if np.isfinite(v)]
    limits = {"sensitivity_change": 1 - float(np.exp(-LIMIT))} if d.relative else {
        "saturation_pressure": f"{1000 * float(np.exp(LIMIT))!r} kPa"}
    names = [f"S{i:02d}" for i in range(d.n)]
    table = {"sensor": names, "retired_at_use": [float(np.nanmax(u)) if g else np.nan
                                                 for u, g in zip(use, gone, strict=True)]}
    return retire(*world(rows, limits=limits, sensors_table=table))


def test_the_bootstrap_bound_keeps_its_promise_wherever_it_is_used_and_leaving_sensors_out_does_not() -> None:
    table = pd.read_csv(SPARSE_TABLE)
    assert (table.studies >= 1000).all()
    ours, left_out = (table[table.method == m] for m in (SPARSE, LEFT_OUT))
    assert len(ours) >= 13
    assert (ours.unsafe <= 0.06).all()
    assert ours.design.str.contains("skewed").sum() >= 4
    early = left_out[left_out.design.str.contains("24 sensors, 30 % sparse, worn")]
    assert (early.unsafe > 0.2).all()


def test_warnings_of_the_design_are_always_there_and_false_ones_are_rare() -> None:
    table = pd.read_csv(WARNINGS_TABLE).set_index(["design", "method"]).warned
    for design in ("12 sensors, normal", "24 sensors, normal, unequal schedules, worn ones removed"):
        assert table[design, ANY] <= 0.10
        assert table[design, BATCHES] == 1
    far = next(d for d in WORLDS if "far beyond" in d)
    assert table[far, BATCHES] == table[far, BEYOND] == 1
    assert table["12 sensors, break-in", SHAPE] > 0.9
