"""Equations over boxes: what is excluded is impossible, what is narrowed away held nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.interval_equations import EquationTextError, difference, equation, excluded
from drift.engine.interval_narrowing import narrow, narrow_any, narrow_ends
from drift.engine.intervals import EmptyIntervalError

TEXTS = ("y == 1 - k/(x + k - 1)", "y**2 == x**2 + z**2 - 2*r*x*z", "y == x*sqrt(1 - r**2)/z",
         "y*(x**2 + z**2) == 2*r*x*z", "y == exp(r)*x - log(z)", "y == atanh(r)*x + abs(z - x)")


def value_of(text: str, v: dict[str, float]) -> float:
    """The naive twin: plain floating point at one point, left minus right solved for y."""
    x, z, r, k = v["x"], v["z"], v["r"], v["k"]
    return {0: lambda: 1 - k / (x + k - 1), 1: lambda: np.sqrt(x * x + z * z - 2 * r * x * z),
            2: lambda: x * np.sqrt(1 - r * r) / z, 3: lambda: 2 * r * x * z / (x * x + z * z),
            4: lambda: np.exp(r) * x - np.log(z), 5: lambda: np.arctanh(r) * x + abs(z - x)}[TEXTS.index(text)]()


@given(st.sampled_from(TEXTS), st.floats(0.5, 20), st.floats(0.5, 20), st.integers(-970, 970).map(lambda i: i / 1024),
       st.integers(2, 6),
       st.floats(1e-4, 0.4), st.lists(st.floats(0, 1), min_size=4, max_size=4), st.sampled_from((1.0, 1e-3, 1e-7, 1e4)))
@settings(max_examples=150, deadline=None)
def test_no_solution_is_ever_lost(text: str, x: float, z: float, r: float, k: int, wide: float,
                                  at: list[float], size: float) -> None:
    x, z, wide = x * size, z * size, wide * min(1.0, 10 ** (3 * at[0] - 2))
    point = {"x": x, "z": z, "r": r, "k": float(k)}
    point["y"] = float(value_of(text, point))
    box = {}
    for (name, v), share in zip(point.items(), [*at, 0.5], strict=True):
        half = 0.0 if name == "k" else wide * abs(v)
        low, high = v - half * share * 2, v + half * (1 - share) * 2
        box[name] = (max(low, -0.99), min(high, 0.99)) if name == "r" else (low, high)
    eq = equation(text)
    own = {n: box[n] for n in eq.names}
    assert not excluded(eq, own, splits=4)
    after = narrow(eq, {**own, "y": (-1e6, 1e6)})
    for name, (low, high) in after.items():
        slack = 1e-12 * (1.0 + abs(point[name]))
        assert low - slack <= point[name] <= high + slack
    low, high = narrow_ends(eq, after, "y")
    slack = 1e-12 * (1.0 + abs(point["y"]))
    assert low - slack <= point["y"] <= high + slack


def test_what_is_narrow_beside_one_still_has_a_slope() -> None:
    # A study with r = 0.000134: its pieces are narrower than 1e-13, and a slope without them had the wrong sign.
    eq = equation("c*(a**2 + b**2) == 2*r*a*b")
    point = {"a": 0.05536212207122908, "b": 0.07059524941029, "r": 0.000134097400997}
    point["c"] = 2 * point["r"] * point["a"] * point["b"] / (point["a"] ** 2 + point["b"] ** 2)
    for wide in (1e-6, 1e-9, 1e-11, 1e-13):
        assert not excluded(eq, {n: (v * (1 - wide), v * (1 + wide)) for n, v in point.items()}, splits=6)


def test_corners_beat_plain_arithmetic_where_a_name_is_written_twice() -> None:
    eq = equation("y == (x - 1)/(x + 3)")
    low, high = difference(eq, {"y": (0.715, 0.715), "x": (11.0, 11.1)})
    # The plain extension gives 10/14.1 to 10.1/14; the exact range is that of the two ends.
    assert 0.715 - high == pytest.approx(10 / 14)
    assert 0.715 - low == pytest.approx(10.1 / 14.1)


def test_a_difference_that_is_not_monotone_is_split() -> None:
    eq = equation("y == x*(1 - x)")
    box = {"y": (0.26, 0.3), "x": (0.0, 1.0)}
    assert not excluded(eq, box)
    assert excluded(eq, box, splits=8)  # the largest value is 0.25


def test_inequalities_cut_one_side() -> None:
    eq = equation("x <= y")
    assert narrow(eq, {"x": (0, 10), "y": (2, 4)})["x"] == (0, 4)
    with pytest.raises(EmptyIntervalError):
        narrow(eq, {"x": (5, 10), "y": (2, 4)})


def test_of_several_cases_the_hull_is_kept_and_the_possible_ones_named() -> None:
    cases = [[equation("y == 2*x")], [equation("y == 10*x")], [equation("y == 100 + x")]]
    box, possible = narrow_any(cases, {"x": (1, 2), "y": (0, 30)})
    assert possible == (0, 1)
    assert box["y"] == pytest.approx((2, 20))


@pytest.mark.parametrize(("text", "said"), [
    ("y == ", "no equation"), ("y + 1", "==, <= or >="), ("y == x**0.5", "sqrt"), ("y == f(x)", "no function 'f'"),
    ("y == sqrt(x, 2)", "takes 1 value"), ("y == x.real", "not arithmetic"), ("y == 'a'", "not arithmetic"),
    ("a == b == c", "one ==")])
def test_what_is_no_equation_is_said(text: str, said: str) -> None:
    with pytest.raises(EquationTextError, match=said.replace("*", r"\*")):
        equation(text)


def test_nothing_runs_that_is_not_arithmetic() -> None:
    with pytest.raises(EquationTextError):
        equation("y == __import__('os').getpid()")
