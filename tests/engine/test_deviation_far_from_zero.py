"""Total deviation index where the bias is many SDs: the equation holds to rounding at the first step."""

from __future__ import annotations

import pytest
from scipy.stats import norm

from drift.engine.limits_of_agreement import total_deviation_index


@pytest.mark.parametrize("mean", [8.0, 17.3 / 1.668, 40.0, 1000.0])
@pytest.mark.parametrize("content", [0.8, 0.9, 0.95])
def test_a_bias_of_many_sds_leaves_one_tail(mean: float, content: float) -> None:
    assert total_deviation_index(mean, 1.0, content) == pytest.approx(mean + norm.ppf(content), rel=1e-9)


def test_the_share_inside_is_the_content_everywhere() -> None:
    for mean in (0.0, 0.3, 1.0, 2.5, 4.0, 6.0, 12.0):
        k = total_deviation_index(mean, 1.0, 0.9)
        assert norm.cdf(k - mean) - norm.cdf(-k - mean) == pytest.approx(0.9, abs=1e-12)
