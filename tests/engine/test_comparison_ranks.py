"""Passing-Bablok and Theil-Sen lines: printed values, exact rational arithmetic beside them, and bounded memory."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.engine.comparison import pairwise
from drift.engine.comparison.grid import comparable, whole_numbers
from drift.engine.comparison.pairwise import Slopes, exact_level, exact_rank, inversions_below
from drift.engine.comparison.passing_bablok import (
    concordance,
    holding_limits,
    linearity,
    median_limits,
    passing_bablok,
    rank_1983,
    value_limits,
)
from drift.engine.comparison.straightness import straightness
from drift.engine.comparison.theil_sen import theil_sen
from tests.published_examples import agrees, load

NCSS, SEN = load("ncss-passing-bablok-30"), load("sen-1968-theil-sen")


def ncss() -> tuple[np.ndarray, np.ndarray]:
    wide = NCSS.frame().pivot(index="sample", columns="method", values="value")
    return wide["method1"].to_numpy(), wide["method2"].to_numpy()


def rational(x: list[str], y: list[str], rank: int | None = None) -> tuple[Fraction, int, int, list[Fraction]]:
    """Return slope, slopes used, K, and all slopes in shifted order, in exact rational arithmetic as in 1983."""
    a, b = [Fraction(v) for v in x], [Fraction(v) for v in y]
    found: list[Fraction | None] = []
    for i in range(len(a)):
        for j in range(i + 1, len(a)):
            dx, dy = a[j] - a[i], b[j] - b[i]
            if (dx, dy) != (0, 0) and dy != -dx:
                found.append(dy / dx if dx else None)
    below = sorted(s for s in found if s is not None and s < -1)
    rest = sorted(s for s in found if s is not None and s > -1)
    order = [*rest, *(None for s in found if s is None), *below]
    n = len(order)
    middle = [order[(n - 1) // 2], order[n // 2]]
    assert all(m is not None for m in middle)
    return sum(middle, Fraction(0)) / 2, n, len(below), order  # type: ignore[arg-type, return-value]


def test_the_printed_line_and_the_intervals_of_1983() -> None:
    x, y = ncss()
    found = passing_bablok(x, y)
    line = found.line
    assert agrees(line.slope, NCSS.expected["slope"])
    assert agrees(line.intercept, NCSS.expected["intercept"])
    assert (line.n_slopes, found.below, line.ranks[0]) == (NCSS.recomputed["n_slopes"],
                                                           NCSS.recomputed["K_slopes_below_minus_1"],
                                                           NCSS.recomputed["M1"])
    assert [line.slope_low, line.slope_high] == pytest.approx(NCSS.recomputed["ci_slope_original_1983"], rel=1e-12)
    assert [line.intercept_low, line.intercept_high] == pytest.approx(NCSS.recomputed["ci_intercept_original_1983"],
                                                                      rel=1e-11)
    assert found.exact


def test_two_programs_round_a_rank_otherwise_and_differ_in_the_fourth_digit() -> None:
    x, y = ncss()
    line = passing_bablok(x, y).line
    slopes = Slopes(x + y, y - x, 1e-9)
    neighbours = [(1 + t) / (1 - t) for t in slopes.order([161, 162, 273, 274])]
    for name in ("deming_pkg_ci_slope", "MethComp_ci_slope"):
        low, high = (float(v) for v in NCSS.expected[name])
        assert [line.slope_low, line.slope_high] == pytest.approx([low, high], abs=2e-4)
        assert neighbours[0] - 1e-9 <= low <= neighbours[1] + 2e-4
        assert neighbours[2] - 2e-4 <= high <= neighbours[3] + 1e-9
    # A comment in a test of another program reads 0.9986 and -0.0092, which no row order or rounding gives.
    assert not agrees(line.slope, "0.9986")


def test_exact_rational_arithmetic_gives_the_same_line() -> None:
    x, y = ncss()
    slope, n, below, order = rational([f"{v:g}" for v in x], [f"{v:g}" for v in y])
    found = passing_bablok(x, y)
    assert (found.line.n_slopes, found.below) == (n, below)
    assert found.line.slope == float(slope)
    low = order[found.line.ranks[0] - 1]
    assert found.line.slope_low == pytest.approx(float(low), rel=1e-14)


DECIMALS = st.integers(0, 60)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.lists(st.tuples(DECIMALS, DECIMALS), min_size=6, max_size=14))
def test_rounded_readings_give_what_rational_arithmetic_gives(points: list[tuple[int, int]]) -> None:
    text = [[f"{v / 10:.1f}" for v in column] for column in zip(*points, strict=True)]
    a, b = (np.array([float(v) for v in column]) for column in text)
    if len({p + q for p, q in points}) == 1:
        with pytest.raises(ValueError, match="other than -1"):
            passing_bablok(a, b)
        return
    found = passing_bablok(a, b)
    try:
        slope, n, below, _ = rational(*text)
    except (AssertionError, TypeError):
        return  # the median is vertical
    assert found.line.n_slopes == n
    assert found.below == below
    if np.isfinite(found.line.slope):
        assert found.line.slope == pytest.approx(float(slope), rel=1e-12, abs=1e-13)


def naive(x: np.ndarray, y: np.ndarray) -> tuple[int, int]:
    """Slopes used and K with differences in floating point, as usually written."""
    i, j = np.triu_indices(len(x), 1)
    dx, dy = x[j] - x[i], y[j] - y[i]
    keep = ~((dx == 0) & (dy == 0))
    with np.errstate(divide="ignore"):
        s = dy[keep] / dx[keep]
    s = s[s != -1]
    return len(s), int(np.sum(s < -1))


def test_floating_point_counts_slopes_of_minus_one_that_are_none() -> None:
    x, y = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6]), np.array([0.6, 0.5, 0.4, 0.3, 0.9, 1.1])
    slope, n, below, _ = rational([f"{v:g}" for v in x], [f"{v:g}" for v in y])
    found = passing_bablok(x, y)
    assert (found.line.n_slopes, found.below) == (n, below)
    assert naive(x, y) != (n, below)
    assert found.line.slope == pytest.approx(float(slope), rel=1e-14)


def test_readings_in_another_unit_keep_their_ties() -> None:
    rng = np.random.default_rng(5)
    true = rng.uniform(10, 40, 40)
    x, y = np.round(true + rng.normal(size=40), 1), np.round(true + rng.normal(size=40), 1)
    plain, converted = passing_bablok(x, y), passing_bablok(6.894757293168 * x, 6.894757293168 * y)
    assert converted.exact is False
    assert plain.exact is True
    assert (converted.line.n_slopes, converted.below) == (plain.line.n_slopes, plain.below)
    assert converted.line.slope == pytest.approx(plain.line.slope, rel=1e-12)
    assert converted.line.slope_high == pytest.approx(plain.line.slope_high, rel=1e-12)
    assert converted.line.intercept == pytest.approx(6.894757293168 * plain.line.intercept, rel=1e-10)


def test_swapping_the_methods_turns_the_line_over() -> None:
    x, y = ncss()
    one, other = passing_bablok(x, y).line, passing_bablok(y, x).line
    assert one.n_slopes == other.n_slopes
    assert other.slope_low == pytest.approx(1 / one.slope_high, rel=1e-12)
    assert other.slope_high == pytest.approx(1 / one.slope_low, rel=1e-12)


def test_the_order_of_rows_is_nothing_even_with_equal_readings() -> None:
    x, y = np.array([1.0, 1, 1, 2, 2, 3, 4, 5, 5]), np.array([1.0, 2, 3, 2, 1, 4, 4, 6, 5])
    found = passing_bablok(x, y).line
    for seed in range(5):
        p = np.random.default_rng(seed).permutation(9)
        assert passing_bablok(x[p], y[p]).line == found


def test_a_decimal_grid_is_found_exactly() -> None:
    a, b = np.array([0.1, 0.25]), np.array([1.0, 12.5])
    found = whole_numbers(a, b)
    assert found is not None
    assert [*found[0], *found[1], found[2]] == [10, 25, 100, 1250, 0.01]
    assert whole_numbers([1 / 3, 0.5], [0.1, 0.2]) is None
    assert comparable([1 / 3, 0.5], [0.1, 0.2])[2] > 0
    with pytest.raises(ValueError, match="finite"):
        whole_numbers([np.nan], [1.0])


def test_a_large_table_gives_the_same_order_statistics_in_little_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    run, rise = rng.integers(0, 500, 900).astype(float), rng.integers(0, 500, 900).astype(float)
    slopes = Slopes(run, rise)
    ranks = [1, 1000, slopes.count() // 2, slopes.count(), 0]
    whole = slopes.order(ranks)
    assert np.isnan(whole[-1])
    monkeypatch.setattr(pairwise, "HELD", 1000)
    monkeypatch.setattr(pairwise, "BLOCK", 7000)
    assert Slopes(run, rise).order(ranks)[:-1] == pytest.approx(whole[:-1], rel=0)
    assert slopes.count() == sum(len(b) for b in slopes.blocks())


def test_sen_1968_and_both_intercepts() -> None:
    frame = SEN.frame()
    t, y = frame["t"].to_numpy(), frame["y"].to_numpy()
    line = theil_sen(t, y)
    assert [line.slope, line.slope_low, line.slope_high] == [float(Fraction(SEN.expected["slope"])),
                                                             *(float(Fraction(v)) for v in SEN.expected["ci93_slope"])]
    assert line.intercept == float(SEN.expected["intercept_median_of_residuals"])
    other = theil_sen(t, y, intercept="medians")
    assert other.intercept == SEN.recomputed["intercept_scipy_median_y_minus_b_median_x"]
    assert stats.theilslopes(y, t).slope == line.slope


def test_the_ranks_that_sen_prints_as_93_percent_hold_in_97() -> None:
    assert exact_level(7, 4) == pytest.approx(0.9698, abs=1e-4)
    assert exact_level(7, 5) == pytest.approx(0.9310, abs=1e-4)
    assert exact_rank(7, 0.93) == 5
    assert exact_rank(7, 0.95) == 4


def test_kendalls_distribution_is_that_of_all_orders() -> None:
    from itertools import permutations

    counts = np.zeros(11)
    for p in permutations(range(5)):
        counts[sum(p[i] > p[j] for i in range(5) for j in range(i + 1, 5))] += 1
    assert inversions_below(5) == pytest.approx(np.cumsum(counts) / 120)
    assert exact_rank(4, 0.95) == 0
    assert rank_1983(30, 434, 0.95) == 162


def test_tied_x_lose_no_coverage_to_ranks_that_do_not_exist() -> None:
    x = np.repeat(np.arange(5.0), 4)
    y = x + np.random.default_rng(2).normal(size=20)
    line = theil_sen(x, y)
    assert line.n_slopes == 190 - 5 * 6
    assert line.slope_low < line.slope < line.slope_high
    with pytest.raises(ValueError, match="no two points"):
        theil_sen(np.ones(5), np.arange(5.0))


def test_scores_of_exchangeable_points_have_kendalls_variance() -> None:
    rng = np.random.default_rng(8)
    found = []
    for _ in range(400):
        run, deviation = rng.normal(size=(2, 20))
        scores, pairs = concordance(run, deviation)
        found.append(float(np.sum(scores**2)) - pairs)
        assert pairs == 190
    assert np.mean(found) == pytest.approx(20 * 19 * 45 / 18, rel=0.05)
    tau = stats.kendalltau(run, deviation).statistic
    assert scores.sum() / 2 == pytest.approx(tau * 190)


def test_the_printed_limits_are_never_inside_those_of_1983_and_hold_the_line() -> None:
    rng = np.random.default_rng(9)
    for _ in range(20):
        true = np.exp(rng.uniform(2, 5, 25))
        x, y = (true * (1 + 0.1 * rng.normal(size=25)) for _ in range(2))
        found = passing_bablok(x, y)
        limits = holding_limits(x, y, found)
        assert limits.low <= found.line.slope_low <= found.line.slope_high <= limits.high
        at = np.array([0.0, 50.0, 150.0])
        low, high = value_limits(found.line, limits, at)
        fit = found.line.intercept + found.line.slope * at
        assert np.all((low <= fit) & (fit <= high))


def test_the_median_has_its_binomial_interval() -> None:
    assert median_limits(np.arange(1.0, 11.0), 0.95) == (2.0, 9.0)
    assert np.isnan(median_limits(np.arange(5.0), 0.95)[0])


def test_a_bend_is_seen_and_a_straight_line_is_not_called_bent() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(1, 100, 60)
    straight, bent = x + 2 * rng.normal(size=60), 0.01 * x**2 + 2 * rng.normal(size=60)
    for y, small in ((straight, False), (bent, True)):
        line = passing_bablok(x, y).line
        assert (linearity(x, y, line.slope, line.intercept)[1] < 0.05) is small
        assert (straightness(x, y, line.slope, line.intercept, ratio=line.slope**2)[1] < 0.05) is small
    statistic, p, off = linearity(x, x + 5, 1.0, 5.0)
    assert np.isnan(statistic)
    assert np.isnan(p)
    assert off == 0
