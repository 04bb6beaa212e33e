"""The test of a straight line: its size whatever was fitted, its power, and what must not change it."""

from __future__ import annotations

import numpy as np
import pytest

from drift.engine.comparison import deming as dm
from drift.engine.comparison import passing_bablok as pb
from drift.engine.comparison.straightness import foot_of, straightness
from drift.engine.comparison.york import york


def deming(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    sums = dm.scatter(x, y)
    slope = float(dm.slope_of(sums, 1.0))
    return slope, float(dm.intercept_of(sums, slope))


def rejected(kind: str, *, n: int = 50, studies: int = 500, bend: float = 0.0) -> tuple[float, float]:
    """Return how often the test rejects at 5 %, and how often that of 1983 does."""
    rng = np.random.default_rng(11)
    new, old = 0, 0
    for _ in range(studies):
        true = rng.uniform(10, 100, n)
        ux, uy = rng.uniform(0.5, 6, (2, n)) if kind == "york" else np.full((2, n), 3.0)
        x = true + ux * rng.normal(size=n)
        y = true + bend * ((true - 55) / 45) ** 2 + uy * rng.normal(size=n)
        if kind == "rounded":
            x, y = np.round(x / 3) * 3, np.round(y / 3) * 3
        if kind == "york":  # uncertainties from three readings
            ux, uy = ux * np.sqrt(rng.chisquare(2, n) / 2), uy * np.sqrt(rng.chisquare(2, n) / 2)
            line = york(x, y, ux, uy)
            slope, intercept = float(line.slope), float(line.intercept)
            p = straightness(x, y, slope, intercept, ratio=(uy / ux) ** 2, spread=np.sqrt(uy**2 + (slope * ux) ** 2))[1]
        else:
            slope, intercept = deming(x, y)
            p = straightness(x, y, slope, intercept)[1]
        new += p < 0.05
        old += pb.linearity(x, y, slope, intercept)[1] < 0.05
    return new / studies, old / studies


@pytest.mark.parametrize("kind", ["plain", "rounded", "york"])
def test_straight_lines_are_called_bent_in_one_of_twenty_and_by_the_test_of_1983_far_oftener(kind: str) -> None:
    new, old = rejected(kind)
    assert 0.02 <= new <= 0.08  # three Monte-Carlo errors
    assert old > 0.085
    assert old > 1.4 * new


def test_a_bend_is_seen_oftener_than_in_1983() -> None:
    new, old = rejected("plain", bend=8.0, studies=200)
    assert new > 0.65
    assert new > old


def test_order_unit_and_swap_leave_the_test() -> None:
    rng = np.random.default_rng(4)
    true = rng.uniform(10, 100, 40)
    x, y = true + 3 * rng.normal(size=40), 0.002 * true**2 + true + 3 * rng.normal(size=40)
    slope, intercept = deming(x, y)
    found = straightness(x, y, slope, intercept)
    order = rng.permutation(40)
    assert straightness(x[order], y[order], slope, intercept) == pytest.approx(found, rel=1e-12)
    assert straightness(7 * x, 7 * y, slope, 7 * intercept) == pytest.approx(found, rel=1e-9)
    back = straightness(y, x, 1 / slope, -intercept / slope)
    assert back[0] == pytest.approx(found[0], rel=0.05)  # positions are read on the other axis


def test_the_foot_of_a_point_is_nearest_in_the_metric_of_the_errors() -> None:
    at = foot_of([4.0], [9.0], 2.0, -1.0, 3.0)[0]
    near = [(4.0 - x) ** 2 * 3 + (9.0 - (2 * x - 1)) ** 2 for x in (at - 1e-4, at, at + 1e-4)]
    assert near[1] < min(near[0], near[2])


def test_points_on_the_line_give_no_test_and_long_tables_are_judged_in_pieces() -> None:
    x = np.arange(30.0)
    assert np.isnan(straightness(x, 2 * x + 1, 2.0, 1.0)).all()
    rng = np.random.default_rng(2)
    true = rng.uniform(10, 100, 20_000)
    a, b = true + 3 * rng.normal(size=(2, 20_000))
    assert straightness(a, b, *deming(a, b))[1] > 0.01
    bent = b + 0.5 * ((true - 55) / 45) ** 2
    assert straightness(a, bent, *deming(a, bent))[1] < 0.01
