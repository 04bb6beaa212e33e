"""Curves averaged over the power of their SD: against brute force, nothing lost where it is known, a naive twin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal

from drift.engine.curve_averaged import averaged, fit_averaged
from drift.engine.curve_choice import VarianceModel, variance_model
from drift.engine.curves import fit_curve
from drift.engine.inverse_prediction import band_quantile, coefficient_degrees, degrees, inverse_set, mean_variance

X = np.repeat(np.linspace(100.0, 800.0, 6), 5)
CODES = np.unique(X, return_inverse=True)[1]


def world(seed: int, theta: float) -> np.ndarray:
    return 20 + X + np.random.default_rng(seed).normal(0, 12, len(X)) * (X / 450) ** theta


def test_the_power_and_its_sd_are_those_of_the_error_contrasts() -> None:
    # The restricted likelihood is the density of contrasts without a mean (Harville 1977); sigma is integrated out.
    x, y = np.array([1.0, 1, 2, 2, 4, 4, 8, 8, 8]), np.array([1.1, 0.8, 2.3, 1.9, 4.9, 3.7, 9.0, 6.5, 8.8])
    columns = np.column_stack([np.ones(9), x, x**2])
    contrasts = np.linalg.svd(columns.T)[2][3:]
    grid, weight = np.arange(-0.25, 2.01, 0.25), []
    for theta in grid:
        v = contrasts @ np.diag((x / 4) ** (2 * theta)) @ contrasts.T
        r = contrasts @ y
        weight.append(quad(lambda s, r=r, v=v: multivariate_normal.pdf(r, cov=s * s * v) / s, 0.01, 20, limit=200)[0])
    w = np.array(weight) / sum(weight)
    found = variance_model(x, y, np.arange(9))
    assert found.theta == pytest.approx(float(w @ grid), rel=1e-6)
    assert found.sd == pytest.approx(float(np.sqrt(w @ (grid - w @ grid) ** 2)), rel=1e-5)


@pytest.mark.parametrize("theta", [0.0, 1.0])
def test_the_power_of_the_simulation_is_recovered(theta: float) -> None:
    found = [variance_model(X, world(seed, theta), CODES) for seed in range(40)]
    assert {f.how for f in found} == {"replicates"}
    assert np.mean([f.theta for f in found]) == pytest.approx(theta, abs=0.12)
    assert np.mean([abs(f.theta - theta) < 2 * f.sd for f in found]) > 0.85


def test_a_known_power_changes_nothing() -> None:
    y = world(1, 1.0)
    known, plain = fit_averaged(X, y, VarianceModel(theta=1.0, how="assumed")), fit_curve(X, y, theta=1.0)
    assert known.covariance.tolist() == plain.covariance.tolist()
    assert not known.sides
    assert degrees(known, [500.0]) == pytest.approx([28])
    assert coefficient_degrees(known) == pytest.approx([28, 28])


def test_mean_and_covariance_are_those_of_the_two_sides() -> None:
    y = world(2, 1.0)
    low, high = fit_curve(X, y, theta=0.5), fit_curve(X, y, theta=1.5)
    fit = averaged([low, high])
    apart = (high.coefficients - low.coefficients) / 2
    assert fit.coefficients == pytest.approx((low.coefficients + high.coefficients) / 2)
    assert fit.covariance == pytest.approx((low.covariance + high.covariance) / 2 + np.outer(apart, apart))
    own = [f.sigma**2 * f.spread.variance(np.array([900.0])) for f in (low, high)]
    assert fit.own_variance(np.array([900.0])) == pytest.approx(np.mean(own, axis=0))
    gap = 0.5 * np.log(mean_variance(high, 900.0) / mean_variance(low, 900.0))
    assert degrees(fit, 900.0, problem="regulation") == pytest.approx(1 / (1 / 28 + gap**2 / 2))
    assert (degrees(fit, X) < 28).all()
    assert band_quantile(fit, 0.95) > band_quantile(low, 0.95)


def test_taking_the_likeliest_power_as_known_is_too_short_at_the_top() -> None:
    # The naive twin: power 0 unless one half or one is likelier by 1.92, then known.
    held = np.zeros(2)
    x = np.repeat(np.linspace(100.0, 800.0, 8), 2)
    codes = np.unique(x, return_inverse=True)[1]
    studies = 150
    for seed in range(studies):
        rng = np.random.default_rng(seed)
        y, new = 20 + x + rng.normal(0, 12, 16) * x / 450, 920 + rng.normal(0, 24)
        power = variance_model(x, y, codes)
        naive = fit_curve(x, y, theta=0.0 if power.theta < 2 * power.sd else round(2 * power.theta) / 2)
        for i, fit in enumerate((fit_averaged(x, y, power), naive)):
            found = inverse_set(fit, new)
            held[i] += any(low <= 900 <= high for low, high in found.pieces)
    assert held[0] / studies > 0.93
    assert held[1] < held[0]


def test_readings_without_error_leave_the_power_open() -> None:
    assert variance_model(X, 2 * X, CODES) == VarianceModel(theta=0.0, how="assumed")
    assert variance_model([1.0, 2, 3], [1.0, 2, 4], np.arange(3)).how == "assumed"


def test_scale_and_order_change_nothing_else() -> None:
    y, order = world(3, 1.0), np.random.default_rng(0).permutation(len(X))
    a, b = variance_model(X, y, CODES), variance_model(7 * X[order], 3 * y[order], CODES[order])
    assert (a.theta, a.sd) == pytest.approx((b.theta, b.sd), rel=1e-8)
