"""Curves over sensors: likelihood, sensors left out, shapes found when true, breaks, and units that level off."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit
from scipy.stats import multivariate_normal

from drift.engine.break_point import broken_line, find_break
from drift.engine.curve_shapes import break_in, broken, curve_at, families, monotone_spline, spline_columns, straight
from drift.engine.mixed import NestedDesign, fit_mixed
from drift.engine.sensor_curves import Curves
from drift.engine.unit_curves import levelling_off
from drift.sensitivity.shapes import judge_rows
from tests.published_examples import agrees, load

USES = np.array([0, 5, 10, 15, 20, 25, 30.0])


def world(seed: int, bend: object = None, *, m: int = 12, noise: float = 0.01, uses: np.ndarray = USES
          ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Uses scaled to 1, responses and sensor codes of sensors with own starts and slopes."""
    rng = np.random.default_rng(seed)
    x, code = np.tile(uses, m) / uses.max(), np.repeat(np.arange(m), len(uses))
    y = rng.normal(0, 0.03, m)[code] + (-0.2 + rng.normal(0, 0.03, m)[code]) * x + rng.normal(0, noise, len(x))
    return x, y + (bend(x) if bend is not None else 0.0), code  # type: ignore[operator]


def judged(x: np.ndarray, y: np.ndarray, code: np.ndarray, **more: object) -> object:
    return judge_rows(x, y, code, sign=-1.0, first=1 / 30, span=30.0, level=0.95, rng=np.random.default_rng(1),
                      draws=199, **more)  # type: ignore[arg-type]


def test_down_syndrome_by_age_is_printed_alike() -> None:
    # Muggeo (2008), R News 8(1):20-25.
    example = load("segmented-down")
    frame = example.frame()
    fit = broken_line(frame["age"].to_numpy(), frame["cases"].to_numpy(), trials=frame["births"].to_numpy())
    se = fit.std_errors
    found = {"breakpoint": fit.at, "se_breakpoint": se[3], "intercept": fit.intercept, "se_intercept": se[0],
             "slope_before": fit.before, "se_slope_before": se[1], "slope_change": fit.change,
             "se_slope_change": se[2]}
    assert sorted(found) == sorted(example.expected)
    for key, printed in example.expected.items():
        assert agrees(float(found[key]), printed), key
    assert fit.deviance == pytest.approx(float(example.unprinted["deviance_segmented"]), rel=1e-8)
    assert fit.deviance_straight == pytest.approx(float(example.unprinted["deviance_linear"]), rel=1e-8)


def test_a_broken_line_of_readings_is_the_least_squares_one() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(0, 10, 41)
    y = 1 + 0.5 * x - 0.8 * np.maximum(x - 6.2, 0) + rng.normal(0, 0.1, 41)
    fit = broken_line(x, y)

    def line(t: np.ndarray, a: float, b: float, c: float, at: float) -> np.ndarray:
        return a + b * t + c * np.maximum(t - at, 0)

    best, _ = curve_fit(line, x, y, p0=[1, 0.5, -0.8, 6])
    assert [fit.intercept, fit.before, fit.change, fit.at] == pytest.approx(best, rel=1e-5)


def test_the_likelihood_is_that_of_the_mixed_model_engine() -> None:
    x, y, code = world(3)
    columns = np.column_stack([np.ones_like(x), x])
    peer = fit_mixed(NestedDesign.build(y, columns, [(columns, code)]), method="ML")
    curves = Curves(y, code)
    fit = curves.fit(straight(x))
    assert fit.deviance[0] + 2 * curves.n * math.log(curves.scale) == pytest.approx(-2 * peer.loglik, abs=1e-5)
    assert fit.beta[0] * curves.scale + [curves.centre, 0] == pytest.approx(peer.beta, abs=1e-6)


def test_the_score_of_a_sensor_left_out_is_that_of_a_fit_without_it() -> None:
    x, y, code = world(4, m=8)
    curves = Curves(y, code)
    scores = curves.left_out(straight(x), curves.fit(straight(x)))
    columns = np.column_stack([np.ones_like(x), x])
    for i in (0, 5):
        out = code == i
        rest = Curves(y[~out], np.unique(code[~out], return_inverse=True)[1])
        fit = rest.fit(straight(x[~out]))
        factor = np.zeros((2, 2))
        factor[np.tril_indices(2)] = fit.theta[0]
        n = int((~out).sum())
        sigma2 = float(fit.sigma2[0]) * rest.scale**2 * n / (n - 2)
        v = np.zeros((n, n))
        for s in set(code[~out].tolist()):
            mine = np.flatnonzero(code[~out] == s)
            z = columns[~out][mine] @ factor
            v[np.ix_(mine, mine)] = np.eye(len(mine)) + z @ z.T
        information = columns[~out].T @ np.linalg.solve(v, columns[~out])
        beta = np.linalg.solve(information, columns[~out].T @ np.linalg.solve(v, y[~out]))
        z = columns[out] @ factor
        spread = sigma2 * (np.eye(int(out.sum())) + z @ z.T
                           + columns[out] @ np.linalg.solve(information, columns[out].T))
        assert scores[i] == pytest.approx(multivariate_normal.logpdf(y[out], columns[out] @ beta, spread), abs=1e-4)


@pytest.mark.parametrize(("bend", "names"), [
    (lambda x: 0 * x, {"straight line"}),
    (lambda x: -0.25 * np.maximum(x - 0.5, 0), {"broken line"}),
    (lambda x: -0.12 * (1 - np.exp(-x / 0.1)), {"break-in", "broken line"}),
    (lambda x: 0.1 * x - 0.25 * x**2, {"accelerating", "broken line"}),
    (lambda x: 0.1 * x - 0.15 * np.sqrt(x), {"log of use", "root of use", "break-in", "broken line"})])
def test_the_true_shape_is_chosen_where_it_is_plain(bend: object, names: set[str]) -> None:
    # With seven checks neighbours look alike: the simpler one is taken, and it bends the same way.
    assert judged(*world(5, bend)).shape.name in names  # type: ignore[attr-defined]


def test_the_curve_with_most_parameters_fits_best_and_is_not_chosen_for_it() -> None:
    # The naive choice is by the likelihood of the rows; a straight truth would never be kept by it.
    s = judged(*world(6, m=6))
    deviance = {j.name: float(j.fit.deviance.min()) for j in s.judged}  # type: ignore[attr-defined]
    assert min(deviance, key=lambda k: deviance[k]) != "straight line"
    assert s.shape.name == "straight line"  # type: ignore[attr-defined]


def test_a_break_is_found_with_its_interval_and_a_straight_line_has_none() -> None:
    x, y, code = world(7, lambda x: -0.25 * np.maximum(x - 0.5, 0))
    curves = Curves(y, code)
    b = find_break(curves, x, level=0.95, rng=np.random.default_rng(1), draws=199)
    assert b.low < 0.5 < b.high
    assert b.p == pytest.approx(1 / 200)
    assert b.after < b.before
    x, y, code = world(8)
    curves = Curves(y, code)
    b = find_break(curves, x, level=0.95, rng=np.random.default_rng(1), draws=199)
    assert b.p > 0.05
    assert b.anywhere


def test_a_plain_t_test_of_the_kink_is_too_small() -> None:
    # Searched breaks: over straight worlds the largest |t| exceeds 1.96 far more often than one time in twenty.
    beyond = 0
    for seed in range(20):
        x, y, code = world(100 + seed, m=6)
        curves = Curves(y, code)
        line, best = curves.fit(straight(x)), curves.fit(broken(x))
        beyond += bool(line.deviance[0] - best.deviance.min() > 1.96**2)
    assert beyond >= 2


def test_a_break_needs_two_check_uses_on_either_side() -> None:
    with pytest.raises(ValueError, match="two check uses on either side"):
        broken(np.array([0, 0.5, 1.0]))
    x = np.tile([0, 0.5, 1.0], 6)
    assert set(families(x, -1.0, 0.1)) == {"straight line", "log of use", "root of use", "accelerating"}


def test_integrated_splines_rise_from_zero_to_one_and_the_curve_keeps_its_direction() -> None:
    x, y, code = world(9, lambda x: 0.05 * np.sin(9 * x))
    columns = spline_columns(x, np.linspace(0, 1, 101))
    assert (np.diff(columns, axis=0) >= -1e-12).all()
    assert columns[0] == pytest.approx(0)
    assert columns[-1] == pytest.approx(1)
    family = monotone_spline(x, -1.0)
    fit = Curves(y, code).fit(family)
    at = np.linspace(0, 1, 101)
    curve = curve_at("monotone spline", x, at, 0.0, fit.beta[fit.best], sign=-1.0, first=0.1)
    assert (np.diff(curve) <= 1e-9).all()
    free = [d for d, ok in zip(fit.deviance, (fit.beta[:, 1:] <= 1e-10).all(axis=1), strict=True) if ok]
    assert fit.deviance[fit.best] == min(free)


@settings(max_examples=10, deadline=None)
@given(st.floats(0.1, 10), st.floats(-2, 2), st.randoms(use_true_random=False))
def test_scale_shift_and_row_order_change_nothing(scale: float, shift: float, shuffled: object) -> None:
    x, y, code = world(10, m=6)
    order = list(range(len(x)))
    shuffled.shuffle(order)  # type: ignore[attr-defined]
    relabelled = np.array([3, 1, 5, 0, 2, 4])[code]
    a, b = Curves(y, code), Curves(scale * y[order] + shift, relabelled[order])
    fit, moved = a.fit(break_in(x)), b.fit(break_in(x[order]))
    assert moved.deviance == pytest.approx(fit.deviance, abs=1e-5)
    gain = np.sort(b.left_out(break_in(x[order]), moved)) - np.sort(a.left_out(break_in(x), fit))
    assert gain == pytest.approx(-7 * math.log(scale), abs=1e-3)


def test_a_device_that_levels_off_is_fitted_as_by_a_library() -> None:
    frame = load("meeker-device-b").frame()
    own = frame[frame["device"] == 125]
    t, y = own["hours"].to_numpy(float), -own["powerdrop"].to_numpy(float)
    fit = levelling_off(t, y)
    best, covariance = curve_fit(lambda t, a, u: a * -np.expm1(-np.exp(u) * t), t, y, p0=[1.4, -7])
    assert fit.asymptote == pytest.approx(best[0], rel=1e-5)
    assert math.log(fit.rate) == pytest.approx(best[1], abs=1e-5)
    assert fit.log_rate_se == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-3)
    assert fit.rate_low < fit.rate < fit.rate_high


def test_a_straight_device_has_no_bounded_asymptote() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0, 11.0)
    fit = levelling_off(t, 0.1 * t + rng.normal(0, 0.02, 11) * (t > 0))
    assert fit.rate_low == 0.0
    with pytest.raises(ValueError, match="three checks"):
        levelling_off([0, 1, 2], [0, 1, 2])
