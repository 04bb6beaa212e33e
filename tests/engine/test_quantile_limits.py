"""Nonparametric limits: how many pairs they need, and what repeated pairs are worth."""

import numpy as np
import pytest
from scipy import stats

from drift.engine.quantile_limits import pairs_needed, quantile_interval, shared_quantiles


@pytest.mark.parametrize(("probability", "level"), [(0.025, 0.95), (0.975, 0.95), (0.025, 0.90), (0.05, 0.99)])
def test_the_number_of_pairs_needed_is_the_first_with_a_finite_interval(probability, level):
    n = pairs_needed(probability, level)
    ends = [quantile_interval(np.arange(m, dtype=float), probability, level)[1:] for m in (n - 1, n)]
    assert np.isnan(ends[0]).any()
    assert np.isfinite(ends[1]).all()


def test_146_pairs_at_95_percent():
    # 0.975^n <= 0.025
    assert pairs_needed(0.025, 0.95) == 146


@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975])
def test_one_pair_a_target_is_the_interval_of_order_statistics(probability):
    rng = np.random.default_rng(1)
    d = rng.normal(size=300)
    shared = shared_quantiles(d, [np.arange(300)])
    object.__setattr__(shared, "effective", 300.0)
    value, low, high = quantile_interval(d, probability, 0.95)
    assert shared.at(probability) == pytest.approx(value, rel=1e-12)
    assert shared.interval(probability, 0.95) == (low, high)


def test_repeats_that_are_copies_are_worth_their_targets():
    rng = np.random.default_rng(2)
    d = np.repeat(rng.normal(size=200), 5)
    shared = shared_quantiles(d, [np.repeat(np.arange(200), 5)])
    assert 180 < shared.effective < 210
    # rows pooled as independent would take them for a thousand
    assert np.diff(shared.interval(0.975, 0.95)) > 1.5 * np.diff(quantile_interval(d, 0.975, 0.95)[1:])


def test_repeats_that_share_nothing_are_worth_nearly_all():
    rng = np.random.default_rng(3)
    shared = shared_quantiles(rng.normal(size=600), [np.repeat(np.arange(200), 3)])
    assert 450 < shared.effective <= 600


def test_turning_the_sign_turns_the_interval():
    rng = np.random.default_rng(4)
    code = np.repeat(np.arange(120), 3)
    d = rng.normal(size=120)[code] + rng.normal(size=360)
    one, other = shared_quantiles(d, [code]), shared_quantiles(-d, [code])
    low, high = one.interval(0.025, 0.95)
    assert other.interval(0.975, 0.95) == pytest.approx((-high, -low))


def test_a_target_with_many_repeats_weighs_as_any_other():
    d = np.concatenate([np.full(90, 5.0), np.zeros(9)])
    code = np.concatenate([np.zeros(90, int), np.arange(1, 10)])
    shared = shared_quantiles(d, [code])
    assert shared.at(0.5) == 0.0
    assert np.median(d) == 5.0


def test_known_quantile_is_held_where_a_bootstrap_of_targets_misses_it():
    rng = np.random.default_rng(5)
    code, truth = np.repeat(np.arange(60), 4), stats.norm.ppf(0.975)
    held = np.zeros(2)
    for _ in range(150):
        d = np.sqrt(0.6) * rng.normal(size=60)[code] + np.sqrt(0.4) * rng.normal(size=240)
        low, high = shared_quantiles(d, [code]).interval(0.975, 0.95)
        held[0] += not low > truth and not high < truth
        sets = d.reshape(60, 4)[rng.integers(0, 60, (200, 60))].reshape(200, -1)
        ends = np.quantile(np.quantile(sets, 0.975, axis=1), [0.025, 0.975])
        held[1] += ends[0] <= truth <= ends[1]
    assert held[0] >= 136
    assert held[1] < held[0]


def test_two_factors_are_worth_less_than_either():
    rng = np.random.default_rng(6)
    t, s = np.repeat(np.arange(40), 20), np.tile(np.arange(20), 40)
    d = rng.normal(size=40)[t] + rng.normal(size=20)[s] + rng.normal(size=800)
    both = shared_quantiles(d, [t, s]).effective
    assert both <= min(shared_quantiles(d, [t]).effective, shared_quantiles(d, [s]).effective) + 1e-9
