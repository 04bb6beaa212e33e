"""The rule in simulated worlds: how often the true share beyond exceeds what was promised.

Expected confidences and unsafe shares come from this project's own simulations (their tables are written by
``python -m tests.coverage.retirement``); nothing here is a published value.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.crossing import first_crossing, summarise_lines
from drift.engine.tolerance import one_sided_factor
from drift.retirement.bound import combine, retire_arrays, split_shares
from tests.coverage.retirement_worlds import LIMIT, World, oracle, share_beyond_true, simulate

N_STUDIES = 1500


def four_errors(p: float, n: int = N_STUDIES) -> float:
    return 4 * float(np.sqrt(p * (1 - p) / n))


def unsafe(world: World, counts: np.ndarray) -> float:
    return float((share_beyond_true(world, np.maximum(counts, 0)) > 0.10).mean())


@pytest.mark.parametrize(("n", "expected", "median"), [(5, 0.95, 14.75), (10, 0.97, 17.0), (20, 0.97, 18.0)])
def test_line_bound_keeps_its_confidence_where_the_mean_line_has_none(n: int, expected: float, median: float) -> None:
    """Naive twin: the count at which the average sensor crosses is safe in no study of ten sensors."""
    world = World()
    lines = simulate(world, np.random.default_rng(100 + n), N_STUDIES, n, 1)
    line = np.floor(4 * retire_arrays(lines.intercept, lines.slope, LIMIT).line) / 4
    confidence = 1 - unsafe(world, line)
    assert confidence == pytest.approx(expected, abs=four_errors(expected) + 0.005)
    assert float(np.median(line)) == pytest.approx(median, abs=0.5)
    mean = first_crossing(summarise_lines(lines.intercept, lines.slope), 0.0, LIMIT)
    assert unsafe(world, mean) > 0.98
    assert float(np.median(mean)) > oracle(world, 0.90) + 4


def test_plug_in_quantile_would_be_a_coin_toss() -> None:
    """Naive twin: mean + z_P sd is safe in about half of the studies."""
    world = World()
    lines = simulate(world, np.random.default_rng(7), N_STUDIES, 10, 1)
    plug_in = first_crossing(summarise_lines(lines.intercept, lines.slope), 1.2816, LIMIT)
    assert 0.3 < unsafe(world, plug_in) < 0.6


@pytest.mark.parametrize(("n", "alone"), [(6, 0.074), (12, 0.093), (24, 0.066)])
def test_the_companion_restores_the_level_in_a_skewed_world(n: int, alone: float) -> None:
    """Naive twin: the line bound alone is unsafe in more than 5 % of skewed studies."""
    world = World(shape="skewed")
    lines = simulate(world, np.random.default_rng(200 + n), N_STUDIES, n, 1)
    c = retire_arrays(lines.intercept, lines.slope, LIMIT)
    only_line = unsafe(world, np.floor(c.line))
    # Compared with an earlier run of 1,000 studies: four errors of the difference.
    assert only_line == pytest.approx(alone, abs=four_errors(alone) * np.sqrt(1 + N_STUDIES / 1000))
    both = unsafe(world, c.count)
    assert both < 0.05 + four_errors(0.05)
    assert both < only_line


@pytest.mark.parametrize("shape", ["normal", "heavy-tailed", "break-in", "accelerating"])
@pytest.mark.parametrize("drop_out", [False, True])
def test_departures_and_drop_out_leave_the_promise_intact(shape: str, drop_out: bool) -> None:
    world = World(shape=shape, drop_out=drop_out)
    lines = simulate(world, np.random.default_rng(300), N_STUDIES, 12, 1)
    counts = retire_arrays(lines.intercept, lines.slope, LIMIT).count
    assert unsafe(world, counts) < 0.05 + four_errors(0.05)
    assert float(np.median(counts)) >= oracle(world, 0.90) - 5


def test_ignoring_batches_is_unsafe_and_the_two_level_rule_is_not() -> None:
    """Naive twin: with four batches of six the line bound that ignores batches fails in about a quarter of studies."""
    world = World(between_sd=0.0035, within_sd=0.0020)
    lines = simulate(world, np.random.default_rng(400), 300, 4, 6)
    batch = np.repeat(np.arange(4), 6)
    ignored = np.floor(4 * retire_arrays(lines.intercept, lines.slope, LIMIT).line) / 4
    assert unsafe(world, ignored) == pytest.approx(0.244, abs=four_errors(0.244, 300) + 0.03)
    counts = retire_arrays(lines.intercept, lines.slope, LIMIT, batch=batch)
    assert unsafe(world, np.floor(4 * counts.line) / 4) < 0.05 + four_errors(0.05, 300)
    assert unsafe(world, counts.count) < 0.05 + four_errors(0.05, 300)
    assert float(np.median(counts.line)) == pytest.approx(14.8, abs=0.6)


def test_a_companion_that_ignores_batches_would_not_guard_a_new_batch_against_skew() -> None:
    """Why the companion is two-level too: six skewed batches of four, and a one-level companion beside the bound."""
    world = World(shape="skewed", between_sd=0.0035, within_sd=0.0020)
    lines = simulate(world, np.random.default_rng(500), 400, 6, 4)
    batch = np.repeat(np.arange(6), 4)
    two = retire_arrays(lines.intercept, lines.slope, LIMIT, batch=batch)
    one = retire_arrays(lines.intercept, lines.slope, LIMIT)
    mixed = np.floor(4 * np.fmin(two.line, one.companion)) / 4
    ours = np.floor(4 * np.fmin(two.line, two.companion)) / 4
    assert unsafe(world, ours) < 0.05 + four_errors(0.05, 400)
    assert unsafe(world, mixed) > unsafe(world, ours) + 0.01


def test_shares_are_split_evenly_over_the_limits() -> None:
    assert split_shares(0.90, 0.95, 1) == pytest.approx((0.90, 0.95))
    assert split_shares(0.90, 0.95, 2) == pytest.approx((0.95, 0.975))
    content, confidence = split_shares(0.90, 0.95, 4)
    assert 4 * (1 - content) == pytest.approx(0.10)
    assert 4 * (1 - confidence) == pytest.approx(0.05)


def test_each_bound_is_rounded_down_before_the_smaller_is_taken_and_the_cap_cuts() -> None:
    c = combine([20.9, 20.9, 80.0, np.inf, -1.0, 7.2], [19.99, np.nan, 90.0, np.nan, np.nan, 7.9], cap=37.5)
    assert c.count == pytest.approx([19, 20, 37, 37, -1, 7])
    assert c.capped.tolist() == [False, False, True, True, False, False]
    # A count that meets the cap by itself is not cut.
    assert not bool(combine(37.4, 60.0, cap=37.5).capped)


LINES = st.integers(0, 2**32 - 1)


def draw(seed: int, n: int = 8) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.normal(0, 0.03, n), rng.normal(0.02, 0.004, n)


@given(seed=LINES, p=st.floats(0.6, 0.97), c=st.floats(0.6, 0.98))
@settings(max_examples=40, deadline=None)
def test_a_stricter_promise_or_a_tighter_limit_never_raises_the_count(seed: int, p: float, c: float) -> None:
    a, b = draw(seed)
    base = float(retire_arrays(a, b, LIMIT, content=p, confidence=c).count)
    assert float(retire_arrays(a, b, LIMIT, content=p + 0.02, confidence=c).count) <= base
    assert float(retire_arrays(a, b, LIMIT, content=p, confidence=c + 0.015).count) <= base
    assert float(retire_arrays(a, b, 0.9 * LIMIT, content=p, confidence=c).count) <= base


@given(seed=LINES)
@settings(max_examples=10, deadline=None)
def test_a_stricter_promise_never_raises_the_two_level_count(seed: int) -> None:
    a, b = draw(seed, 10)
    batch = np.repeat(np.arange(5), 2)
    found = [float(retire_arrays(a, b, LIMIT, content=p, confidence=c, batch=batch).count)
             for p, c in ((0.80, 0.90), (0.90, 0.90), (0.90, 0.95), (0.95, 0.975))]
    assert found == sorted(found, reverse=True)


@given(seed=LINES)
@settings(max_examples=30, deadline=None)
def test_order_of_sensors_does_not_matter(seed: int) -> None:
    a, b = draw(seed)
    order = np.random.default_rng(seed).permutation(len(a))
    one, two = retire_arrays(a, b, LIMIT), retire_arrays(a[order], b[order], LIMIT)
    assert float(one.line) == pytest.approx(float(two.line), rel=1e-10)
    assert float(one.companion) == pytest.approx(float(two.companion), rel=1e-10)


def test_a_relative_limit_has_the_closed_form_of_slopes_alone() -> None:
    _, b = draw(5)
    k = float(one_sided_factor(len(b), 0.90, 0.95))
    found = retire_arrays(np.zeros_like(b), b, LIMIT)
    assert float(found.line) == pytest.approx(LIMIT / (b.mean() + k * b.std(ddof=1)), rel=1e-10)
