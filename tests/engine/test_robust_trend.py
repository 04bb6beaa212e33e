"""Trend by ranks: published sulfate series, exact chances by counting every order, and an independent library."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from drift.engine.comparison.theil_sen import theil_sen
from drift.engine.robust_trend import (
    gilbert_interval,
    least_p,
    mann_kendall,
    pooled_kendall,
    sign_test,
    stratified_trend,
    walsh_centre,
)
from tests.published_examples import agrees, load


def test_sulfate_in_groundwater_is_printed_alike() -> None:
    # US EPA (2009), Unified Guidance, example 17-6.
    example = load("epa-mann-kendall-sulfate")
    frame = example.frame()
    x, y = frame["date"].to_numpy(), frame["sulfate_ppm"].to_numpy()
    # Printed with the normal chances; ours are exact up to forty values.
    k, line = mann_kendall(x, y, most_exact=0), theil_sen(x, y, intercept="medians")
    low, high = gilbert_interval(x, y)
    found = {"S": k.s, "sd_S": math.sqrt(k.variance), "z": k.z, "p": k.p, "tau": k.tau, "slope": line.slope,
             "intercept_conover": line.intercept, "slope_lcl_95": low, "slope_ucl_95": high}
    assert sorted(found) == sorted(example.expected)
    for key, printed in example.expected.items():
        assert agrees(found[key], printed), key
    assert not k.exact
    assert mann_kendall(x, y).exact


@pytest.mark.parametrize("values", [(1, 1, 2, 3, 3), (1, 1, 1, 2), (1, 1, 2, 2, 3, 3), (1, 2, 2, 2, 2, 2), (1, 1, 2)])
def test_chances_with_ties_are_those_of_every_order_and_normal_ones_are_not(values: tuple[int, ...]) -> None:
    orders = np.array(list(itertools.permutations(values)))
    x = np.arange(len(values))
    s = np.array([mann_kendall(x, o).s for o in orders])
    for value in set(s.tolist()):
        k = mann_kendall(x, orders[list(s).index(value)])
        assert k.exact
        assert k.p == pytest.approx(np.mean(np.abs(s) >= abs(value)), rel=1e-12)
        assert k.least_p == pytest.approx(np.mean(np.abs(s) == s.max()), rel=1e-12)


def test_values_in_two_groups_cannot_reach_the_p_that_a_normal_one_gives() -> None:
    # Two of five read the same high value, the others the same low one: ten orders, so that p is 0.2 at least.
    k = mann_kendall([0, 1, 2, 3, 4], [2.0, 2.0, 1.0, 1.0, 1.0])
    assert (k.p, k.least_p) == (pytest.approx(0.2), pytest.approx(0.2))
    naive = mann_kendall([0, 1, 2, 3, 4], [2.0, 2.0, 1.0, 1.0, 1.0], most_exact=0)
    assert naive.p < 0.15


def test_strata_with_offsets_of_their_own_are_compared_inside_only() -> None:
    rng = np.random.default_rng(7)
    x, stratum = np.array([0, 5, 10, 15, 20, 25, 30.0]), np.array(["a", "a", "a", "b", "b", "b", "b"])
    y = -0.01 * x + rng.normal(0, 0.003, 7)
    plain, moved = stratified_trend(x, y, stratum), stratified_trend(x, y + 5.0 * (stratum == "b"), stratum)
    assert moved.slope == pytest.approx(plain.slope)
    assert (moved.kendall.s, moved.kendall.p) == (plain.kendall.s, plain.kendall.p)
    assert plain.pairs == 3 + 6
    assert plain.kendall.least_p == pytest.approx(2 / (6 * 24))
    s = [mann_kendall(range(3), a).s + mann_kendall(range(4), b).s for a in itertools.permutations(range(3))
         for b in itertools.permutations(range(4))]
    assert plain.kendall.p == pytest.approx(np.mean(np.abs(s) >= abs(plain.kendall.s)), rel=1e-12)
    # The interval holds just those slopes that the exact test does not reject.
    wide = stratified_trend(x, y, stratum, level=0.8)
    for at, inside in ((wide.low + 1e-9, True), (wide.low - 1e-9, False), (wide.high - 1e-9, True),
                       (wide.high + 1e-9, False)):
        assert (stratified_trend(x, y - at * x, stratum).kendall.p > 0.2) is inside
    one = stratified_trend(x, y, np.zeros(7))
    assert one.slope == pytest.approx(theil_sen(x, y).slope)
    assert one.low == pytest.approx(theil_sen(x, y).slope_low)
    alone = stratified_trend([0, 5, 10], [1, 2, 3], ["a", "b", "c"])
    assert math.isnan(alone.slope)
    assert alone.kendall.p == 1.0


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_exact_chances_are_those_of_every_order(n: int) -> None:
    orders = np.array(list(itertools.permutations(range(n))))
    s = np.array([mann_kendall(np.arange(n), o).s for o in orders])
    for value in set(s.tolist()):
        k = mann_kendall(np.arange(n), orders[list(s).index(value)])
        assert k.exact
        assert k.p == pytest.approx(np.mean(np.abs(s) >= abs(value)), rel=1e-12)
    assert least_p(n) == pytest.approx(np.mean(np.abs(s) == s.max()), rel=1e-12)


def test_four_checks_cannot_show_a_trend_but_a_normal_p_says_they_do() -> None:
    # Methods brief 2.2: n = 4 checks give a smallest two-sided p of 0.083.
    k = mann_kendall([0, 5, 10, 15], [4.0, 3.0, 2.0, 1.0])
    assert k.p == pytest.approx(k.least_p)
    assert f"{k.least_p:.3f}" == "0.083"
    naive = 2 * stats.norm.sf(abs(k.s) / math.sqrt(k.variance))  # no continuity correction, no exact chances
    assert naive < 0.05


def test_exact_p_is_that_of_an_independent_library() -> None:
    rng = np.random.default_rng(3)
    for n in (5, 8, 10):
        y = rng.normal(size=n)
        assert mann_kendall(np.arange(n), y).p == pytest.approx(
            stats.kendalltau(np.arange(n), y, method="exact").pvalue, rel=1e-10)


def test_pooled_s_is_exact_over_every_pair_of_orders() -> None:
    orders = [np.array(o) for o in itertools.permutations(range(4))]
    single = [mann_kendall(np.arange(4), o) for o in orders]
    sums = np.array([a.s + b.s for a in single for b in single])
    two = pooled_kendall([single[0], single[1]])
    assert two.exact
    assert two.p == pytest.approx(np.mean(np.abs(sums) >= abs(two.s)), rel=1e-12)


def test_two_sensors_of_four_checks_show_together_what_neither_can_alone() -> None:
    one = mann_kendall([0, 1, 2, 3], [4.0, 3.0, 2.0, 1.0])
    assert one.p > 0.05
    assert pooled_kendall([one, one]).p < 0.01


def test_the_centre_is_that_of_the_signed_rank_test() -> None:
    v = np.random.default_rng(5).normal(0.3, 1, 12)
    centre, low, high = walsh_centre(v)
    # The interval holds just those centres that an exact signed-rank test does not reject.
    for at, inside in ((low + 1e-9, True), (low - 1e-9, False), (high - 1e-9, True), (high + 1e-9, False)):
        assert bool(stats.wilcoxon(v - at, method="exact").pvalue > 0.05) is inside
    assert low < centre < high


def test_five_sensors_have_no_interval_at_95_per_cent() -> None:
    assert all(math.isnan(e) for e in walsh_centre([1, 2, 3, 4, 5.0])[1:])
    assert walsh_centre([1, 2, 3, 4, 5, 6.0])[1:] == (1.0, 6.0)


def test_the_sign_test_is_binomial() -> None:
    below, n, p = sign_test([-1, -2, -3, -4, 5, 0.0])
    assert (below, n) == (4, 5)
    assert p == pytest.approx(stats.binomtest(4, 5).pvalue)


def test_constant_readings_have_no_trend() -> None:
    k = mann_kendall([0, 1, 2], [1.0, 1.0, 1.0])
    assert (k.s, k.p) == (0, 1.0)
    assert pooled_kendall([k]).p == 1.0
    assert mann_kendall([1.0], [2.0]).p == 1.0


@given(st.lists(st.floats(-5, 5), min_size=3, max_size=12), st.randoms(use_true_random=False),
       st.floats(0.1, 10), st.floats(-3, 3))
def test_row_order_scale_and_shift_change_nothing(values: list[float], shuffled: object, scale: float,
                                                  shift: float) -> None:
    x, y = np.arange(len(values), dtype=float), np.round(np.array(values), 3)
    order = list(range(len(values)))
    shuffled.shuffle(order)  # type: ignore[attr-defined]
    k, moved = mann_kendall(x, y), mann_kendall(7 * x[order] + 1, np.exp(np.round(y[order], 3)))
    assert (k.s, k.p) == (moved.s, moved.p)
    assert mann_kendall(x, -y).s == -k.s
    centre = walsh_centre(y)[0]
    assert walsh_centre(scale * y + shift)[0] == pytest.approx(scale * centre + shift, abs=1e-9)
