"""Error variances of several methods: Grubbs, nlme, the likelihood by its definition, intervals and equality."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.equal_variances import equal_own_variances_p, equal_variances_p
from drift.engine.method_means import complete_strata
from drift.engine.method_variances import (
    connected,
    fit_squares,
    fit_variances,
    grubbs,
    likelihood_ratio,
    likelihood_ratios,
    profile_intervals,
    variogram,
)
from tests.engine.test_method_means import blood_pressure, reference, simulated

NAMES = ("J", "R", "S", "S2")


def restricted(theta: np.ndarray, table: np.ndarray) -> float:
    """Minus twice the restricted log-likelihood by its definition, targets and methods as dense fixed effects."""
    i, j = np.nonzero(np.isfinite(table))
    y, n, k = table[i, j], *table.shape
    x = np.zeros((len(y), n + k - 1))
    x[np.arange(len(y)), i] = 1
    for m in range(1, k):
        x[j == m, n + m - 1] = 1
    w = 1 / theta[j]
    inner = x.T @ (w[:, None] * x)
    rest = y - x @ np.linalg.solve(inner, x.T @ (w * y))
    return float(np.log(theta[j]).sum() + np.linalg.slogdet(inner)[1] + rest @ (w * rest))


@pytest.mark.parametrize("data", ["three", "four"])
def test_variances_and_means_are_those_of_nlme(data: str) -> None:
    # nlme ends its iterations with four digits of a small variance beside one 180 times as large
    fit = fit_variances(blood_pressure(data))
    for j, name in enumerate(NAMES[: len(fit.variances)]):
        assert fit.variances[j] == pytest.approx(reference()[data, f"variance {name}"], rel=2e-4)
        assert fit.mean[j] == pytest.approx(reference()[data, f"mean {name}"], rel=1e-6)


@pytest.mark.parametrize("data", ["three, gaps", "four, gaps"])
def test_with_gaps_too_though_nlme_stops_short_of_zero(data: str) -> None:
    fit = fit_variances(blood_pressure(data))
    assert fit.boundary == tuple(name == "R" for name in NAMES[: len(fit.variances)])
    for j, name in enumerate(NAMES[: len(fit.variances)]):
        assert fit.variances[j] == pytest.approx(reference()[data, f"variance {name}"], rel=2e-3, abs=2e-3)
        assert fit.mean[j] == pytest.approx(reference()[data, f"mean {name}"], rel=1e-3)


def test_three_complete_methods_have_grubbs_estimates() -> None:
    table = blood_pressure("three")
    v = np.array([[np.var(table[:, i] - table[:, j], ddof=1) for j in range(3)] for i in range(3)])
    by_hand = [(v[0, 1] + v[0, 2] - v[1, 2]) / 2, (v[0, 1] + v[1, 2] - v[0, 2]) / 2, (v[0, 2] + v[1, 2] - v[0, 1]) / 2]
    assert grubbs(v) == pytest.approx(by_hand, rel=1e-12)
    assert fit_variances(table).variances == pytest.approx(by_hand, rel=1e-6)


def test_a_negative_grubbs_estimate_is_zero_and_the_others_follow_the_likelihood() -> None:
    rng = np.random.default_rng(4)
    table = rng.standard_normal((12, 1)) + np.array([0.05, 1.0, 1.0]) * rng.standard_normal((12, 3))
    naive = grubbs(variogram(complete_strata(table).matrices[0]))
    assert naive[0] < 0  # the naive twin: a variance below zero
    fit = fit_variances(table)
    assert fit.boundary == (True, False, False)
    assert fit.variances[0] == 0
    assert np.all(fit.variances[1:] > 0)
    assert fit.variances[1:] != pytest.approx(naive[1:], rel=1e-3)


@pytest.mark.parametrize("gaps", [False, True])
def test_the_fit_maximises_the_likelihood_as_defined(gaps: bool) -> None:
    table = simulated(16, 4, 3)
    if gaps:
        table = np.where(np.random.default_rng(1).random(table.shape) < 0.2, np.nan, table)
        table = table[np.isfinite(table).sum(axis=1) > 1]
    fit = fit_variances(table)
    best = restricted(fit.variances, table)
    for j in range(4):
        for factor in (0.98, 1.02):
            moved = fit.variances.copy()
            moved[j] *= factor
            assert restricted(moved, table) > best
    # Differences of the criterion are those of the definition, its constant apart.
    other = fit.variances * np.array([1.3, 0.8, 1.1, 1.2])
    ratio = likelihood_ratio(fit, 0, float(other[0]))
    assert 0 < ratio <= restricted(np.where(np.arange(4) == 0, other, fit.variances), table) - best + 1e-9


@given(st.integers(0, 2**32 - 1), st.permutations(range(4)), st.floats(0.01, 100))
@settings(max_examples=15, deadline=None)
def test_order_unit_and_true_values_of_targets_change_nothing(seed: int, order: list[int], unit: float) -> None:
    table = simulated(10, 4, seed)
    shifted = unit * (table + 100 * np.arange(10)[:, None])[:, order]
    one, other = fit_variances(table), fit_variances(shifted)
    assert other.variances == pytest.approx(unit**2 * one.variances[order], rel=1e-5, abs=1e-6 * unit**2)


def test_mean_squares_of_a_complete_table_give_the_same_fit_as_its_readings() -> None:
    table = simulated(18, 5)
    fit = fit_squares(complete_strata(table).matrices[0], 17.0)
    assert fit.variances == pytest.approx(fit_variances(table).variances, rel=1e-6)


def test_an_interval_ends_where_the_profile_reaches_the_quantile_of_f() -> None:
    from scipy import special

    table = simulated(15, 3, 0)
    fit = fit_variances(table)
    ends = profile_intervals(fit, 14.0, 0.95)
    critical = float(special.fdtri(1, 14.0, 0.95))
    for j in range(3):
        assert ends[j, 0] < fit.variances[j] < ends[j, 1]
        for end in ends[j]:
            if end > 0:
                assert likelihood_ratio(fit, j, float(end)) == pytest.approx(critical, rel=1e-3)
    wider = profile_intervals(fit, 14.0, 0.99)
    assert np.all(wider[:, 1] > ends[:, 1])
    assert np.all(wider[:, 0] <= ends[:, 0])
    assert profile_intervals(fit, 14.0, 0.95, methods=[1]) == pytest.approx(ends[[1]], rel=1e-4)


def test_ratios_of_many_studies_are_those_of_each() -> None:
    tables = [simulated(12, 4, s) for s in range(5)]
    truth = np.array([0.25, 1.0, 2.25, 4.0])
    which = np.arange(5) % 4
    found = likelihood_ratios(np.stack([complete_strata(t).matrices[0] for t in tables]), 11.0, truth, which)
    for table, j, ratio in zip(tables, which, found, strict=True):
        assert ratio == pytest.approx(likelihood_ratio(fit_variances(table), int(j), float(truth[j])), rel=1e-4,
                                      abs=1e-5)


def test_the_f_quantile_holds_with_five_targets_where_chi_square_does_not() -> None:
    from scipy import special

    rng = np.random.default_rng(11)
    y = rng.standard_normal((1500, 5, 4))
    z = y - y.mean(axis=2, keepdims=True)
    z = z - z.mean(axis=1, keepdims=True)
    ratios = likelihood_ratios(np.einsum("sni,snj->sij", z, z) / 4, 4.0, np.ones(4), np.zeros(1500, int))
    assert np.mean(ratios <= special.fdtri(1, 4.0, 0.95)) > 0.95
    assert np.mean(ratios <= special.chdtri(1, 0.05)) < 0.935


def test_equality_is_rejected_in_five_of_a_hundred_equal_studies_and_nearly_always_when_one_is_noisy() -> None:
    rng = np.random.default_rng(12)
    equal = [equal_variances_p(complete_strata(rng.standard_normal((8, 4))).matrices[0], 7.0, rng, 400)
             for _ in range(400)]
    assert np.mean(np.array(equal) <= 0.05) == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 400))
    noisy = complete_strata(rng.standard_normal((20, 4)) * np.array([1, 1, 1, 6])).matrices[0]
    assert equal_variances_p(noisy, 19.0, rng) < 0.01
    assert math.isnan(equal_variances_p(np.zeros((4, 4)), 19.0, rng))


def test_bartlett_by_simulation_agrees_with_its_approximation() -> None:
    from scipy import stats

    rng = np.random.default_rng(13)
    groups = [rng.normal(0, s, 12) for s in (1.0, 1.4, 2.0)]
    squares = [np.var(g, ddof=1) for g in groups]
    assert equal_own_variances_p(squares, [11.0] * 3, rng, 20_000) == pytest.approx(stats.bartlett(*groups).pvalue,
                                                                                    abs=0.02)
    assert math.isnan(equal_own_variances_p([1.0, 0.0], [5.0, 0.0], rng))


def test_methods_that_never_met_and_copies_are_refused() -> None:
    table = simulated(8, 4)
    apart = table.copy()
    apart[:4, 2:], apart[4:, :2] = np.nan, np.nan
    assert not connected(apart)
    with pytest.raises(ValueError, match="linked by shared targets"):
        fit_variances(apart)
    with pytest.raises(ValueError, match="never differ"):
        fit_variances(np.repeat(table[:, :1], 3, axis=1))
    with pytest.raises(ValueError, match="never differ"):
        fit_variances(np.column_stack([table[:, 0], table[:, 0], table[:, 1]]))
