"""The verdict: bounds of the limits decide, the other figures stand beside."""

import numpy as np
import pytest

from drift.agreement import agreement
from drift.agreement.equivalence import decide, further_targets, judge
from drift.engine.limits_of_agreement import one_stratum, upper_limit_bound
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
    # two one-sided tests pass although limits run far beyond the harmless difference
    found = result(25.0, n=150, sd=15.0, bias=2.0)
    table = found.table("verdict")
    assert table["bias equivalence p"][0] < 0.001
    assert table["verdict"][0] == "not interchangeable"


def test_false_interchangeable_at_the_edge_is_at_most_five_percent():
    # the upper limit lies exactly at the harmless difference; a rule on point estimates would pass about half
    false, naive, studies = 0, 0, 4000
    for child in np.random.SeedSequence(3).spawn(studies):
        strata = one_stratum(np.random.default_rng(child).normal(size=12))
        false += upper_limit_bound(strata, 0.95) < 1.96
        naive += strata.mean + 1.96 * strata.sd < 1.96
    assert false / studies < 0.05 + 4 * np.sqrt(0.05 * 0.95 / studies)
    assert naive / studies > 0.4


def test_further_pairs_settle_it_in_four_of_five_studies():
    rng = np.random.default_rng(4)
    d = rng.normal(size=25)
    d = (d - d.mean()) / d.std(ddof=1)
    strata = one_stratum(d)
    harmless = 2.4
    n = 25 + further_targets(strata, harmless, n_targets=25)
    settled = 0
    for child in np.random.SeedSequence(6).spawn(600):
        new = one_stratum(np.random.default_rng(child).normal(size=n))
        settled += upper_limit_bound(new, 0.95) < harmless
    assert 0.72 < settled / 600 < 0.9  # one limit; 0.80 by design


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
