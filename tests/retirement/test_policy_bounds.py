"""What a policy may promise: nothing beyond the uses observed, and no band that leaves out or shrinks to its value."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import stats

from drift.engine.policy import COUNTS, Policy, Rates
from drift.retirement.policy import PolicyResult
from drift.retirement.policy_scores import broken, four, over_draws
from tests.retirement.test_policy import answer, codes, rows_of
from tests.retirement.worlds import sensors


@cache
def short() -> PolicyResult:
    """Sensors followed to use 10, where they have lost 4 %: the limit lies far beyond."""
    return answer(sensors(12, slope=-0.004, checks=(0.0, 2.0, 4.0, 6.0, 8.0, 10.0)), tolerance=0.05)


def test_no_policy_that_keeps_the_statements_runs_past_what_was_observed() -> None:
    rows = rows_of(short())
    kept = [r for r in rows if r["keeps the statement"] == "yes"]
    assert kept
    assert all(r["retire after"] <= 12 and r["uses per sensor"] <= 12 for r in kept)
    checked = [r for r in rows if r["kind"].startswith("check")]
    assert checked
    assert all(r["retire after"] == 12 and r["policy"].endswith("or after 12") for r in checked)
    failing, = (r for r in rows if r["kind"] == "run to failure")
    assert failing["keeps the statement"] == "no"  # nobody has seen that none fails
    assert "checked-until" in codes(short())


def test_checks_that_come_after_the_last_count_are_left_out_and_named() -> None:
    result = answer(sensors(12, slope=-0.004, checks=(0.0, 2.0, 4.0, 6.0, 8.0, 10.0)), policy={"check_every": (5, 12)})
    told = next(f for f in result.findings if f.code == "no-room-for-checks").message
    assert "checks every 12, of which none comes before 12 uses" in told
    assert not any(r["check every"] == 12 for r in rows_of(result))


def test_a_share_that_is_small_in_simulation_keeps_nothing_beyond_the_longest_count() -> None:
    def of(**policy: Any) -> tuple[str, ...]:
        return broken(Policy(**policy), 0.001, retire=8, interval=None, allowed=0.10, longest=12.5)

    assert of(check_every=5, retire_after=12) == of(retire_after=8) == ()
    assert of(check_every=5) == of(check_every=5, retire_after=13) == of(noticed_after=1) == ("retirement",)


def test_every_band_holds_its_value_and_none_is_a_point_unless_nothing_was_left_to_chance() -> None:
    for r in rows_of(short()):
        assert r["cost, low"] <= r["cost per use"] <= r["cost, high"]
        assert r["spoilt, low"] <= r["spoilt per 100"] < r["spoilt, high"]
        assert r["spoilt, low"] >= 0


def test_a_rate_that_no_simulated_life_shows_has_an_upper_end() -> None:
    """Clopper and Pearson (1934): none of n gives 1 - 0.025^(1/n), nearly -log(0.025)/n."""
    mean, low, high, error = four(np.zeros(400), 0.0, 0.95, one=1 / 20_000)
    assert (mean, low, error) == (0.0, 0.0, 0.0)
    assert high == pytest.approx(-math.log(0.025) / 20_000)
    assert high == pytest.approx(1 - 0.025 ** (1 / 20_000), rel=1e-3)


def test_a_rate_carried_by_few_lives_reaches_as_far_as_the_interval_of_a_count() -> None:
    """Equal weights: the gamma interval is Garwood's (1936) of a Poisson count."""
    for k in (1, 3, 20):
        values = np.zeros(4000)
        values[:k] = 1.0  # one event a draw, so that quantiles over draws see none
        _, low, high, _ = four(values, math.sqrt(k) / 4000, 0.95, one=1 / 4000)
        assert low == 0.0
        assert 4000 * high == pytest.approx(stats.gamma.ppf(0.975, k + 1), rel=1e-6)
    low, high = np.quantile(values, [0.025, 0.975])
    assert not low <= values.mean() <= high  # quantiles alone leave the mean out


def test_a_band_that_is_wide_already_is_left_alone() -> None:
    values = np.random.default_rng(1).normal(5, 1, 1000)
    mean, low, high, _ = four(values, 0.01, 0.95, one=1e-4)
    assert (low, high) == pytest.approx(tuple(np.quantile(values, [0.025, 0.975])))
    assert mean == pytest.approx(values.mean())
    assert over_draws(np.r_[np.zeros(99), 100.0], 0.95) == (1.0, 0.0, 1.0)


def test_a_sum_of_many_gets_the_normal_interval() -> None:
    _, low, high, _ = four(np.full(10, 90.0), 0.5, 0.95)
    assert (low, high) == pytest.approx((90 - 1.959964 * 0.5, 90 + 1.959964 * 0.5))
    assert all(math.isnan(v) for v in four(np.array([math.nan]), 0.0, 0.95))


def test_one_spoilt_session_is_counted_per_use_of_all_lives() -> None:
    from drift.retirement.policy_scores import _one_in

    mean = np.zeros((1, 4, len(COUNTS)))
    mean[..., COUNTS.index("uses")] = 20
    rates = Rates(mean=mean, within=np.zeros((1, len(COUNTS), len(COUNTS))), lives=50, cut=np.zeros(1))
    assert _one_in(rates, 0) == pytest.approx(100 / (4 * 50 * 20))


def test_the_answer_says_which_of_count_and_policy_to_do_and_how() -> None:
    cheap = {"sensor": 90.0, "spoilt_session": 400.0, "check": 0.5, "recalibration": 15.0}
    words = answer(sensors(12), costs=cheap, policy={"check_every": (5,)}).answer
    assert "Do this: the policy carries the statement out at least cost; the count alone (retire after " in words
    assert ") is for sensors that are not checked." in words
    assert "Keep every sensor's fresh value, for that limit is a fall from its own." in words
    assert "no threshold for another sensor" in words
    assert "saturation pressure" not in words  # no such limit is declared
    assert "A check is no recalibration" not in words  # there is none
    both = answer(sensors(12), costs={**cheap, "recalibration": 0.1}, tolerance=0.10, policy={
        "check_every": (5,), "recalibrate_every": (2,)}).answer
    assert "A check is no recalibration: each runs on a count of its own" in both


def test_a_cheaper_count_within_the_statement_is_what_to_do() -> None:
    words = answer(sensors(12), tolerance=0.10, costs={"sensor": 90.0, "spoilt_session": 400.0, "check": 20.0,
                                                       "recalibration": 15.0}, policy={"check_every": (5,)}).answer
    assert "the count alone (retire after 22) need not be used up." in words or "Do this" not in words
