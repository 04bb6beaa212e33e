"""The table of simulated coverage of the variants: what holds, what does not, and that a result quotes it."""

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table
from tests.coverage.agreement_variants import FAMILY, TABLE, named

ROWS = pd.read_csv(TABLE, keep_default_na=False).assign(
    coverage=lambda t: t.coverage.astype(float), n=lambda t: t.design.str.extract(r"^(\d+)")[0].astype(int))
ENOUGH = ROWS[ROWS.n >= 10]
BUNCHED = "skewed means"


def test_the_table_has_every_design_and_says_how_it_was_made():
    assert set(ROWS.design) == set(named)
    assert (ROWS.studies >= 2000).all()
    assert ROWS[["seed", "date"]].ne("").all().all()


@pytest.mark.parametrize("method", ["averaged noncentral t", "MOVER"])
def test_regression_limits_hold_from_ten_targets_on(method):
    rows = ENOUGH[(ENOUGH.method == method) & ENOUGH.quantity.str.startswith("regression limit")]
    bunched = rows.design.str.contains(BUNCHED)
    assert len(rows) > 20
    assert rows[~bunched].coverage.min() >= 0.93
    assert rows[bunched].coverage.min() >= 0.92 or not bunched.any()  # 0.93 less two Monte-Carlo errors


def test_the_bound_that_would_decide_holds():
    rows = ENOUGH[ENOUGH.quantity.str.startswith("outer bound")]
    assert len(rows) >= 12
    assert rows.coverage.min() >= 0.94  # 0.95 less two Monte-Carlo errors


@pytest.mark.parametrize("start", ["regression bias", "ratio", "percent"])
def test_bias_ratio_and_percent_limits_hold(start):
    assert ENOUGH[ENOUGH.quantity.str.startswith(start)].coverage.min() >= 0.93


def test_choosing_one_sd_by_a_test_or_resampling_pairs_does_not_hold():
    growing = ROWS[ROWS.design.str.startswith("20 targets, one pair each, SD 3 times")
                   & ROWS.quantity.str.startswith("regression limit")]
    for method in ("exact noncentral t", "as the check chooses", "percentile bootstrap of pairs"):
        assert growing[growing.method == method].coverage.min() < 0.85


def test_nonparametric_limits_hold_and_a_bootstrap_of_targets_does_not():
    rows = ROWS[ROWS.quantity.str.startswith("nonparametric")]
    own = rows[rows.method.isin(["binomial interval of order statistics", "effective number of pairs"])]
    many = ~own.design.str.startswith("10 targets x 10")  # ten targets cannot show a tail that lies between targets
    assert own[many].coverage.min() >= 0.92
    assert own.coverage.min() >= 0.90
    assert rows[rows.method == "cluster bootstrap of targets"].coverage.min() < 0.75


def test_checks_raise_false_alarms_in_about_five_percent():
    rows = ROWS[ROWS.quantity.str.startswith("no false alarm") & ROWS.design.str.contains("constant SD")]
    assert len(rows) >= 20
    bunched = rows.design.str.contains(BUNCHED)
    assert rows[~bunched].coverage.between(0.93, 0.97).all()
    assert rows.coverage.min() >= 0.93
    # a spread that grows where means are bunched looks like a trend to the test of the slope
    growing = ROWS[(ROWS.quantity == "no false alarm, trend") & ROWS.design.str.contains(BUNCHED + ", SD 3 times")]
    assert growing.coverage.max() < 0.85


def test_a_design_can_be_simulated_again():
    rows, _ = FAMILY.make("10 targets, one pair each, log ratios with SD 0.1", studies=2000)
    stored = ROWS[ROWS.design == "10 targets, one pair each, log ratios with SD 0.1"].set_index("quantity")
    for row in rows:
        assert float(str(row["coverage"])) == stored.loc[str(row["quantity"]), "coverage"]


def test_a_proposed_variant_quotes_its_row():
    rng = np.random.default_rng(1)
    size, logs = np.exp(rng.uniform(3, 5.5, 60)), 0.1 * rng.normal(size=60)
    question = AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=("participant",))
    result = agreement(trial_table(long_form(size * np.exp(logs / 2), size * np.exp(-logs / 2))), question)
    quoted = result.table("coverage").to_frame()
    mine = quoted[quoted.quantity == "ratio upper limit"].iloc[0]
    assert mine["nearest design"].startswith("50 targets, one pair each, log ratios")
    assert 93 < mine.coverage < 97
