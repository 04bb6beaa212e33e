"""Little or odd data: the right answer or one clear sentence, and never a library's warning."""

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",), **settings}
    return AgreementQuestion(**given)


def codes(result):
    return {f.code for f in result.findings}


@pytest.mark.parametrize(("n", "words"), [(1, "there is only one pair"), (2, "there are only 2 pairs")])
def test_one_or_two_pairs_are_refused_in_a_sentence(n, words):
    result = agreement(trial_table(long_form([1.0, 2.0][:n], [1.5, 2.1][:n])), ask(harmless=1.0))
    assert result.answer == f"No limits of agreement: {words}."
    assert np.isnan(result.estimate("lower limit").value)
    refused, = [f for f in result.findings if f.code == "agreement-refused"]
    assert refused.severity == "warning"
    assert refused.mend


@pytest.mark.parametrize("n", [3, 4])
def test_three_or_four_pairs_give_exact_limits_and_a_caution(n):
    result = agreement(trial_table(long_form([1.0, 2.0, 4.0, 3.0][:n], [1.5, 2.1, 3.0, 3.1][:n])), ask(harmless=1.0))
    assert "few-pairs" in codes(result)
    limit = result.estimate("upper limit")
    assert limit.low < limit.value < limit.high


def test_identical_columns_are_named_and_not_judged():
    x = np.arange(10.0)
    result = agreement(trial_table(long_form(x, x)), ask(harmless=1.0))
    found, = [f for f in result.findings if f.code == "no-spread"]
    assert "identical in all 10 pairs" in found.message
    assert result.estimate("bias").value == 0
    assert np.isnan(result.estimate("bias").high)
    assert result.verdicts == ()
    assert result.answer.startswith("a \N{MINUS SIGN} b is 0")


def test_a_constant_shift_is_named_and_not_judged():
    x = np.arange(10.0)
    result = agreement(trial_table(long_form(x + 2, x)), ask(harmless=1.0))
    assert result.estimate("bias").value == 2
    assert any("All 10 differences are equal" in f.message for f in result.findings)


def test_readings_of_no_more_than_rounding_apart_do_not_warn():
    x = np.full(12, 1e8)
    result = agreement(trial_table(long_form(x + np.arange(12) * 1e-7, x)), ask())
    assert np.isfinite(result.estimate("bias").value)


def test_negative_readings_have_no_ratio_limits():
    rng = np.random.default_rng(1)
    x = rng.normal(0, 5, 20)
    result = agreement(trial_table(long_form(x + rng.normal(size=20), x)), ask())
    assert "ratio (log scale)" not in set(result.table("limits")["variant"])
    assert np.isfinite(result.estimate("lower limit").value)


def test_a_method_missing_for_some_targets_leaves_them_unmatched_by_name():
    rows = long_form(np.arange(8.0) ** 1.5, np.arange(8.0))
    result = agreement(trial_table(rows.drop(index=[10, 11])), ask())
    assert result.provenance.accounts[0].unmatched == 2
    assert {x.reason for x in result.exclusions} == {"no reading by b"}
    assert result.estimate("bias").n == 6


def test_one_method_constant_is_answered():
    rng = np.random.default_rng(2)
    result = agreement(trial_table(long_form(50 + rng.normal(size=15), np.full(15, 50.0))), ask(harmless=5.0))
    assert np.isfinite(result.estimate("upper limit").high)
    assert "trend-with-size" in codes(result)


def test_repeats_copied_to_the_last_digit_count_once():
    rng = np.random.default_rng(3)
    d = np.repeat(rng.normal(size=8), 3)
    x = rng.normal(50, 5, 24)
    rows = long_form(x + d, x, participant=[f"P{i}" for i in np.repeat(np.arange(8), 3)], replicate=["1", "2", "3"] * 8)
    rows["reading"] = rows.reading.round(6)
    result = agreement(trial_table(rows), ask(pair_by=("participant", "replicate")))
    bias = result.estimate("bias")
    assert bias.n == 8
    assert bias.std_error == pytest.approx(np.std(d[::3], ddof=1) / np.sqrt(8), rel=1e-3)


def test_two_pairs_on_two_targets_and_two_sensors_are_refused():
    rows = long_form([1.0, 2.0, 4.0, 3.5], [1.1, 2.5, 3.2, 3.9], participant=["P1", "P1", "P2", "P2"],
                     sensor=["S1", "S2", "S1", "S2"])
    result = agreement(trial_table(rows), ask(pair_by=("participant", "sensor")))
    assert np.isfinite(result.estimate("bias").value) or "agreement-refused" in codes(result)


def test_thousands_of_pairs_are_answered_without_a_warning():
    rng = np.random.default_rng(4)
    x = rng.normal(100, 10, 6000)
    result = agreement(trial_table(long_form(x + rng.normal(size=6000), x)), ask(harmless=3.0))
    assert result.estimate("bias").n == 6000


def test_a_target_of_one_is_said():
    rng = np.random.default_rng(5)
    rows = long_form(50 + rng.normal(size=9), 50 + rng.normal(size=9), participant=["P1"] * 9,
                     replicate=[str(i) for i in range(9)])
    result = agreement(trial_table(rows), ask(pair_by=("participant", "replicate")))
    assert "one-target" in codes(result)


def test_a_level_out_of_range_is_refused():
    with pytest.raises(ValueError, match="level must lie between"):
        agreement(trial_table(long_form([1.0], [2.0])), ask(), level=1.0)


def test_an_empty_selection_is_an_error():
    from drift.errors import DriftError

    rows = long_form([1.0, 2.0], [2.0, 3.0])
    rows["exclude"] = 1.0
    with pytest.raises(DriftError, match="no usable row is left of 4"):
        agreement(trial_table(pd.DataFrame(rows)), ask())
