"""Several clocks at once: the restricted likelihood of the mixed-model engine, offsets that cancel, naive errors."""

from __future__ import annotations

import numpy as np
import pytest

from drift.engine.clocks import clock_fit
from drift.engine.joint_clocks import condition_number, contrasts, helmert, joint_slopes, left_out_scores
from drift.engine.mixed import NestedDesign, fit_mixed, kenward_roger


def world(seed: int, m: int = 10, sd: float = 0.002) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Two clocks, sensors that differ in both; sensor and calibration codes."""
    rng = np.random.default_rng(seed)
    use, code = np.tile(np.arange(0, 35, 5.0), m), np.repeat(np.arange(m), 7)
    cycles = np.concatenate([np.cumsum(rng.choice([1.0, 9.0], 7)) for _ in range(m)])
    b = -0.004 + sd * rng.standard_normal((m, 2))
    y = rng.normal(0, 0.05, m)[code] + b[code, 0] * use + b[code, 1] * cycles + rng.normal(0, 0.005, len(use))
    return y, np.column_stack([use, cycles]), code, 2 * code + (use > 15)


@pytest.mark.parametrize("strata", ["sensors", "calibrations"])
def test_contrasts_give_the_restricted_likelihood_with_every_offset_a_parameter(strata: str) -> None:
    y, x, code, epoch = world(1)
    stratum = code if strata == "sensors" else epoch
    fit = joint_slopes(contrasts(y, x, code, stratum))
    columns = np.column_stack([x, *(stratum == s for s in np.unique(stratum))]).astype(float)
    design = NestedDesign.build(y, columns, [(x, code, False)])
    peer = fit_mixed(design)
    assert fit.slopes == pytest.approx(peer.beta[:2], rel=1e-5)
    errors = kenward_roger(design, peer)
    assert fit.std_errors == pytest.approx(errors.std_error[:2], rel=1e-3)
    assert fit.df == pytest.approx(np.minimum(errors.df[:2], 9), rel=1e-2)


def test_one_clock_on_one_schedule_is_the_t_interval_over_sensors() -> None:
    y, x, code, _ = world(2)
    fit = joint_slopes(contrasts(y, x[:, :1], code, code))
    dx = np.arange(0, 35, 5.0) - 15
    slopes = y.reshape(10, 7) @ dx / (dx @ dx)
    assert fit.slopes[0] == pytest.approx(slopes.mean(), rel=1e-8)
    assert fit.std_errors[0] == pytest.approx(slopes.std(ddof=1) / np.sqrt(10), rel=1e-5)
    assert fit.df[0] == pytest.approx(9, rel=1e-4)


def test_the_offset_of_a_calibration_changes_nothing() -> None:
    y, x, code, epoch = world(3)
    moved = y + np.random.default_rng(1).normal(0, 1, 20)[epoch]
    a, b = (joint_slopes(contrasts(v, x, code, epoch)) for v in (y, moved))
    assert b.slopes == pytest.approx(a.slopes, rel=1e-6)
    assert b.std_errors == pytest.approx(a.std_errors, rel=1e-4)
    scores = [left_out_scores(contrasts(v, x[:, :1], code, epoch)) for v in (y, moved)]
    assert scores[1] == pytest.approx(scores[0], abs=1e-5)


def test_a_clock_in_which_sensors_are_taken_to_be_alike_has_too_small_an_error() -> None:
    ratio = []
    for seed in range(6):
        y, x, code, _ = world(10 + seed)
        ratio.append(clock_fit(y, x, code).std_errors[1] / joint_slopes(contrasts(y, x, code, code)).std_errors[1])
    assert np.median(ratio) < 0.8


def test_units_and_labels_change_nothing_but_the_unit() -> None:
    y, x, code, _ = world(4)
    a = joint_slopes(contrasts(y, x, code, code))
    order = np.random.default_rng(2).permutation(len(y))
    names = np.array([3, 1, 5, 0, 2, 4, 9, 8, 7, 6])[code]
    b = joint_slopes(contrasts(100 * y[order], x[order] * [60, 0.001], names[order], names[order]))
    assert b.slopes == pytest.approx(100 * a.slopes / [60, 0.001], rel=1e-5)
    assert b.std_errors == pytest.approx(100 * a.std_errors / [60, 0.001], rel=1e-4)


def test_clocks_that_differ_in_pairs_may_be_one_together() -> None:
    _, x, code, _ = world(5)
    both = np.column_stack([x, x.sum(axis=1)])
    assert condition_number(contrasts(x[:, 0], both, code, code)) > 1e6
    assert condition_number(contrasts(x[:, 0], x, code, code)) < 15
    assert helmert(4) @ helmert(4).T == pytest.approx(np.eye(3))
    assert helmert(4).sum(axis=1) == pytest.approx(0)
