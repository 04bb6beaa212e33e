"""Regression limits of pairs that share targets: against independent software, by simulation, and the naive twin."""

import numpy as np
import pytest

from drift.engine.limits_of_agreement import mean_interval, upper_limit_bound
from drift.engine.paired_components import fit_paired
from drift.engine.paired_regression import paired_line
from drift.engine.regression_limits import regression_limits


def repeated(rng, q=20, m=3, share=0.6):
    code = np.repeat(np.arange(q), m)
    x = 100 + 20 * rng.normal(size=q)[code] + 3 * rng.normal(size=q * m)
    d = 2 + 0.1 * x + np.sqrt(share) * rng.normal(size=q)[code] + np.sqrt(1 - share) * rng.normal(size=q * m)
    return x, d, code


def test_slope_line_and_variances_equal_statsmodels():
    import warnings

    import statsmodels.api as sm

    x, d, code = repeated(np.random.default_rng(1))
    line = paired_line(x, d, [code])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        peer = sm.MixedLM(d, sm.add_constant(x - x.mean()), groups=code).fit(reml=True)
    assert line.slope == pytest.approx(peer.fe_params[1], rel=1e-4)
    strata = line.strata_at(float(x.mean()))
    assert strata.mean == pytest.approx(peer.fe_params[0], rel=1e-6)
    assert strata.variance == pytest.approx(float(peer.cov_re[0, 0]) + peer.scale, rel=1e-4)
    # its standard errors are from the observed information, so those are compared with dense matrices
    Z = (code[:, None] == np.arange(20)).astype(float)
    V = float(peer.cov_re[0, 0]) * Z @ Z.T + peer.scale * np.eye(60)
    X = sm.add_constant(x)
    for at in (60.0, 100.0, 140.0):
        z = np.array([1.0, at])
        variance = z @ np.linalg.solve(X.T @ np.linalg.solve(V, X), z)
        assert line.strata_at(at).mean_variance == pytest.approx(variance, rel=1e-3)


def test_at_the_mean_it_is_nearly_the_model_without_a_slope_when_there_is_none():
    rng = np.random.default_rng(2)
    code = np.repeat(np.arange(200), 3)
    x, d = rng.normal(size=600), rng.normal(size=200)[code] + rng.normal(size=600)
    with_slope, without = paired_line(x, d, [code]).strata_at(float(x.mean())), fit_paired(d, [code]).strata
    assert upper_limit_bound(with_slope, 0.975) == pytest.approx(upper_limit_bound(without, 0.975), rel=0.01)


def test_known_limits_are_held_where_pooled_rows_miss_them():
    rng = np.random.default_rng(3)
    held = np.zeros(3)
    for _ in range(150):
        x, d, code = repeated(rng, q=12, m=6, share=0.8)
        strata = paired_line(x, d, [code]).strata_at(130.0)
        truth = 2 + 13.0
        low, high = mean_interval(strata, 0.95)
        held[0] += low <= truth <= high
        held[1] += upper_limit_bound(strata, 0.025) <= truth + 1.96 <= upper_limit_bound(strata, 0.975)
        naive = regression_limits(x, d).bounds_at(130.0, 0.95)
        held[2] += naive[2] <= truth + 1.96 <= naive[3]
    assert held[0] >= 135
    assert held[1] >= 135
    assert held[2] < 110


def test_order_and_names_of_targets_do_not_matter():
    rng = np.random.default_rng(4)
    x, d, code = repeated(rng)
    base = paired_line(x, d, [code]).strata_at(90.0)
    mixed = rng.permutation(len(x))
    other = paired_line(x[mixed], d[mixed], [7 + 3 * (19 - code[mixed])]).strata_at(90.0)
    assert upper_limit_bound(other, 0.975) == pytest.approx(upper_limit_bound(base, 0.975), rel=1e-7)
    scaled = paired_line(10 * x, 10 * d, [code]).strata_at(900.0)
    assert upper_limit_bound(scaled, 0.975) == pytest.approx(10 * upper_limit_bound(base, 0.975), rel=1e-7)


def test_targets_crossed_with_sensors():
    rng = np.random.default_rng(5)
    t, s = np.repeat(np.arange(15), 12), np.tile(np.repeat(np.arange(6), 2), 15)
    x = 100 + 20 * rng.normal(size=15)[t] + rng.normal(size=180)
    d = 0.1 * x + 0.5 * rng.normal(size=15)[t] + 0.5 * rng.normal(size=6)[s] + rng.normal(size=180)
    strata = paired_line(x, d, [t, s]).strata_at(100.0)
    assert len(strata.df) == 3
    assert strata.df[1] <= 5
    assert strata.mean == pytest.approx(10, abs=1.5)


def test_pairs_of_one_occasion_count_once():
    rng = np.random.default_rng(6)
    held = np.zeros(2)
    target, occasion = np.repeat(np.arange(15), 8), np.repeat(np.arange(60), 2)
    for _ in range(100):
        x = 100 + 20 * rng.normal(size=60)[occasion] + rng.normal(size=120)
        d = 0.1 * x + rng.normal(size=15)[target] + 1.5 * rng.normal(size=60)[occasion] + 0.2 * rng.normal(size=120)
        truth = 10 + 1.96 * np.sqrt(1 + 1.5**2 + 0.04)
        for j, shared in enumerate((occasion, None)):
            strata = paired_line(x, d, [target], occasion=shared).strata_at(100.0)
            held[j] += upper_limit_bound(strata, 0.025) <= truth <= upper_limit_bound(strata, 0.975)
    assert held[0] >= 89
    assert held[1] < held[0]


def test_occasions_of_one_pair_each_change_nothing():
    x, d, code = repeated(np.random.default_rng(7))
    one = paired_line(x, d, [code]).strata_at(110.0)
    from drift.engine.paired_regression import of_occasions

    above, (mean_x, mean_d) = of_occasions(np.arange(60), [code], x, d)
    np.testing.assert_array_equal(above[0], code)
    np.testing.assert_allclose([mean_x, mean_d], [x, d])
    doubled = paired_line(np.repeat(x, 2), np.repeat(d, 2), [np.repeat(code, 2)],
                          occasion=np.repeat(np.arange(60), 2)).strata_at(110.0)
    assert upper_limit_bound(doubled, 0.975) == pytest.approx(upper_limit_bound(one, 0.975), rel=1e-6)
