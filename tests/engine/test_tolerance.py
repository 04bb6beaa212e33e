"""Tolerance factors against printed tables, definitions, another library and naive versions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.engine.new_batches import OneWay, two_level_bound, two_level_confidence, two_level_share
from drift.engine.tolerance import (
    binomial_interval,
    binomial_upper,
    nonparametric_minimum_n,
    one_sided_factor,
    share_beyond,
    two_sided_factor,
)
from tests.published_examples import agrees, load

CASES = [(n, p, c) for n in (2, 3, 5, 12, 43, 300) for p in (0.80, 0.95, 0.999) for c in (0.05, 0.90, 0.99)]


def natrella(n: int, p: float, c: float) -> float:
    """Closed-form approximation of k1 (Natrella 1963), printed beside the exact factor in the handbook."""
    zp, zc = stats.norm.ppf([p, c])
    a, b = 1 - zc**2 / (2 * (n - 1)), zp**2 - zc**2 / n
    return float((zp + np.sqrt(zp**2 - a * b)) / a)


def howe(n: int, p: float, c: float) -> float:
    """Approximation of k2 (Howe 1969)."""
    return float(stats.norm.ppf((1 + p) / 2) * np.sqrt((n - 1) * (1 + 1 / n) / stats.chi2.ppf(1 - c, n - 1)))


def test_one_sided_factors_are_those_printed_in_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook, section 7.2.6.3."""
    printed = load("nist-tolerance-factors").expected
    k43, k6 = one_sided_factor([43, 6], 0.90, 0.99)
    assert agrees(k43, printed["k1_noncentral_t_n43_p90_c99"])
    assert agrees(k6, printed["k1_noncentral_t_n6_p90_c99"])
    assert agrees(k43 * 43**0.5, printed["t_noncentral_n43"])
    assert agrees(stats.norm.ppf(0.90) * 43**0.5, printed["delta_n43"])
    assert agrees(natrella(43, 0.90, 0.99), printed["k1_natrella_n43_p90_c99"])
    assert agrees(natrella(6, 0.90, 0.99), printed["k1_natrella_n6_p90_c99"])
    # The printed Howe factor is cut, not rounded: 2.21752 computed, 2.217 printed.
    assert agrees(howe(43, 0.90, 0.99), printed["k2_howe_n43_p90_c99"], units=0.1)


def test_the_closed_form_approximation_would_be_a_fifth_too_large_at_six_sensors() -> None:
    assert natrella(6, 0.90, 0.99) / float(one_sided_factor(6, 0.90, 0.99)) == pytest.approx(1.197, abs=0.001)


def test_two_sided_factors_are_those_of_the_iso_table() -> None:
    """ISO 16269-6:2014 annex, content 0.95, confidence 0.95; one-sided factors of the same pair."""
    example = load("tolerance-factors-normal")
    for key, printed in example.expected["iso_16269_6_k2_p95_conf95"].items():
        assert agrees(float(two_sided_factor(int(key[1:]), 0.95, 0.95)), printed), key
    for key, printed in example.expected["k1_p95_conf95"].items():
        assert agrees(float(one_sided_factor(int(key[1:]), 0.95, 0.95)), printed), key
    for group, p, c in (("k2_exact_p95_conf95", 0.95, 0.95), ("k2_exact_p99_conf95", 0.99, 0.95),
                        ("k2_exact_p95_conf99", 0.95, 0.99)):
        for key, full in example.recomputed[group].items():
            digits = 1e-8 if len(str(full)) > 8 else 1e-4
            assert float(two_sided_factor(int(key[1:]), p, c)) == pytest.approx(full, rel=digits), (group, key)


def test_the_wafer_example_of_the_handbook_is_reproduced() -> None:
    """NIST/SEMATECH e-Handbook, section 7.2.6.3: 43 wafers, mean 97.07, s 0.0268, printed with approximate factors."""
    printed = load("tolerance-factors-normal").expected["nist_43_wafers"]
    assert agrees(natrella(43, 0.90, 0.99), printed["k1_approx"])
    # The page's k2 used a chi-square of seven digits; its last digits follow from that.
    assert howe(43, 0.90, 0.99) == pytest.approx(float(printed["k2_howe"]), abs=3e-4)
    upper = 97.07 + natrella(43, 0.90, 0.99) * 0.0268
    assert agrees(upper, printed["upper_one_sided"])
    exact = 97.07 + float(one_sided_factor(43, 0.90, 0.99)) * 0.0268
    assert exact == pytest.approx(97.120222, abs=5e-7)


def test_factors_for_intervals_of_limits_of_agreement() -> None:
    """Carkeet (2015): a limit of agreement lies between one-sided factors, the pair between two-sided ones."""
    full = load("tolerance-factors-normal").recomputed["loa_ci_factors_95"]
    assert two_sided_factor(17, 0.95, [0.025, 0.975]) == pytest.approx(full["n17_pair"], rel=1e-8)
    assert one_sided_factor(85, 0.975, [0.025, 0.975]) == pytest.approx(full["n85_individual"], rel=1e-8)


@pytest.mark.parametrize(("n", "p", "c"), CASES)
def test_one_sided_factor_solves_its_definition(n: int, p: float, c: float) -> None:
    """P(mean + k sd >= quantile) = C, by quadrature over the chi distribution of sd."""
    k = float(one_sided_factor(n, p, c))
    nodes, weights = np.polynomial.legendre.leggauss(400)
    low, high = np.sqrt(stats.chi2.ppf([1e-16, 1 - 1e-16], n - 1) / (n - 1))
    s = low + (high - low) * (nodes + 1) / 2
    density = 2 * (n - 1) * s * stats.chi2.pdf((n - 1) * s**2, n - 1)
    covered = stats.norm.cdf((k * s - stats.norm.ppf(p)) * np.sqrt(n))
    # At n = 2 the integrand ends in a half-normal edge at 0, which the 400 nodes resolve to 1e-7 only.
    assert float(weights @ (density * covered)) * (high - low) / 2 == pytest.approx(c, abs=1e-7 if n == 2 else 1e-9)


@pytest.mark.parametrize(("n", "p", "c"), CASES)
def test_one_sided_factor_agrees_with_scipy_stats(n: int, p: float, c: float) -> None:
    peer = stats.nct.ppf(c, n - 1, stats.norm.ppf(p) * np.sqrt(n)) / np.sqrt(n)
    assert float(one_sided_factor(n, p, c)) == pytest.approx(peer, rel=1e-8, abs=1e-9)


def test_factors_of_large_samples_tend_to_normal_quantiles() -> None:
    """The plug-in quantile (naive version: 90 % prediction at 50 % confidence) is the limit, not the rule."""
    assert float(one_sided_factor(100_000, 0.90, 0.95)) == pytest.approx(stats.norm.ppf(0.90), abs=0.01)
    assert float(one_sided_factor(10, 0.90, 0.95)) > 1.8 * stats.norm.ppf(0.90)


def test_factors_refuse_shares_outside_zero_and_one() -> None:
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        one_sided_factor(10, 1.0, 0.95)
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        two_sided_factor(10, 0.9, 0.0)
    assert np.isnan(one_sided_factor(1, 0.9, 0.95))


@given(n=st.integers(2, 200), p=st.floats(0.55, 0.99), c=st.floats(0.55, 0.99))
@settings(max_examples=40, deadline=None)
def test_factors_grow_with_content_and_confidence_and_shrink_with_n(n: int, p: float, c: float) -> None:
    k = float(one_sided_factor(n, p, c))
    assert float(one_sided_factor(n, p + 0.005, c)) > k
    assert float(one_sided_factor(n, p, c + 0.005)) > k
    assert float(one_sided_factor(n + 1, p, c)) < k
    assert float(two_sided_factor(n, p, c)) > k


def test_minimum_sample_without_a_distribution() -> None:
    """Wilks (1941): 29 for content 0.90, 59 for content 0.95, both at confidence 0.95."""
    assert nonparametric_minimum_n(0.90, 0.95) == 29
    assert nonparametric_minimum_n(0.95, 0.95) == 59
    assert 1 - 0.90**29 >= 0.95 > 1 - 0.90**28


@pytest.mark.parametrize(("x", "n"), [(0, 1), (0, 12), (1, 12), (6, 12), (12, 12)])
def test_binomial_intervals_agree_with_scipy(x: int, n: int) -> None:
    low, high = binomial_interval(x, n, level=0.95)
    peer = stats.binomtest(x, n).proportion_ci(0.95, method="exact")
    assert (float(low), float(high)) == pytest.approx((peer.low, peer.high), abs=1e-12)
    upper = float(binomial_upper(x, n, confidence=0.95))
    assert upper == 1.0 if x == n else stats.binom.cdf(x, n, upper) == pytest.approx(0.05, abs=1e-10)


def test_no_sensors_say_nothing_about_a_share() -> None:
    low, high = binomial_interval(0, 0, level=0.95)
    assert (float(low), float(high)) == (0.0, 1.0)
    with pytest.raises(ValueError, match="0 <= x <= n"):
        binomial_interval(3, 2, level=0.95)


@pytest.mark.parametrize("n", [5, 10, 24])
def test_upper_end_of_the_share_beyond_is_what_the_bound_allows(n: int) -> None:
    """Duality: where the tolerance bound touches the limit, the one-sided upper bound of the share is 1 - P."""
    share, low, high = share_beyond(one_sided_factor(n, 0.90, 0.95), n, level=0.90)
    assert float(high) == pytest.approx(0.10, rel=1e-7)  # the library inverts the noncentrality to about 1e-8
    assert low < stats.norm.sf(float(one_sided_factor(n, 0.90, 0.95))) < share < high


def test_share_beyond_is_median_unbiased_and_its_interval_holds() -> None:
    """Recovery: half of the estimates lie above the true share, and 90 % of the intervals hold it."""
    rng = np.random.default_rng(4)
    x = rng.standard_normal((4000, 8))
    share, low, high = share_beyond((1.5 - x.mean(1)) / x.std(1, ddof=1), 8, level=0.90)
    true = stats.norm.sf(1.5)
    assert (share > true).mean() == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(4000))
    assert ((low <= true) & (true <= high)).mean() == pytest.approx(0.90, abs=4 * 0.3 / np.sqrt(4000))
    # Naive twin: the plug-in share is too small more often than not.
    plug_in = stats.norm.sf((1.5 - x.mean(1)) / x.std(1, ddof=1))
    assert (plug_in > true).mean() < 0.47


@pytest.mark.parametrize("b", [4, 6, 12, 30])
@pytest.mark.parametrize(("content", "confidence"), [(0.90, 0.95), (0.95, 0.975), (0.99, 0.99)])
def test_one_sensor_a_batch_brings_back_the_exact_factor(b: int, content: float, confidence: float) -> None:
    """With no within-batch part the pivotal bound is k1 of b values (1e-6: what the quadrature resolves)."""
    bound = float(two_level_bound(OneWay(0.0, b - 1.0, 0.0, b, 0, 1.0), content=content, confidence=confidence))
    assert bound == pytest.approx(float(one_sided_factor(b, content, confidence)), rel=1e-6)


@pytest.mark.parametrize(("b", "m", "ssb", "ssw"), [(4, 6, 1.0, 8.0), (6, 2, 3.0, 0.5), (12, 2, 2.0, 6.0)])
def test_quadrature_agrees_with_drawing_the_pivotal_quantity(b: int, m: int, ssb: float, ssw: float) -> None:
    rng = np.random.default_rng(8)
    n = 1_000_000
    sb = ssb / rng.chisquare(b - 1, n)
    sw = (1 - 1 / m) * ssw / rng.chisquare(b * (m - 1), n)
    values = rng.standard_normal(n) * np.sqrt(sb / b) + stats.norm.ppf(0.90) * np.sqrt(sb + sw)
    sample = OneWay(0.0, ssb, ssw, b, b * (m - 1), m)
    found = float(two_level_bound(sample, content=0.90, confidence=0.95))
    assert (values <= found).mean() == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / n))
    assert float(two_level_confidence(sample, found, content=0.90)) == pytest.approx(0.95, abs=1e-9)


def two_level_unsafe(between: float, n_studies: int = 1500, b: int = 6, m: int = 4) -> tuple[float, float]:
    """Unsafe shares of the two-level bound and of its naive version that ignores batches."""
    rng = np.random.default_rng(31)
    batch = rng.standard_normal((n_studies, b, 1)) * np.sqrt(between)
    y = batch + rng.standard_normal((n_studies, b, m)) * np.sqrt(1 - between)
    means = y.mean(-1)
    sample = OneWay(means.mean(-1), means.var(-1) * b, ((y - means[..., None]) ** 2).sum((-1, -2)), b, b * (m - 1), m)
    q = stats.norm.ppf(0.90)
    # The bound lies below the true quantile where the quantile already has the confidence.
    unsafe = two_level_confidence(sample, q, content=0.90) > 0.95
    flat = y.reshape(n_studies, -1)
    naive = flat.mean(-1) + float(one_sided_factor(b * m, 0.90, 0.95)) * flat.std(-1, ddof=1)
    return float(unsafe.mean()), float((naive < q).mean())


@pytest.mark.parametrize("between", [0.1, 0.5, 0.75])
def test_two_level_bound_keeps_its_confidence_for_a_new_batch(between: float) -> None:
    unsafe, _ = two_level_unsafe(between)
    assert unsafe < 0.05 + 4 * np.sqrt(0.05 * 0.95 / 1500)


def test_ignoring_batches_would_not_keep_it() -> None:
    """Naive twin: the one-level bound fails where batches differ."""
    _, naive = two_level_unsafe(0.75)
    assert naive > 0.05 + 8 * np.sqrt(0.05 * 0.95 / 1500)


def test_share_of_new_batches_beyond_is_dual_to_the_bound() -> None:
    sample = OneWay(1.0, 2.0, 5.0, 6, 18, 4.0)
    bound = float(two_level_bound(sample, content=0.90, confidence=0.95))
    share, low, high = two_level_share(sample, bound, level=0.90)
    assert high == pytest.approx(0.10, rel=1e-6)
    assert low < share < high
    one = OneWay(0.0, 5.0, 0.0, 6, 0, 1.0)  # one unit a batch: the exact interval of a normal share
    exact = [float(v) for v in share_beyond(1.7, 6, level=0.90)]
    assert two_level_share(one, 1.7, level=0.90) == pytest.approx(exact, rel=1e-5)


def test_no_spread_puts_the_bound_on_the_mean() -> None:
    sample = OneWay(np.array([0.0, 2.0]), 0.0, 0.0, 5, 5, 2.0)
    assert two_level_bound(sample, content=0.9, confidence=0.95) == pytest.approx([0.0, 2.0])
    assert two_level_confidence(sample, 1.0, content=0.9) == pytest.approx([1.0, 0.0])


@given(shift=st.floats(-50, 50), scale=st.floats(0.01, 100))
@settings(max_examples=25, deadline=None)
def test_two_level_bound_moves_with_the_values(shift: float, scale: float) -> None:
    plain = float(two_level_bound(OneWay(0.3, 1.1, 0.8, 5, 7, 2.2), content=0.9, confidence=0.95))
    moved = float(two_level_bound(OneWay(shift + scale * 0.3, scale**2 * 1.1, scale**2 * 0.8, 5, 7, 2.2), content=0.9,
                                  confidence=0.95))
    assert moved == pytest.approx(shift + scale * plain, rel=1e-9, abs=1e-9)


def test_two_level_bound_refuses_a_single_batch() -> None:
    with pytest.raises(ValueError, match="two or more batches"):
        OneWay(0.0, 0.0, 1.0, 1, 3, 4.0)


def test_upper_bound_of_a_share_is_exact_at_low_confidence_too() -> None:
    bound = float(binomial_upper(1, 12, confidence=0.4))
    assert (1 - bound) ** 12 + 12 * bound * (1 - bound) ** 11 == pytest.approx(0.6, rel=1e-12)
