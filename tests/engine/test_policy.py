"""Lives of sensors under policies: against a plain loop, closed forms, a trial of our own and the published optimum."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr

from drift.engine.age_replacement import (
    discrete_age_costs,
    discrete_optimum,
    weibull_age_cost,
    weibull_age_optimum,
)
from drift.engine.count_curves import count_curves
from drift.engine.ever_past import bound_error, ever_past
from drift.engine.policy import COUNTS, Criteria, Policy, Sensors, simulate
from drift.engine.population import Population, kronecker, population_draws
from tests.published_examples import agrees, load

LIMIT = math.log(5 / 3)
START_SD, SLOPE, SLOPE_SD, CHECK_SD = 0.03, 0.020, 0.004, 0.03
ONE = Criteria(start=np.array([0]), slope=np.array([1]), limit=np.array([LIMIT]), check=np.array([[CHECK_SD**2]]))
TWO = Criteria(start=np.array([-1, 1]), slope=np.array([0, 2]), limit=np.array([0.29, 0.34]),
               check=np.array([[1e-4, 0.8e-4], [0.8e-4, 1.2e-4]]), tolerance_slope=0, distance=math.log(1.05))


def known(n_draws: int = 100) -> Population:
    """The population of the trial, its parameters known."""
    return Population(np.tile([0.0, SLOPE], (n_draws, 1)), np.tile(np.diag([START_SD, SLOPE_SD]), (n_draws, 1, 1)))


def three(n_draws: int = 4) -> Population:
    root = np.diag([0.0008, 0.022, 0.0009])
    return Population(np.tile([0.007, 0.0, 0.0071], (n_draws, 1)), np.tile(root, (n_draws, 1, 1)))


def loop(sensors: Sensors, criteria: Criteria, policy: Policy, horizon: int) -> np.ndarray:
    """Follow every life use by use: the peer that shares nothing with the closed forms but the random numbers."""
    found = np.zeros((len(COUNTS), len(sensors.first_out)))
    limit, threshold = criteria.limit, criteria.limit if policy.threshold is None else policy.threshold
    for i in range(found.shape[1]):
        calibrated, spoilt, past, out, checks, again, u = 0, 0, 0, 0, 0, 0, 0
        while True:
            u += 1
            state = sensors.start[i] + sensors.slope[i] * u
            beyond = bool((state > limit).any())
            past += beyond
            change = abs(sensors.drift[i] * (u - calibrated))
            if criteria.tolerance_slope >= 0 and not beyond and change > criteria.distance:
                out += 1
            spoilt += beyond
            if policy.noticed_after and spoilt >= policy.noticed_after:
                break
            if u >= min(policy.retire_after, horizon):
                break
            if policy.check_every and u % policy.check_every == 0:
                checks += 1
                j = int(np.flatnonzero(sensors.checked == u)[0])
                seen = state + sensors.errors[j, i] - np.where(criteria.start < 0, sensors.fresh[i], 0)
                if (seen > threshold).any():
                    break
            if policy.recalibrate_every and u % policy.recalibrate_every == 0:
                again += 1
                calibrated = u
        found[:, i] = 1, u, past, out, checks, again, past > 0
    return found


POLICIES = [Policy(retire_after=30), Policy(check_every=5), Policy(check_every=7, threshold=np.array([0.2, 0.25])),
            Policy(noticed_after=1), Policy(noticed_after=3, retire_after=45),
            Policy(recalibrate_every=6, retire_after=30),
            Policy(recalibrate_every=8, check_every=10, threshold=np.array([0.22, 0.3])),
            Policy(recalibrate_every=5, check_every=5, retire_after=33, noticed_after=2)]


@pytest.mark.parametrize("policy", POLICIES, ids=str)
def test_closed_forms_give_the_lives_of_a_plain_loop(policy: Policy) -> None:
    sensors = Sensors(three(), TWO, kronecker(60, 3), POLICIES, 80, np.random.default_rng(2))
    np.testing.assert_allclose(sensors.under(policy), loop(sensors, TWO, policy, 80))


def test_our_trial_comes_out_again() -> None:
    """A trial of this project: sensor 1, spoilt session 5, check 0.1; printed with two digits and its own noise."""
    guard = LIMIT - 1.6449 * CHECK_SD - 5 * SLOPE
    assert math.exp(guard - LIMIT) == pytest.approx(0.86, abs=0.005)
    rates = simulate(known(), ONE, [Policy(retire_after=17), Policy(retire_after=25),
                                    Policy(check_every=5, threshold=np.array([guard]))], lives=400, horizon=100,
                     rng=np.random.default_rng(1))
    cost, error = rates.per_use([1, 0, 5, 5, 0.1, 0, 0])
    spoilt, spoilt_error = rates.per_use([0, 0, 100, 100, 0, 0, 0])
    for i, (c, s) in enumerate(((0.063, 0.08), (0.378, 6.8), (0.070, None))):
        assert abs(cost[i].mean() - c) < 4 * error[i] + 0.0005 + (0.004 if i == 1 else 0)
        if s is not None:
            assert abs(spoilt[i].mean() - s) < 4 * spoilt_error[i] + 0.05
    assert rates.mean[2, :, 1].mean() == pytest.approx(21, abs=0.5)


def test_a_fixed_count_has_its_closed_form() -> None:
    """The share of sensors past the limit after use u is Phi((mu u - L) / sqrt(start^2 + (slope u)^2))."""
    rates = simulate(known(), ONE, [Policy(retire_after=20)], lives=400, horizon=50, rng=np.random.default_rng(4))
    u = np.arange(1, 21)
    true = ndtr((SLOPE * u - LIMIT) / np.hypot(START_SD, SLOPE_SD * u)).sum() / 20
    found, error = rates.per_use([0, 0, 1, 0, 0, 0, 0])
    assert abs(found[0].mean() - true) < 4 * error[0]
    assert rates.share_past()[0].mean() == pytest.approx(ndtr((0.4 - LIMIT) / math.hypot(0.03, 0.08)), abs=0.003)


def test_policies_meet_the_same_sensors() -> None:
    """Naive twin: with random numbers of their own the difference of two near policies drowns in noise."""
    both = [Policy(retire_after=21), Policy(retire_after=22)]
    together, apart = [], []
    for seed in range(12):
        rates = simulate(known(5), ONE, both, lives=100, horizon=40, rng=np.random.default_rng(seed))
        other = simulate(known(5), ONE, both[1:], lives=100, horizon=40, rng=np.random.default_rng(100 + seed))
        cost = rates.per_use([1, 0, 5, 5, 0, 0, 0])[0].mean(1)
        together.append(cost[1] - cost[0])
        apart.append(other.per_use([1, 0, 5, 5, 0, 0, 0])[0].mean() - cost[0])
    assert np.std(together) < 0.7 * np.std(apart)


def test_every_count_at_once_agrees_with_one_policy_each() -> None:
    ways = [(0, 0), (6, 0), (0, 2)]
    curves = count_curves(three(3), TWO, ways, lives=40, top=60, rng=np.random.default_rng(5))
    for (m, k), curve in zip(ways, curves, strict=True):
        policies = [Policy(retire_after=n, recalibrate_every=m, noticed_after=k) for n in (1, 17, 60)]
        rates = simulate(three(3), TWO, policies, lives=40, horizon=60, rng=np.random.default_rng(5))
        for i, n in enumerate((1, 17, 60)):
            np.testing.assert_allclose(curve.uses[:, n - 1], rates.mean[i, :, 1])
            np.testing.assert_allclose(curve.spoilt[:, n - 1], rates.mean[i, :, 2] + rates.mean[i, :, 3])
            np.testing.assert_allclose(curve.recalibrations[n - 1], rates.mean[i, :, 5])


def test_a_calibration_that_errs_spoils_more() -> None:
    erring = Criteria(start=TWO.start, slope=TWO.slope, limit=TWO.limit, check=TWO.check, tolerance_slope=0,
                      distance=TWO.distance, calibration_sd=0.02)
    policy = Policy(recalibrate_every=6, retire_after=30)
    plain, worse = (simulate(three(), c, [policy], lives=200, horizon=60, rng=np.random.default_rng(6))
                    for c in (TWO, erring))
    assert worse.mean[0, :, 3].mean() > plain.mean[0, :, 3].mean() + 1
    curve, = count_curves(three(), erring, [(6, 0)], lives=200, top=30, rng=np.random.default_rng(6))
    np.testing.assert_allclose(curve.spoilt[:, -1], worse.mean[0, :, 2:4].sum(-1))


def test_a_sensor_that_starts_beyond_its_limit_is_past_it_throughout() -> None:
    high = Population(np.array([[1.0, 0.01]]), np.zeros((1, 2, 2)))
    rates = simulate(high, ONE, [Policy(retire_after=9)], lives=4, horizon=20, rng=np.random.default_rng(1))
    assert rates.mean[0, 0, 2] == 9


def test_without_wear_nothing_fails_and_the_cut_is_told() -> None:
    still = Population(np.array([[0.0, -0.001]]), np.zeros((1, 2, 2)))
    rates = simulate(still, ONE, [Policy(noticed_after=1)], lives=4, horizon=20, rng=np.random.default_rng(1))
    assert rates.mean[0, 0, 1] == 20
    assert rates.cut[0] == 1


def test_a_policy_below_one_use_is_refused() -> None:
    with pytest.raises(ValueError, match="one use or more"):
        Policy(retire_after=0)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 50), scale=st.sampled_from([0.1, 3.0]))
def test_scaling_values_and_limits_together_changes_nothing(seed: int, scale: float) -> None:
    p, c = three(2), TWO
    bigger = Population(p.mean * scale, p.root * scale)
    scaled = Criteria(start=c.start, slope=c.slope, limit=c.limit * scale, check=c.check * scale**2, tolerance_slope=0,
                      distance=c.distance * scale)
    one, two = (simulate(a, b, [Policy(recalibrate_every=5, retire_after=40)], lives=20, horizon=50,
                         rng=np.random.default_rng(seed)).mean for a, b in ((p, c), (bigger, scaled)))
    np.testing.assert_allclose(one, two, atol=0.051)  # a line that meets its limit on a use may round either way


def test_draws_of_the_variance_of_a_line_value_are_pivotal() -> None:
    """For any exposure, variance over the sample variance times n - 1 is chi-square, as in the tolerance bound."""
    rng = np.random.default_rng(8)
    lines = rng.normal(size=(10, 2)) @ np.array([[0.03, 0.0], [0.001, 0.004]])
    found = population_draws(lines, np.zeros((2, 2)), n_draws=4000, rng=rng)
    a = np.array([1.0, 17.0])
    variance = ((a @ found.root) ** 2).sum(-1)
    ratio = float(a @ np.cov(lines.T) @ a) * 9 / variance
    assert ratio.mean() == pytest.approx(9, abs=0.2)
    assert ratio.var() == pytest.approx(18, rel=0.1)
    t = (found.mean @ a - lines.mean(0) @ a) / math.sqrt(float(a @ np.cov(lines.T) @ a) / 10)
    assert float(np.quantile(np.abs(t), 0.95)) == pytest.approx(2.262, abs=0.12)  # t on 9 degrees of freedom


def test_batches_widen_the_draws_and_errors_are_taken_out() -> None:
    rng = np.random.default_rng(9)
    codes = np.repeat(np.arange(4), 3)
    lines = rng.normal(size=(4, 1))[codes] + 0.1 * rng.normal(size=(12, 1))
    alone = population_draws(lines, np.zeros((1, 1)), n_draws=400, rng=np.random.default_rng(1))
    new = population_draws(lines, np.zeros((1, 1)), n_draws=400, rng=np.random.default_rng(1), batch=codes)
    assert np.ptp(new.mean) > np.ptp(alone.mean)
    less = population_draws(lines, np.full((1, 1), 0.5), n_draws=400, rng=np.random.default_rng(1), error_df=30)
    assert less.root.mean() < alone.root.mean()
    assert (less.root == 0).any()
    with pytest.raises(ValueError, match="two sensors"):
        population_draws(lines[:1], np.zeros((1, 1)), n_draws=4, rng=rng)


def test_the_published_optimum_is_printed_alike() -> None:
    """Worked example of the optimum replacement age; a later print of 493.19 is a grid's, the root is 493.047."""
    printed = load("age-replacement-weibull")
    found = weibull_age_optimum(shape=2.5, scale=1000, planned=1, failed=5)
    assert agrees(found.age, printed.expected["t_opt_reliability_docs"])
    assert agrees(found.age, printed.expected["t_opt_reliawiki"])
    assert agrees(found.cost, printed.expected["cost_rate_reliability_docs"])
    assert found.cost == pytest.approx(float(printed.unprinted["cost_rate"]), rel=1e-9)
    never = weibull_age_cost(1e7, shape=2.5, scale=1000, planned=1, failed=5)
    assert float(never) == pytest.approx(float(printed.unprinted["cost_rate_run_to_failure"]), rel=1e-9)
    assert not agrees(493.19, printed.expected["t_opt_reliability_docs"])


def test_the_cost_of_an_age_is_that_of_the_integral() -> None:
    def survive(t: float) -> float:
        return math.exp(-((t / 1000) ** 2.5))

    mean = quad(survive, 0, 700)[0]
    by_hand = (survive(700) + 5 * (1 - survive(700))) / mean
    assert float(weibull_age_cost(700, shape=2.5, scale=1000, planned=1, failed=5)) == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize(("shape", "failed"), [(1.0, 5.0), (0.7, 5.0), (2.5, 1.0), (2.5, 0.5)])
def test_there_is_no_optimum_without_a_rising_hazard_or_a_dearer_failure(shape: float, failed: float) -> None:
    assert math.isinf(weibull_age_optimum(shape=shape, scale=100, planned=1, failed=failed).age)


def test_costs_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        weibull_age_optimum(shape=2, scale=100, planned=0, failed=5)


def test_whole_uses_come_near_to_the_continuous_optimum() -> None:
    n = np.arange(0, 3001)
    costs = discrete_age_costs(np.exp(-((n / 1000) ** 2.5)), planned=1, failed=5)
    found = discrete_optimum(costs)
    assert found.age == pytest.approx(493, abs=1)
    assert found.low < 493 < found.high
    flat = discrete_age_costs(0.99**n, planned=1, failed=5)  # constant hazard: run to failure
    assert discrete_optimum(flat).age > 2000
    assert math.isinf(discrete_optimum(1 / np.arange(1.0, 50)).age)


def test_the_share_past_a_limit_by_a_count_is_the_normal_one_and_does_not_scatter() -> None:
    """P(start + N slope beyond L) of normal lines; a share of 25 lives has a 95 % quantile far above it."""
    counts = [Policy(retire_after=n) for n in (17, 20)]
    found = ever_past(known(50), ONE, counts, horizon=60, rng=np.random.default_rng(1), lives=1000)
    for n, shares in zip((17, 20), found, strict=True):
        true = float(ndtr((SLOPE * n - LIMIT) / math.hypot(START_SD, n * SLOPE_SD)))
        assert float(np.quantile(shares, 0.95)) == pytest.approx(true, abs=0.004)
        few = simulate(known(50), ONE, [Policy(retire_after=n)], lives=25, horizon=60, rng=np.random.default_rng(1))
        assert float(np.quantile(few.share_past()[0], 0.95)) > true + 0.01


@pytest.mark.parametrize(("population", "criteria", "policies"), [
    (known, ONE, [Policy(check_every=5, threshold=np.array([0.45])), Policy(check_every=5), Policy(check_every=2),
                  Policy(check_every=4, retire_after=22), Policy(noticed_after=2, retire_after=21)]),
    (three, TWO, [Policy(check_every=5), Policy(check_every=7, threshold=np.array([0.25, 0.3])),
                  Policy(retire_after=40), Policy(check_every=6, recalibrate_every=3)])],
    ids=["one limit", "two limits"])
def test_the_share_ever_past_is_that_of_simulated_lives(population: Callable[..., Population], criteria: Criteria,
                                                        policies: list[Policy]) -> None:
    smooth = ever_past(population(8), criteria, policies, horizon=80, rng=np.random.default_rng(3), lives=2000)
    lived = simulate(population(8), criteria, policies, lives=4000, horizon=80, rng=np.random.default_rng(4))
    for one, other in zip(smooth, lived.share_past(), strict=True):
        assert one.mean() == pytest.approx(other.mean(), abs=4 * math.sqrt(0.25 / 32_000) + 0.002)


def test_an_upper_bound_over_few_lives_a_draw_is_mostly_their_scatter() -> None:
    """The naive twin: with 25 lives a draw the bound of a share that is known lies far above it."""
    policy = Policy(check_every=5, threshold=np.array([0.42]))
    smooth = ever_past(known(200), ONE, [policy], horizon=60, rng=np.random.default_rng(1))[0]
    counted = simulate(known(200), ONE, [policy], lives=25, horizon=60, rng=np.random.default_rng(1)).share_past()[0]
    true = float(smooth.mean())
    assert float(np.quantile(smooth, 0.95)) < true + 0.02
    assert float(np.quantile(counted, 0.95)) > true + 0.04
    assert bound_error(smooth, 0.95) < 0.005 < bound_error(counted, 0.95) + 0.005
