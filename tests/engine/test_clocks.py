"""Clocks of wear, load-weighted damage, and the drift of a new batch, on arrays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.clocks import clock_fit, clock_score, damage, damage_exponent, new_batch
from drift.engine.mixed import NestedDesign, fit_mixed


def world(seed: int, m: int = 10) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Sensors with uses, loads between checks, and a response that wears by uses."""
    rng = np.random.default_rng(seed)
    use, code = np.tile(np.arange(0, 35, 5.0), m), np.repeat(np.arange(m), 7)
    load = np.exp(rng.normal(0, 0.6, len(use)))
    y = rng.normal(0, 0.05, m)[code] - 0.01 * use + rng.normal(0, 0.01, len(use))
    return use, load, y, code


def test_one_clock_is_the_wear_model() -> None:
    use, _, y, code = world(1)
    assert clock_score(y, use, code).shape == (10,)
    columns = np.column_stack([np.ones_like(use), use])
    peer = fit_mixed(NestedDesign.build(y, columns, [(columns, code)]), method="ML")
    fit = clock_fit(y, use[:, None], code)
    assert fit.slopes[0] == pytest.approx(peer.beta[1], rel=1e-6)
    assert fit.std_errors[0] == pytest.approx(np.sqrt(peer.cov_beta[1, 1]), rel=0.03)  # variance over n - p, not n


def test_damage_adds_up_load_to_a_power() -> None:
    use, load, code = np.array([0, 5, 10, 0, 4.0]), np.array([1, 2, 3, 1, 2.0]), np.array([0, 0, 0, 1, 1])
    assert damage(use, load, code, 2.0) == pytest.approx([0, 20, 65, 0, 16])
    assert damage(use, np.ones(5), code, 3.0) == pytest.approx(use)


def test_the_exponent_is_recovered_and_equal_loads_cannot_tell_it() -> None:
    use, load, y, code = world(2)
    y = y + 0.01 * use - 0.008 * damage(use, load / np.median(load[use > 0]), code, 3.0)
    d = damage_exponent(y, use, load, code, level=0.95)
    assert d.low < 3 < d.high
    assert d.exponent == pytest.approx(3, abs=0.41)
    flat = damage_exponent(y, use, np.exp(0.001 * np.log(load)), code, level=0.95)
    assert np.isnan(flat.low)
    assert np.isnan(flat.high)


def test_the_prediction_of_a_new_batch_is_that_of_the_batch_means() -> None:
    rng = np.random.default_rng(3)
    means = rng.normal(0, 1, 5)
    p = new_batch(np.repeat(means, 4), np.repeat(np.arange(5), 4))
    from scipy.stats import t

    half = t.ppf(0.975, 4) * means.std(ddof=1) * np.sqrt(1 + 1 / 5)
    assert p.batch == pytest.approx((means.mean() - half, means.mean() + half))
    # Naive: the interval of the mean over batches is not about the next one.
    assert half > 2 * t.ppf(0.975, 4) * means.std(ddof=1) / np.sqrt(5)
    with pytest.raises(ValueError, match="two batches"):
        new_batch([1.0, 2.0], [0, 0])


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.floats(0.1, 10), st.floats(-5, 5))
def test_scale_and_shift_carry_over_and_a_sensor_is_wider_than_a_batch(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    slopes, batch = rng.normal(size=15), np.repeat(np.arange(5), 3)
    a, b = new_batch(slopes, batch), new_batch(scale * slopes + shift, batch[::-1][::-1])
    assert b.batch == pytest.approx(tuple(scale * v + shift for v in a.batch), abs=1e-8)
    assert b.sensor == pytest.approx(tuple(scale * v + shift for v in a.sensor), abs=1e-8)
