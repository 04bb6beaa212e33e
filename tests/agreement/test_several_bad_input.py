"""Little, odd or wrong data about several methods: a right answer or one clear sentence, never a library's warning."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.errors import MINUS, DriftError
from tests.agreement.test_several import ask, codes, long, readings
from tests.agreement.trial_tables import trial_table


@pytest.mark.parametrize(("methods", "words"), [
    (("a", "b"), "three or more different values are needed"), (("a", "b", "b"), "three or more different values"),
    (("a", "b", "cc"), "Did you mean 'c'")])
def test_names_are_counted_and_the_nearest_suggested(methods: tuple[str, ...], words: str) -> None:
    with pytest.raises(DriftError, match=words):
        agreement(trial_table(long(readings())), ask(methods=methods))


def test_all_of_two_values_is_a_question_about_two() -> None:
    with pytest.raises(DriftError, match="Name two as a and b"):
        agreement(trial_table(long(readings()[:, :2])), ask(methods="all"))


def test_a_named_method_without_a_reading_is_an_error_and_one_of_all_a_note() -> None:
    rows = long(readings(10, (1.0,) * 4, (0.0,) * 4))
    rows.loc[rows.method == "c", "reading"] = np.nan
    with pytest.raises(DriftError, match="no usable reading by c is left"):
        agreement(trial_table(rows), ask())
    found = agreement(trial_table(rows), ask(methods="all"), seed=1)
    assert "method-without-readings" in codes(found)
    assert len(found.table("pairwise limits")) == 3


def test_a_method_missing_for_most_targets_is_used_and_cautioned() -> None:
    table = readings(20)
    table[6:, 2] = np.nan
    found = agreement(trial_table(long(table)), ask(harmless=3.0), seed=1)
    said, = [f for f in found.findings if f.code == "method-mostly-missing"]
    assert "c read only 6 of 20 sets" in said.message
    assert found.estimate("bias", pair=f"a {MINUS} c").n == 6


def test_two_methods_that_never_met_have_no_limits_and_the_set_no_verdict() -> None:
    table = readings(20)
    table[:10, 1], table[10:, 2] = np.nan, np.nan
    found = agreement(trial_table(long(table)), ask(harmless=30.0), seed=1)
    assert np.isnan(found.estimate("bias", pair=f"b {MINUS} c").value)
    assert found.verdicts == ("not shown",)
    assert "no limits can be given for b" in found.answer
    assert any(f.code == "pair-without-limits" and "never read the same target" in f.message for f in found.findings)


def test_the_same_reading_twice_is_refused_with_its_rows() -> None:
    rows = long(readings())
    twice = trial_table(rows.iloc[[*range(len(rows)), 4]].reset_index(drop=True))
    with pytest.raises(DriftError, match="picks 2 readings by b"):
        agreement(twice, ask())


def test_copies_are_named_and_do_not_stand_in_the_way_of_a_set() -> None:
    table = readings(20)
    table[:, 1] = table[:, 0]
    found = agreement(trial_table(long(table)), ask(harmless=30.0), seed=1)
    said, = [f for f in found.findings if f.code == "no-spread"]
    assert "Readings by a and b are identical in all 20 sets" in said.message
    assert "judged to lie at no distance" in said.message
    assert list(found.table("pairwise limits")["verdict"]) == ["interchangeable"] * 3
    assert found.estimate("bias", pair=f"a {MINUS} b").value == 0
    assert found.verdicts == ("interchangeable",)
    assert "error-variances" in codes(found)


def test_differences_that_are_all_equal_but_not_zero_are_not_judged() -> None:
    table = readings(20)
    table[:, 1] = table[:, 0] + 1.0
    found = agreement(trial_table(long(table)), ask(harmless=30.0), seed=1)
    assert found.verdicts == ("not shown",)
    assert f"no limits can be given for a {MINUS} b" in found.answer


def test_methods_that_are_all_copies_are_refused_in_a_sentence() -> None:
    table = np.repeat(readings(10)[:, :1], 3, axis=1)
    found = agreement(trial_table(long(table)), ask(harmless=1.0), seed=1)
    assert found.answer.startswith("No limits of agreement and no verdict: differences have no spread")
    assert "agreement-refused" in codes(found)
    assert np.isnan(found.estimates[0].value)


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_targets_are_refused(n: int) -> None:
    found = agreement(trial_table(long(readings(n))), ask(harmless=1.0), seed=1)
    assert found.answer == f"No limits of agreement and no verdict: there are only {n} targets." or n == 1
    assert "agreement-refused" in codes(found)


@pytest.mark.parametrize("n", [3, 4])
def test_three_or_four_targets_are_answered_with_a_caution(n: int) -> None:
    found = agreement(trial_table(long(readings(n))), ask(harmless=1.0), seed=1)
    assert "few-pairs" in codes(found)
    limit = found.estimate("limit of agreement with the mean", methods="as they are")
    assert limit.low < limit.value < limit.high


def test_more_methods_than_targets_are_answered() -> None:
    found = agreement(trial_table(long(readings(5, (1.0,) * 6, (0.0,) * 6))), ask(methods=tuple("abcdef")), seed=1)
    assert len(found.table("pairwise limits")) == 15
    assert all(np.isfinite(e.low) for e in found.estimates if e.name == "upper limit")


def test_a_key_that_differs_within_a_set_is_refused() -> None:
    rows = long(readings())
    rows["session"] = ["1", "2", "1"] * 12
    with pytest.raises(DriftError, match="session differs within 12 sets"):
        agreement(trial_table(rows), ask())


def test_unlinked_readings_of_unequal_number_are_answered() -> None:
    rng = np.random.default_rng(3)
    rows = long(readings(12))
    more = rows.sample(frac=0.6, random_state=1).assign(reading=lambda r: r.reading + rng.normal(0, 1, len(r)))
    both = trial_table(pd.concat([rows, more], ignore_index=True))
    found = agreement(both, ask(truth="constant", harmless=9.0), seed=1)
    assert found.provenance.accounts[0].used == len(rows) + len(more)
    assert np.isfinite(found.estimate("error SD within (residual)", method="a").high)


def test_a_unit_that_does_not_fit_is_refused_before_anything_is_computed() -> None:
    with pytest.raises(DriftError, match="does not measure the same thing"):
        agreement(trial_table(long(readings())), ask(harmless="25 N"))


def test_another_multiplier_is_refused() -> None:
    with pytest.raises(DriftError, match="limits of several methods stand at"):
        agreement(trial_table(long(readings())), ask(), multiplier=2.0)
