"""First passage, several limits and interval rules: against formulas, simulation and naive ways."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import gamma, invgauss, norm

from drift.engine.first_passage import (
    CURRENT,
    FAMILIES,
    FIXED,
    GAMMA,
    LOGNORMAL,
    WIENER,
    PassageFit,
    fit_passage,
    paths_from_checks,
    share_past,
    use_at_share,
)
from drift.engine.joint_passage import between, joint_lines, passages, simulate_first
from drift.engine.passage_scores import log_density
from drift.engine.staircase import control_chart, settling_share, staircase
from drift.retirement import retire
from drift.study import RecalibrationSpec
from tests.retirement.worlds import sensors, world

USES = np.arange(0.0, 31.0, 5.0)


def fit_of(family: str, start: float, start_sd: float, drift: float, spread: float, noise: float = 0.03) -> PassageFit:
    return PassageFit(family, *(np.asarray(v, float) for v in (start, start_sd, drift, spread, 0.0, noise)),
                      np.asarray(True))


def lines(n: int, rng: np.random.Generator, *, sd: float = 0.004, start: float = 0.03) -> tuple[np.ndarray, np.ndarray]:
    x = np.broadcast_to(USES, (n, 7)).copy()
    return x, (rng.normal(0, start, (n, 1)) + rng.normal(0.02, sd, (n, 1)) * x + rng.normal(0, 0.03, x.shape))


def test_normal_slopes_are_bernstein_with_a_share_that_never_arrives() -> None:
    f = fit_of(FIXED, 0.0, 0.0, 0.02, 0.02)
    assert float(share_past(f, 20, 0.5, relative=True)) == pytest.approx(norm.cdf((0.02 - 0.5 / 20) / 0.02))
    assert 1 - float(share_past(f, 1e12, 0.5, relative=True)) == pytest.approx(norm.cdf(-1), abs=1e-9)
    assert not np.isfinite(use_at_share(f, 0.9, 0.5, relative=True))


def test_lognormal_slopes_make_lognormal_lives() -> None:
    f = fit_of(LOGNORMAL, 0.0, 0.0, math.log(0.02), 0.3)
    assert float(use_at_share(f, 0.1, 0.5, relative=True)) == pytest.approx(25 * math.exp(0.3 * norm.ppf(0.1)),
                                                                            rel=1e-6)


def test_the_wiener_process_is_inverse_gaussian_and_does_not_overflow() -> None:
    f = fit_of(WIENER, 0.0, 0.0, 0.02, 0.02)
    lam, mean = (0.5 / 0.02) ** 2, 25.0
    for n in (5.0, 20.0, 40.0):
        assert float(share_past(f, n, 0.5, relative=True)) == pytest.approx(invgauss.cdf(n, mean / lam, scale=lam),
                                                                            rel=1e-9)
    steep = fit_of(WIENER, 0.0, 0.0, 2.0, 0.01)  # exp(2 mu c / s^2) alone would be infinite
    assert float(share_past(steep, 0.3, 0.5, relative=True)) == pytest.approx(1.0)


def test_the_gamma_process_is_the_upper_tail_of_a_gamma_distribution() -> None:
    f = fit_of(GAMMA, 0.0, 0.0, 0.02, 0.02)
    assert float(share_past(f, 20, 0.5, relative=True)) == pytest.approx(gamma.sf(0.5, 20.0, scale=0.02), rel=1e-9)


@pytest.mark.parametrize("family", FAMILIES)
def test_starts_that_vary_are_integrated_over(family: str) -> None:
    rng = np.random.default_rng(3)
    drift, spread = (math.log(0.02), 0.2) if family == LOGNORMAL else (0.02, 0.004)
    f = fit_of(family, 0.0, 0.03, drift, spread)
    if family in (FIXED, CURRENT, LOGNORMAL):
        slope = drift + spread * rng.standard_normal(200_000)
        slope = np.exp(slope) if family == LOGNORMAL else slope
        start = 0.0 if family == FIXED else 0.03 * rng.standard_normal(200_000)
        true = float((start + slope * 22 > 0.5).mean())
        assert float(share_past(f, 22, 0.5, relative=False)) == pytest.approx(true, abs=0.005)
    else:
        z = 0.03 * rng.standard_normal(4000)
        true = float(np.mean([share_past(fit_of(family, 0, 0, drift, spread), 22, 0.5 - s, relative=True) for s in z]))
        assert float(share_past(f, 22, 0.5, relative=False)) == pytest.approx(true, abs=0.01)


def test_many_sensors_give_back_what_they_were_made_from() -> None:
    p = paths_from_checks(*lines(4000, np.random.default_rng(1)))
    f = fit_passage(CURRENT, p)
    assert float(f.drift) == pytest.approx(0.02, rel=0.01)
    assert float(f.spread) == pytest.approx(0.004, rel=0.04)
    assert float(f.start_sd) == pytest.approx(0.03, rel=0.06)
    assert float(f.noise) == pytest.approx(0.03, rel=0.02)
    naive = p.slope.std(ddof=1)  # holds the checks' own error
    assert abs(naive / 0.004 - 1) > abs(float(f.spread) / 0.004 - 1)


def test_wandering_paths_give_back_variance_and_error() -> None:
    rng = np.random.default_rng(2)
    step = rng.normal(0.1, 0.02 * math.sqrt(5), (4000, 6))
    y = np.concatenate([np.zeros((4000, 1)), step.cumsum(1)], 1) + 0.03 * rng.standard_normal((4000, 7))
    f = fit_passage(WIENER, paths_from_checks(np.broadcast_to(USES, y.shape), y))
    assert float(f.spread) == pytest.approx(0.02, rel=0.05)
    assert float(f.noise) == pytest.approx(0.03, rel=0.05)


def test_a_slope_away_from_the_limit_takes_lognormal_slopes_out() -> None:
    x, y = lines(8, np.random.default_rng(4))
    y[0] = -y[0]
    assert not bool(fit_passage(LOGNORMAL, paths_from_checks(x, y)).usable)


def test_the_gamma_filter_agrees_with_simulation() -> None:
    rng = np.random.default_rng(5)
    f, u, y = fit_of(GAMMA, 0.0, 0.0, 0.02, 0.02), np.array([0.0, 10.0, 20.0]), np.array([0.01, 0.22, 0.43])
    path = np.concatenate([np.zeros((400_000, 1)), rng.gamma(10.0, 0.02, (400_000, 2)).cumsum(1)], 1)
    each = np.exp(-0.5 * ((y - path) / 0.03) ** 2).prod(axis=1) / (0.03 * math.sqrt(2 * math.pi)) ** 3
    assert log_density(f, u, y, starts_vary=False) == pytest.approx(math.log(each.mean()), abs=0.05)


def test_the_family_that_made_the_paths_predicts_them_best() -> None:
    rng = np.random.default_rng(6)
    slopes = fit_of(CURRENT, 0.0, 0.03, 0.02, 0.004)
    wander = fit_of(WIENER, 0.0, 0.03, 0.02, 0.02)
    _, y = lines(60, rng)
    one = sum(log_density(slopes, USES, v, starts_vary=True) - log_density(wander, USES, v,
                                                                           starts_vary=True) for v in y)
    assert one > 0


# Several limits.
def two_limits(n: int, correlation: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    z = rng.standard_normal((n, 2)) @ np.linalg.cholesky([[1, correlation], [correlation, 1]]).T
    y = np.stack([(0.02 + 0.004 * z[:, j:j + 1]) * USES + 0.005 * rng.standard_normal((n, 7)) for j in (0, 1)])
    return np.broadcast_to(USES, y.shape), y


def test_limits_that_go_together_are_not_independent() -> None:
    rng = np.random.default_rng(7)
    x, y = two_limits(400, 0.98, rng)
    found = simulate_first(joint_lines(x, y, np.array([0.5, 0.5])), np.array([20.0, 30.0]), 0.1, 0.95, rng,
                           draws=20)
    assert found.first[0] - found.alone > 0.5  # multiplying survival curves counts a fast sensor twice
    assert found.share.sum(axis=0)[1] <= 1 + 1e-12
    apart = joint_lines(*two_limits(400, 0.0, rng), np.array([0.5, 0.5]))
    free = simulate_first(apart, np.array([20.0]), 0.1, 0.95, rng, draws=20)
    assert free.first[0] == pytest.approx(free.alone, abs=0.4)


def test_with_few_sensors_the_band_is_wider_than_that_of_studies_simulated_from_the_estimates() -> None:
    """The naive twin: a bootstrap takes the estimated covariance for the true one."""
    wider = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        x, y = two_limits(6, 0.5, rng)
        made = joint_lines(x, y, np.array([0.5, 0.5]))
        first, low, high = simulate_first(made, np.zeros(0), 0.1, 0.95, rng, draws=200).first
        mean, cov = made.theta.mean(axis=0), np.cov(made.theta, rowvar=False)
        z = rng.standard_normal((500, 4))
        again = [float(np.quantile(passages(*between(made, rng.multivariate_normal(mean, cov, 6)), made.edge, z)
                                   .min(axis=1), 0.1)) for _ in range(100)]
        naive = np.quantile(again, [0.025, 0.975])
        assert low <= first <= high
        wider.append((high - low) / float(naive[1] - naive[0]))
    assert np.median(wider) > 1.2


def test_the_incidence_and_the_use_do_not_depend_on_the_order_of_limits() -> None:
    x, y = two_limits(12, 0.3, np.random.default_rng(3))
    one, other = (simulate_first(joint_lines(x[o], y[o], np.array([0.5, 0.5])), np.array([15.0, 25.0]), 0.1, 0.95,
                                 np.random.default_rng(4), draws=40) for o in ([0, 1], [1, 0]))
    np.testing.assert_allclose(one.share.sum(axis=0), other.share.sum(axis=0), atol=0.03)
    assert (one.low <= one.share).all()
    assert (one.share <= one.high).all()


def test_the_same_limit_twice_is_that_limit() -> None:
    rng = np.random.default_rng(8)
    x, y = lines(30, rng)
    twice = joint_lines(np.stack([x, x]), np.stack([y, y]), np.array([0.5, 0.5]))
    mean, cov = between(twice, twice.theta)
    time = passages(mean, cov, twice.edge, rng.standard_normal((500, 4)))
    np.testing.assert_allclose(time[:, 0], time[:, 1], rtol=1e-5)


# Interval rules.
def test_a_rule_that_has_not_settled_says_so_rather_than_how_long_it_was_followed() -> None:
    run = staircase(np.full(50, 1e-7), 0.5, 0.01, 1.0, np.random.default_rng(1), cycles=100)
    assert math.isnan(run.cycles)


def test_interval_methods_keep_the_tolerance_where_one_is_declared() -> None:
    wear, study, tables = world(sensors(), limits={"sensitivity_change": 0.25})
    declared = study.model_copy(update={"recalibration": RecalibrationSpec(tolerance=0.05)})
    wide, narrow = (retire(wear, s, tables, seed=1).table("other interval methods") for s in (study, declared))
    assert set(wide["kept within"]) == {"the retirement limit"}
    assert set(narrow["kept within"]) == {"the tolerance of 5 %"}
    assert float(np.max(narrow["interval"])) < 0.5 * float(np.min(wide["interval"]))


def test_the_staircase_settles_where_its_two_factors_say() -> None:
    assert settling_share(0.1, 0.55) == pytest.approx(0.107, abs=5e-4)  # common practice, no source
    run = staircase(np.full(200, 0.02), 0.5, 0.03, 5.0, np.random.default_rng(1))
    assert run.out == pytest.approx(settling_share(), abs=0.01)
    assert run.high / run.low > 1.5  # and keeps wandering
    other = staircase(np.full(200, 0.08), 0.5, 0.10, 5.0, np.random.default_rng(1))
    assert other.out == pytest.approx(settling_share(), abs=0.01)  # whatever the wear


def test_a_control_chart_follows_the_wear() -> None:
    slow, fast = (control_chart(np.full(200, s), 0.5, 0.03, 5.0, np.random.default_rng(1)) for s in (0.01, 0.02))
    assert slow.interval == pytest.approx(2 * fast.interval, rel=0.1)
