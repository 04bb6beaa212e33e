"""Modified large-sample intervals are exact where one or two mean squares matter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from drift.engine.mean_square_intervals import bound, linear_interval, share_interval
from drift.engine.meansquares import mls_sum

MS, DF = np.array([9.0, 4.0, 1.5]), np.array([9.0, 3.0, 27.0])


def test_one_mean_square_has_its_chi_square_interval() -> None:
    low, high = linear_interval(MS, DF, [0, 2.0, 0], 0.95)
    assert low == pytest.approx(2 * 3 * 4 / stats.chi2.ppf(0.975, 3), rel=1e-9)
    assert high == pytest.approx(2 * 3 * 4 / stats.chi2.ppf(0.025, 3), rel=1e-9)


def test_a_sum_of_one_sign_is_graybill_and_wangs_but_for_the_pair_term() -> None:
    low, high = linear_interval(MS, DF, [0.5, 0.2, 0.3], 0.95)
    plain = mls_sum(MS, DF, [0.5, 0.2, 0.3], 0.95)
    assert high == pytest.approx(plain[1], rel=1e-9)
    assert low <= plain[0] + 1e-12


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_a_difference_changes_sign_where_the_f_ratio_says(level: float) -> None:
    # MS_1 - c MS_2 has its lower bound at zero exactly when F reaches its quantile.
    tail = (1 - level) / 2
    c = MS[0] / MS[1] / stats.f.ppf(1 - tail, DF[0], DF[1])
    assert bound(MS, DF, [1.0, -c, 0], tail, "lower") == pytest.approx(0, abs=1e-9)
    c = MS[0] / MS[1] / stats.f.ppf(tail, DF[0], DF[1])
    assert bound(MS, DF, [1.0, -c, 0], tail, "upper") == pytest.approx(0, abs=1e-8)


def test_the_share_of_two_mean_squares_is_the_exact_f_interval_of_consistency() -> None:
    n, k = 10, 4
    ms, df = np.array([12.0, 2.0]), np.array([n - 1.0, (n - 1.0) * (k - 1)])
    low, high = share_interval(ms, df, [1 / k, -1 / k], [0, 1.0], 0.95)
    f = ms[0] / ms[1]
    ends = [(q - 1) / (q + k - 1) for q in (f / stats.f.ppf(0.975, *df), f * stats.f.ppf(0.975, df[1], df[0]))]
    assert (low, high) == pytest.approx(tuple(ends), abs=1e-9)


def test_rows_of_weights_are_rows_of_intervals() -> None:
    many = linear_interval(MS, DF, np.eye(3), 0.9)
    assert many.shape == (3, 2)
    for j in range(3):
        np.testing.assert_allclose(many[j], linear_interval(MS, DF, np.eye(3)[j], 0.9))


def test_a_higher_level_gives_a_wider_interval() -> None:
    weights = [0.3, -0.2, 0.1]
    inner, outer = (linear_interval(MS, DF, weights, level) for level in (0.8, 0.99))
    assert outer[0] < inner[0] < inner[1] < outer[1]
