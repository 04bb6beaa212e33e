"""Lines, tolerance bounds of lines, and where they first leave a limit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.crossing import (
    companion_crossing,
    first_crossing,
    first_crossing_batches,
    fit_lines,
    own_crossings,
    summarise_batches,
    summarise_lines,
    whole,
)
from drift.engine.tolerance import one_sided_factor
from tests.published_examples import agrees, load

SEEDS = st.integers(0, 2**32 - 1)


def laser_lines():  # type: ignore[no-untyped-def]
    wide = load("meeker-gaas-laser").frame().pivot(index="unit", columns="hours", values="increase")
    return wide.index, fit_lines(wide.columns.to_numpy(float)[None, :], wide.to_numpy())


def random_lines(seed: int, n: int = 9) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.normal(0, 0.03, n), rng.normal(0.02, 0.006, n)


def test_crossing_times_of_the_lasers_are_the_published_ones() -> None:
    """Meeker and Escobar (1998), chapter 13: 15 pseudo failure times at 10 %, intercepts free."""
    units, lines = laser_lines()
    printed = load("meeker-gaas-laser").expected
    for unit, t in zip(units, own_crossings(lines.intercept, lines.slope, 10.0), strict=True):
        assert agrees(float(t), printed[f"t_{unit}"]), unit


def test_lines_forced_through_the_origin_would_miss_the_published_times() -> None:
    """Naive twin: up to 4 % off."""
    frame = load("meeker-gaas-laser").frame()
    frame["xy"], frame["xx"] = frame.hours * frame.increase, frame.hours**2
    sums = frame.groupby("unit")[["xy", "xx"]].sum()
    slope = sums.xy / sums.xx
    printed = load("meeker-gaas-laser").expected
    assert not any(agrees(10 / b, printed[f"t_{u}"]) for u, b in slope.items())


def test_line_bound_and_companion_of_the_lasers() -> None:
    """Line bound 3324 h, skew companion 3210 h (computed for this project, not printed in the book)."""
    _, lines = laser_lines()
    k = one_sided_factor(15, 0.90, 0.95)
    line = first_crossing(summarise_lines(lines.intercept, lines.slope), k, 10.0)
    companion = companion_crossing(own_crossings(lines.intercept, lines.slope, 10.0), k)
    assert float(line) == pytest.approx(3324.21, abs=0.01)
    assert float(companion) == pytest.approx(3210.12, abs=0.01)


def test_lines_agree_with_polyfit_and_leave_missing_occasions_out() -> None:
    rng = np.random.default_rng(2)
    x = np.arange(0.0, 35, 5)
    y = rng.normal(size=(3, 4, 7))
    y[0, 1, 3:5] = np.nan
    lines = fit_lines(x, y)
    for i in range(3):
        for j in range(4):
            there = np.isfinite(y[i, j])
            (slope, intercept), covariance = np.polyfit(x[there], y[i, j, there], 1, cov=True)
            assert lines.slope[i, j] == pytest.approx(slope, rel=1e-12)
            assert lines.intercept[i, j] == pytest.approx(intercept, rel=1e-12)
            assert lines.slope_se[i, j] == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-10)
    assert lines.n[0, 1] == 5
    one = fit_lines([0.0, 5.0, np.nan], [[1.0, np.nan, 3.0]])
    assert np.isnan(one.slope).all()
    assert one.n[0] == 1
    assert one.last[0] == 0
    nothing = fit_lines([0.0, 5.0], [[np.nan, np.nan]])
    assert np.isnan(nothing.slope).all()
    assert nothing.n[0] == 0


@given(seed=SEEDS, k=st.floats(0.0, 5.0))
@settings(max_examples=60, deadline=None)
def test_closed_form_crossing_is_where_the_bound_meets_the_limit(seed: int, k: float) -> None:
    a, b = random_lines(seed)
    s = summarise_lines(a, b)
    limit = 0.5
    n = float(first_crossing(s, k, limit))
    fine = np.linspace(0, 400, 4001)
    inside = s.bound(fine, k) <= limit
    if n == -1:
        assert not inside[0]
    elif np.isinf(n):
        assert inside.all()
    else:
        assert float(s.bound(n, k)) == pytest.approx(limit, abs=1e-9)
        assert inside[fine < n - 1e-6].all()
        assert not inside[(fine > n + 1e-6)].any()


def test_bound_beyond_the_limit_at_the_start_gives_no_count_even_if_it_comes_back_later() -> None:
    """U is convex: lines that meet at use 20 are far apart at 0. The largest N with U(N) <= L would be unsafe."""
    slope = np.array([-0.03, -0.015, 0.0, 0.015, 0.03])
    intercept = -20 * slope
    s = summarise_lines(intercept, slope)
    k = float(one_sided_factor(5, 0.9, 0.95))
    assert float(s.bound(20, k)) <= 0.5 < float(s.bound(0, k))
    assert float(first_crossing(s, k, 0.5)) == -1


def test_bound_that_never_reaches_the_limit_is_infinite() -> None:
    s = summarise_lines(np.array([0.0, 0.01, -0.01]), np.array([-0.01, -0.0101, -0.0099]))
    assert np.isinf(first_crossing(s, 3.0, 0.5))


def test_mean_line_crosses_where_two_straight_lines_meet() -> None:
    a, b = random_lines(3)
    n = float(first_crossing(summarise_lines(a, b), 0.0, 0.5))
    assert n == pytest.approx((0.5 - a.mean()) / b.mean(), rel=1e-9)


@given(seed=SEEDS, factor=st.floats(0.01, 1000))
@settings(max_examples=40, deadline=None)
def test_scaling_the_exposure_scales_the_crossing(seed: int, factor: float) -> None:
    a, b = random_lines(seed)
    k = one_sided_factor(len(a), 0.9, 0.95)
    plain = float(first_crossing(summarise_lines(a, b), k, 0.5))
    scaled = float(first_crossing(summarise_lines(a, b / factor), k, 0.5))
    assert scaled == pytest.approx(plain * factor if plain > 0 else plain, rel=1e-8)


def test_many_studies_in_one_call_are_the_studies_one_by_one() -> None:
    rng = np.random.default_rng(6)
    a, b = rng.normal(0, 0.03, (50, 8)), rng.normal(0.02, 0.004, (50, 8))
    k = one_sided_factor(8, 0.9, 0.95)
    together = first_crossing(summarise_lines(a, b), k, np.full(50, 0.5))
    assert together == pytest.approx([float(first_crossing(summarise_lines(a[i], b[i]), k, 0.5)) for i in range(50)])


def test_own_crossings_of_lines_that_start_beyond_or_do_not_wear() -> None:
    assert own_crossings([0.0, 0.0, 0.6, np.nan], [0.01, -0.01, 0.01, 0.01], 0.5) == pytest.approx(
        [50.0, np.inf, 0.0, np.nan], nan_ok=True)


def test_companion_needs_every_line_to_lead_to_the_limit() -> None:
    assert np.isnan(companion_crossing([10.0, 20.0, np.inf], 2.0))
    assert np.isnan(companion_crossing([10.0, 20.0, 0.0], 2.0))
    logs = np.log([10.0, 20.0, 40.0])
    assert float(companion_crossing([10.0, 20.0, 40.0], 2.0)) == pytest.approx(
        np.exp(logs.mean() - 2 * logs.std(ddof=1)), rel=1e-12)


@given(seed=SEEDS)
@settings(max_examples=15, deadline=None)
def test_two_level_crossing_is_where_the_two_level_bound_meets_the_limit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    batch = np.array([0, 0, 1, 1, 2, 2, 3, 3, 3, 4])
    a, b = rng.normal(0, 0.03, (3, 10)), rng.normal(0.02, 0.004, (3, 10))
    s = summarise_batches(a, b, batch)
    n = first_crossing_batches(s, 0.5, 60.0, content=0.9, confidence=0.95)
    for i in range(3):
        one = summarise_batches(a[i], b[i], batch)
        assert float(one.bound(n[i], content=0.9, confidence=0.95)) == pytest.approx(0.5, abs=1e-8)
        before = one.bound(np.linspace(0, n[i], 8)[:-1], content=0.9, confidence=0.95)
        assert (before < 0.5).all()


def test_two_level_crossing_without_batch_differences_within_is_the_closed_form() -> None:
    """One sensor a batch: the pivotal bound is the exact one-level bound, so the crossings agree."""
    a, b = random_lines(4)
    exact = float(first_crossing(summarise_lines(a, b), one_sided_factor(9, 0.9, 0.95), 0.5))
    s = summarise_batches(a, b, np.arange(9))
    assert float(first_crossing_batches(s, 0.5, 60.0, content=0.9, confidence=0.95)) == pytest.approx(exact, rel=1e-6)
    assert np.isinf(first_crossing_batches(s, 0.5, exact / 2, content=0.9, confidence=0.95))
    assert float(first_crossing_batches(s, -0.5, 60.0, content=0.9, confidence=0.95)) == -1


def test_batch_sums_of_squares_add_up_to_the_whole_in_balanced_data() -> None:
    rng = np.random.default_rng(9)
    a, b = rng.normal(size=12), rng.normal(size=12)
    batch = np.repeat([0, 1, 2], 4)
    s, whole_sample = summarise_batches(a, b, batch), summarise_lines(a, b)
    for n in (0.0, 3.0):
        terms = np.array([1, 2 * n, n * n])
        total = 4 * float(s.between @ terms) + float(s.within @ terms)
        assert total == pytest.approx(11 * float(whole_sample.sd(n)) ** 2, rel=1e-12)
    assert s.harmonic_m == 4
    assert s.df_within == 9
    assert s.n_batches == 3


def test_unequal_batches_use_unweighted_means_and_the_harmonic_mean() -> None:
    s = summarise_batches(np.array([1.0, 3.0, 10.0]), np.zeros(3), np.array([0, 0, 1]))
    assert float(s.mean0) == 6.0
    assert s.harmonic_m == pytest.approx(2 / (1 / 2 + 1 / 1))


def test_counts_are_rounded_down_but_not_by_a_hair() -> None:
    assert whole([20.0, 20.0 - 1e-10, 19.9, -1.0, np.inf]) == pytest.approx([20, 20, 19, -1, np.inf])
    assert float(whole(2.345, 0.01)) == pytest.approx(2.34)
    assert np.isnan(whole(np.nan))
