"""Which effects of a layout can be told apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.aliasing import inestimable, overlaps


def test_a_crossed_layout_is_balanced() -> None:
    """Every level of one meets every level of the other equally often."""
    a, b = (x.ravel() for x in np.indices((4, 3)))
    assert overlaps({"a": a, "b": b})["a", "b"] == pytest.approx(0.0, abs=1e-12)
    assert inestimable({"a": a, "b": b}) == ()


def test_nested_and_equal_factors_are_aliased() -> None:
    """A sensor that only one operator handles cannot be told from him."""
    sensor = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    operator = sensor % 2
    assert overlaps({"sensor": sensor, "operator": operator})["sensor", "operator"] == pytest.approx(1.0)
    assert inestimable({"sensor": sensor, "operator": operator}) == ("sensor", "operator")


def test_three_factors_may_be_aliased_though_no_two_are() -> None:
    """Half of a 2 x 2 x 2: each effect is the interaction of the others, and main effects stay clear."""
    a, b = np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])
    c, d = (a + b) % 2, np.array([0, 1, 2, 3])
    assert inestimable({"a": a, "b": b, "c": c}) == ()
    assert set(inestimable({"a": a, "b": b, "c": c, "d": d})) == {"a", "b", "c", "d"}


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 2)), min_size=6, max_size=30), st.randoms())
def test_order_and_labels_do_not_matter(rows: list[tuple[int, int]], random) -> None:  # type: ignore[no-untyped-def]
    """The answer is that of the layout, not of its names."""
    a, b = (np.array(x) for x in zip(*rows, strict=True))
    shuffled = list(rows)
    random.shuffle(shuffled)
    c, d = (np.array(x) for x in zip(*shuffled, strict=True))
    first, second = overlaps({"a": a, "b": b}), overlaps({"a": 7 - c, "b": 10 * d})
    assert first.keys() == second.keys()
    assert all(first[k] == pytest.approx(second[k], abs=1e-9) for k in first)
