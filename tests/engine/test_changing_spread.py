"""Limits whose SD changes along the means: against the exact case, by simulation, and what units and signs must do."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

from drift.engine.changing_spread import changing_spread
from drift.engine.limits_of_agreement import limit_factor
from drift.engine.regression_limits import regression_limits


def growing(rng, n=40, ends=4.0):
    x = np.sort(rng.uniform(20, 200, n))
    return x, 0.1 * x + (1 + (ends - 1) * (x - 20) / 180) * rng.normal(size=n)


def test_bounds_given_the_change_are_the_exact_noncentral_t_ones():
    # all weight on one change: the average is over one exact distribution
    x, d = growing(np.random.default_rng(1))
    fit = changing_spread(x, d)
    k = len(fit.change) // 2
    object.__setattr__(fit, "weight", np.eye(len(fit.change))[k][None])
    at = np.array([20.0, 90.0, 200.0])
    u = (at - fit.middle) / fit.half
    z = np.column_stack([np.ones(3), u])
    h = np.einsum("ij,jk,ik->i", z, fit.inverse[k], z)
    w = 1 + fit.change[k] * u
    for p in (0.025, 0.5, 0.975):
        exact = z @ fit.beta[0, k] + [fit.sd[0, k] * wi * limit_factor(wi**2 / hi, p, df=38.0)
                                      for wi, hi in zip(w, h, strict=True)]
        np.testing.assert_allclose(fit.bounds(at, p)[0, 0], exact, rtol=1e-6)


def test_the_best_change_maximises_the_restricted_likelihood():
    x, d = growing(np.random.default_rng(2))
    fit = changing_spread(x, d)
    u = (x - fit.middle) / fit.half

    def loss(change):
        w = 1 / (1 + change * u) ** 2
        X = np.column_stack([np.ones_like(u), u])
        A = X.T @ (w[:, None] * X)
        rest = d - X @ np.linalg.solve(A, X.T @ (w * d))
        return 0.5 * (len(x) - 2) * np.log(rest @ (w * rest)) - 0.5 * np.log(w).sum() + 0.5 * np.linalg.slogdet(A)[1]

    best = optimize.minimize_scalar(loss, bounds=(-0.97, 0.97), method="bounded", options={"xatol": 1e-10})
    assert fit.best_change[0] == pytest.approx(best.x, abs=2e-3)


def test_probability_and_bound_are_inverse():
    x, d = growing(np.random.default_rng(3), n=12)
    fit = changing_spread(x, d)
    at = np.array([30.0, 150.0])
    for k in (-1.96, 0.0, 1.96):
        bound = fit.bounds(at, 0.9, multiplier=k)[0]
        np.testing.assert_allclose(fit.probability(at, bound, multiplier=k), 0.9, atol=1e-6)


def test_many_sets_at_once_are_each_as_alone():
    rng = np.random.default_rng(4)
    x = np.linspace(1, 10, 15)
    d = x * rng.normal(size=(6, 15))
    at = np.array([1.0, 10.0])
    alone = [changing_spread(x, row).bounds(at, [0.025, 0.975])[:, 0] for row in d]
    # the grid is that of the set that needs the widest one, so that ends differ by its coarseness
    np.testing.assert_allclose(changing_spread(x, d).bounds(at, [0.025, 0.975]).transpose(1, 0, 2), alone, rtol=0.02)


@given(st.floats(0.01, 100), st.floats(-50, 50), st.integers(0, 10**6))
def test_units_and_signs(scale, shift, seed):
    x, d = growing(np.random.default_rng(seed), n=14)
    at = np.array([x[0], x[7], x[-1]])
    base = changing_spread(x, d).bounds(at, [0.025, 0.975, 0.025, 0.975], multiplier=[1.96, 1.96, -1.96, -1.96])
    other = changing_spread(x * scale, d * scale + shift).bounds(
        at * scale, [0.025, 0.975, 0.025, 0.975], multiplier=[1.96, 1.96, -1.96, -1.96])
    np.testing.assert_allclose(other, base * scale + shift, rtol=1e-4, atol=1e-4 * scale * np.ptp(base))
    turned = changing_spread(x, -d).bounds(at, [0.025, 0.975, 0.025, 0.975], multiplier=[1.96, 1.96, -1.96, -1.96])
    np.testing.assert_allclose(turned, -base[[3, 2, 1, 0]], rtol=1e-4, atol=1e-4 * np.ptp(base))


def test_known_limits_are_held_where_one_sd_for_all_misses_them():
    rng = np.random.default_rng(5)
    x, at = np.linspace(0, 1, 20), np.array([0.0, 1.0])
    sd = 1 + 4 * x
    d = 2 * x + sd * rng.normal(size=(400, 20))
    truth = 2 * at + 1.96 * (1 + 4 * at)
    low, high = changing_spread(x, d).bounds(at, [0.025, 0.975])
    assert np.all(np.mean((low <= truth) & (truth <= high), axis=0) > 0.92)
    naive = [regression_limits(x, row).bounds_at(0.0, 0.95)[2:] for row in d]
    assert np.mean([a <= truth[0] <= b for a, b in naive]) < 0.5


def test_a_spread_that_does_not_change_costs_width_but_not_place():
    rng = np.random.default_rng(6)
    x = np.linspace(0, 1, 400)
    d = 3 * x + rng.normal(size=400)
    fit, line = changing_spread(x, d), regression_limits(x, d)
    assert abs(fit.best_change[0]) < 0.15
    np.testing.assert_allclose(fit.limits_at([0.5])[1][0], line.limits_at([0.5], spread=False)[1], rtol=0.02)


def test_thousands_of_pairs_take_no_longer_than_hundreds():
    x, d = growing(np.random.default_rng(7), n=5000)
    fit = changing_spread(x, d)
    low, high = fit.bounds([100.0], [0.025, 0.975])[:, 0, 0]
    assert low < 10 + 1.96 * (1 + 3 * 80 / 180) < high
    assert high - low < 0.6
