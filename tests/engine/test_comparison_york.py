"""York's line: printed values of Pearson's data, another fit, and what must not change."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import optimize

from drift.engine.comparison.deming import scatter, slope_of
from drift.engine.comparison.york import robust_variances, york
from tests.published_examples import agrees, load

PEARSON = load("york-pearson-eiv")


def pearson() -> tuple[np.ndarray, ...]:
    f = PEARSON.frame()
    return f["x"].to_numpy(), f["y"].to_numpy(), f["weight_x"].to_numpy() ** -0.5, f["weight_y"].to_numpy() ** -0.5


def test_pearson_data_to_every_printed_digit() -> None:
    line = york(*pearson())
    root = np.sqrt(line.reduced)
    found = {"intercept": line.intercept, "slope": line.slope, "se_intercept": line.intercept_se,
             "se_slope": line.slope_se, "S_over_n_minus_2": line.reduced,
             "se_intercept_scaled": root * line.intercept_se, "se_slope_scaled": root * line.slope_se}
    for name, value in found.items():
        assert agrees(float(value), PEARSON.expected[name]), name
    assert bool(line.converged)


def test_other_papers_take_the_observed_points() -> None:
    x, y, ux, uy = pearson()
    line = york(x, y, ux, uy)
    b = float(line.slope)
    w = 1 / (uy**2 + b * b * ux**2)
    middle = (w * x).sum() / w.sum()
    u, v = x - middle, y - (w * y).sum() / w.sum()
    z = w * (u * uy**2 + b * v * ux**2)
    zm = (w * z).sum() / w.sum()
    q = 1 / (w * (u * v / b + 4 * (z - zm) * (z - zm - u))).sum()  # Williamson (1968), Can J Phys 46:1845-1847
    of_slope = q * q * (w * w * (u * u * uy**2 + v * v * ux**2)).sum()
    of_intercept = 1 / w.sum() + 2 * (middle + 2 * zm) * zm * q + (middle + 2 * zm) ** 2 * of_slope
    assert agrees(float(of_slope**0.5), "0.057617")
    assert agrees(float(of_intercept**0.5), "0.29193")
    assert not agrees(float(line.slope_se), "0.057617")


def test_the_line_minimises_the_weighted_sum_of_squares() -> None:
    x, y, ux, uy = pearson()

    def loss(p: np.ndarray) -> float:
        return float(np.sum((y - p[0] - p[1] * x) ** 2 / (uy**2 + p[1] ** 2 * ux**2)))

    found = optimize.minimize(loss, [5.0, -0.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13,
                                                                              "maxiter": 10_000})
    line = york(x, y, ux, uy)
    assert [float(line.intercept), float(line.slope)] == pytest.approx(found.x, rel=1e-5)
    assert float(line.chi_square) == pytest.approx(found.fun, rel=1e-10)


def test_orthogonal_distance_regression_of_another_library_finds_the_same_line() -> None:
    x, y, ux, uy = pearson()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from scipy import odr

        fit = odr.ODR(odr.RealData(x, y, sx=ux, sy=uy), odr.unilinear, beta0=[-0.5, 5.0], sstol=1e-15,
                      partol=1e-15).run()
    line = york(x, y, ux, uy)
    assert [float(line.slope), float(line.intercept)] == pytest.approx(fit.beta, rel=1e-6)


def test_equal_uncertainties_are_deming() -> None:
    x, y, _, _ = pearson()
    line = york(x, y, np.full(10, 0.2), np.full(10, 0.4))
    assert float(line.slope) == pytest.approx(float(slope_of(scatter(x, y), 4.0)), rel=1e-10)


def test_correlated_errors_change_the_line_as_a_rotation_does() -> None:
    x, y, ux, uy = pearson()
    r = np.full(10, 0.6)
    line = york(x, y, ux, uy, correlation=r)

    def loss(p: np.ndarray) -> float:
        return float(np.sum((y - p[0] - p[1] * x) ** 2 / (uy**2 + p[1] ** 2 * ux**2 - 2 * p[1] * r * ux * uy)))

    found = optimize.minimize(loss, [5.0, -0.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13,
                                                                              "maxiter": 10_000})
    assert [float(line.intercept), float(line.slope)] == pytest.approx(found.x, rel=1e-5)


def test_without_a_point_and_in_any_order() -> None:
    x, y, ux, uy = pearson()
    left = york(x, y, ux, uy, include=1 - np.eye(10))
    keep = np.arange(10) != 4
    alone = york(x[keep], y[keep], ux[keep], uy[keep])
    assert float(left.slope[4]) == pytest.approx(float(alone.slope), rel=1e-10)
    assert float(left.intercept_se[4]) == pytest.approx(float(alone.intercept_se), rel=1e-8)
    turned = york(x[::-1], y[::-1], ux[::-1], uy[::-1])
    assert float(turned.slope) == pytest.approx(float(york(x, y, ux, uy).slope), rel=1e-12)
    swapped = york(y, x, uy, ux)
    assert float(swapped.slope) == pytest.approx(1 / float(york(x, y, ux, uy).slope), rel=1e-8)


def test_robust_variances_are_near_the_jackknife_in_long_tables() -> None:
    rng = np.random.default_rng(3)
    true, ux, uy = rng.uniform(0, 10, 200), *np.exp(0.5 * rng.normal(size=(2, 200)))
    x, y = true + ux * rng.normal(size=200), 1 + 2 * true + uy * rng.normal(size=200)
    line = york(x, y, ux, uy)
    left = york(x, y, ux, uy, include=1 - np.eye(200))
    jack = np.sqrt(199 * np.var(left.slope))
    assert robust_variances(line, x, y, ux, uy)[0] ** 0.5 == pytest.approx(float(jack), rel=0.08)
    codes = np.repeat(np.arange(40), 5)
    left = york(x, y, ux, uy, include=(np.arange(40)[:, None] != codes).astype(float))
    jack = np.sqrt(39 * np.var(left.slope))
    assert robust_variances(line, x, y, ux, uy, codes)[0] ** 0.5 == pytest.approx(float(jack), rel=0.1)


def test_bad_uncertainties_are_refused() -> None:
    x, y, ux, uy = pearson()
    with pytest.raises(ValueError, match="above zero"):
        york(x, y, 0 * ux, uy)
    with pytest.raises(ValueError, match="at least 3"):
        york(x[:2], y[:2], ux[:2], uy[:2])
