"""Concordance of two methods and of several, one reading of each per target."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.concordance import (
    concordance,
    correlation_interval,
    lin_interval,
    lin_std_error,
    lin_variance_z,
    overall_concordance,
    scale_interval,
)
from drift.engine.concordance_overall import (
    jackknife_z,
    leave_one_out,
    overall_bootstrap,
    overall_draws,
    overall_interval,
    overall_jackknife,
    pairwise_intervals,
)
from drift.engine.concordance_strata import draw, quantiles, simple_strata
from drift.engine.limits_of_agreement import one_stratum, share_inside, total_deviation_index
from drift.engine.meansquares import two_way
from tests.published_examples import agrees, load


def peak_flow() -> tuple[np.ndarray, np.ndarray]:
    frame = load("lin-ccc-tdi-pefr").frame().pivot(index="subject", columns="meter", values="pefr")
    return frame["large"].to_numpy(float), frame["mini"].to_numpy(float)


def judges() -> np.ndarray:
    frame = load("barnhart-occc-shrout-fleiss").frame()
    return frame.pivot(index="target", columns="judge", values="rating").to_numpy(float)


def variance_1989(c) -> float:
    """Return the variance of z as first printed, coefficients 4 and 2 where 2 and 1 are right (Lin 1989; 2000)."""
    p, r, u, q = c.value, c.precision, c.location_shift, 1 - c.value**2
    return ((1 - r**2) * p**2 / (q * r**2) + 4 * p**3 * (1 - p) * u**2 / (r * q**2)
            - 2 * p**4 * u**4 / (r**2 * q**2)) / (c.n - 2)


def naive(a: np.ndarray, b: np.ndarray, ddof: int = 0) -> float:
    """Return CCC by its definition, written out."""
    n = len(a)
    ma, mb = sum(a) / n, sum(b) / n
    saa = sum((x - ma) ** 2 for x in a) / (n - ddof)
    sbb = sum((x - mb) ** 2 for x in b) / (n - ddof)
    sab = sum((x - ma) * (y - mb) for x, y in zip(a, b, strict=True)) / (n - ddof)
    return float(2 * sab / (saa + sbb + (ma - mb) ** 2))


def test_peak_flow_to_the_printed_digits() -> None:
    # Lin (1989), with the corrected variance of Lin (2000); printed by epi.ccc of epiR 2.0.57
    example = load("lin-ccc-tdi-pefr")
    printed, more = example.expected["epiR"], example.recomputed
    a, b = peak_flow()
    c = concordance(a, b)
    assert agrees(c.value, printed["rho_c"])
    assert agrees(c.accuracy, printed["C_b"])
    # printed as mini against large; ours are a - b and SD a over SD b
    assert agrees(-c.location_shift, printed["l_shift"])
    assert agrees(1 / c.scale_shift, printed["s_shift"])
    assert all(agrees(x, p) for x, p in zip(lin_interval(c, 0.95), printed["ci95"], strict=True))
    assert c.precision * c.accuracy == pytest.approx(c.value, rel=1e-12)
    assert c.value == pytest.approx(more["ccc_with_1_over_n"], rel=1e-10)
    assert concordance(a, b, ddof=1).value == pytest.approx(more["ccc_with_1_over_n_minus_1"], rel=1e-10)
    assert lin_std_error(c) == pytest.approx(more["se_2000"], rel=1e-9)


def test_the_variance_of_1989_differs_and_is_not_used() -> None:
    a, b = peak_flow()
    c = concordance(a, b)
    first = math.sqrt(variance_1989(c)) * (1 - c.value**2)
    assert first == pytest.approx(load("lin-ccc-tdi-pefr").recomputed["se_1989_uncorrected"], rel=1e-9)
    assert abs(first / lin_std_error(c) - 1) > 1e-3
    shifted = concordance(a + 60, b)  # with a shift the error is no longer small
    assert abs(variance_1989(shifted) / lin_variance_z(shifted) - 1) > 0.04


def test_the_interval_of_the_recomputed_values_rests_on_1_96() -> None:
    a, b = peak_flow()
    c = concordance(a, b)
    z, half = math.atanh(c.value), 1.96 * math.sqrt(lin_variance_z(c))
    np.testing.assert_allclose([math.tanh(z - half), math.tanh(z + half)],
                               load("lin-ccc-tdi-pefr").recomputed["ci_fisher_z"], rtol=1e-9)


def test_total_deviation_index_is_exact_and_the_shortcut_is_not() -> None:
    # Lin (2000), Statistics in Medicine 19:255-270. The shortcut z_{(1+p)/2} sqrt(m^2 + s^2) of that paper is often
    # printed as the index; here it differs in the ninth digit, as the bias is small, elsewhere by more than a tenth
    example = load("lin-ccc-tdi-pefr")
    a, b = peak_flow()
    strata = one_stratum(a - b)
    exact = total_deviation_index(strata.mean, strata.sd, 0.90)
    # printed from a root search that stopped two units of its last digit short of the root
    assert agrees(exact, example.expected["MethComp_TDI_90"]["numeric"], units=2)
    assert exact == pytest.approx(example.recomputed["tdi90_exact"], rel=1e-10)
    shortcut = 1.6448536269514722 * math.hypot(strata.mean, strata.sd)
    assert agrees(shortcut, example.expected["MethComp_TDI_90"]["approximate"])
    assert not agrees(exact, example.expected["MethComp_TDI_90"]["approximate"])
    assert total_deviation_index(strata.mean, strata.sd, 0.95) == pytest.approx(
        example.recomputed["tdi95_exact"], rel=1e-10)
    assert float(share_inside(strata.mean, strata.sd, 50.0)) == pytest.approx(
        example.recomputed["coverage_probability_within_50"], rel=1e-8)
    assert total_deviation_index(3.0, 1.0, 0.90) < 0.9 * 1.6448536269514722 * math.hypot(3.0, 1.0)


def test_overall_concordance_of_six_targets_and_four_judges_to_the_printed_digits() -> None:
    # Barnhart, Haber & Song (2002); data of Shrout & Fleiss (1979); printed by epi.occc of epiR 2.0.57
    printed = load("barnhart-occc-shrout-fleiss").expected
    found = overall_concordance(judges())
    assert agrees(found.value, printed["occc"])
    assert agrees(found.precision, printed["oprec"])
    assert agrees(found.accuracy, printed["oaccu"])
    assert all(agrees(x, p) for x, p in zip(found.pairwise, printed["pairwise_ccc_12_13_14_23_24_34"], strict=True))
    assert found.weights @ found.pairwise == pytest.approx(found.value, rel=1e-12)
    assert found.pairs[:3] == ((0, 1), (0, 2), (0, 3))


def test_overall_concordance_is_icc_a_1_but_for_the_chance_part_of_the_means() -> None:
    y = judges()
    squares, n, k = two_way(y), *y.shape
    r, c, e = squares.ms_target, squares.ms_facet, squares.ms_residual
    assert overall_concordance(y).value == pytest.approx((r - e) / (r + (k - 1) * e + k * c / n), rel=1e-12)
    icc = (r - e) / (r + (k - 1) * e + k * (c - e) / n)
    assert agrees(icc, "0.2898")
    assert not agrees(overall_concordance(y).value, "0.2898")


def test_the_two_divisors_differ_and_that_of_lin_is_met_by_two_methods() -> None:
    y = judges()
    assert overall_concordance(y, ddof=0).value != pytest.approx(overall_concordance(y).value, abs=1e-3)
    for ddof in (0, 1):
        two = overall_concordance(y[:, :2], ddof=ddof)
        assert two.value == pytest.approx(concordance(y[:, 0], y[:, 1], ddof=ddof).value, rel=1e-12)
        assert two.value == pytest.approx(naive(y[:, 0], y[:, 1], ddof), rel=1e-12)


def test_overall_concordance_is_not_the_plain_mean_of_the_pairwise_ones() -> None:
    found = overall_concordance(judges())
    assert abs(float(found.pairwise.mean()) - found.value) > 0.05


def test_leave_one_out_equals_leaving_out() -> None:
    y = judges()
    for ddof in (0, 1):
        again = [overall_concordance(np.delete(y, i, axis=0), ddof=ddof).value for i in range(len(y))]
        np.testing.assert_allclose(leave_one_out(y, ddof=ddof), again, rtol=1e-12)


def test_intervals_of_overall_concordance() -> None:
    y = judges()
    low, high = overall_interval(y, 0.95, rng=np.random.default_rng(1))
    assert low < overall_concordance(y).value < high
    again = overall_interval(y, 0.95, rng=np.random.default_rng(1))
    assert (low, high) == again
    narrow = overall_interval(y, 0.80, rng=np.random.default_rng(1))
    assert low < narrow[0] < narrow[1] < high
    jack = overall_jackknife(y, 0.95)
    boot = overall_bootstrap(y, 0.95, rng=np.random.default_rng(2))
    assert jack[0] < overall_concordance(y).value < jack[1]
    assert boot[1] - boot[0] < high - low  # the naive one, too short with six targets


def test_every_pair_has_an_interval_about_its_own_value() -> None:
    y = np.random.default_rng(4).normal(size=(20, 1)) * 3 + np.random.default_rng(5).normal(size=(20, 3))
    ends, values = pairwise_intervals(y, 0.95, rng=np.random.default_rng(1)), overall_concordance(y).pairwise
    assert ends.shape == (3, 2)
    assert np.all((ends[:, 0] < values) & (values < ends[:, 1]))
    # of two methods the general draws are those of pairs
    drawn = draw(simple_strata(y[:, 0], y[:, 1]), np.random.default_rng(2), 20_000)
    np.testing.assert_allclose(ends[0], quantiles(drawn.value, 0.95), atol=0.02)


def test_more_methods_than_targets_still_have_an_interval() -> None:
    rng = np.random.default_rng(3)
    y = 3 * rng.normal(size=(5, 1)) + rng.normal(size=(5, 12))
    low, high = overall_interval(y, 0.95, rng=rng)
    assert -1 < low < overall_concordance(y).value < high < 1


def test_methods_that_are_copies_of_each_other_have_a_perfect_concordance() -> None:
    x = np.array([3.0, 5.0, 9.0, 4.0, 6.0])
    y = np.column_stack([x, x, x])
    found = overall_concordance(y)
    assert found.value == pytest.approx(1.0, rel=1e-12)
    assert found.accuracy == pytest.approx(1.0, rel=1e-12)
    assert np.allclose(overall_draws(y, np.random.default_rng(0), 50), 1.0)
    assert all(math.isnan(e) for e in overall_jackknife(y, 0.95))


def test_two_targets_have_no_interval_and_no_spread_has_no_value() -> None:
    assert all(math.isnan(e) for e in overall_interval(np.array([[1.0, 2.0], [3.0, 5.0]]), 0.95,
                                                       rng=np.random.default_rng(0)))
    flat = overall_concordance(np.full((4, 3), 7.0))
    assert math.isnan(flat.value)
    assert np.all(np.isnan(flat.pairwise))
    assert all(math.isnan(e) for e in overall_interval(np.full((4, 3), 7.0), 0.95, rng=np.random.default_rng(0)))
    assert all(math.isnan(e) for e in jackknife_z(0.5, [0.4, 0.6], 0.95))


@pytest.mark.parametrize("table", [[[1.0, 2.0]], [[1.0], [2.0]], [[1.0, np.nan], [2.0, 3.0]], [1.0, 2.0]])
def test_incomplete_tables_are_refused(table: list) -> None:
    with pytest.raises(ValueError, match="complete table"):
        overall_concordance(table)


def test_perfect_reversed_shifted_and_constant_columns() -> None:
    x = np.array([1.0, 4.0, 2.0, 8.0, 5.0])
    perfect = concordance(x, x)
    assert (perfect.value, perfect.precision, perfect.accuracy) == pytest.approx((1.0, 1.0, 1.0))
    assert math.isnan(lin_variance_z(perfect))
    assert all(math.isnan(e) for e in lin_interval(perfect, 0.95))
    assert concordance(x, -x).value < 0
    shifted = concordance(x, x + 10)
    assert shifted.precision == pytest.approx(1.0)
    assert shifted.value < 0.2
    constant = concordance(x, np.full(5, 3.0))
    assert constant.value == 0.0
    assert math.isnan(constant.precision)
    assert math.isnan(constant.accuracy)
    assert math.isnan(concordance(np.full(5, 3.0), np.full(5, 3.0)).value)
    assert all(math.isnan(e) for e in scale_interval(constant, 0.95))


def test_an_offset_of_1e9_costs_no_digits() -> None:
    a, b = peak_flow()
    assert concordance(a + 1e9, b + 1e9).value == pytest.approx(concordance(a, b).value, rel=1e-12)


def test_a_constant_column_of_large_readings_has_no_spread() -> None:
    assert math.isnan(concordance(np.full(6, 0.1) * 3, np.arange(6.0)).precision)


def test_scale_interval_is_where_the_test_of_equal_variances_turns() -> None:
    # Pitman (1939): v is in the interval if sum and difference of a and v b are not correlated at that level
    from scipy.stats import pearsonr

    a, b = peak_flow()
    for v in scale_interval(concordance(a, b), 0.95):
        assert pearsonr(a - v * b, a + v * b).pvalue == pytest.approx(0.05, rel=1e-9)


def test_correlation_interval_against_another_library() -> None:
    from scipy.stats import pearsonr

    a, b = peak_flow()
    c = concordance(a, b)
    theirs = pearsonr(a, b).confidence_interval(0.95)
    np.testing.assert_allclose(correlation_interval(c.precision, c.n, 0.95), (theirs.low, theirs.high), rtol=1e-10)
    assert all(math.isnan(e) for e in correlation_interval(0.5, 3, 0.95))


readings = st.lists(st.tuples(st.integers(-500, 500), st.integers(-500, 500)), min_size=3, max_size=20).filter(
    lambda xs: len({a for a, _ in xs}) > 1 and len({b for _, b in xs}) > 1)


@settings(deadline=None, max_examples=60)
@given(readings, st.randoms(use_true_random=False), st.sampled_from([0.01, 2.5, 1000.0]), st.integers(-1000, 1000))
def test_row_order_units_shift_and_the_order_of_methods(pairs, random, factor, shift) -> None:
    a, b = (np.array(x, dtype=float) for x in zip(*pairs, strict=True))
    found = concordance(a, b)
    mixed = pairs[:]
    random.shuffle(mixed)
    ma, mb = (np.array(x, dtype=float) for x in zip(*mixed, strict=True))
    assert concordance(ma, mb).value == pytest.approx(found.value, rel=1e-9, abs=1e-12)
    assert concordance(factor * a, factor * b).value == pytest.approx(found.value, rel=1e-9, abs=1e-12)
    assert concordance(a + shift, b + shift).value == pytest.approx(found.value, rel=1e-9, abs=1e-12)
    back = concordance(b, a)
    assert back.value == pytest.approx(found.value, rel=1e-9, abs=1e-12)
    assert back.location_shift == pytest.approx(-found.location_shift, rel=1e-9, abs=1e-12)
    assert back.scale_shift == pytest.approx(1 / found.scale_shift, rel=1e-9)
    assert abs(found.value) <= abs(found.precision) + 1e-12
    assert found.value == pytest.approx(naive(a, b), rel=1e-9, abs=1e-12)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.integers(2, 5), st.integers(5, 12))
def test_overall_concordance_ignores_the_order_of_methods_and_targets(seed, k, n) -> None:
    rng = np.random.default_rng(seed)
    y = 2 * rng.normal(size=(n, 1)) + rng.normal(size=(n, k)) + rng.normal(size=k)
    found = overall_concordance(y)
    again = overall_concordance(y[rng.permutation(n)][:, rng.permutation(k)] * 3 + 7)
    assert again.value == pytest.approx(found.value, rel=1e-10)
    assert again.precision == pytest.approx(found.precision, rel=1e-10)
