"""Concordance by variance components, and its pivotal draws."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from drift.engine.concordance import concordance, lin_interval
from drift.engine.concordance_strata import (
    accuracy_interval,
    delta_interval,
    draw,
    estimate,
    parts_of,
    precision_interval,
    quantiles,
    repeated_strata,
    simple_strata,
    unlinked_strata,
)
from drift.engine.meansquares import two_way
from drift.engine.paired_components import fit_paired
from tests.engine.test_concordance import peak_flow
from tests.published_examples import load

REFERENCE = Path(__file__).parents[1] / "references" / "concordance.csv"


def pressures(first: str, second: str, *, unbalanced: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    frame = load("bland-altman-1999-sbp").frame()
    wide = frame.pivot(index=["subject", "replicate"], columns="method", values="sbp").reset_index()
    if unbalanced:
        wide = wide[((wide.subject * 7 + wide.replicate * 3) % 5 != 0) & (wide.subject <= 40)]
    return wide[first].to_numpy(float), wide[second].to_numpy(float), wide.subject.to_numpy()


def reference() -> list[tuple[str, str, str, float]]:
    with REFERENCE.open(encoding="utf-8", newline="") as handle:
        return [(r["data"], r["pair"], r["quantity"], float(r["value"])) for r in csv.DictReader(handle)
                if r["data"] != "versions"]


@pytest.mark.parametrize(("data", "pair", "quantity", "value"), reference(), ids=lambda v: str(v))
def test_components_agree_with_lme4(data: str, pair: str, quantity: str, value: float) -> None:
    # REML of sums and of differences apart is REML of both together: their likelihoods share no parameter
    a, b, subject = pressures(*pair.split(), unbalanced=data == "unbalanced")
    strata = repeated_strata(a, b, [subject])
    found = -strata.bias if quantity == "bias" else float(estimate(strata).value)  # lme4: second less first
    assert found == pytest.approx(value, rel=2e-6)


def test_balanced_repeats_by_the_analysis_of_variance_written_out() -> None:
    # Carrasco & Jover (2003), section 2: target x method crossed with m linked readings, each part by mean squares
    rng = np.random.default_rng(5)
    n, m = 12, 4
    y = (3 * rng.normal(size=(n, 1, 1)) + rng.normal(size=(n, 1, m)) + 0.7 * rng.normal(size=(n, 2, 1))
         + 0.4 * rng.normal(size=(n, 2, m)) + np.array([0.5, 0.0])[None, :, None])
    d, s = y[:, 0] - y[:, 1], y[:, 0] + y[:, 1]

    def parts(v: np.ndarray) -> tuple[float, float]:
        within = float(((v - v.mean(1, keepdims=True)) ** 2).sum()) / (n * (m - 1))
        between = m * float(v.mean(1).var(ddof=1))
        return (between - within) / m, within

    (d_target, d_within), (s_target, s_within) = parts(d), parts(s)
    own, residual = d_target / 2, d_within / 2
    target = (s_target - 2 * own) / 4
    occasion = (s_within - 2 * residual) / 4
    fixed = (float(d.mean()) ** 2 - (d_target + d_within / m) / n) / 2
    expected = (target + occasion) / (target + occasion + max(fixed, 0.0) + own + residual)
    found = estimate(repeated_strata(y[:, 0].ravel(), y[:, 1].ravel(), [np.repeat(np.arange(n), m)]))
    assert float(found.value) == pytest.approx(expected, rel=1e-9)
    pooled = concordance(y[:, 0].ravel(), y[:, 1].ravel()).value  # the naive twin
    assert abs(pooled - expected) > 1e-3


def test_one_pair_per_target_by_components_is_icc_a_1() -> None:
    a, b = peak_flow()
    squares = two_way(np.column_stack([a, b]))
    n = len(a)
    r, c, e = squares.ms_target, squares.ms_facet, squares.ms_residual
    icc = (r - e) / (r + e + 2 * (c - e) / n)
    strata = simple_strata(a + 30, b)  # a bias, so that its correction is not cut off at zero
    shifted = two_way(np.column_stack([a + 30, b]))
    icc = (r - e) / (r + e + 2 * (shifted.ms_facet - e) / n)
    assert float(estimate(strata).value) == pytest.approx(icc, rel=1e-12)
    assert float(estimate(strata).value) > concordance(a + 30, b).value


def test_parts_hang_together() -> None:
    a, b = peak_flow()
    strata = simple_strata(a, b)
    lin = concordance(a, b, ddof=1)
    found = parts_of(*strata.covariance, strata.bias)
    assert float(found.value) == pytest.approx(lin.value, rel=1e-12)
    assert float(found.precision) == pytest.approx(lin.precision, rel=1e-12)
    assert float(found.accuracy) == pytest.approx(lin.accuracy, rel=1e-12)
    assert float(found.location) == pytest.approx(lin.location_shift, rel=1e-12)
    assert float(found.scale) == pytest.approx(lin.scale_shift, rel=1e-12)


def test_draws_lie_about_the_estimate_and_can_be_repeated() -> None:
    a, b = peak_flow()
    strata = simple_strata(a, b)
    one, two = (draw(strata, np.random.default_rng(7)) for _ in range(2))
    np.testing.assert_array_equal(one.value, two.value)
    low, high = quantiles(one.value, 0.95)
    assert low < concordance(a, b).value < high
    inner = quantiles(one.value, 0.8)
    assert low < inner[0] < inner[1] < high
    # about as wide as the published interval here, where the means hardly differ
    published = lin_interval(concordance(a, b), 0.95)
    assert (high - low) / (published[1] - published[0]) == pytest.approx(1, abs=0.2)


def test_swapping_the_methods_turns_the_shifts_round_and_leaves_the_interval() -> None:
    a, b = peak_flow()
    a = a + 20
    there, back = (draw(simple_strata(*x), np.random.default_rng(11), 20_000) for x in ((a, b), (b, a)))
    np.testing.assert_allclose(quantiles(there.value, 0.95), quantiles(back.value, 0.95), atol=0.01)
    np.testing.assert_allclose(quantiles(there.location, 0.95), [-x for x in quantiles(back.location, 0.95)][::-1],
                               atol=0.03)
    turned = [1 / x for x in quantiles(back.scale, 0.9)][::-1]
    np.testing.assert_allclose(quantiles(there.scale, 0.9), turned, rtol=0.03)


def test_accuracy_reaches_one_only_where_neither_shift_is_shown() -> None:
    rng = np.random.default_rng(2)
    truth = 10 * rng.normal(size=25)
    a, b = truth + rng.normal(size=25), truth + rng.normal(size=25)
    alike = draw(simple_strata(a, b), np.random.default_rng(1))
    assert accuracy_interval(alike, 0.95)[1] == 1.0
    assert float(alike.accuracy.max()) < 1.0  # draws alone could never hold a true value of 1
    apart = draw(simple_strata(a + 8, b), np.random.default_rng(1))
    assert accuracy_interval(apart, 0.95)[1] < 1.0


def test_pairs_pooled_as_independent_give_an_interval_that_is_too_short() -> None:
    a, b, subject = pressures("J", "S", unbalanced=False)
    strata = repeated_strata(a, b, [subject])
    low, high = quantiles(draw(strata, np.random.default_rng(3)).value, 0.95)
    pooled = lin_interval(concordance(a, b), 0.95)
    assert pooled[1] - pooled[0] < 0.75 * (high - low)
    delta = delta_interval(strata, 0.95)
    assert delta[0] == pytest.approx(low, abs=0.02)
    assert delta[1] == pytest.approx(high, abs=0.02)


def test_a_known_concordance_is_recovered_from_many_targets() -> None:
    rng = np.random.default_rng(21)
    n = 4000
    code = np.repeat(np.arange(n), 2)
    true = 2 * rng.normal(size=n)[code] + rng.normal(size=2 * n)
    own = 0.5 * rng.normal(size=(2, n))[:, code] + 0.5 * rng.normal(size=(2, 2 * n))
    a, b = true + own[0] + 1, true + own[1]
    found = estimate(repeated_strata(a, b, [code]))
    assert float(found.value) == pytest.approx(2 * 5 / (2 * 5.5 + 1), abs=0.01)
    assert float(found.precision) == pytest.approx(5 / 5.5, abs=0.01)


def test_unlinked_readings_by_their_own_definition() -> None:
    # covariance of target means; variance of single readings: that of target means, less their error, plus the error
    rng = np.random.default_rng(8)
    n, ma, mb = 30, 3, 2
    true = 4 * rng.normal(size=n)
    a = true[:, None] + rng.normal(size=(n, ma)) + 1
    b = true[:, None] + rng.normal(size=(n, mb))
    strata = unlinked_strata(a.ravel(), np.repeat(np.arange(n), ma), b.ravel(), np.repeat(np.arange(n), mb))
    ea, eb = a.var(1, ddof=1).mean(), b.var(1, ddof=1).mean()
    va, vb = a.mean(1).var(ddof=1) + (1 - 1 / ma) * ea, b.mean(1).var(ddof=1) + (1 - 1 / mb) * eb
    cov = float(np.cov(a.mean(1), b.mean(1))[0, 1])
    bias = a.mean() - b.mean()
    squared = bias**2 - np.var(a.mean(1) - b.mean(1), ddof=1) / n
    assert strata.bias == pytest.approx(bias, rel=1e-12)
    assert float(estimate(strata).value) == pytest.approx(2 * cov / (va + vb + squared), rel=1e-12)
    assert float(estimate(strata).scale) == pytest.approx(math.sqrt(va / vb), rel=1e-12)
    means = concordance(a.mean(1), b.mean(1)).value  # the naive twin: means agree better than readings
    assert means > float(estimate(strata).value) + 0.01
    low, high = quantiles(draw(strata, np.random.default_rng(1)).value, 0.95)
    assert low < float(estimate(strata).value) < high


def test_unlinked_readings_one_of_one_method() -> None:
    rng = np.random.default_rng(9)
    true = 4 * rng.normal(size=10)
    a, b = true + rng.normal(size=10), (true[:, None] + rng.normal(size=(10, 3))).ravel()
    strata = unlinked_strata(a, np.arange(10), b, np.repeat(np.arange(10), 3))
    assert len(strata.df) == 2
    # what varies within b enters S and D with opposite signs
    assert strata.together[1] == pytest.approx(-strata.difference[1])
    assert 0 < float(estimate(strata).value) < 1


def test_crossed_and_nested_sensors_have_a_coefficient_of_their_own() -> None:
    rng = np.random.default_rng(10)
    target, sensor = np.repeat(np.arange(15), 8), np.tile(np.repeat(np.arange(4), 2), 15)
    true = 3 * rng.normal(size=15)[target] + rng.normal(size=4)[sensor]
    a = true + rng.normal(size=4)[sensor] + 0.5 * rng.normal(size=120)
    b = true + 0.5 * rng.normal(size=120)
    crossed = repeated_strata(a, b, [target, sensor])
    assert crossed.lost.tolist() == [1.0, 0.0, 1.0]
    known = repeated_strata(a, b, [target, sensor], differences=fit_paired(a - b, [target, sensor]).strata)
    np.testing.assert_allclose(known.difference, crossed.difference)
    nested = repeated_strata(a, b, [target, target % 5])
    assert nested.lost.tolist() == [1.0, 1.0, 1.0]
    for strata in (crossed, nested):
        drawn = draw(strata, np.random.default_rng(1))
        low, high = quantiles(drawn.value, 0.95)
        assert low < float(estimate(strata).value) < high
        own, plain = (precision_interval(strata, drawn, 0.95, rng=np.random.default_rng(2)),
                      quantiles(drawn.precision, 0.95))
        # with few crossed sensors the correlation needs wider draws than CCC
        assert (own[0] < plain[0] - 0.01) == (strata is crossed)


@pytest.mark.parametrize("nested", [False, True])
def test_with_many_levels_adjusted_mean_squares_take_the_place_of_reml(nested: bool,
                                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(12)
    target, sensor = np.repeat(np.arange(24), 8), np.tile(np.repeat(np.arange(4), 2), 24)
    if nested:
        sensor = target % 6
    true = 3 * rng.normal(size=24)[target] + 2 * rng.normal(size=6)[sensor] + rng.normal(size=192)
    a, b = true + rng.normal(size=6)[sensor] + rng.normal(size=192), true + rng.normal(size=192)
    reml = repeated_strata(a, b, [target, sensor])
    monkeypatch.setattr("drift.engine.concordance_strata.MOST_LEVELS", 5)
    squares = repeated_strata(a, b, [target, sensor])
    # balanced, no part at zero: the analysis of variance is REML
    np.testing.assert_allclose(squares.sum, reml.sum, rtol=1e-6)
    keep = rng.random(192) < 0.7
    near = repeated_strata(a[keep], b[keep], [target[keep], sensor[keep]])
    monkeypatch.undo()
    exact = repeated_strata(a[keep], b[keep], [target[keep], sensor[keep]])
    assert float(estimate(near).value) == pytest.approx(float(estimate(exact).value), abs=0.02)


def test_units_and_shifts_change_nothing() -> None:
    a, b, subject = pressures("J", "S", unbalanced=True)
    plain, other = (repeated_strata(*x, [subject]) for x in ((a, b), (0.133322 * a + 5, 0.133322 * b + 5)))
    assert float(estimate(other).value) == pytest.approx(float(estimate(plain).value), rel=1e-7)
    np.testing.assert_allclose(delta_interval(other, 0.95), delta_interval(plain, 0.95), rtol=1e-6)


def test_no_variance_has_no_interval() -> None:
    flat = simple_strata(np.full(5, 2.0), np.full(5, 2.0))
    assert math.isnan(float(estimate(flat).value))
    assert all(math.isnan(e) for e in delta_interval(flat, 0.95))
    assert all(math.isnan(e) for e in quantiles(np.full(10, np.nan), 0.95))
