"""Tests on the rows behind a question: they see what was put in, and stay quiet where nothing was."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.items import data_tests as test


def test_the_change_between_repeats_is_that_of_scipy() -> None:
    """Slope of each target by ``scipy.stats.linregress``, mean and interval by ``scipy.stats``."""
    rng = np.random.default_rng(1)
    targets = np.repeat(np.arange(8), 5)
    order = np.tile(np.arange(5.0) ** 1.5, 8)
    values = rng.normal(100, 10, 8)[targets] + 0.7 * order + rng.normal(0, 2, 40)
    found = test.change_between_repeats(values, targets, order)
    slopes = [stats.linregress(order[targets == t], values[targets == t]).slope for t in range(8)]
    low, high = stats.t.interval(0.95, 7, np.mean(slopes), stats.sem(slopes))
    span = float(np.ptp(order[:5]))
    assert found is not None
    np.testing.assert_allclose((found.value, found.low, found.high, found.span),
                               (np.mean(slopes) * span, low * span, high * span, span), rtol=1e-10)


def test_targets_are_the_units_and_not_their_repeats() -> None:
    """The naive line through all rows takes 400 repeats of four people for 400 units, and sees what is not there."""
    rng = np.random.default_rng(2)
    targets, order = np.repeat(np.arange(4), 100), np.tile(np.linspace(0, 1, 100), 4)
    hit = naive = 0
    for _ in range(300):
        values = rng.normal(0, 5, 4)[targets] * order + rng.normal(0, 1, 400)  # people change, on average by nothing
        found = test.change_between_repeats(values, targets, order)
        assert found is not None
        hit += found.low > 0 or found.high < 0
        naive += stats.linregress(order, values).pvalue < 0.05
    assert hit / 300 < 0.05 + 4 * math.sqrt(0.05 * 0.95 / 300)
    assert naive / 300 > 0.5


@pytest.mark.parametrize(("value", "half", "reason", "grade"), [
    (0.0, 0.4, False, "very good"), (0.0, 0.9, True, "adequate"), (0.0, 0.9, False, "doubtful"),
    (0.8, 0.2, True, "adequate"), (0.8, 0.2, False, "doubtful"), (2.0, 0.5, True, "doubtful"),
    (2.0, 0.5, False, "inadequate"), (2.0, 2.5, True, "adequate")])
def test_stability_is_graded_against_the_sem(value: float, half: float, reason: bool, grade: str) -> None:
    change = test.Change(value=value, low=value - half, high=value + half, span=1, targets=9)
    assert test.grade_of_change(change, 1.0, reason=reason) == grade


def test_too_few_targets_or_no_time_give_no_change() -> None:
    two = np.array([0, 0, 1, 1])
    assert test.change_between_repeats(np.arange(4.0), two, np.arange(4.0)) is None
    assert test.change_between_repeats(np.arange(9.0), np.repeat(np.arange(3), 3), np.zeros(9)) is None


def test_copied_repeats_are_found_and_rounded_ones_are_not() -> None:
    rng = np.random.default_rng(3)
    cells = np.repeat(np.arange(200), 2)
    rounded = np.round(rng.normal(0, 2, 400))
    found = test.copies(rounded, cells)
    assert found is not None
    assert found.p > 0.001
    assert found.equal == pytest.approx(found.expected, abs=4 * math.sqrt(found.expected))
    rounded = np.round(rng.normal(0, 2, 400), 1)
    rounded[1:40:2] = rounded[0:40:2]
    copied = test.copies(rounded, cells)
    assert copied is not None
    assert copied.p < 1e-6


@settings(max_examples=30, deadline=None, derandomize=True)
@given(power=st.integers(0, 3), scale=st.floats(1.0, 1e4))
def test_the_step_of_rounding_is_seen(power: int, scale: float) -> None:
    values = np.round(np.random.default_rng(4).normal(0, scale, 200), power)
    assert test.step_of(values) == pytest.approx(10.0**-power)


def test_the_sd_within_cells_is_that_of_an_analysis_of_variance() -> None:
    rng = np.random.default_rng(5)
    cells = np.repeat(np.arange(10), [2, 3, 4, 2, 3, 4, 2, 3, 4, 3])
    values = rng.normal(0, 1, len(cells))
    found = test.within_sd(values, cells)
    assert found is not None
    ss = sum(float(((values[cells == c] - values[cells == c].mean()) ** 2).sum()) for c in range(10))
    df = len(cells) - 10
    expected = (math.sqrt(ss / df), *(math.sqrt(ss / stats.chi2.ppf(q, df)) for q in (0.975, 0.025)))
    np.testing.assert_allclose(found[:3], expected, rtol=1e-10)
    assert found[3] == df


def test_unlike_conditions_are_measured_and_named() -> None:
    levels = np.repeat([0, 1], 50)
    operators = np.array(["Ada"] * 50 + ["Bo"] * 50, dtype=object)
    found = test.unlike_words("operator", operators, levels)
    assert not found.alike
    assert found.size == pytest.approx(0.5)
    assert test.unlike_words("operator", operators[np.r_[0:100:2, 1:100:2]], levels).alike
    warm = test.unlike_numbers("temperature", np.where(levels == 0, 20.0, 24.0), levels)
    assert not warm.alike
    force = test.unlike_force(np.exp(np.repeat([0.0, 0.1], 50)), np.tile(np.arange(50), 2), levels)
    assert force is not None
    assert force.size == pytest.approx(100 * (math.exp(0.1) - 1))
    assert not force.alike


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.permutations(range(12)))
def test_row_order_changes_nothing(order: list[int]) -> None:
    targets, time = np.repeat(np.arange(4), 3), np.tile([0.0, 2.0, 5.0], 4)
    values = np.random.default_rng(6).normal(0, 1, 12)
    first = test.change_between_repeats(values, targets, time)
    turned = test.change_between_repeats(values[order], targets[order], time[order])
    assert first is not None
    assert turned is not None
    assert turned.value == pytest.approx(first.value, rel=1e-9, abs=1e-12)
    gaps, again = (test.gaps_between_repeats(t, c, x) for t, c, x in
                   ((targets, time.astype(int), time), (targets[order], time[order].astype(int), time[order])))
    assert gaps == again
