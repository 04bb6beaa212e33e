"""The early change: where the first uses wear faster, a limit on the change from fresh is met sooner."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drift.retirement import RetirementResult, retire
from drift.retirement.bound import early_change, retire_arrays
from tests.coverage.retire_after import TABLE
from tests.retirement.worlds import world

USES = np.arange(0.0, 31.0, 5.0)
SLOPES = 0.010 + 0.0006 * np.arange(8)


def study(jump: float, seed: int = 1, sd: float = 0.004) -> RetirementResult:
    """Answer eight sensors whose sensitivity falls by ``jump`` (log) in the first uses, on top of their lines."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for i, b in enumerate(SLOPES):
        fall = b * USES + jump * (USES > 0) + sd * rng.standard_normal(len(USES))
        rows += [{"sensor": f"S{i}", "construction": "", "batch": "", "use": float(u), "response": -float(f)}
                 for u, f in zip(USES, fall, strict=True)]
    return retire(*world(rows, limits={"sensitivity_change": 0.25}))


def count_of(result: RetirementResult) -> float:
    return float(next(e.value for e in result.estimates if e.name == "retire after"))


def test_an_early_fall_lowers_the_count_and_is_said() -> None:
    plain, jumped = study(0.0), study(0.06)
    assert count_of(jumped) < count_of(plain) - 2
    assert "with the early change" in jumped.answer
    assert "early change of the mean sensor" in next(e.method for e in jumped.estimates if e.name == "retire after")
    table = jumped.table("retire-after counts")
    bare = [v for v in table["without the early change"] if np.isfinite(v)]
    assert bare[0] > count_of(jumped)
    said = [f.message for f in jumped.findings if f.code == "early-change"]
    assert len(said) == 1
    assert f"instead of {count_of(jumped):g}" in said[0]


def test_a_gain_in_the_first_uses_is_not_counted_as_credit() -> None:
    gained = study(-0.06)
    assert "early" not in gained.answer
    assert not any(f.code == "early-change" for f in gained.findings)
    assert np.isnan(gained.table("retire-after counts")["without the early change"]).all()


def test_the_count_with_the_early_change_is_the_distance_less_it_over_the_slopes() -> None:
    jump = np.full(8, 0.03)
    shifted = retire_arrays(np.full(8, float(early_change(jump))), SLOPES, 0.3)
    plain = retire_arrays(np.zeros(8), SLOPES, 0.27)
    assert float(shifted.line) == pytest.approx(float(plain.line), rel=1e-12)
    assert float(shifted.companion) == pytest.approx(float(plain.companion), rel=1e-12)


@given(st.lists(st.floats(-0.2, 0.2), min_size=5, max_size=20), st.randoms(use_true_random=False))
def test_the_early_change_does_not_depend_on_order_and_never_lengthens_a_count(jump: list[float], rng: Any) -> None:
    mixed = list(jump)
    rng.shuffle(mixed)
    early = float(early_change(np.array(jump)))
    assert early == pytest.approx(float(early_change(np.array(mixed))), abs=1e-12)
    slopes = 0.01 + 0.0005 * np.arange(len(jump))
    with_it = retire_arrays(np.full(len(jump), early), slopes, 0.3).count
    assert float(with_it) <= float(retire_arrays(np.zeros(len(jump)), slopes, 0.3).count)


def test_every_simulated_world_with_a_limit_on_the_change_from_fresh_keeps_the_promise() -> None:
    table = pd.read_csv(TABLE)
    fresh = table[table.design.str.contains("change from fresh")]
    assert fresh.design.str.contains("break-in").sum() >= 6
    assert (fresh.unsafe <= 0.06).all()
    assert (fresh.unsafe_uncut <= 0.06).all()
