"""The table "agreement survival" of an agreement result: its distances, its counts, and what it leaves alone."""

from __future__ import annotations

import numpy as np
import pytest

from drift.agreement import AgreementResult, agreement
from drift.agreement.survival import GRID, MOST_STEPS
from drift.engine.limits_of_agreement import share_inside
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(frame, **changes) -> AgreementResult:
    question = {"name": "q", "compare": "method", "a": "a", "b": "b", "target": "participant", "harmless": 12.0,
                "pair_by": ("participant",)} | changes
    return agreement(trial_table(frame), AgreementQuestion(**question), seed=3)


def pairs(n: int = 30, seed: int = 1):
    rng = np.random.default_rng(seed)
    t = 200 + 30 * rng.standard_normal(n)
    return long_form(np.round(t + 2 + 6 * rng.standard_normal(n), 1), np.round(t, 1))


def test_the_harmless_difference_is_among_the_distances_and_its_model_share_is_the_printed_one() -> None:
    result = ask(pairs())
    table = result.table("agreement survival")
    i = int(np.flatnonzero(table["distance"] == 12.0)[0])
    inside = result.estimate("share of differences inside").value
    assert table["share beyond"][i] == pytest.approx(100 * (1 - inside), abs=1e-9)
    assert table["share beyond low"][i] <= table["share beyond"][i] <= table["share beyond high"][i]


def test_shares_are_counted_at_every_step() -> None:
    result = ask(pairs())
    table, d = result.table("agreement survival"), np.abs(result.table("pairs")["difference"])
    assert set(np.round(np.unique(d), 9)) <= set(np.round(table["distance"], 9))
    for x, share in zip(table["distance"], table["share of pairs beyond"], strict=True):
        assert share == pytest.approx(100 * np.mean(d > x + 1e-9), abs=1e-9) or x in d
    assert table["share of pairs beyond"][-1] == 0
    assert table["share beyond"][0] == pytest.approx(100)
    assert len(table) <= MOST_STEPS + GRID + 1


def test_the_model_is_the_normal_one_of_bias_and_sd() -> None:
    result = ask(pairs(), harmless=None)
    table = result.table("agreement survival")
    bias, sd = (result.estimate(n).value for n in ("bias", "SD of differences"))
    truth = 100 * (1 - share_inside(bias, sd, table["distance"]))
    # Between the distances of its grid the curve is read off by straight lines.
    assert table["share beyond"] == pytest.approx(truth, abs=0.6)


def test_thousands_of_pairs_keep_the_table_short() -> None:
    rng = np.random.default_rng(2)
    t = 200 + 30 * rng.standard_normal(4000)
    result = ask(long_form(t + 6 * rng.standard_normal(4000), t))
    table, d = result.table("agreement survival"), np.abs(result.table("pairs")["difference"])
    assert len(table) <= MOST_STEPS + GRID + 1
    counted = [100 * np.mean(d > x) for x in table["distance"]]
    assert table["share of pairs beyond"] == pytest.approx(counted, abs=0.03)


def test_unlinked_readings_are_all_set_against_each_other_and_targets_weigh_the_same() -> None:
    a, b = {"P1": [10.0, 14.0], "P2": [20.0]}, {"P1": [11.0], "P2": [26.0, 20.0], "P3": [5.0]}
    import pandas as pd

    rows = [{"method": m, "participant": p, "replicate": str(i), "reading": x}
            for m, side in (("a", a | {"P3": [5.0, 6.0]}), ("b", b)) for p, xs in side.items()
            for i, x in enumerate(xs)]
    result = ask(pd.DataFrame(rows), truth="constant", pair_by=(), harmless=2.5)
    table = result.table("agreement survival")
    i = int(np.flatnonzero(table["distance"] == 2.5)[0])
    # P1: |10 - 11|, |14 - 11|; P2: |20 - 26|, |20 - 20|; P3: 0 and 1
    assert table["share of pairs beyond"][i] == pytest.approx(100 * (0.5 + 0.5 + 0) / 3)


def test_groups_have_their_own_rows_and_order_of_rows_does_not_matter() -> None:
    frame = pairs(24).assign(region=["heel", "forefoot"] * 24)
    one, other = ask(frame, by=("region",)), ask(frame.sample(frac=1, random_state=4).reset_index(drop=True),
                                                 by=("region",))
    table = one.table("agreement survival")
    assert set(table["region"]) == {"heel", "forefoot"}
    for region in ("heel", "forefoot"):
        mine, theirs = (t[c][t["region"] == region] for c in ("share of pairs beyond",)
                        for t in (table, other.table("agreement survival")))
        assert mine == pytest.approx(theirs)


def test_its_interval_is_quoted_with_its_coverage() -> None:
    table = ask(pairs()).table("coverage")
    i = [str(q) for q in table["quantity"]].index("share of differences beyond a distance")
    assert table["coverage"][i] > 93
    assert "targets" in table["nearest design"][i]


def test_refused_limits_have_no_such_table() -> None:
    result = ask(pairs(2))
    assert all(t.name != "agreement survival" for t in result.tables)
