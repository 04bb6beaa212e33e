"""The tables of simulated coverage behind what stands beside the drift: what they hold, and what they show."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from drift.engine.break_set import break_set, slope_intervals
from drift.engine.correlated import Correlated
from drift.engine.robust_trend import pooled_kendall, stratified_trend, walsh_centre
from drift.sensitivity.exposures import METHOD as EXPOSURES_METHOD
from drift.sensitivity.shapes import BREAK_METHOD, SLOPES_METHOD
from drift.simulated import Design, nearest
from tests.coverage import autocorrelation, breaks, exposures, new_batch, robust_trend, shapes

FAMILIES = {m.FAMILY.name: m.FAMILY for m in (autocorrelation, breaks, exposures, new_batch, robust_trend, shapes)}


def rows(name: str) -> pd.DataFrame:
    frame = pd.read_csv(FAMILIES[name].table, keep_default_na=False)
    return frame.assign(coverage=frame.coverage.astype(float))


@pytest.mark.parametrize("name", list(FAMILIES))
def test_every_design_is_tabled_as_often_as_said(name: str) -> None:
    frame = rows(name)
    assert sorted(frame.design.unique()) == sorted(FAMILIES[name].designs)
    assert (frame.studies >= FAMILIES[name].studies).all()


def test_the_robust_drift_holds_whatever_the_errors_and_exact_p_is_never_too_small() -> None:
    frame = rows("robust_trend")
    mine = frame[frame.method == robust_trend.NAMED]
    assert mine.coverage.min() >= 0.93
    exact = frame[frame.method == robust_trend.EXACT]
    assert exact.coverage.min() >= 0.93
    four = frame[(frame.method == robust_trend.NORMAL) & frame.quantity.str.contains("4 checks")]
    assert four.coverage.max() < 0.94  # the normal approximation says "drifts" where four checks cannot


def test_offsets_of_calibrations_are_not_taken_out_before_signs_are_counted() -> None:
    frame = rows("robust_trend")
    naive = frame[(frame.method == robust_trend.ALIGNED) & (frame.quantity == "p of all sensors above 0.05")]
    assert len(naive) == 6
    assert naive.coverage.max() < 0.85  # "exact" in name only
    mine = frame[(frame.method == robust_trend.EXACT) & frame.design.str.contains("displayed")]
    assert mine.coverage.min() >= 0.94


@pytest.mark.parametrize("design", ["6 sensors", "12 sensors, readings rounded",
                                    "12 sensors, displayed, one recalibration",
                                    "6 sensors, displayed, two recalibrations"])
def test_many_studies_at_once_are_the_trends_that_are_printed(design: str) -> None:
    made = robust_trend.batch(design, [(np.random.default_rng(5), 3)])
    n, kind = int(design.split()[0]), design.partition(" sensors")[2]
    true, e = robust_trend._draw(n, kind, np.random.default_rng(5), 3)
    y = true[:, :, None] * robust_trend.USES + e
    if kind == ", readings rounded":
        y, e = np.round(y, 2), np.round(e, 2)
    epoch = robust_trend.DISPLAYED.get(kind, (0,) * 7)
    for i in range(3):
        trends = [stratified_trend(robust_trend.USES, row, epoch) for row in y[i]]
        _, low, high = walsh_centre([t.slope for t in trends])
        held, width = made["robust drift per use", robust_trend.NAMED]
        assert width[i] == pytest.approx(high - low)
        assert bool(held[i]) is (low <= robust_trend.SLOPE <= high)
        pooled = pooled_kendall([stratified_trend(robust_trend.USES, row, epoch).kendall for row in e[i]])
        assert bool(made["p of all sensors above 0.05", robust_trend.EXACT][0][i]) is (pooled.p > 0.05)
        if (robust_trend.ONE, "Theil-Sen, exact ranks") in made:
            width = made[robust_trend.ONE, "Theil-Sen, exact ranks"][1]
            assert width[i] == pytest.approx(trends[0].high - trends[0].low)


def test_a_new_batch_is_predicted_and_the_interval_of_the_mean_is_not_about_it() -> None:
    frame = rows("new_batch")
    assert frame[frame.method == new_batch.METHOD].coverage.min() >= 0.93
    spread = frame[(frame.method == new_batch.NAIVE) & ~frame.design.str.contains("alike")]
    assert spread.coverage.max() < 0.85


def test_the_search_for_a_break_is_paid_for_and_the_own_bends_of_sensors_are_none() -> None:
    frame = rows("breaks")
    size = frame[frame.quantity == "p of no break above 0.05"].set_index(["design", "method"]).coverage
    for n in (6, 12, 24):
        for own in breaks.OWN:
            assert size[f"{n} sensors{own}", breaks.TEST] >= 0.94
            assert size[f"{n} sensors{own}", breaks.PLAIN] < 0.90
        assert size[f"{n} sensors, own bends", breaks.ALIKE] < 0.85  # sensors taken to bend alike


def test_the_set_of_a_break_holds_it_also_where_one_looks_only_after_a_small_p() -> None:
    frame = rows("breaks")
    mine = frame[(frame.method == BREAK_METHOD) | (frame.method == SLOPES_METHOD)].set_index(["quantity", "design"])
    assert mine.coverage["break at use"].min() >= 0.94
    assert mine.coverage["break at use, where p is below 0.05"].min() >= 0.93
    assert mine.coverage["drift per use before the break"].min() >= 0.94


def test_drift_after_a_break_misses_at_most_5_percent_of_all_studies_and_more_of_those_told() -> None:
    frame = rows("breaks")
    mine = frame[frame.method == SLOPES_METHOD]
    told_ = 1 - mine.without_interval.astype(float) / mine.studies.astype(float)
    assert ((1 - mine.coverage) * told_).max() <= 0.02
    few = mine[(mine.design == "6 sensors, small break, own bends") & mine.quantity.str.contains("after")]
    assert 0.85 < float(few.coverage.iloc[0]) < 0.93  # the page says that it holds less often
    assert 1 / 45 < float(told_[few.index[0]]) < 1 / 35  # and that it is told in one study of forty


@pytest.mark.parametrize("design", ["6 sensors, true break", "6 sensors, small break, own bends"])
def test_many_breaks_at_once_are_those_that_are_printed(design: str) -> None:
    made = breaks.batch(design, [(np.random.default_rng(3), 4)])
    hinges, told, _ = breaks.prepared(6)
    bend = breaks.BENDS[", true break" if "true" in design else ", small break"]
    y = breaks._draw(6, bend, design.endswith("own bends"), np.random.default_rng(3), 4)
    for i in range(4):
        found = break_set(hinges, y[i].ravel(), told)
        low, high = (40 * v for v in found.ends(hinges.at))
        held, width = made["break at use", BREAK_METHOD]
        clipped = (30.0 if np.isnan(high) else high) - (2.0 if np.isnan(low) else low)
        assert width[i] == pytest.approx(clipped if found.inside.any() else 0.0)
        assert bool(held[i]) is bool(found.inside.any() and not low > 20 and not high < 20)
        assert np.isfinite(made["break at use, where p is below 0.05", BREAK_METHOD][1][i]) == (found.p <= 0.05)
        ends = slope_intervals(hinges, y[i].ravel(), hinges.at[found.wider], level=0.95) / 40
        told_ = np.isfinite(made["drift per use after the break", SLOPES_METHOD][1][i])
        assert told_ == found.slopes_told
        if told_:
            assert made["drift per use after the break", SLOPES_METHOD][1][i] == pytest.approx(ends[1, 1] - ends[1, 0])


def test_two_clocks_hold_together_where_sensors_that_differ_in_one_do_not() -> None:
    frame = rows("exposures")
    mine = frame[frame.method == exposures.METHOD]
    assert mine.coverage.min() >= 0.94
    naive = frame[(frame.method == exposures.NAIVE) & (frame.quantity == exposures.QUANTITIES[1])]
    assert naive.coverage.min() < 0.92
    assert EXPOSURES_METHOD == exposures.METHOD


def test_the_drift_with_autocorrelated_errors_holds_where_one_line_does_not() -> None:
    frame = rows("autocorrelation")
    assert frame[frame.method == autocorrelation.NAMED].coverage.min() > 0.93
    assert frame[frame.method == autocorrelation.LINE].coverage.max() < 0.94
    assert {int(d.split()[0]) for d in frame.design} == {6, 12, 24}


@pytest.mark.parametrize("phi", [0.0, 0.8])
def test_many_fits_at_once_are_those_that_are_printed(phi: float) -> None:
    y = autocorrelation.draw(7, phi, np.random.default_rng(3), 2)
    made = autocorrelation.Studies(y)
    plain = made.fit("plain")
    correlated = made.fit("correlated", start=plain.t)
    held = made.fit("held", near=0.3, start=plain.t)
    x, code = np.tile(autocorrelation.USES, 7), np.repeat(np.arange(7), len(autocorrelation.USES))
    columns = np.column_stack([np.ones_like(x), x])
    for i in range(2):
        rows_ = Correlated(y[i].ravel(), columns, columns, code, x)
        one = rows_.fit(correlated=False)
        two = rows_.fit(effects=one.theta)
        three = rows_.fit(near=0.3)
        assert plain.error[i] == pytest.approx(one.std_errors[1], rel=1e-3)
        assert correlated.error[i] == pytest.approx(two.std_errors[1], rel=1e-3)
        assert correlated.slope[i] == pytest.approx(two.beta[1], rel=1e-3)
        assert plain.deviance[i] - correlated.deviance[i] == pytest.approx(2 * (two.loglik - one.loglik), abs=1e-3)
        assert held.deviance[i] - correlated.deviance[i] == pytest.approx(2 * (two.loglik - three.loglik), abs=1e-3)


@pytest.mark.parametrize(("family", "named", "method"), [
    ("robust_trend", "robust drift per use", robust_trend.NAMED), ("breaks", "break at use", BREAK_METHOD),
    ("exposures", "drift by exposure, second clock", EXPOSURES_METHOD),
    ("autocorrelation", "drift per use", autocorrelation.NAMED)])
def test_a_study_is_told_of_the_row_nearest_to_it(family: str, named: str, method: str) -> None:
    found = nearest(family, named, method, Design(n=11.0))
    assert found is not None
    assert found.design_text.startswith("12 sensors")
