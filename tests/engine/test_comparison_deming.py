"""Deming and weighted Deming lines: printed values, other routes to the same numbers, and what must not change."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from drift.engine.comparison import deming as dm
from drift.engine.comparison.replicates import drawn_lines, linked, linked_ratio, within_variance
from drift.engine.comparison.weighted_deming import weighted_deming
from tests.published_examples import agrees, load

NCSS = load("ncss-deming-constant-ratio")


def ncss() -> tuple[np.ndarray, np.ndarray]:
    frame = NCSS.frame()
    return frame["x"].to_numpy(), frame["y"].to_numpy()


def readings(n: int = 30, seed: int = 1, ratio: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(20, 120, n)
    return true + 4 * rng.normal(size=n), 3 + 0.9 * true + 4 * math.sqrt(ratio) * rng.normal(size=n)


def line(x: np.ndarray, y: np.ndarray, ratio: float) -> tuple[float, float]:
    sums = dm.scatter(x, y)
    slope = dm.slope_of(sums, ratio)
    return float(slope), float(dm.intercept_of(sums, slope))


def exact(x: np.ndarray, y: np.ndarray, ratio: float, level: float = 0.95) -> tuple[float, float]:
    axes, t = dm.axes_of(dm.scatter(x, y), ratio), stats.t.ppf(0.5 + level / 2, len(x) - 2)
    low, high = dm.slope_limits(axes, dm.exact_half_angle(axes, len(x) - 2, t))
    return float(low), float(high)


def test_the_published_example_to_its_printed_digits() -> None:
    x, y = ncss()
    slope, intercept = line(x, y, 0.25)
    left = dm.without_each(x, y)
    each = dm.slope_of(left, 0.25)
    (mean_b, se_b), (mean_a, se_a) = dm.jackknife(slope, each), dm.jackknife(intercept, dm.intercept_of(left, each))
    for value, name in ((slope, "slope"), (intercept, "intercept"), (se_b, "se_slope"), (se_a, "se_intercept")):
        assert agrees(float(value), NCSS.expected[name]), name
    assert [mean_a, mean_b] == pytest.approx(NCSS.recomputed["jackknife_mean"], rel=1e-8)


def test_the_ratio_the_wrong_way_round_is_another_line() -> None:
    x, y = ncss()
    slope, intercept = line(x, y, 4.0)
    wrong = NCSS.recomputed["lambda4_wrong_way"]
    assert [slope, intercept] == pytest.approx([wrong["slope"], wrong["intercept"]], rel=1e-8)
    assert not agrees(slope, NCSS.expected["slope"])
    assert line(x, y, 1.0)[0] == pytest.approx(NCSS.recomputed["orthogonal_lambda1"]["slope"], rel=1e-8)


def test_the_slope_minimises_the_sum_of_squares_in_the_metric_of_the_errors() -> None:
    x, y = readings(ratio=4.0)

    def loss(p: np.ndarray) -> float:
        return float(np.sum((y - p[0] - p[1] * x) ** 2) / (4.0 + p[1] ** 2))

    found = optimize.minimize(loss, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12,
                                                                             "maxiter": 10_000})
    slope, intercept = line(x, y, 4.0)
    assert [intercept, slope] == pytest.approx(found.x, rel=1e-5)


def test_least_squares_is_flatter_and_would_fail_here() -> None:
    rng = np.random.default_rng(0)
    true = rng.normal(size=(400, 200))
    x, y = true + 0.5 * rng.normal(size=true.shape), true + 0.5 * rng.normal(size=true.shape)
    sums = dm.scatter(x, y)
    assert np.mean(dm.slope_of(sums, 1.0)) == pytest.approx(1.0, abs=0.02)
    assert np.mean(sums.sxy / sums.sxx) == pytest.approx(0.8, abs=0.02)


def test_the_exact_limits_are_where_position_and_distance_stop_being_uncorrelated() -> None:
    x, y = readings(ratio=2.0)
    for slope in exact(x, y, 2.0):
        distance, position = y - slope * x, slope * y + 2.0 * x
        assert stats.pearsonr(position, distance).pvalue == pytest.approx(0.05, rel=1e-9)


def test_a_range_too_narrow_for_a_slope_has_no_limit() -> None:
    turn = np.arange(12) * np.pi / 6
    assert np.isnan(exact(np.cos(turn) + 0.05 * np.sin(turn), np.sin(turn), 1.0)).all()


def test_the_band_is_narrowest_near_the_mean_and_its_slopes_are_the_limits() -> None:
    x, y = readings()
    axes, t = dm.axes_of(dm.scatter(x, y), 1.0), stats.t.ppf(0.975, 28)
    half, centre = dm.exact_half_angle(axes, 28, t), dm.exact_centre(axes, 28, t)
    at = np.array([x.mean() - 1e6, x.mean() - 50, x.mean(), x.mean() + 50, x.mean() + 1e6])
    low, high = dm.value_limits(axes, at, half, centre)
    width = high - low
    assert np.argmin(width) == 2
    ends = exact(x, y, 1.0)
    assert (high[4] - high[2]) / 1e6 == pytest.approx(ends[1], rel=1e-4)
    assert (low[4] - low[2]) / 1e6 == pytest.approx(ends[0], rel=1e-4)
    slope, intercept = line(x, y, 1.0)
    assert np.all((low < intercept + slope * at) & (intercept + slope * at < high))


def test_the_joint_test_with_ratio_one_is_that_of_bradley_and_blackwood() -> None:
    x, y = readings()
    total, gap = x + y, y - x
    fit = np.polyfit(total, gap, 1)
    left = float(np.sum((gap - np.polyval(fit, total)) ** 2))
    f = (float(np.sum(gap**2)) - left) / 2 / (left / 28)
    assert float(dm.joint_f(dm.scatter(x, y), 1.0, 28)) == pytest.approx(f, rel=1e-10)


def test_leaving_out_each_point_or_cluster_is_fitting_without_it() -> None:
    x, y = readings(12)
    codes = np.repeat(np.arange(4), 3)
    weights = np.linspace(1, 2, 12)
    for code, w in ((None, None), (codes, None), (codes, weights)):
        left = dm.without_each(x, y, code, w)
        inside = np.arange(12) if code is None else code
        for j in range(int(inside.max()) + 1):
            keep = inside != j
            sums = dm.scatter(x[keep], y[keep], None if w is None else w[keep])
            assert float(left.sxy[j]) == pytest.approx(float(sums.sxy), rel=1e-10)
            assert float(left.mean_x[j]) == pytest.approx(float(sums.mean_x), rel=1e-12)


def test_an_offset_of_a_billion_leaves_the_slope() -> None:
    x, y = readings()
    near, far = dm.scatter(x, y), dm.scatter(x + 1e9, y + 1e9)
    assert float(dm.slope_of(far, 1.0)) == pytest.approx(float(dm.slope_of(near, 1.0)), rel=1e-6)
    assert dm.slope_of(dm.without_each(x + 1e9, y + 1e9), 1.0) == pytest.approx(dm.slope_of(dm.without_each(x, y), 1.0),
                                                                              rel=1e-5)


def naive_weighted(x: np.ndarray, y: np.ndarray, lam: float) -> tuple[float, float]:
    """Weighted Deming as a loop over points, straight from its description."""
    w = [1.0] * len(x)
    b = a = 0.0
    for _ in range(200):
        total = sum(w)
        mx = sum(wi * xi for wi, xi in zip(w, x, strict=True)) / total
        my = sum(wi * yi for wi, yi in zip(w, y, strict=True)) / total
        u = sum(wi * (xi - mx) ** 2 for wi, xi in zip(w, x, strict=True))
        q = sum(wi * (yi - my) ** 2 for wi, yi in zip(w, y, strict=True))
        p = sum(wi * (xi - mx) * (yi - my) for wi, xi, yi in zip(w, x, y, strict=True))
        b = ((q - lam * u) + math.sqrt((q - lam * u) ** 2 + 4 * lam * p * p)) / (2 * p)
        a = my - b * mx
        w = []
        for xi, yi in zip(x, y, strict=True):
            d = yi - a - b * xi
            foot = xi + b * d / (lam + b * b)
            w.append(1 / ((foot + a + b * foot) / 2) ** 2)
    return b, a


def test_weighted_deming_is_its_description() -> None:
    rng = np.random.default_rng(4)
    true = np.exp(rng.uniform(1, 5, 40))
    x, y = true * (1 + 0.1 * rng.normal(size=40)), 2 + 0.9 * true * (1 + 0.1 * rng.normal(size=40))
    sums, weights, done = weighted_deming(x, y, 1.5)
    slope = float(dm.slope_of(sums, 1.5))
    assert done
    assert weights.mean() == pytest.approx(1.0)
    assert [slope, float(dm.intercept_of(sums, slope))] == pytest.approx(naive_weighted(x, y, 1.5), rel=1e-9)


def test_weighted_deming_without_a_point_is_a_fit_without_it() -> None:
    x, y = readings(15)
    include = 1 - np.eye(15)
    left = weighted_deming(x, y, 1.0, include=include)[0]
    for j in (0, 7):
        keep = np.arange(15) != j
        alone = weighted_deming(x[keep], y[keep], 1.0)[0]
        assert float(dm.slope_of(left, 1.0)[j]) == pytest.approx(float(dm.slope_of(alone, 1.0)), rel=1e-9)


def test_two_ways_of_repeating_add_their_variances_less_that_of_the_cells() -> None:
    each = [np.array([1.0, 2.0, 4.0]), np.array([0.0, 1.0]), np.array([1.0, 1.1, 1.2, 1.0])]
    parts = [(len(v) - 1) * np.var(v) for v in each]
    assert dm.sandwich(each) == pytest.approx(max(parts[0] + parts[1] - parts[2], parts[0], parts[1]))


def test_linked_replicates_give_the_ratio_though_the_truth_moves() -> None:
    rng = np.random.default_rng(6)
    codes = np.repeat(np.arange(400), 3)
    true = rng.uniform(50, 150, 400)[codes] + 3 * rng.normal(size=1200)
    x, y = true + 2 * rng.normal(size=1200), 0.8 * true + 4 * rng.normal(size=1200)
    found = linked(x, y, codes)
    assert float(linked_ratio(found)) == pytest.approx(4.0, rel=0.2)
    naive = within_variance(y, codes).variance / within_variance(x, codes).variance
    assert naive < 2.0  # the movement of the truth drowns the ratio
    few = linked(x[:30], y[:30], codes[:30])
    without = linked_ratio(few, without_each=True)
    keep = codes[:30] != 3
    again = np.unique(codes[:30][keep], return_inverse=True)[1]
    assert without[3] == pytest.approx(float(linked_ratio(linked(x[:30][keep], y[:30][keep], again))), rel=1e-8)


def test_a_ratio_from_many_replicates_gives_nearly_the_exact_interval() -> None:
    x, y = readings()
    drawn = drawn_lines(dm.scatter(x, y), 30, 1.0, 10**7, 10**7, n_draws=200_000, rng=np.random.default_rng(1))
    assert np.quantile(drawn.slope, [0.025, 0.975]) == pytest.approx(exact(x, y, 1.0), abs=0.002)


FINITE = st.integers(-500, 500)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(st.tuples(FINITE, FINITE), min_size=5, max_size=15), st.sampled_from([0.25, 1.0, 3.0]),
       st.sampled_from([0.01, 7.0]), st.integers(0, 3))
def test_order_unit_and_swap(points: list[tuple[int, int]], ratio: float, unit: float, seed: int) -> None:
    x, y = (np.array(v, dtype=float) for v in zip(*points, strict=True))
    sums = dm.scatter(x, y)
    if abs(float(sums.sxy)) < 1e-3 * math.sqrt(float(sums.sxx * sums.syy)) + 1e-9:
        return
    slope = float(dm.slope_of(sums, ratio))
    order = np.random.default_rng(seed).permutation(len(x))
    assert float(dm.slope_of(dm.scatter(x[order], y[order]), ratio)) == pytest.approx(slope, rel=1e-9)
    assert float(dm.slope_of(dm.scatter(unit * x, unit * y), ratio)) == pytest.approx(slope, rel=1e-9)
    assert float(dm.slope_of(dm.scatter(y, x), 1 / ratio)) == pytest.approx(1 / slope, rel=1e-7)
