"""A search that sketches first finds the design that working everything out finely finds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.agreement_interval import PRINTED, SKETCHED, Ratios, Sums, above, intervals
from drift.planning.asked import asked_of
from drift.planning.expectations import Expectations
from drift.planning.icc import IccQuestion
from drift.planning.question import Design, Factor, Goal, Question
from drift.planning.search import search


@dataclass(frozen=True, kw_only=True)
class Straight(Question):
    """Widths that fall with the root of the size, and sketches of them that are a few per cent wrong."""

    scale: float
    floor: float
    wrong: float
    sketching: bool = True

    @property
    def slow(self) -> bool:
        return self.sketching

    @property
    def analysis(self) -> str:
        return "none"

    def expected(self, d: Design) -> float:
        return self.scale / math.sqrt(d["n"]) + self.floor / d["k"]

    def sketched(self, d: Design) -> float:
        return self.expected(d) * (1 + self.wrong + 0.01 * math.sin(d["n"]))

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Any) -> Any:
        return self.expected(d) + 0.001 * rng.normal(size=studies)

    def items(self, d: Design) -> dict[str, int]:
        return {"reading": d["n"] * d["k"]}

    def with_errors(self, factor: float) -> Question:
        return self


@settings(deadline=None, max_examples=60)
@given(st.floats(0.5, 4.0), st.floats(0.0, 0.6), st.floats(-0.06, 0.06))
def test_the_sketched_search_ends_where_the_full_one_does(scale: float, floor: float, wrong: float) -> None:
    """Scale, floor and error of the sketches at random; the full search is the same class without sketches."""
    asked = {"goal": Goal(what="width", target=0.3), "scale": scale, "floor": floor, "wrong": wrong,
             "factors": (Factor(key="n", one="n", many="n", values=(3, 400)),
                         Factor(key="k", one="k", many="k", values=(2, 5)))}
    quick, full = (search(Straight(**asked, sketching=s), seed=1, studies=10, tell=lambda *_: None)
                   for s in (True, False))
    assert quick.nearest.design == full.nearest.design
    assert quick.nearest.expected == full.nearest.expected
    assert (quick.chosen is None) == (full.chosen is None)


def test_trusting_the_sketches_would_not_do() -> None:
    """The naive search takes the smallest size by the sketch."""
    made = Straight(goal=Goal(what="width", target=0.3), scale=2.0, floor=0.1, wrong=0.05,
                    factors=(Factor(key="n", one="n", many="n", values=(3, 400)),
                             Factor(key="k", one="k", many="k", values=(2,))))
    found = search(made, seed=1, studies=10, tell=lambda *_: None).nearest.design["n"]
    naive = next(n for n in range(3, 401) if made.sketched({"n": n, "k": 2}) <= 0.3)
    assert found == next(n for n in range(3, 401) if made.expected({"n": n, "k": 2}) <= 0.3)
    assert naive > found + 4


def test_the_plan_of_an_agreement_coefficient_is_that_of_the_full_search() -> None:
    """26 targets by 5 levels, and 0.149, are what working out every design finely gave (half a minute).

    20,000 simulated studies of that design have a mean width of 0.1499 (Monte Carlo error 0.0003).
    """
    made = asked_of("icc", {"icc": 0.9, "width": 0.15, "facet_share": 0.01, "targets": (24, 32),
                            "levels": (5,)}).question
    found = search(made, seed=1, studies=100, tell=lambda *_: None)
    assert found.nearest.design == {"targets": 26, "levels": 5, "repeats": 1}
    assert found.nearest.expected == pytest.approx(0.149, abs=5e-4)
    assert made.expected({"targets": 25, "levels": 5, "repeats": 1}) > 0.15


def test_a_sketch_is_near_and_the_ratio_brings_it_nearer() -> None:
    made = asked_of("icc", {"icc": 0.9, "width": 0.15, "facet_share": 0.01, "targets": (12, 20),
                            "levels": (5,)}).question
    near, there = {"targets": 14, "levels": 5, "repeats": 1}, {"targets": 12, "levels": 5, "repeats": 1}
    truth = made.expected(near)
    assert made.sketched(near) == pytest.approx(truth, rel=0.05)
    known = Expectations(made)
    known.fine(there)
    assert known.near(near) == pytest.approx(truth, rel=0.02)


def test_a_chance_is_found_from_two_lattice_values() -> None:
    """Whether the lower end lies above a value, without the end."""
    n, k = 12, 4
    df = (n - 1, k - 1, (n - 1) * (k - 1))
    rng = np.random.default_rng(3)
    rest = rng.chisquare(df[2], 25)
    sums = Sums(target=(rng.chisquare(df[0], 25) * (1 + 3 * k) / rest)[:, None], target_weights=np.array([float(k)]),
                facet=(rng.chisquare(df[1], 25) * (1 + 0.2 * n) / rest)[:, None], facet_weights=np.array([float(n)]))
    layout = Ratios(df=df, weights=(float(k), float(n)))
    for effort in (PRINTED, SKETCHED):
        low = intervals(sums, layout, level=0.95, effort=effort)[:, 0]
        for value in (0.0, 0.45, 0.6, 0.75):
            assert (above(sums, layout, value, level=0.95, effort=effort) == (low > value)).all()
    assert not above(sums, layout, 0.45, level=0.95).all()


def test_only_what_takes_ends_of_the_agreement_interval_is_sketched() -> None:
    """Other forms, and chances of more than two levels, are worked out finely at once."""
    for asked, slow in (({"width": 0.2}, True), ({"least": 0.6}, False), ({"width": 0.2, "form": "ICC(C,1)"}, False),
                        ({"least": 0.6, "levels": (2,)}, True), ({"least": 0.6, "levels": (2, 4)}, True),
                        ({"least": 0.6, "levels": (2,), "form": "ICC(C,1)"}, False)):
        made = asked_of("icc", {"icc": 0.8, **asked}).question
        assert isinstance(made, IccQuestion)
        assert made.slow is slow


def test_a_goal_far_out_of_reach_takes_two_sketches_and_one_fine_value() -> None:
    """Both ends of the range are sketched, and the largest design alone is worked out finely."""
    asked: dict[str, list[int]] = {"fine": [], "sketched": []}

    class Counted(Straight):
        def expected(self, d: Design) -> float:
            asked["fine"].append(d["n"])
            return super().expected(d)

        def sketched(self, d: Design) -> float:
            asked["sketched"].append(d["n"])
            return super().expected(d)

        def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Any) -> Any:
            return super().expected(d) + 0.001 * rng.normal(size=studies)

    made = Counted(goal=Goal(what="width", target=0.3), scale=2.0, floor=2.0, wrong=0.0,
                   factors=(Factor(key="n", one="n", many="n", values=(3, 400)),
                            Factor(key="k", one="k", many="k", values=(2,))))
    found = search(made, seed=1, studies=10, tell=lambda *_: None)
    assert found.chosen is None
    assert found.nearest.design["n"] == 400
    assert asked["fine"] == [400]
    assert asked["sketched"][:2] == [3, 400]
