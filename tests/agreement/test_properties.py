"""What must not change, or must change in step, when the same data are written differently."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.agreement import AgreementResult, agreement
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table

NAMES = ("bias", "lower limit", "upper limit", "SD of differences")


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant", "replicate"), **settings}
    return AgreementQuestion(**given)


def rows(seed, times=2):
    rng = np.random.default_rng(seed)
    t = np.repeat(np.arange(7), times)
    x = rng.normal(60, 5, len(t))
    d = 1 + rng.normal(size=7)[t] + rng.normal(size=len(t))
    return long_form(x + d, x, participant=[f"P{i}" for i in t],
                     replicate=[str(j) for j in np.tile(np.arange(times), 7)])


def numbers(result, *, factor=1.0):
    return np.array([[v * factor for v in (result.estimate(n).value, result.estimate(n).low, result.estimate(n).high)]
                     for n in NAMES])


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([1, 2, 3]))
def test_order_of_rows_and_names_of_targets_change_nothing(seed, times):
    frame = rows(seed, times)
    other = frame.sample(frac=1, random_state=seed)
    other["participant"] = other.participant.map(lambda p: f"walker {97 - int(p[1:])}")
    plain, moved = (numbers(agreement(trial_table(f), ask())) for f in (frame, other))
    np.testing.assert_allclose(moved, plain, rtol=1e-6, atol=1e-9)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([1, 3]))
def test_swapping_a_and_b_mirrors(seed, times):
    table = trial_table(rows(seed, times))
    one, two = numbers(agreement(table, ask())), numbers(agreement(table, ask(a="b", b="a")))
    np.testing.assert_allclose(two[0], -one[0][[0, 2, 1]], rtol=1e-9)
    np.testing.assert_allclose(two[1], -one[2][[0, 2, 1]], rtol=1e-9)
    np.testing.assert_allclose(two[3], one[3], rtol=1e-9)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 1000), st.sampled_from([1, 3]))
def test_a_change_of_unit_rescales(seed, factor, times):
    frame = rows(seed, times)
    plain = agreement(trial_table(frame), ask(harmless=4.0))
    frame["reading"] *= factor
    scaled = agreement(trial_table(frame), ask(harmless=4.0 * factor))
    np.testing.assert_allclose(numbers(scaled), numbers(plain, factor=factor), rtol=1e-6)
    assert scaled.verdicts == plain.verdicts


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([1, 3]))
def test_limits_hold_the_bias_and_a_higher_level_is_wider(seed, times):
    table = trial_table(rows(seed, times))
    narrow, wide = (numbers(agreement(table, ask(), level=level)) for level in (0.9, 0.99))
    assert np.all(narrow[:, 0] == wide[:, 0])
    assert np.all(wide[:, 1] < narrow[:, 1])
    assert np.all(narrow[:, 2] < wide[:, 2])
    assert narrow[1, 0] < narrow[0, 0] < narrow[2, 0]
    assert np.all(narrow[:, 1] <= narrow[:, 0])


def test_a_shift_of_all_readings_leaves_differences_alone():
    frame = rows(3)
    plain = numbers(agreement(trial_table(frame), ask()))
    frame["reading"] += 1e6
    np.testing.assert_allclose(numbers(agreement(trial_table(frame), ask())), plain, rtol=1e-6)


def test_a_result_survives_the_round_trip_and_says_how_each_number_was_made():
    import json
    import pickle

    result = agreement(trial_table(rows(1)), ask(harmless=5.0))
    again = AgreementResult.from_dict(json.loads(json.dumps(result.to_dict())))
    assert again.to_dict() == result.to_dict()
    assert pickle.loads(pickle.dumps(result)).to_dict() == result.to_dict()
    assert again.verdicts == result.verdicts
    assert all(e.method for e in result.estimates)
    assert all(result.table("limits")["method"])
    assert result.to_dict()["command"] == "agree"


@pytest.mark.parametrize("times", [1, 2])
def test_the_plain_case_is_the_repeated_case_with_one_pair_each(times):
    frame = rows(5, times)
    repeated = agreement(trial_table(frame), ask())
    assert ("variance components" in [t.name for t in repeated.tables]) == (times > 1)
