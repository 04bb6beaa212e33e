"""Simulated coverage of what is said of several methods: enough designs, and intervals that hold where printed."""

from __future__ import annotations

import numpy as np
import pytest

from drift.simulated import Design, nearest, parse, rows_of
from tests.coverage.several_methods import (
    BONFERRONI,
    CHI_SQUARE,
    DECIDED,
    FAMILY,
    JACKKNIFE,
    JOINT,
    MEAN_LIMIT,
    PIVOTAL,
    PROFILE,
    RECOVERED,
    named,
)

ERROR = 2 * np.sqrt(0.93 * 0.07 / 2000)  # two Monte-Carlo errors of a row
CLAIMS = ["no false interchangeable set, farthest limit at harmless",
          "no false not interchangeable, farthest limit at harmless",
          "no pair falsely called interchangeable", "no false odd one out"]


def rows(quantity: str, *methods: str):
    return [r for r in rows_of("several_methods") if r.quantity == quantity and r.method in methods]


def test_the_grid_holds_what_was_promised() -> None:
    assert len(named()) >= 40
    assert {r.text for r in rows_of("several_methods")} == set(named())
    assert min(r.studies for r in rows_of("several_methods")) >= 2000
    assert {(d.n, d.k) for d in named().values()} >= {(n, k) for n in (5, 10, 20, 50) for k in (3, 4, 6)}
    kinds = [(d.missing > 0, d.repeats > 1, d.sensors > 0, d.unlinked) for d in named().values()]
    assert all(any(of) for of in zip(*kinds, strict=True))


@pytest.mark.parametrize(("quantity", "methods"), [
    ("limits of all pairs together", (JOINT, BONFERRONI)),
    ("bias of all pairs together", (JOINT, BONFERRONI)),
    ("limits with the mean of the others", (JOINT, BONFERRONI)),
    ("limit of agreement with the mean", (MEAN_LIMIT,)),
    ("error SD of a method", (PROFILE, RECOVERED)),
    ("overall CCC", (PIVOTAL, JACKKNIFE))])
def test_printed_intervals_hold_from_ten_targets_on(quantity: str, methods: tuple[str, ...]) -> None:
    kept = [r for r in rows(quantity, *methods) if r.design.n >= 10]
    assert len(kept) >= 20
    assert min(r.coverage for r in kept) >= 0.93 - ERROR


@pytest.mark.parametrize("claim", CLAIMS)
def test_a_false_claim_comes_in_at_most_five_percent(claim: str) -> None:
    kept = rows(claim, DECIDED)
    assert len(kept) >= 34
    assert min(r.coverage for r in kept) >= 0.95 - 1.5 * ERROR  # the lowest of many rows


def test_joint_draws_are_never_longer_than_sharing_the_error() -> None:
    joint = {r.text: r.width for r in rows("limits of all pairs together", JOINT)}
    shared = {r.text: r.width for r in rows("limits of all pairs together", BONFERRONI)}
    assert len(joint) >= 30
    assert all(joint[name] <= shared[name] * 1.001 for name in joint)


def test_the_chi_square_profile_falls_short_with_few_targets() -> None:
    lowest = {r.text: r.coverage for r in rows("error SD of a method", CHI_SQUARE)}
    assert lowest["5 targets x 6 methods, equal errors"] < 0.90
    held = {r.text: r.coverage for r in rows("error SD of a method", PROFILE)}
    assert held["5 targets x 6 methods, equal errors"] >= 0.93


def test_few_targets_are_told_what_holds() -> None:
    found = nearest("several_methods", "overall CCC", PIVOTAL, Design(n=5.0, k=4.0))
    assert found is not None
    assert found.short


@pytest.mark.parametrize(("name", "n", "k", "m", "kind"), [
    ("10 targets x 3 methods, equal errors", 10, 3, 1, ""),
    ("20 targets x 4 methods x 2, unequal errors, biases", 20, 4, 2, ""),
    ("10 targets x 3 methods x 2, unlinked, unequal errors, biases", 10, 3, 2, "unlinked"),
    ("10 targets x 3 methods x 5, with sensors, unequal errors, biases", 10, 3, 5, "with sensors")])
def test_a_design_is_read_from_its_words(name: str, n: float, k: float, m: float, kind: str) -> None:
    assert name in named()
    found = parse(name)
    assert (found.n, found.k, found.m) == (n, k, m)
    assert not kind or kind in found.kinds


def test_one_design_is_cheap_enough_to_be_made_again() -> None:
    assert FAMILY.quick in named()
