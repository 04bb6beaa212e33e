"""Steps of never-worn sensors: found where they are, told apart by who made them, seldom found elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.baseline_step import largest_step, largest_stretch
from drift.engine.shared_steps import shared_steps

SD = 0.006


def series(m=2, n=30, *, at=24, step=0.08, who=None, slope=0.0, seed=1, sd=SD):
    """Day means of ``m`` never-worn sensors, of which ``who`` (all by default) step from day ``at`` on."""
    rng = np.random.default_rng(seed)
    day, code = np.tile(np.arange(n, dtype=float), m), np.repeat(np.arange(m), n)
    y = rng.normal(0, sd, m * n) + slope * day
    hit = (day >= at) & (np.isin(code, who) if who is not None else np.ones(m * n, dtype=bool))
    return y + step * hit, day, code


@pytest.mark.parametrize("at", [1, 2, 15, 24, 29])
def test_a_step_of_all_is_the_rig_and_its_day_is_found(at):
    (found,) = shared_steps(*series(at=at))
    assert (found.kind, found.at, found.before) == ("all", at, at - 1)
    assert found.alike
    assert found.shift == pytest.approx(0.08, abs=4 * SD)


@pytest.mark.parametrize("who", [0, 1])
@pytest.mark.parametrize("m", [2, 3, 5])
def test_a_step_of_one_alone_is_its_own(m, who):
    (found,) = shared_steps(*series(m, who=[who]))
    assert found.kind == "alone"
    assert np.flatnonzero(found.moved).tolist() == [who]


def test_one_series_alone_cannot_be_told_apart():
    (found,) = shared_steps(*series(1))
    assert found.kind == "single"


def test_some_of_many_leave_it_open():
    (found,) = shared_steps(*series(4, who=[0, 1]))
    assert found.kind == "unclear"


def test_steps_of_different_size_are_the_rig_but_not_alike():
    y, day, code = series(2, step=0.08)
    y[(code == 1) & (day >= 24)] += 0.08
    (found,) = shared_steps(y, day, code)
    assert found.kind == "all"
    assert not found.alike


def test_two_steps_are_both_found_in_the_order_of_time():
    y, day, code = series(at=20)
    y[(code == 0) & (day >= 10)] += 0.05
    assert [(s.at, s.kind) for s in shared_steps(y, day, code)] == [(10, "alone"), (20, "all")]


def test_one_that_was_not_read_after_the_step_neither_follows_nor_stays():
    y, day, code = series(2)
    keep = ~((code == 1) & (day >= 24))
    (found,) = shared_steps(y[keep], day[keep], code[keep])
    assert found.kind == "single"
    assert np.isnan(found.shift[1])


@pytest.mark.parametrize("slope", [0.0003, 0.001, 0.01])
def test_a_steady_drift_is_seldom_a_step(slope):
    found = [bool(shared_steps(*series(step=0.0, slope=slope, seed=s))) for s in range(12)]
    assert sum(found) <= 2


def test_false_steps_are_rare():
    """Size 1 %: with 60 studies, 4 or more would have a chance of 0.3 %."""
    found = [bool(shared_steps(*series(step=0.0, n=12, seed=s))) for s in range(60)]
    assert sum(found) <= 3


def test_a_naive_mean_over_series_would_blame_the_rig():
    """The mean of all series steps where one did: only asking each tells them apart."""
    y, _, _ = series(2, who=[0])
    naive = largest_step(y.reshape(2, -1).mean(axis=0))
    assert naive.p < 0.001
    assert shared_steps(*series(2, who=[0]))[0].kind != "all"


def test_without_scatter_or_with_few_days_nothing_breaks():
    assert shared_steps(*series(2, step=0.0, sd=0.0)) == ()
    assert shared_steps(*series(2, n=3)) == ()
    assert shared_steps(*series(2, n=4, at=2)) == ()
    (found,) = shared_steps(*series(2, sd=0.0))
    assert found.kind == "all"


@settings(max_examples=8, deadline=None)
@given(scale=st.floats(0.01, 100), turn=st.randoms(use_true_random=False))
def test_scale_order_and_names_change_nothing(scale, turn):
    y, day, code = series(2, who=[0])
    order = list(range(len(y)))
    turn.shuffle(order)
    (there,) = shared_steps(scale * y[order], day[order], 1 - code[order])
    (here,) = shared_steps(y, day, code)
    assert (there.kind, there.at) == (here.kind, here.at)
    assert there.shift[::-1] == pytest.approx(scale * here.shift, rel=1e-9)


def test_a_step_on_record_is_judged_where_it_was_logged_and_others_are_still_found():
    y, day, code = series(2, at=20)
    y[day >= 10] += 0.01
    found = shared_steps(y, day, code, known=[10])
    assert [(s.at, s.known) for s in found] == [(10, True), (20, False)]
    assert found[0].shift == pytest.approx([0.01, 0.01], abs=0.012)


def test_a_step_on_record_that_nothing_shows_is_small_and_of_all():
    y, day, code = series(2, step=0.0)
    (found,) = shared_steps(y, day, code, known=[15])
    assert found.known
    assert found.moved.all()
    assert np.abs(found.shift).max() < 0.01
    assert shared_steps(y, day, code) == ()


def test_a_step_that_is_undone_is_found_with_its_undoing():
    """Four of 25 days 8 % higher: one step explains a sixth of the scatter, the stretch nearly all."""
    y, day, code = series(2, n=25, at=12)
    y[day >= 16] -= 0.08
    found = shared_steps(y, day, code)
    assert [(s.at, s.kind) for s in found] == [(12, "all"), (16, "all")]
    assert found[0].shift == pytest.approx([0.08, 0.08], abs=4 * SD)
    assert found[1].shift == pytest.approx([-0.08, -0.08], abs=4 * SD)
    assert largest_step(y[:25], side=1).p > 0.01


def test_a_stretch_is_tested_at_its_size():
    """p of normal sequences is uniform: of 400 about 20 are below 5 %, and 35 would be 3.4 SDs too many."""
    rng = np.random.default_rng(8)
    p = np.array([largest_stretch(rng.normal(size=20), runs=999).p for _ in range(400)])
    assert 7 <= (p < 0.05).sum() <= 35
    assert largest_stretch(np.ones(9)).p == 1.0
    with pytest.raises(ValueError, match="six occasions"):
        largest_stretch(np.arange(5.0))


def test_one_occasion_on_a_side_is_a_step_only_where_asked():
    x = np.r_[-0.08, np.random.default_rng(3).normal(0, SD, 29)]
    assert largest_step(x, side=1).at == 1
    assert largest_step(x).at >= 2


@pytest.mark.parametrize("steps", [[(30, 0.08), (50, -0.08)], [(20, 0.05), (40, 0.05)],
                                   [(10, 0.04), (30, 0.08), (50, -0.05)]])
def test_several_steps_of_all_do_not_pass_for_occasions_that_are_alike(steps):
    """One step describes such a series badly, and a first-order autoregression well."""
    y, day, code = series(2, 60, step=0.0)
    y = y + sum(size * (day >= at) for at, size in steps)
    found = shared_steps(y, day, code)
    assert [(s.at, s.kind) for s in found] == [(at, "all") for at, _ in steps]
    for s, (_, size) in zip(found, steps, strict=True):
        assert s.shift == pytest.approx([size] * 2, abs=4 * SD)


def test_occasions_that_wander_are_seldom_cut_into_several_steps():
    """A common wandering of correlation 0.95 between days is a step in two of five series, by one step too."""
    found = []
    for seed in range(20):
        y, day, code = series(2, 60, step=0.0, seed=seed)
        common, rng = np.zeros(60), np.random.default_rng(100 + seed)
        for i in range(1, 60):
            common[i] = 0.95 * common[i - 1] + 0.6 * SD * rng.standard_normal()
        found.append(bool(shared_steps(y + common[day.astype(int)], day, code)))
    assert sum(found) <= 11
