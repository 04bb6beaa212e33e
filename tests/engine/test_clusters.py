"""Bootstrap of whole targets: what its multiplicities stand for, and against a loop and scipy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.engine.clusters import (
    bias_and_sd,
    cluster_bootstrap,
    cluster_intervals,
    linked_sums,
    one_left_out,
    resampled,
    unlinked_sums,
    weighted_quantiles,
)
from drift.engine.limits_of_agreement import linked_strata, unpaired_strata
from drift.engine.resampling import multiplicities


def pairs(rng, sizes, share=0.5):
    target = np.repeat(np.arange(len(sizes)), sizes)
    shift = np.sqrt(share) * rng.normal(size=len(sizes))
    return 50 + shift[target] + np.sqrt(1 - share) * rng.normal(size=len(target)), target


def test_every_target_once_gives_the_estimates_themselves():
    d, target = pairs(np.random.default_rng(1), [1, 2, 3, 5, 8])
    strata = linked_strata(d, target)
    bias, sd = bias_and_sd(linked_sums(d, target), np.ones((1, 5)))
    assert bias[0] == pytest.approx(strata.mean, rel=1e-12)
    assert sd[0] == pytest.approx(strata.sd, rel=1e-12)


def test_unlinked_readings_too():
    rng = np.random.default_rng(2)
    ta, tb = np.repeat(np.arange(4), [1, 2, 3, 4]), np.repeat(np.arange(4), [3, 1, 2, 1])
    a, b = rng.normal(size=10), rng.normal(size=7)
    found = unpaired_strata(a, ta, b, tb).strata
    bias, sd = bias_and_sd(unlinked_sums(a, ta, b, tb), np.ones((1, 4)))
    assert (bias[0], sd[0]) == pytest.approx((found.mean, found.sd), rel=1e-12)


def test_each_replicate_is_the_resampled_table():
    # a loop that builds the tables: a target drawn twice is two targets
    d, target = pairs(np.random.default_rng(3), [2, 3, 1, 4, 2, 6])
    sums = linked_sums(d, target)
    w = multiplicities(6, 40, np.random.default_rng(4))
    bias, sd = bias_and_sd(sums, w)
    for row, one_bias, one_sd in zip(w.astype(int), bias, sd, strict=True):
        drawn = np.repeat(np.arange(6), row)
        made = np.concatenate([d[target == t] for t in drawn])
        code = np.repeat(np.arange(6), [int(np.sum(target == t)) for t in drawn])
        again = linked_strata(made, code)
        assert (one_bias, one_sd) == pytest.approx((again.mean, again.sd), rel=1e-10)


def test_resampling_rows_would_make_the_bias_look_too_sure():
    d, target = pairs(np.random.default_rng(5), [10] * 10, share=0.8)
    ours = cluster_bootstrap(linked_sums(d, target), n=4000, rng=np.random.default_rng(6)).bias.std()
    rows = np.random.default_rng(7).choice(d, (4000, 100)).mean(1).std()
    assert ours > 2 * rows


def test_intervals_agree_with_scipy_on_means_of_targets():
    rng = np.random.default_rng(8)
    d = rng.exponential(size=30)
    sums = linked_sums(d, np.arange(30))
    for method in ("percentile", "BCa"):
        ours = cluster_intervals(sums, 0.95, method=method, n=40_000, rng=np.random.default_rng(9))["bias"]
        peer = stats.bootstrap((d,), np.mean, n_resamples=40_000, method=method, rng=np.random.default_rng(10))
        # Monte-Carlo error of a 2.5 % quantile of 40,000 draws, twice over
        error = 4 * np.sqrt(2) * 0.013 * d.std() / np.sqrt(30)
        assert ours == pytest.approx(tuple(peer.confidence_interval), abs=error)


def test_few_targets_spread_less_than_they_should():
    # the reason why intervals from mean squares are the default: (n - 1) / n of the variance of means
    d, target = pairs(np.random.default_rng(11), [1] * 5, share=0.0)
    made = cluster_bootstrap(linked_sums(d, target), n=20_000, rng=np.random.default_rng(12))
    assert made.bias.var() == pytest.approx(0.8 * d.var(ddof=1) / 5, rel=0.03)


def test_any_statistic_of_multiplicities_can_be_drawn():
    d, target = pairs(np.random.default_rng(13), [3] * 12)
    at = weighted_quantiles(d, target, (0.5,), np.ones((1, 12)))[0, 0]
    assert at == np.quantile(d, 0.5, method="inverted_cdf")
    drawn = resampled(12, lambda w: weighted_quantiles(d, target, (0.1, 0.9), w), n=500, rng=np.random.default_rng(1))
    assert drawn.shape == (500, 2)
    assert np.all(drawn[:, 0] <= drawn[:, 1])
    assert np.isin(drawn, d).all()


def test_chunks_change_nothing(monkeypatch):
    from drift.engine import clusters

    d, target = pairs(np.random.default_rng(14), [2] * 8)
    whole = cluster_bootstrap(linked_sums(d, target), n=400, rng=np.random.default_rng(15)).upper
    monkeypatch.setattr(clusters, "CHUNK", 8 * 100)
    parts = cluster_bootstrap(linked_sums(d, target), n=400, rng=np.random.default_rng(15)).upper
    assert parts.shape == whole.shape
    assert parts.mean() == pytest.approx(whole.mean(), abs=0.1)


@settings(deadline=None, max_examples=25, derandomize=True)
@given(st.integers(0, 1000), st.floats(0.1, 50), st.floats(-100, 100))
def test_units_and_offsets_go_through(seed, scale, shift):
    d, target = pairs(np.random.default_rng(seed), [1, 4, 2, 3])
    one = cluster_bootstrap(linked_sums(d, target), n=50, rng=np.random.default_rng(1))
    two = cluster_bootstrap(linked_sums(shift + scale * d, target), n=50, rng=np.random.default_rng(1))
    assert two.upper == pytest.approx(shift + scale * one.upper, rel=1e-9, abs=1e-9)


def test_one_target_cannot_be_resampled():
    with pytest.raises(ValueError, match="at least two"):
        cluster_bootstrap(linked_sums([1.0, 2.0], [0, 0]), rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match="without gaps"):
        linked_sums([1.0, 2.0], [0, 2])
    assert np.isnan(one_left_out(linked_sums([1.0, 2.0], [0, 1])).bias).all()


def test_leaving_one_out_is_the_estimate_of_the_others():
    d, target = pairs(np.random.default_rng(16), [2, 3, 4, 1])
    left = one_left_out(linked_sums(d, target))
    keep = target != 2
    again = linked_strata(d[keep], np.unique(target[keep], return_inverse=True)[1])
    assert (left.bias[2], left.sd[2]) == pytest.approx((again.mean, again.sd), rel=1e-10)
