"""Sensors that were seen over different stretches of use: variance of the mean line and its degrees of freedom."""

import numpy as np
import pytest
from scipy import stats

from drift.engine.agreement_along import AlongDesign, fit_along
from drift.engine.agreement_along_bounds import lines_at, mean_df, mean_interval, upper_bound

AT = [[0.0, 1.0], [1.0, 0.0], [1.0, 1.0]]  # slope, start, end


def half_early_half_late(k, early=6, late=20):
    """Half of the sensors seen to 0.4, half from 0.5 on."""
    parts = [np.linspace(0, 0.4, early) if j % 2 else np.linspace(0.5, 1, late) for j in range(k)]
    return np.repeat(np.arange(k), [len(p) for p in parts]), np.concatenate(parts)


def differences(rng, s, u, t=None):
    k = int(s.max()) + 1
    d = 2 * u + 0.5 * rng.normal(size=k)[s] + 0.5 * rng.normal(size=k)[s] * u + rng.normal(size=len(u))
    return d if t is None else d + 0.8 * rng.normal(size=int(t.max()) + 1)[t]


@pytest.mark.parametrize("targets", [False, True])
def test_variance_and_degrees_of_freedom_are_those_of_the_quadratic_form_written_out(targets):
    s, u = half_early_half_late(6)
    t = np.random.default_rng(2).integers(0, 12, len(u)) if targets else None
    fit = fit_along(AlongDesign.build(lines_at(u), s, t), differences(np.random.default_rng(1), s, u, t))
    k, b = fit.lines.shape
    of_error = fit.of_error.reshape(k * b, k * b)
    known = fit.ms_error * of_error + np.kron(np.eye(k), fit.covariance)
    shared = fit.of_target.reshape(k * b, k * b) if targets else np.zeros_like(known)
    weights = fit.weights.reshape(b, k * b)
    off = np.eye(k * b) - np.tile(np.eye(b), (k, 1)) @ weights
    path = fit.at(AT)
    for i, direction in enumerate(AT):
        x = np.linalg.solve(fit.design.back.T, direction)
        each = np.array([np.where(np.arange(k * b) // b == j, x @ weights, 0.0) for j in range(k)])
        scale = np.diag(each @ known @ each.T) / np.diag(each @ off @ known @ off.T @ each.T)
        values = np.sqrt(scale) * (each @ off @ fit.lines.ravel())
        form = np.sqrt(scale)[:, None] * (each @ off)
        of_known, of_shared = (form @ v @ form.T for v in (known, fit.target_variance * shared))
        expected = x @ weights @ known @ weights.T @ x
        both = of_known + of_shared
        assert path.first[i] == pytest.approx(values @ values * expected / np.trace(of_known), rel=1e-9)
        assert path.first_df[i] == pytest.approx(np.trace(both) ** 2 / np.sum(both**2), rel=1e-9)


def test_degrees_of_freedom_fall_where_few_sensors_carry_the_line():
    s, u = half_early_half_late(6)
    path = fit_along(AlongDesign.build(lines_at(u), s, None), differences(np.random.default_rng(1), s, u)).at(AT)
    assert np.all(mean_df(path) < 5)
    assert mean_df(path)[2] < 4  # the end rests on the three sensors that were seen late
    two = np.repeat(np.arange(10), 10), np.concatenate([np.linspace(0, 1 if j < 2 else 0.3, 10) for j in range(10)])
    path = fit_along(AlongDesign.build(lines_at(two[1]), two[0], None), differences(np.random.default_rng(1), *two)).at(
        AT)
    assert mean_df(path)[2] < 5


def test_where_every_sensor_is_seen_alike_it_is_one_sample_of_sensors_whatever_the_spread():
    s, u = np.repeat(np.arange(5), 9), np.tile(np.linspace(0, 1, 9), 5)
    for seed in range(5):
        path = fit_along(AlongDesign.build(lines_at(u), s, None), differences(np.random.default_rng(seed), s, u)).at(AT)
        assert path.first == pytest.approx(path.mean_squares[:, 0] / 5, rel=1e-9)
        assert path.first_df == pytest.approx(4, rel=1e-9)


def test_intervals_hold_where_those_on_k_less_one_degrees_of_freedom_fall_short():
    s, u = half_early_half_late(6)
    design, truth = AlongDesign.build(lines_at(u), s, None), np.array([2.0, 0.0, 2.0])
    ours, naive = np.zeros(3), np.zeros(3)
    for seed in range(800):
        path = fit_along(design, differences(np.random.default_rng(seed), s, u)).at(AT)
        low, high = mean_interval(path, 0.95)
        ours += (low <= truth) & (truth <= high)
        # the mean square between sensors at that use, scaled to the variance of the mean, as if sensors weighed alike
        reach = stats.t.ppf(0.975, 5) * np.sqrt(path.mean_variance)
        naive += np.abs(path.mean - truth) <= reach
    assert np.all(ours / 800 > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 800))
    assert naive[2] / 800 < 0.92


def test_bands_run_on_smoothly_along_use():
    s, u = half_early_half_late(6)
    fit = fit_along(AlongDesign.build(lines_at(u), s, None), differences(np.random.default_rng(1), s, u))
    bound = upper_bound(fit.at(lines_at(np.linspace(0, 1.25, 501))), 0.975)
    steps = np.abs(np.diff(bound))
    assert steps.max() < 0.05 * np.ptp(bound)
