"""The largest harmless difference as people write it: a number, a quantity, a share."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.agreement import agreement
from drift.agreement.harmless import log_ratio, read_harmless, share_of_mean
from drift.errors import DriftError
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(harmless, **settings):
    return AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=("participant",), harmless=harmless,
                             **settings)


def pairs(n=40, sd=0.02, offset=0.0, seed=1):
    rng = np.random.default_rng(seed)
    x = np.exp(rng.normal(math.log(100), 0.8, n))
    return trial_table(long_form(x * np.exp(offset + sd * rng.normal(size=n)), x))


@pytest.mark.parametrize(("given_as", "value"), [(25, 25.0), ("25 kPa", 25.0), ("0.25 bar", 25.0), ("25", 25.0),
                                                 ("2.5 N/cm2", 25.0), (" 25kPa ", 25.0)])
def test_a_quantity_is_put_in_the_unit_of_the_readings(given_as, value):
    found = read_harmless(ask(given_as), "kPa")
    assert found.value == pytest.approx(value, rel=1e-12)
    assert (found.unit, found.share, found.words) == ("kPa", False, "25 kPa")


@pytest.mark.parametrize("given_as", ["10 %", "10%", "10 percent", "10 % of the mean", "10 % of the mean of the two"])
def test_a_share_is_one_of_the_mean_of_the_two(given_as):
    found = read_harmless(ask(given_as), "kPa")
    assert (found.value, found.share, found.in_unit) == (0.1, True, None)
    assert found.words == "10 % of the mean of the two"


@pytest.mark.parametrize(("given_as", "unit", "says"), [
    ("3 N", "kPa", "the readings are in kPa, which does not measure the same thing"),
    ("25 kPa", "", "does not say in which unit"),
    ("a little", "kPa", "does not start with a number"),
    ("0 kPa", "kPa", "must be above zero"),
    (-3.0, "kPa", "must be above zero"),
    ("0 %", "kPa", "must be above zero"),
    ("200 %", "kPa", "never differ by 200 % of their mean"),
    ("25 kPaa", "kPa", "unit 'kPaa' is not known"),
    ("10 %", "%", "could be a difference of readings or a share of them"),
])
def test_what_cannot_be_read_is_one_clear_error(given_as, unit, says):
    with pytest.raises(DriftError, match=says) as caught:
        read_harmless(ask(given_as), unit)
    assert len(caught.value.findings) == 1
    assert caught.value.findings[0].mend


def test_readings_in_percent_take_a_number_or_the_words_of_the_mean():
    assert read_harmless(ask(10.0), "%").words == "10 %"
    assert read_harmless(ask("10 % of the mean"), "%").share


@settings(deadline=None, max_examples=50, derandomize=True)
@given(st.floats(0.01, 1e4), st.floats(0.01, 1e4), st.floats(0.001, 1.9))
def test_the_log_ratio_bound_is_exactly_the_share_of_the_mean_both_ways_round(a, b, p):
    within = abs(a - b) <= p * (a + b) / 2
    if abs(abs(a - b) - p * (a + b) / 2) > 1e-9 * (a + b):
        assert (abs(math.log(a / b)) <= log_ratio(p)) == within == (abs(math.log(b / a)) <= log_ratio(p))
    assert share_of_mean(math.log(a / b)) == pytest.approx((a - b) / ((a + b) / 2), rel=1e-9, abs=1e-12)


def test_a_share_is_judged_on_ratios_where_a_difference_would_not_do():
    # errors in proportion over a wide range: no difference in kPa suits both ends, the share does
    table = pairs()
    share, plain = agreement(table, ask("10 %")), agreement(table, ask(5.0))
    assert share.verdicts == ("interchangeable",)
    assert plain.verdicts != ("interchangeable",)
    assert "are interchangeable within 10 % of the mean of the two" in share.answer
    verdict = share.table("verdict")
    assert verdict["harmless"][0] == pytest.approx(10.0)
    assert {c.name: c.unit for c in verdict.columns}["upper outer"] == "%"
    assert share.estimate("total deviation index").unit == "%"


def test_swapping_a_and_b_mirrors_a_verdict_by_share():
    one = agreement(pairs(offset=0.03), ask("10 %"))
    frame_of = AgreementQuestion(name="q", compare="method", a="b", b="a", pair_by=("participant",), harmless="10 %")
    two = agreement(pairs(offset=0.03), frame_of)
    assert one.verdicts == two.verdicts
    for first, second in (("lower outer", "upper outer"), ("lower inner", "upper inner")):
        assert one.table("verdict")[first][0] == pytest.approx(-two.table("verdict")[second][0], rel=1e-9)


def test_a_share_of_readings_that_are_not_positive_is_refused_in_words():
    table = trial_table(long_form([1.0, 2.0, -0.5, 3.0, 2.5, 4.0], [1.1, 2.2, 0.4, 2.8, 2.4, 4.2]))
    found = agreement(table, ask("10 %"))
    refused, = [f for f in found.findings if f.code == "harmless-share-not-judged"]
    assert "1 of 12 readings is not above zero" in refused.message
    assert found.verdicts == ()
    assert "No verdict within 10 % of the mean of the two: a share is judged on ratios, and 1 of 12" in found.answer
    assert np.isfinite(found.estimate("upper limit").high)


def test_a_study_says_at_once_what_it_cannot_read():
    from drift.study import study_from_dict

    with pytest.raises(DriftError, match="does not start with a number"):
        study_from_dict({"study": {"title": "t"}, "files": {"trials": "t.csv"}, "agreement": [
            {"name": "q", "compare": "method", "a": "a", "b": "b", "harmless": "some kPa"}]})


def test_the_answer_says_that_a_verdict_asked_for_was_not_given():
    few = agreement(trial_table(long_form([1.0, 2.0], [1.1, 2.2])), ask("0.5"))
    assert few.answer == "No limits of agreement and no verdict: there are only 2 pairs."
    assert agreement(trial_table(long_form([1.0, 2.0], [1.1, 2.2])), ask(None)).answer == (
        "No limits of agreement: there are only 2 pairs.")
    three = [{"participant": f"p{i}", "method": m, "reading": v + 3.0 * i} for i in range(8)
             for m, v in (("x", -4.0), ("y", -3.5 + i % 3), ("z", -3.0 + i % 2))]
    question = AgreementQuestion(name="q", compare="method", methods=("x", "y", "z"), pair_by=("participant",),
                                 harmless="10 %")
    found = agreement(trial_table(pd.DataFrame(three)), question)
    assert "No verdict within 10 %: a share is judged on logarithms" in found.answer
