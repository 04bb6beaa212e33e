"""Agreement survival: counts against published shares, the model against the share inside, the band in simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.distributions.empirical_distribution import ECDF

from drift.engine.limits_of_agreement import one_stratum, share_inside
from drift.engine.survival_agreement import model_beyond, normal_beyond, share_beyond
from tests.coverage.agreement_survival import FAMILY, named, study
from tests.published_examples import load

VALUES = st.lists(st.floats(-100, 100), min_size=3, max_size=30)


def first_readings(a: str, b: str) -> np.ndarray:
    frame = load("bland-altman-1999-sbp").frame().query("replicate == 1").pivot_table(index="subject", columns="method",
                                                                                     values="sbp")
    return (frame[a] - frame[b]).to_numpy(float)


def test_counts_are_the_shares_of_first_readings_within_5_10_and_15_mmhg() -> None:
    # Bland & Altman (1999), section 4, nonparametric: recomputed from the data of its Table 1
    shares = load("bland-altman-1999-sbp").recomputed["nonparametric_first_reading"]
    d = first_readings("S", "J")
    inside = 1 - share_beyond(d, [5.0, 10.0, 15.0])
    assert inside == pytest.approx([shares["abs_S-J_within_5"], shares["within_10"], shares["within_15"]], abs=1e-9)
    assert 1 - share_beyond(first_readings("R", "J"), [5.0]) == pytest.approx([shares["abs_R-J_within_5"]], abs=1e-9)


def test_counts_are_one_minus_another_librarys_distribution_function() -> None:
    d = np.random.default_rng(3).normal(2, 5, 41)
    at = np.linspace(0, 20, 37)
    assert share_beyond(d, at) == pytest.approx(1 - ECDF(np.abs(d))(at), abs=1e-12)


def test_a_difference_of_exactly_that_size_is_not_larger() -> None:
    assert share_beyond([1.0, -2.0, 3.0, 2.0], [2.0, 1.9999, 3.0]).tolist() == [0.25, 0.75, 0.0]


def test_weights_count_like_repeats() -> None:
    d, w = np.array([1.0, 2.0, 5.0]), np.array([1, 3, 2])
    assert share_beyond(d, [1.5, 2.5], weights=w) == pytest.approx(share_beyond(np.repeat(d, w), [1.5, 2.5]))


def test_the_model_is_what_the_share_inside_leaves_and_keeps_digits_in_the_tail() -> None:
    at = np.array([0.0, 1.0, 4.0])
    assert normal_beyond(0.7, 1.3, at) == pytest.approx(1 - share_inside(0.7, 1.3, at), abs=1e-12)
    # One minus a share inside would be zero here.
    assert normal_beyond(0.0, 1.0, [9.0])[0] == pytest.approx(2.257176811907681e-19, rel=1e-9, abs=0)
    assert 1 - share_inside(0.0, 1.0, 9.0) == 0.0


def test_the_band_holds_the_curve_and_narrows_with_pairs() -> None:
    rng = np.random.default_rng(8)
    at = np.array([0.0, 1.0, 2.0, 3.0])
    widths = []
    for n in (10, 1000):
        value, low, high = model_beyond(one_stratum(rng.normal(0.3, 1, n)), at, 0.95, rng=rng)
        assert np.all(low <= value + 1e-12)
        assert np.all(value <= high + 1e-12)
        assert value[0] == pytest.approx(1)
        widths.append(high - low)
    assert np.all(widths[1][1:] < 0.25 * widths[0][1:])


def test_the_lower_end_is_not_that_of_plain_draws() -> None:
    # Plain quantiles of the pivotal draws, the naive way, lie above it when the bias is hardly known.
    from drift.engine.limits_of_agreement import pivotal_draws

    strata = one_stratum(np.random.default_rng(1).normal(0, 1, 8))
    _, low, _ = model_beyond(strata, [1.0], 0.95, rng=np.random.default_rng(2))
    means, sds = pivotal_draws(strata, np.random.default_rng(2), 2000)
    assert low[0] < np.quantile(normal_beyond(means, sds, 1.0), 0.025) - 0.01


@given(VALUES, st.floats(0.01, 100))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_shares_fall_and_do_not_depend_on_unit_order_or_sign(values: list[float], unit: float) -> None:
    d = np.array(values)
    at = np.linspace(0, 120, 25)
    shares = share_beyond(d, at)
    assert np.all(np.diff(shares) <= 1e-12)
    assert share_beyond(-d[::-1], at) == pytest.approx(shares, abs=1e-12)
    on_steps = np.abs(d)[:5] * 1.0
    assert share_beyond(d * 4.0, on_steps * 4.0) == pytest.approx(share_beyond(d, on_steps), abs=1e-12)
    assert normal_beyond(3.0 * unit, 2.0 * unit, at * unit) == pytest.approx(normal_beyond(3.0, 2.0, at), abs=1e-12)


def test_swapping_the_two_changes_nothing() -> None:
    d = np.random.default_rng(5).normal(1, 2, 30)
    at = np.array([0.5, 2.0, 4.0])
    one, other = (model_beyond(one_stratum(x), at, 0.95, rng=np.random.default_rng(7), n_draws=20_000) for x in (d, -d))
    assert one[0] == pytest.approx(other[0], abs=1e-12)
    assert one[1] == pytest.approx(other[1], abs=0.01)
    assert one[2] == pytest.approx(other[2], abs=0.01)


def rows() -> list[dict[str, str]]:
    return FAMILY.committed()


def test_the_band_holds_the_truth_in_the_committed_simulation() -> None:
    assert len({r["design"] for r in rows()}) >= 40
    assert {r["design"] for r in rows()} == set(named)
    assert min(int(r["studies"]) for r in rows()) >= 2000
    assert min(float(r["coverage"]) for r in rows()) >= 0.93
    assert max(float(r["coverage"]) for r in rows()) <= 0.98


def test_a_study_is_simulated_alike() -> None:
    first, second = (study("20 targets x 3, share 0.5, bias 1 SD", np.random.default_rng(4)) for _ in range(2))
    assert first == second
    assert {q for q, _ in first} == {f"share beyond {d} SD" for d in (1, 2, 3)}
