"""Lines of sensors along use: exact where the design is balanced, general least squares where it is not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.engine.agreement_along import AlongDesign, NoFitError, fit_along
from drift.engine.agreement_along_bounds import (
    bias_crossing,
    first_outside,
    grid_to,
    limit_crossing,
    lines_at,
    lower_bound,
    mean_df,
    mean_interval,
    p_value,
    protocol_limit,
    sd_interval,
    spread_interval,
    upper_bound,
)
from drift.engine.limits_of_agreement import lower_limit_bound
from drift.engine.limits_of_agreement import mean_interval as of_strata
from drift.engine.limits_of_agreement import sd_interval as sd_of_strata
from drift.engine.regression_limits import regression_limits

USES = np.linspace(0.0, 60.0, 7)


def crossed(rng, *, k=5, n_targets=12, start=2.0, slope=0.05, target=3.0, residual=2.0, keep=1.0):
    """Sensors read along use on targets that come round again; some pairs missing."""
    s, u = np.repeat(np.arange(k), 14), np.tile(np.repeat(USES, 2), k)
    t = (5 * np.tile(np.arange(14), k) + s) % n_targets
    d = (1.0 - 0.2 * u + (start * rng.normal(size=k))[s] + (slope * rng.normal(size=k))[s] * u
         + (target * rng.normal(size=n_targets))[t] + residual * rng.normal(size=len(s)))
    here = rng.random(len(s)) < keep
    return u[here], s[here], t[here], d[here]


def fitted(u, s, t, d):
    return fit_along(AlongDesign.build(lines_at(u), s, t), d)


@pytest.mark.parametrize("use", [0.0, 25.0, 60.0, 75.0])
def test_balanced_bias_has_the_t_interval_of_one_sample_of_sensor_lines(use):
    rng = np.random.default_rng(1)
    k = 6
    s, u = np.repeat(np.arange(k), 7), np.tile(USES, k)
    d = 3 - 0.1 * u + (2 * rng.normal(size=k))[s] + (0.05 * rng.normal(size=k))[s] * u + rng.normal(size=42)
    path = fitted(u, s, None, d).at(lines_at(use))
    values = np.array([np.polyval(np.polyfit(USES, d[s == j], 1), use) for j in range(k)])
    low, high = stats.t.interval(0.95, k - 1, values.mean(), values.std(ddof=1) / np.sqrt(k))
    assert path.mean[0] == pytest.approx(values.mean(), rel=1e-10)
    assert [float(v[0]) for v in mean_interval(path, 0.95)] == pytest.approx([low, high], rel=1e-9)
    assert path.mean_squares[0, 0] == pytest.approx(values.var(ddof=1), rel=1e-9)
    assert float(mean_df(path)[0]) == pytest.approx(k - 1)
    assert float(p_value(path)[0]) == pytest.approx(stats.ttest_1samp(values, 0).pvalue, rel=1e-9)


def test_balanced_variances_are_those_of_restricted_maximum_likelihood():
    import warnings

    import statsmodels.formula.api as smf

    rng = np.random.default_rng(5)
    k = 12
    s, u = np.repeat(np.arange(k), 7), np.tile(USES / 60, k)
    d = 3 - u + (2 * rng.normal(size=k))[s] + (3 * rng.normal(size=k))[s] * u + rng.normal(size=84)
    fit = fitted(u, s, None, d)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        peer = smf.mixedlm("d ~ u", {"d": d, "u": u, "s": s}, groups=s, re_formula="~u").fit(method="lbfgs")
    back = np.linalg.inv(fit.design.back)
    assert back @ fit.covariance @ back.T == pytest.approx(np.asarray(peer.cov_re), rel=2e-3)
    assert fit.ms_error == pytest.approx(peer.scale, rel=1e-3)
    assert fit.coefficients == pytest.approx(np.asarray(peer.fe_params), rel=1e-5)


def test_limits_of_one_line_are_the_exact_regression_limits():
    rng = np.random.default_rng(2)
    u = rng.uniform(0, 60, 25)
    d = 2 + 0.1 * u + rng.normal(size=25)
    path, line = fitted(u, None, None, d).at(lines_at([0.0, 33.0])), regression_limits(u, d)
    for i, use in enumerate((0.0, 33.0)):
        ours = [lower_bound(path, 0.025)[i], lower_bound(path, 0.975)[i], upper_bound(path, 0.025)[i],
                upper_bound(path, 0.975)[i]]
        assert ours == pytest.approx(line.bounds_at(use, 0.95), rel=1e-9)


def test_the_mean_line_is_generalised_least_squares_with_crossed_targets():
    u, s, t, d = crossed(np.random.default_rng(3), keep=0.8)
    fit = fitted(u, s, t, d)
    back = np.linalg.inv(fit.design.back)
    G = back @ fit.covariance @ back.T
    X = lines_at(u)
    V = (s[:, None] == s) * (X @ G @ X.T) + (t[:, None] == t) * fit.target_variance + fit.ms_error * np.eye(len(d))
    W = np.linalg.inv(V)
    covariance = np.linalg.inv(X.T @ W @ X)
    assert fit.coefficients == pytest.approx(covariance @ X.T @ W @ d, rel=1e-8)


def test_target_and_residual_mean_squares_are_those_of_fitting_constants():
    u, s, t, d = crossed(np.random.default_rng(4), keep=0.7)
    design = AlongDesign.build(lines_at(u), s, t)
    fit = fit_along(design, d)
    lines = np.column_stack([np.where(s == j, c, 0.0) for j in range(5) for c in (np.ones_like(u), u)])
    targets = (t[:, None] == np.unique(t)).astype(float)

    def off(Z):
        return np.eye(len(d)) - Z @ np.linalg.pinv(Z)

    alone, full = off(lines), off(np.column_stack([lines, targets]))
    assert design.df_error == pytest.approx(np.trace(full))
    assert design.df_target == pytest.approx(np.trace(alone) - np.trace(full))
    assert fit.ms_error == pytest.approx(d @ full @ d / design.df_error, rel=1e-9)
    assert fit.ms_target == pytest.approx((d @ alone @ d - d @ full @ d) / design.df_target, rel=1e-9)
    assert design.kappa == pytest.approx(np.trace(targets.T @ alone @ targets) / design.df_target, rel=1e-9)


def test_the_mean_square_between_sensors_expects_what_it_says():
    # the mean over draws of MS - h_e s2 - h_t s2_t is the true variance between sensors at that use
    found, x = [], lines_at([0.0, 60.0])
    for seed in range(300):
        u, s, t, d = crossed(np.random.default_rng(seed), keep=0.75)
        path = fitted(u, s, t, d).at(x)
        found.append((path.between * path.mean_squares).sum(1))
    truth = np.array([2.0**2, 2.0**2 + (0.05 * 60) ** 2])
    mean, error = np.mean(found, axis=0), np.std(found, axis=0) / np.sqrt(300)
    assert np.all(np.abs(mean - truth) < 4 * error)


def test_intervals_agree_with_those_of_strata():
    u, s, t, d = crossed(np.random.default_rng(6))
    path = fitted(u, s, t, d).at(lines_at([10.0, 50.0]))
    for i in (0, 1):
        strata = path.strata(i)
        assert [float(v[i]) for v in mean_interval(path, 0.95)] == pytest.approx(of_strata(strata, 0.95), rel=1e-5)
        assert [float(v[i]) for v in sd_interval(path, 0.95)] == pytest.approx(sd_of_strata(strata, 0.95), rel=1e-9)
        # inner bounds are MOVER alone; outer ones are at least as far out
        assert float(lower_bound(path, 0.975)[i]) == pytest.approx(lower_limit_bound(strata, 0.975), rel=1e-5)
        assert float(lower_bound(path, 0.025)[i]) <= lower_limit_bound(strata, 0.025) + 1e-9


def test_rows_pooled_as_independent_would_find_a_slope_far_too_often():
    ours = pooled = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        k = 5
        s, u = np.repeat(np.arange(k), 14), np.tile(np.repeat(USES, 2), k)
        d = (0.1 * rng.normal(size=k))[s] * u + rng.normal(size=len(u))
        low, high = mean_interval(fitted(u, s, None, d).at([[0.0, 1.0]]), 0.95)
        ours += not low[0] <= 0 <= high[0]
        pooled += stats.linregress(u, d).pvalue < 0.05
    assert ours <= 9  # 5 % of 60 and four binomial errors
    assert pooled >= 18


def test_equal_slopes_are_told_from_slopes_that_differ():
    rng = np.random.default_rng(8)
    u, s, t, d = crossed(rng, slope=0.0)
    assert fitted(u, s, t, d).equality((0, 1))[1] > 0.05
    low, high = spread_interval(fitted(u, s, t, d).at([[0.0, 1.0]]), 0.95)
    assert low[0] == 0
    u, s, t, d = crossed(rng, slope=0.3)
    assert fitted(u, s, t, d).equality((0, 1))[1] < 1e-4
    low, high = spread_interval(fitted(u, s, t, d).at([[0.0, 1.0]]), 0.95)
    assert low[0] > 0
    assert low[0] < 0.3 < high[0]


def test_a_sensor_that_was_lost_early_does_not_drag_its_extrapolation_in():
    rng = np.random.default_rng(9)
    s, u = np.repeat(np.arange(6), 8), np.tile(np.linspace(0, 60, 8), 6)
    d = -0.2 * u + 0.5 * rng.normal(size=48)
    early = (s == 5) & (u > 9)
    d[(s == 5) & ~early] += [0, 1.0]  # two readings whose line points far away
    use, who, what = u[~early], s[~early], d[~early]
    path = fitted(use, who, None, what).at(lines_at(60.0))
    naive = np.mean([np.polyval(np.polyfit(use[who == j], what[who == j], 1), 60.0) for j in range(6)])
    assert abs(naive - -12) > 0.8
    assert abs(path.mean[0] - -12) < 0.5


@pytest.mark.parametrize(("harmless", "expected"), [(5.0, 4.0), (1.0, 0.0), (30.0, np.inf)])
def test_the_first_use_outside_is_found_or_said_to_be_none(harmless, expected):
    found = first_outside(grid_to(0.0, 20.0), lambda x: (-1 - x, -1 - x), harmless)
    assert found == pytest.approx(expected)


def test_crossings_order_themselves_and_the_promise_comes_first():
    u, s, t, d = crossed(np.random.default_rng(10), k=8)
    fit = fitted(u, s, t, d)
    grid = grid_to(0.0, 75.0)

    def at(x):
        return fit.at(lines_at(x))

    bias, limit = bias_crossing(at, grid, 8.0), limit_crossing(at, grid, 16.0)
    for c in (bias, limit):
        assert c.low <= c.value <= c.high
    assert fit.at(lines_at(bias.value)).mean[0] == pytest.approx(-8.0, abs=1e-6)
    assert protocol_limit(at, grid, 16.0) < limit.value
    assert protocol_limit(at, grid, 16.0, confidence=0.975) == pytest.approx(limit.low)
    assert protocol_limit(at, grid, 3.0) == -1
    assert np.isinf(protocol_limit(at, grid, 1e4))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), scale=st.floats(0.01, 100), shift=st.floats(-50, 50), per=st.floats(0.1, 60))
def test_units_labels_and_order_change_nothing(seed, scale, shift, per):
    rng = np.random.default_rng(seed)
    u, s, t, d = crossed(rng, keep=0.85)
    x = lines_at([0.0, 40.0])
    path = fitted(u, s, t, d).at(x)
    order = rng.permutation(len(d))
    other = fitted(u[order], 9 - s[order], 100 + 3 * t[order], d[order]).at(x)
    assert other.mean == pytest.approx(path.mean, rel=1e-7, abs=1e-7)
    assert other.mean_squares == pytest.approx(path.mean_squares, rel=1e-5)
    rescaled = fitted(u * per, s, t, scale * d + shift).at(lines_at([0.0, 40.0 * per]))
    assert rescaled.mean == pytest.approx(scale * path.mean + shift, rel=1e-6, abs=1e-6 * scale)
    assert upper_bound(rescaled, 0.95) == pytest.approx(scale * upper_bound(path, 0.95) + shift, rel=1e-5,
                                                        abs=1e-5 * scale)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_swapping_the_methods_mirrors_everything(seed):
    u, s, t, d = crossed(np.random.default_rng(seed), keep=0.85)
    path, mirrored = (fitted(u, s, t, v).at(lines_at([0.0, 60.0])) for v in (d, -d))
    assert mirrored.mean == pytest.approx(-path.mean, rel=1e-9)
    assert lower_bound(mirrored, 0.05) == pytest.approx(-upper_bound(path, 0.95), rel=1e-9)
    wide = upper_bound(path, 0.99) - upper_bound(path, 0.01)
    assert np.all(wide > upper_bound(path, 0.9) - upper_bound(path, 0.1))


@pytest.mark.parametrize(("u", "s", "d", "why"), [
    (np.full(12, 5.0), np.repeat([0, 1, 2], 4), np.arange(12.0), "the columns do not vary"),
    (np.array([0, 1, 2, 3, 9, 9, 9, 9.0]), np.repeat([0, 1], 4), np.arange(8.0), "do not carry a line of its own"),
    (np.array([0, 1, 0, 1.0]), np.array([0, 0, 1, 1]), np.arange(4.0), "nothing is left beside the lines"),
    (np.tile(USES, 3), np.repeat([0, 1, 2], 7), np.tile(2 + 3 * USES, 3), "lie on the lines of the sensors"),
])
def test_what_cannot_be_fitted_is_said(u, s, d, why):
    with pytest.raises(NoFitError, match=why):
        fitted(u, s, None, d)


def test_targets_that_only_ever_met_one_sensor_line_are_left_in_the_residual():
    # one target a sensor and use: the lines and what is left take up everything that tells targets apart
    u, s = np.tile(USES, 3), np.repeat([0, 1, 2], 7)
    design = AlongDesign.build(lines_at(u), s, s)
    assert design.df_target == 0
    assert design.target is None
