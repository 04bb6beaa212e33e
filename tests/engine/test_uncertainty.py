"""Law of propagation and propagation of distributions: published examples, naive twins, properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.engine.monte_carlo import (
    DISTRIBUTIONS,
    Inputs,
    confirmed,
    draw,
    half_width,
    shortest_interval,
    simulate,
    symmetric_interval,
)
from drift.engine.uncertainty import (
    effective_df,
    numerical_tolerance,
    propagate,
    rectangular_u,
    resolution_u,
    sensitivities,
)
from tests.published_examples import agrees, load


def added(x: np.ndarray) -> np.ndarray:
    return x.sum(axis=0)


def line(data: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    design = np.column_stack([np.ones(len(data)), data])
    beta, sse, *_ = np.linalg.lstsq(design, y, rcond=None)
    s2 = float(sse[0]) / (len(y) - 2)
    return beta, s2 * np.linalg.inv(design.T @ design), s2


# JCGM 100:2008, annex H.3.


def thermometer() -> tuple[np.ndarray, np.ndarray, float, dict[str, str]]:
    example = load("gum-h3-thermometer")
    frame = example.frame()
    beta, cov, s2 = line(frame["reading_c"].to_numpy() - 20, frame["correction_c"].to_numpy())
    return beta, cov, s2, example.expected


def correction_at_30(x: np.ndarray) -> np.ndarray:
    return x[0] + x[1] * 10


def test_gum_h3_thermometer_to_its_printed_digits() -> None:
    beta, cov, s2, printed = thermometer()
    found = propagate(correction_at_30, beta, cov, df=[9, 9], pools=[0, 0])
    values = {"y1": beta[0], "y2": beta[1], "s_y1": cov[0, 0] ** 0.5, "s_y2": cov[1, 1] ** 0.5, "s": s2**0.5,
              "r_y1_y2": cov[0, 1] / (cov[0, 0] * cov[1, 1]) ** 0.5, "correction_at_30": found.value,
              "u_correction_at_30": found.u, "df": found.df, "sum_sq_residuals": s2 * 9}
    assert set(values) == set(printed)
    for name, text in printed.items():
        assert agrees(values[name], text), (name, values[name], text)


def test_without_the_covariance_the_thermometer_is_overstated_and_the_naive_twin_fails() -> None:
    beta, cov, _, printed = thermometer()
    naive = propagate(correction_at_30, beta, np.diag(np.diag(cov)), df=[9, 9])
    assert not agrees(naive.u, printed["u_correction_at_30"])
    assert 1.7 < naive.u / propagate(correction_at_30, beta, cov).u < 1.8


def test_the_degrees_of_freedom_of_one_fit_stay_those_of_the_fit_only_when_its_coefficients_are_one_pool() -> None:
    beta, cov, _, _ = thermometer()
    assert propagate(correction_at_30, beta, cov, df=[9, 9], pools=[0, 0]).df == pytest.approx(9, rel=1e-12)
    assert propagate(correction_at_30, beta, cov, df=[9, 9]).df != pytest.approx(9, rel=0.01)


# JCGM 101:2008, clause 9.2.


@pytest.mark.parametrize(("kind", "sds", "name"), [("normal", (1, 1, 1, 1), "normal"),
                                                   ("rectangular", (1, 1, 1, 1), "rect"),
                                                   ("rectangular", (1, 1, 1, 10), "dominant")])
def test_gum_s1_additive_model(kind: str, sds: tuple[float, ...], name: str) -> None:
    printed = load("gum-s1-additive").expected
    u = np.array(sds, dtype=float)
    gum = propagate(added, np.zeros(4), np.diag(u**2))
    assert agrees(gum.u, printed[f"{name}_u"])
    if f"{name}_gum_upper" in printed:
        assert agrees(gum.expanded, printed[f"{name}_gum_upper"])
    drawn = simulate(added, Inputs.independent(np.zeros(4), u, (kind,) * 4), rng=np.random.default_rng(1),
                     tolerance=0.01 * max(sds) ** 0.5)
    for side, value in (("upper", drawn.high), ("lower", drawn.low)):
        if f"{name}_mcm_{side}" in printed:  # the notes of the example: compare with 0.02, a simulation on both sides
            assert value == pytest.approx(float(printed[f"{name}_mcm_{side}"]), abs=0.02 + 0.03 * (name == "dominant"))


def test_a_dominant_rectangular_quantity_is_where_the_law_of_propagation_is_not_confirmed() -> None:
    u = np.array([1, 1, 1, 10.0])
    gum = propagate(added, np.zeros(4), np.diag(u**2))
    assert gum.expanded == pytest.approx(load("gum-s1-additive").unprinted["dominant_gum_upper"] and 19.89146211)
    drawn = simulate(added, Inputs.independent(np.zeros(4), u, ("rectangular",) * 4), rng=np.random.default_rng(2))
    delta = numerical_tolerance(gum.u)
    assert not confirmed((-gum.expanded, gum.expanded), (drawn.low, drawn.high), delta)
    normal = simulate(added, Inputs.independent(np.zeros(4), u, ("normal",) * 4), rng=np.random.default_rng(2))
    assert confirmed((-gum.expanded, gum.expanded), (normal.low, normal.high), 2 * delta)


# Kessel, Kacker and Sommer (2012), table 4.


def through_two_points(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    low, high, at_low, at_high = x
    b = (high - low) / (at_high - at_low)
    return low - b * at_low, b


def test_kessel_pressure_sensor_to_its_printed_digits() -> None:
    example = load("kessel-pressure-sensor")
    frame = example.frame()
    reference, reading = frame["reference"].to_numpy(), frame["reading"].to_numpy()
    x = np.array([reference[0], reference[-1], reading[0], reading[-1]])
    u = np.array([*(1.15e-4 * reference[[0, -1]]), rectangular_u(0.00005), rectangular_u(0.00005)])
    # The paper takes the two reference points as independent.
    v = np.diag(u**2)
    a, b = (propagate(lambda z, j=j: through_two_points(z)[j], x, v) for j in (0, 1))
    both = (a.sensitivity @ v @ b.sensitivity) / (a.u * b.u)
    printed = example.expected
    for value, name in ((a.value, "a"), (a.u, "u_a"), (b.value, "b"), (b.u, "u_b"), (both, "corr_a_b")):
        assert value == pytest.approx(float(printed[name]), rel=2e-15, abs=1e-15), name  # sixteen digits are printed
    for name, text in printed.items():
        if name.startswith("dif_at_"):
            at = float(name.removeprefix("dif_at_"))
            row = int(np.argmin(np.abs(reading - at)))
            assert agrees(abs(a.value + b.value * reading[row] - reference[row]), text), name


def test_a_common_error_of_the_reference_moves_a_slope_in_full_where_the_naive_twin_averages_it() -> None:
    levels = np.array([200.0, 400, 600, 800, 1000])
    relative = 0.003

    def slope(x: np.ndarray) -> np.ndarray:
        true = levels[:, None] * (1 + x)
        return (true * (0.9 * levels[:, None])).sum(axis=0) / (true**2).sum(axis=0)

    common = np.full((5, 5), relative**2)
    right = propagate(slope, np.zeros(5), common)
    naive = propagate(slope, np.zeros(5), np.eye(5) * relative**2)
    assert right.u / right.value == pytest.approx(relative, rel=1e-4)
    assert naive.u / naive.value < 0.6 * relative


# Degrees of freedom.


def test_independent_quantities_have_the_degrees_of_freedom_of_welch_and_satterthwaite() -> None:
    u, nu = np.array([3.0, 4.0, 5.0]), np.array([4.0, 9.0, np.inf])
    found = propagate(added, np.zeros(3), np.diag(u**2), df=nu)
    assert found.df == pytest.approx(50**2 / (81 / 4 + 256 / 9), rel=1e-12)
    assert found.factor == pytest.approx(stats.t.ppf(0.975, found.df), rel=1e-12)


def test_two_quantities_of_one_variance_estimate_count_once() -> None:
    assert effective_df([4.0, 4.0], [6, 6], [0, 0]) == pytest.approx(6)
    assert effective_df([4.0, 4.0], [6, 6]) == pytest.approx(12)  # what taking them as independent would claim


def test_infinite_degrees_of_freedom_give_the_normal_factor() -> None:
    assert propagate(added, np.zeros(2), np.eye(2)).factor == pytest.approx(1.959964, abs=1e-6)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(st.floats(0.1, 10), min_size=2, max_size=6), st.floats(0.01, 100), st.randoms())
def test_units_and_order_of_the_inputs_change_nothing(u: list[float], scale: float, shuffler: object) -> None:
    x = np.arange(1.0, len(u) + 1)
    order = list(range(len(u)))
    shuffler.shuffle(order)  # type: ignore[attr-defined]
    df = 3.0 + np.arange(len(u))

    def product(z: np.ndarray) -> np.ndarray:
        return np.exp(np.log(np.abs(z) + 20).sum(axis=0))

    one = propagate(product, x, np.diag(np.square(u)), df=df)
    moved = propagate(product, x[order], np.diag(np.square(u))[np.ix_(order, order)], df=df[order])
    assert moved.u == pytest.approx(one.u, rel=1e-9)
    assert moved.df == pytest.approx(one.df, rel=1e-9)
    other = propagate(lambda z: scale * product(z), x, np.diag(np.square(u)), df=df)
    assert other.expanded == pytest.approx(scale * one.expanded, rel=1e-9)
    assert one.share.sum() == pytest.approx(one.u**2, rel=1e-12)


def test_sensitivity_coefficients_are_the_derivatives() -> None:
    def model(z: np.ndarray) -> np.ndarray:
        return (z[0] - z[1]) / z[2] * np.exp(-30 * z[3])

    x = np.array([400.0, 2.0, 0.95, -0.006])
    p = float(model(x[:, None])[0])
    exact = np.array([p / 398, -p / 398, -p / 0.95, -30 * p])
    found = sensitivities(model, x, np.array([2.0, 1.8, 0.0033, 0.0005]))
    np.testing.assert_allclose(found, exact, rtol=1e-13)
    np.testing.assert_allclose(sensitivities(model, x, np.zeros(4)), exact, rtol=1e-13)
    # A model with an absolute value is not analytic: central differences stand in.
    found = sensitivities(lambda z: np.abs(model(z)), x, np.array([2.0, 1.8, 0.0033, 0.0005]))
    np.testing.assert_allclose(found, exact, rtol=1e-5)
    found = sensitivities(lambda z: np.abs(z[0]) * z[1], np.array([-2.0, 3.0]), np.ones(2))
    np.testing.assert_allclose(found, [-3.0, 2.0], rtol=1e-9)


@pytest.mark.parametrize(("matrix", "what"), [([[1, 0.5], [0.4, 1]], "symmetric"), ([[1, 2], [2, 1]], "semidefinite"),
                                              ([[-1, 0], [0, 1]], "negative"), ([[1.0]], "shape")])
def test_a_covariance_that_cannot_be_is_refused(matrix: list[list[float]], what: str) -> None:
    with pytest.raises(ValueError, match=what):
        propagate(added, np.zeros(2), matrix)


# Distributions.


@pytest.mark.parametrize("kind", [d for d in DISTRIBUTIONS if d != "t"])
def test_every_distribution_has_the_standard_uncertainty_it_is_given(kind: str) -> None:
    one = Inputs(estimates=np.array([5.0]), covariance=np.array([[0.49]]), distribution=(kind,), df=np.array([np.inf]),
                 pools=np.zeros(1, dtype=np.int64), shape=np.array([0.4]))
    y = draw(one, 200_000, np.random.default_rng(3))[0]
    assert y.mean() == pytest.approx(5.0, abs=0.008)
    assert y.std() == pytest.approx(0.7, rel=0.01)
    if kind not in ("normal", "curvilinear"):
        assert abs(y - 5).max() <= half_width(kind, 0.7, 0.4) * (1 + 1e-12)


@pytest.mark.parametrize(("kind", "cdf"), [
    ("rectangular", stats.uniform(-(3**0.5), 2 * 3**0.5).cdf),
    ("triangular", stats.triang(0.5, -(6**0.5), 2 * 6**0.5).cdf),
    ("arcsine", stats.arcsine(-(2**0.5), 2 * 2**0.5).cdf), ("normal", stats.norm.cdf)])
def test_draws_follow_the_distribution_of_another_library(kind: str, cdf: object) -> None:
    y = draw(Inputs.independent(np.zeros(1), np.ones(1), (kind,)), 20_000, np.random.default_rng(4))[0]
    assert stats.kstest(y, cdf).pvalue > 1e-3


def test_t_quantities_have_the_scale_of_their_standard_uncertainty() -> None:
    y = draw(Inputs.independent(np.zeros(1), np.full(1, 2.0), ("t",), np.array([4.0])), 50_000,
             np.random.default_rng(5))[0]
    assert stats.kstest(y / 2, stats.t(4).cdf).pvalue > 1e-3


def test_correlated_quantities_keep_their_correlation_and_a_pool_its_common_scale() -> None:
    v = np.array([[4.0, -1.8], [-1.8, 1.0]])
    pair = Inputs(estimates=np.zeros(2), covariance=v, distribution=("t", "t"), df=np.array([5.0, 5.0]),
                  pools=np.zeros(2, dtype=np.int64), shape=np.zeros(2))
    a, b = draw(pair, 100_000, np.random.default_rng(6))
    assert np.corrcoef(a, b)[0, 1] == pytest.approx(-0.9, abs=0.01)
    # Of a multivariate t any combination is a scaled t.
    c = np.array([0.3, 1.1])
    assert stats.kstest((c @ np.array([a, b])) / (c @ v @ c) ** 0.5, stats.t(5).cdf).pvalue > 1e-3


def test_limits_cannot_be_correlated() -> None:
    with pytest.raises(ValueError, match="only normal and t"):
        Inputs(estimates=np.zeros(2), covariance=np.array([[1, 0.5], [0.5, 1]]), df=np.full(2, np.inf),
               distribution=("normal", "rectangular"), pools=np.arange(2), shape=np.zeros(2))
    with pytest.raises(ValueError, match="unknown distributions"):
        Inputs.independent(np.zeros(1), np.ones(1), ("gamma",))


def test_the_shortest_interval_is_shorter_than_the_symmetric_one_where_the_output_is_skewed() -> None:
    y = np.random.default_rng(7).exponential(size=50_000)
    short, both = shortest_interval(y, 0.95), symmetric_interval(y, 0.95)
    assert short[1] - short[0] < 0.9 * (both[1] - both[0])
    assert short == pytest.approx((0.0, -np.log(0.05)), abs=0.08)


def test_the_simulation_stops_when_its_digits_have_settled_and_says_when_they_have_not() -> None:
    wide = Inputs.independent(np.zeros(1), np.ones(1), ("normal",))
    easy = simulate(added, wide, rng=np.random.default_rng(8), tolerance=0.1)
    assert easy.stable
    assert easy.n_draws == 20_000
    hard = simulate(added, wide, rng=np.random.default_rng(8), tolerance=1e-6, most=50_000)
    assert not hard.stable
    assert hard.n_draws == 50_000


def test_the_same_seed_gives_the_same_digits() -> None:
    wide = Inputs.independent(np.zeros(2), np.ones(2), ("t", "arcsine"), np.array([3.0, np.inf]))
    assert simulate(added, wide, rng=np.random.default_rng(9), tolerance=0.1) == simulate(
        added, wide, rng=np.random.default_rng(9), tolerance=0.1)


@pytest.mark.parametrize(("u", "digits", "tolerance"), [(10.4, 2, 0.5), (9.96, 2, 0.5), (0.0035, 2, 0.00005),
                                                        (35.0, 1, 5.0), (0.0, 2, 0.0)])
def test_the_tolerance_is_half_a_unit_of_the_last_digit_stated(u: float, digits: int, tolerance: float) -> None:
    assert numerical_tolerance(u, digits) == pytest.approx(tolerance)


def test_a_step_and_limits_give_their_standard_uncertainties() -> None:
    assert resolution_u(1.0) == pytest.approx(0.288675, abs=1e-6)
    assert rectangular_u(1.0) == pytest.approx(0.577350, abs=1e-6)
