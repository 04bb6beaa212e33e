"""Normality of differences, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from drift.engine.difference_checks import shapiro_wilk


@pytest.mark.parametrize("n", [4, 5, 6, 11, 12, 13, 50, 101, 1000, 5000])
@pytest.mark.parametrize("shape", ["normal", "skewed", "heavy tails", "ties"])
def test_shapiro_wilk_is_that_of_scipy(n: int, shape: str) -> None:
    rng = np.random.default_rng(n)
    x = {"normal": rng.standard_normal(n), "skewed": rng.standard_exponential(n), "heavy tails": rng.standard_t(2, n),
         "ties": rng.integers(0, 4, n) + np.arange(n) % 2}[shape]
    mine, theirs = shapiro_wilk(1e6 + 300 * x), stats.shapiro(x)
    assert mine == pytest.approx((theirs.statistic, theirs.pvalue), abs=1e-6)


def test_a_perfect_two_point_sample_is_not_called_normal() -> None:
    assert shapiro_wilk(np.r_[np.zeros(50), np.ones(50)])[1] < 1e-10
