"""The verdict: bounds of the limits decide, the other figures stand beside."""

import numpy as np
import pytest

from drift.agreement import agreement
from drift.agreement.equivalence import _grown as grow
from drift.agreement.equivalence import decide, decisive_outer, further_targets, judge, limit_bounds
from drift.engine.limits_of_agreement import (
    Strata,
    mean_interval,
    one_stratum,
    pivotal_draws,
    share_inside,
    total_deviation_index,
    two_one_sided_tests,
    upper_limit_bound,
)
from drift.engine.settling import upper_limit_bounds
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(harmless, **settings):
    return AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=("participant",), harmless=harmless,
                             **settings)


def result(harmless, n=30, sd=1.0, bias=0.0, seed=1):
    rng = np.random.default_rng(seed)
    x = rng.normal(100, 10, n)
    return agreement(trial_table(long_form(x + bias + sd * rng.normal(size=n), x)), ask(harmless))


@pytest.mark.parametrize(("outer", "inner", "words"), [
    ((-4.9, 4.9), (-3.0, 3.0), "interchangeable"),
    ((-5.1, 4.9), (-3.0, 3.0), "not shown"),
    ((-4.0, 9.0), (-2.0, 5.1), "not interchangeable"),
    ((-9.0, 4.0), (-5.1, 2.0), "not interchangeable"),
])
def test_bounds_decide(outer, inner, words):
    assert decide(outer, inner, 5.0) == words


def test_the_three_verdicts_appear_where_they_should():
    assert result(10.0).verdicts == ("interchangeable",)
    assert result(1.0).verdicts == ("not interchangeable",)
    assert result(2.2).verdicts == ("not shown",)
    assert "are interchangeable within 10 kPa" in result(10.0).answer
    assert "would settle it" in result(2.2).answer


@pytest.mark.parametrize(("harmless", "words"), [(1.0, "a and b are not interchangeable within 1 kPa"),
                                                 (2.2, "it is not shown that a and b are interchangeable within 2.2")])
def test_do_not_use_is_a_caution_that_does_not_repeat_the_figures(harmless, words):
    found = result(harmless)
    caution, = [f for f in found.findings if f.code == "verdict"]
    assert caution.severity == "warning"
    assert words in caution.message
    assert "bounds" not in caution.message
    assert caution.mend.startswith("Do not use one in place of the other")
    assert "bounds" in found.answer


def test_the_answer_names_the_difference_its_interval_belongs_to():
    lower = result(10.0, bias=-5.0)
    bias = lower.estimate("bias")
    assert bias.high < 0
    assert lower.answer.startswith("Readings by a are on average ")
    assert "lower than by b (95 % interval of a \N{MINUS SIGN} b: \N{MINUS SIGN}" in lower.answer
    assert "- 1.96 SD" not in lower.estimate("lower limit").method


@pytest.mark.parametrize("harmless", [1.0, 2.2, 10.0])
def test_every_sentence_of_cautions_and_notes_starts_with_a_capital_or_a_number(harmless):
    for f in result(harmless).findings:
        assert not f.message[0].islower(), f.message
        assert not f.mend[:1].islower(), f.mend


def test_equivalence_of_the_bias_does_not_decide():
    # two one-sided tests pass although limits run from -27 to 31, far beyond a harmless 25
    rng = np.random.default_rng(1)
    x, d = rng.normal(100, 10, 150), rng.normal(size=150)
    d = 2.0 + 29 / 1.96 * (d - d.mean()) / d.std(ddof=1)
    found = agreement(trial_table(long_form(x + d, x)), ask(25.0))
    assert found.estimate("lower limit").value == pytest.approx(-27, abs=1e-9)
    assert found.estimate("upper limit").value == pytest.approx(31, abs=1e-9)
    table = found.table("verdict")
    assert table["bias equivalence p"][0] < 1e-6
    assert -25 < table["bias low"][0] < table["bias high"][0] < 25
    assert table["verdict"][0] == "not interchangeable"


@pytest.mark.parametrize("bias", [-0.3, 0.3])
def test_the_two_tests_pass_exactly_when_the_90_percent_interval_lies_inside(bias):
    strata = one_stratum(np.random.default_rng(2).normal(bias, 1, 20))
    low, high = mean_interval(strata, 0.9)
    edge = max(-low, high)
    assert two_one_sided_tests(strata, edge * 1.001) < 0.05 < two_one_sided_tests(strata, edge * 0.999)
    verdict = judge(strata, 2.0, n_targets=20, rng=np.random.default_rng(1))
    assert verdict.bias == pytest.approx((low, high), rel=1e-12)


def test_the_deviation_index_is_not_the_short_cut():
    # 1.96 sqrt(m^2 + s^2) is exact for a bias of zero alone (Lin 2000 prints it as an approximation)
    for bias, at_least in ((0.0, 0.0), (1.0, 0.03), (3.0, 0.33)):
        exact, short = total_deviation_index(bias, 1.0, 0.95), 1.959964 * np.hypot(bias, 1.0)
        assert float(share_inside(bias, 1.0, exact)) == pytest.approx(0.95, abs=1e-12)
        assert short / exact - 1 == pytest.approx(0.0, abs=1e-6) if bias == 0 else short / exact - 1 > at_least


def test_false_interchangeable_at_the_edge_is_at_most_five_percent():
    # the upper limit lies exactly at the harmless difference; a rule on point estimates would pass about half
    false, naive, studies = 0, 0, 4000
    for child in np.random.SeedSequence(3).spawn(studies):
        strata = one_stratum(np.random.default_rng(child).normal(size=12))
        false += upper_limit_bound(strata, 0.95) < 1.96
        naive += strata.mean + 1.96 * strata.sd < 1.96
    assert false / studies < 0.05 + 4 * np.sqrt(0.05 * 0.95 / studies)
    assert naive / studies > 0.4


@pytest.mark.parametrize(("bias", "harmless"), [(0.0, 2.4), (0.4, 2.7), (0.0, 1.75)])
def test_further_pairs_settle_it_in_four_of_five_studies(bias, harmless):
    # both limits equally near, one nearer, and both beyond: the last is settled as "not interchangeable"
    strata = Strata(bias, np.ones(1), np.array([24.0]), np.ones(1), np.array([1 / 25]))
    n = 25 + further_targets(strata, harmless, n_targets=25)
    settled = 0
    for child in np.random.SeedSequence(6).spawn(600):
        new = one_stratum(np.random.default_rng(child).normal(bias, 1, size=n))
        settled += decide(*limit_bounds(new), harmless) != "not shown"
    assert abs(settled / 600 - 0.8) < 0.01 + 4 * np.sqrt(0.8 * 0.2 / 600)  # and 1 % of grid


@pytest.mark.parametrize(("strata", "harmless", "n"), [
    # 20 targets x 3 pairs, half of the variance between targets; 10 targets x 5 sensors, half of it between sensors
    (Strata(0.0, np.array([2.0, 0.5]), np.array([19.0, 40]), np.array([1 / 3, 2 / 3]), np.array([1 / 60, 0])), 2.5, 20),
    (Strata(0.3, np.array([0.9, 5.4, 0.4]), np.array([9.0, 4, 36]), np.array([0.2, 0.1, 0.7]),
            np.array([0.02, 0.02, -0.02])), 3.0, 5)])
def test_further_targets_settle_it_with_repeats_too(strata, harmless, n):
    grown = grow(strata, (n + further_targets(strata, harmless, n_targets=n)) / n)
    settled, rng = 0, np.random.default_rng(7)
    for _ in range(400):
        new = Strata(grown.mean + rng.normal() * np.sqrt(grown.mean_variance),
                     grown.mean_squares * rng.chisquare(grown.df) / grown.df, grown.df, grown.total, grown.of_mean)
        outer, inner = limit_bounds(new)
        outer = decisive_outer(new, outer, *pivotal_draws(new, rng, 1000))
        settled += decide(outer, inner, harmless) != "not shown"
    assert abs(settled / 400 - 0.8) < 0.03 + 4 * np.sqrt(0.8 * 0.2 / 400)  # whole targets, and 1 % of grid


def test_bounds_of_many_studies_are_those_of_each():
    rng = np.random.default_rng(8)
    for strata in (one_stratum(rng.normal(size=9)),
                   Strata(0.3, np.array([0.9, 5.4, 0.4]), np.array([9.0, 4, 36]), np.array([0.2, 0.1, 0.7]),
                          np.array([0.02, 0.02, -0.02]))):
        means, squares = rng.normal(size=20), strata.mean_squares * rng.chisquare(strata.df, (20, len(strata.df)))
        for p in (0.05, 0.95):
            each = [upper_limit_bound(Strata(m, ms, strata.df, strata.total, strata.of_mean), p)
                    for m, ms in zip(means, squares, strict=True)]
            assert upper_limit_bounds(strata, means, squares, p) == pytest.approx(each, rel=1e-10)


def test_share_and_total_deviation_index_stand_beside_with_bounds():
    found = result(2.2)
    share, tdi = found.estimate("share of differences inside"), found.estimate("total deviation index")
    assert 0 < share.low < share.value < 1
    assert tdi.value < tdi.high
    assert np.isnan(share.high)
    assert np.isnan(tdi.low)


def test_the_same_seed_gives_the_same_numbers():
    one, two = result(2.2), result(2.2)
    assert [e.to_dict() for e in one.estimates] == [e.to_dict() for e in two.estimates]


def test_a_verdict_far_from_the_edge_needs_no_further_pairs():
    strata = one_stratum(np.random.default_rng(1).normal(size=30))
    assert judge(strata, 10.0, n_targets=30, rng=np.random.default_rng(1)).further is None


def repeated(targets, times, seed=3):
    rng = np.random.default_rng(seed)
    t, r = (x.ravel() for x in np.indices((targets, times)))
    d = rng.normal(size=targets)[t] + rng.normal(size=len(t))
    return trial_table(long_form(50 + d, np.full(len(t), 50.0), participant=[f"P{i}" for i in t],
                                 replicate=[str(i) for i in r]))


@pytest.mark.parametrize(("targets", "variants"), [(20, {"plain, pivotal interval"}),
                                                   (60, {"plain, pivotal interval", "plain, targets resampled"})])
def test_other_intervals_of_repeated_limits_stand_beside(targets, variants):
    q = AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=("participant", "replicate"))
    table = agreement(repeated(targets, 3), q).table("limits")
    rows = {(v, n): (x, low, high) for v, n, x, low, high in zip(
        table["variant"], table["limit"], table["value"], table["low"], table["high"], strict=True)}
    assert {v for v, _ in rows if v.startswith("plain, ")} == variants
    for variant in variants:
        for limit in ("lower limit", "upper limit"):
            value, low, high = rows[variant, limit]
            plain, plain_low, plain_high = rows["plain", limit]
            assert value == pytest.approx(plain, rel=1e-6)  # numbers are equal here
            assert low < value < high
            assert 0.7 < (high - low) / (plain_high - plain_low) < 1.2


def test_one_pair_per_target_needs_no_other_interval():
    assert not any(v.startswith("plain, ") for v in result(5.0).table("limits")["variant"])


@pytest.mark.parametrize(("n", "harmless"), [(3, 6.0), (4, 2.0)])
def test_so_few_pairs_do_not_promise_that_one_more_would_do(n, harmless):
    """With three pairs "about 1 further pairs" was advised, beside a caution that the limits are hardly known."""
    found = result(harmless, n=n, sd=0.6)
    assert found.verdicts == ("not shown",)
    assert f"{n} pairs hardly tell bias and SD, so measure 20 or more in all" in found.answer
    assert "further" not in found.answer
