"""Trend along use, variances with it removed and left in: against R, mean squares, a naive twin, known truths."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.meansquares import two_way
from drift.engine.repeated_uses import (
    Points,
    Trend,
    build_points,
    drift_draws,
    fit_trend,
    moments,
    own_line_interval,
    trend_interval,
    without_trend,
)

FOLDER = Path(__file__).parents[1] / "references"


def reference(layout: str) -> dict[str, float]:
    """Values that R (lme4, nlme, pbkrtest) gave for a layout."""
    with (FOLDER / "repeated_uses.csv").open(encoding="utf-8") as file:
        return {r["quantity"]: float(r["value"]) for r in csv.DictReader(file) if r["layout"] == layout}


def layout(name: str) -> Points:
    """One of the layouts that R was given."""
    with (FOLDER / "repeated_uses_data.csv").open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r["layout"] == name]
    target = np.unique([r["target"] for r in rows], return_inverse=True)[1]
    uses = np.array([float(r["use"]) for r in rows])
    return build_points([float(r["reading"]) for r in rows], target, np.unique(uses, return_inverse=True)[1], uses)


def table_points(y: np.ndarray, uses: np.ndarray) -> Points:
    """Points of a complete targets x uses table."""
    t, f = np.indices(y.shape)
    return build_points(y.ravel(), t.ravel(), f.ravel(), np.broadcast_to(uses, y.shape).ravel())


def both(points: Points) -> tuple[Trend, dict[str, float]]:
    trend = fit_trend(points, own_lines=True, occasions=True)
    removed = without_trend(points)
    assert trend is not None
    assert removed is not None
    return trend, moments(points, removed, trend)


def drawn(seed: int, n: int = 12, k: int = 5, *, trend: float = -0.5, occasion: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return (60 + 5 * rng.normal(size=(n, 1)) + trend * np.arange(k) + occasion * rng.normal(size=k)
            + 2 * rng.normal(size=(n, k)))


def test_variances_with_the_trend_removed_are_those_of_lme4_with_use_as_covariate() -> None:
    # Complete table, all variances inside: REML equals the mean squares.
    value, expected = both(layout("complete"))[1], reference("complete")
    assert value["target"] == pytest.approx(expected["removed target"], rel=1e-6)
    assert value["facet"] == pytest.approx(expected["removed occasion"], rel=1e-5)
    assert value["noise"] == pytest.approx(expected["removed Residual"], rel=1e-6)


def test_what_the_trend_adds_makes_up_the_occasion_variance_of_lme4_without_the_covariate() -> None:
    trend, value = both(layout("complete"))
    left_in = value["facet"] + value["slope squared"] * trend.spread
    assert left_in == pytest.approx(reference("complete")["left in occasion"], rel=1e-6)


def test_with_missing_cells_moments_stay_near_reml() -> None:
    # Another estimator of the same variances: they agree to a few per cent here, not to digits.
    trend, value = both(layout("missing"))
    expected = reference("missing")
    assert value["target"] == pytest.approx(expected["removed target"], rel=0.03)
    assert value["noise"] == pytest.approx(expected["removed Residual"], rel=0.03)
    left_in = value["facet"] + value["slope squared"] * trend.spread
    assert left_in == pytest.approx(expected["left in occasion"], rel=0.03)


def test_slope_of_a_complete_table_is_that_of_nlme() -> None:
    assert both(layout("complete"))[0].slope == pytest.approx(reference("complete")["nlme slope"], rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 8), st.integers(3, 7))
def test_drift_left_in_is_the_usual_two_way_facet_variance(seed: int, n: int, k: int) -> None:
    y = drawn(seed, n, k, trend=-2.0, occasion=2.0)
    uses = np.cumsum(np.random.default_rng(seed).integers(1, 9, size=k)).astype(float)
    trend, value = both(table_points(y, uses))
    usual = two_way(y).components()
    if min(value["facet"], value["slope squared"], usual["facet"], usual["target"]) > 0:
        assert value["facet"] + value["slope squared"] * trend.spread == pytest.approx(usual["facet"], rel=1e-9)
        assert value["target"] == pytest.approx(usual["target"], rel=1e-9)
        assert value["noise"] == pytest.approx(usual["residual"], rel=1e-9)


def test_removing_the_trend_costs_the_facet_one_degree_of_freedom_and_the_residual_none_where_uses_are_shared() -> None:
    removed = without_trend(table_points(drawn(1), np.arange(5.0)))
    assert removed is not None
    assert (removed.facets.df, removed.df_inner, removed.targets.df) == (3, 44, 11)


def test_it_costs_the_residual_one_where_targets_have_uses_of_their_own() -> None:
    rng = np.random.default_rng(2)
    t, f = np.indices((10, 3))
    points = build_points(rng.normal(size=30), t.ravel(), f.ravel(), (20 * f + rng.uniform(0, 20, (10, 3))).ravel())
    removed = without_trend(points)
    assert removed is not None
    assert (removed.facets.df, removed.df_inner) == (2, 17)


def test_the_interval_is_students_where_the_residual_is_the_only_source() -> None:
    from scipy.special import stdtrit

    points = table_points(drawn(3, occasion=0.0), np.arange(5.0))
    trend = fit_trend(points, own_lines=False, occasions=False)
    assert trend is not None
    (low, high), _ = trend_interval(trend, 0.95)
    half = stdtrit(trend.df_inner, 0.975) * math.sqrt(trend.ss_inner / trend.df_inner * trend.residual_factor)
    assert high - trend.slope == pytest.approx(half, rel=1e-3)  # a lattice of 2,048 points in place of the integral
    assert trend.slope - low == pytest.approx(half, rel=1e-3)


def test_a_naive_interval_without_occasions_is_too_short_when_all_targets_share_them() -> None:
    """40 studies of 15 x 5 without a trend, occasions of SD 2: the naive interval finds one in far too many."""
    naive = allowing = 0
    for seed in range(40):
        points = table_points(drawn(seed, 15, 5, trend=0.0, occasion=2.0), np.arange(5.0))
        for occasions in (False, True):
            trend = fit_trend(points, own_lines=True, occasions=occasions)
            assert trend is not None
            found = trend_interval(trend, 0.95)[1] < 0.05
            allowing += occasions and found
            naive += not occasions and found
    assert allowing <= 6
    assert naive >= 12


def test_an_offset_of_a_thousand_million_costs_nothing_that_the_readings_hold() -> None:
    y = np.round(drawn(4) * 8) / 8  # eighths survive the offset
    uses = np.arange(5.0)
    plain, far = (both(table_points(y + offset, uses)) for offset in (0.0, 1e9))
    assert far[0].slope == pytest.approx(plain[0].slope, rel=1e-9)
    assert far[1] == pytest.approx(plain[1], rel=1e-9)


def test_unit_of_reading_and_of_use_rescale_as_they_must() -> None:
    y, uses = drawn(5), np.arange(5.0)
    one, two = both(table_points(y, uses))[0], both(table_points(6.894757 * y, 1000 * uses))[0]
    assert two.slope == pytest.approx(6.894757e-3 * one.slope, rel=1e-9)
    a, b = trend_interval(one, 0.95), trend_interval(two, 0.95)
    assert b[0] == pytest.approx(tuple(6.894757e-3 * x for x in a[0]), rel=1e-7)
    assert b[1] == pytest.approx(a[1], rel=1e-6)


def test_replicates_are_kept_as_readings_of_a_point() -> None:
    rng = np.random.default_rng(6)
    t, f, _ = np.indices((8, 4, 2))
    y = 3 * rng.normal(size=(8, 1, 1)) + rng.normal(size=(8, 4, 1)) + rng.normal(size=(8, 4, 2))
    points = build_points(y.ravel(), t.ravel(), f.ravel(), f.ravel().astype(float))
    assert (len(points.y), points.df_within, points.inverse_m) == (32, 32, 0.5)
    assert points.ss_within == pytest.approx(float(((y - y.mean(axis=2, keepdims=True)) ** 2).sum()))


def test_where_no_target_was_read_at_two_uses_there_is_no_trend() -> None:
    t, f = np.indices((6, 2))
    points = build_points(np.arange(12.0), t.ravel(), f.ravel(), t.ravel().astype(float))
    assert fit_trend(points, own_lines=False, occasions=False) is None


def test_own_lines_of_known_spread_are_found() -> None:
    rng = np.random.default_rng(17)
    uses = np.arange(12.0)
    y = 0.5 * rng.normal(size=(200, 1)) * uses + rng.normal(size=(200, 12)) + 5 * rng.normal(size=(200, 1))
    trend = fit_trend(table_points(y, uses), own_lines=True, occasions=True)
    assert trend is not None
    value, (low, high) = own_line_interval(trend, 0.95)
    assert low < 0.5 < high
    assert value == pytest.approx(0.5, rel=0.15)


def test_coefficients_of_a_large_study_recover_the_truth_with_drift_in_and_out() -> None:
    rng = np.random.default_rng(8)
    uses = np.arange(40.0)
    y = (4 * rng.normal(size=(150, 1)) - 0.3 * uses + 1.5 * rng.normal(size=40) + 2 * rng.normal(size=(150, 40)))
    points = table_points(y, uses)
    trend = both(points)[0]
    removed = without_trend(points)
    assert removed is not None
    draws = drift_draws(points, removed, trend)
    spread = float(np.var(uses, ddof=1))
    for much in (trend.spread, 0.0):
        truth = 16 / (16 + 0.09 * (spread if much else 0.0) + 2.25 + 4)
        error = draws.facet + draws.noise + draws.slope_squared * much
        low, high = np.quantile(draws.target / (draws.target + error), [0.025, 0.975])
        assert low < truth < high
        assert high - low < 0.2
