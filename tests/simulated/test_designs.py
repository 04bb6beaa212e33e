"""Designs are read from the words of a coverage table, and the nearest one is the one a statistician would pick."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drift.simulated import Design, nearest, parse, rows_of
from drift.simulated.designs import distance
from drift.simulated.tables import FAR, core
from tests.coverage.family import FOLDER, read_rows


@pytest.mark.parametrize(("text", "design"), [
    ("30 x 3, facet share 0.04", Design(n=30, k=3, share=0.04)),
    ("30 x 3, facet share 0.1, ICC 0.95", Design(n=30, k=3, share=0.1, icc=0.95)),
    ("20 x 3, facet share 0.04, 10 % of cells missing", Design(n=20, k=3, share=0.04, missing=0.1)),
    ("20 x 3, facet share 0.04, 2 readings a cell", Design(n=20, k=3, m=2, share=0.04)),
    ("10 x 3 x 2", Design(n=10, k=3, m=2)),
    ("10 parts x 3 operators x 2 readings", Design(n=10, k=3, m=2)),
    ("20 targets x 4 sensors x 3", Design(n=20, k=4, m=3)),
    ("20 targets x 6 uses, no trend, occasion 0.3", Design(n=20, k=6)),
    ("24 targets within 8 sensors x 4", Design(n=24, k=8, m=4, kinds=frozenset({"within"}))),
    ("20 targets, 3 and 2 unlinked readings", Design(n=20, m=2.5, kinds=frozenset({"unlinked"}))),
    ("12 sensors of 6 batches, worn ones removed", Design(n=12, k=6, kinds=frozenset({"worn ones removed"}))),
    ("10 targets, 9 with 1 pair, 1 with 31 pairs", Design(n=10, m=4, even=1600 / 9700)),
    ("words of no known kind", Design()),
])
def test_words_are_read(text: str, design: Design) -> None:
    assert parse(text) == design


@pytest.mark.parametrize("family", ["reliability", "agreement", "drift", "retirement"])
def test_every_committed_row_has_a_size(family: str) -> None:
    rows = rows_of(family)
    assert len(rows) >= 30
    assert all(r.design.n for r in rows)
    assert all(0 <= r.coverage <= 1 and r.studies >= (1000 if r.table == "retire_sparse" else 2000) for r in rows)


def test_all_rows_of_a_table_are_there() -> None:
    for name in ("agreement", "drift", "retirement"):
        stood = [r for r in rows_of(name) if r.table == name]
        assert len(stood) == len(read_rows(FOLDER / f"{name}.csv"))


sizes = st.builds(Design, n=st.integers(2, 200).map(float), k=st.none() | st.integers(2, 30).map(float),
                  m=st.floats(1, 10), missing=st.floats(0, 0.9))


@given(sizes, sizes)
def test_distance_is_one(a: Design, b: Design) -> None:
    assert distance(a, a) == 0
    assert distance(a, b) == pytest.approx(distance(b, a))
    assert distance(a, b) >= 0


def test_the_size_is_chosen_before_what_a_study_only_estimates() -> None:
    """A naive nearest row in all features would leave the user's own size for a better facet share."""
    found = nearest("drift", "drift per use", "REML, Kenward-Roger t interval",
                    Design(n=12, kinds=frozenset({"worn ones removed"})))
    assert found is not None
    assert found.design_text == "12 sensors, worn ones removed"
    assert found.distance == 0
    share = [nearest("agreement", "bias", "t", Design(n=20, k=4, m=3, share=s)) for s in (0.05, 0.5)]
    assert all(f is not None and f.design_text.startswith("20 targets x 4 sensors x 3") for f in share)
    assert share[0] != share[1]
    assert share[0] is not None
    assert share[0].lowest <= share[0].coverage


def test_levels_weigh_more_than_targets() -> None:
    three = Design(n=25, k=3)
    assert distance(three, Design(n=30, k=3)) < distance(three, Design(n=25, k=4))


def test_far_designs_are_said_to_be_far() -> None:
    near, far = (nearest("drift", "drift per use", "REML, Kenward-Roger t", Design(n=n)) for n in (14.0, 200.0))
    assert near is not None
    assert far is not None
    assert not near.far
    assert far.far
    assert far.design_text == "24 sensors"


def test_quantities_and_intervals_that_were_not_simulated_have_no_row() -> None:
    assert nearest("drift", "drift per use", "bootstrap", Design(n=12)) is None
    assert nearest("drift", "no such quantity", "REML, Kenward-Roger t", Design(n=12)) is None
    assert nearest("no such family", "bias", "t", Design(n=12)) is None


@pytest.mark.parametrize(("printed", "table"), [
    ("ANOVA, F/Satterthwaite interval, stepped up to the mean of 3", "ANOVA, F/Satterthwaite interval"),
    ("1.96 sqrt(2) SEM; ANOVA, exact chi-square interval", "exact chi-square interval"),
    ("REML, Kenward-Roger t interval, ends transformed", "REML, Kenward-Roger t"),
    ("REML, generalised pivotal interval", "generalised pivotal interval"),
])
def test_the_interval_is_told_from_what_was_fitted(printed: str, table: str) -> None:
    assert core(printed) == core(table)
    assert core("ANOVA, exact F interval") != core("ANOVA, F/Satterthwaite interval")


def test_sensors_seen_in_part_are_never_told_of_by_sensors_seen_alike():
    part = Design(n=6, m=10, kinds=frozenset({"seen in part"}))
    for kinds in (frozenset(), frozenset({"lost early"})):
        assert distance(part, Design(n=6, m=10, kinds=kinds)) > FAR
        assert distance(part, Design(n=6, m=10, kinds=kinds)) > distance(part, replace(part, n=24))
    assert parse("8 sensors x 16 pairs, seen in part, stretches of their own").kinds == {"seen in part"}


def test_a_study_with_one_long_target_is_like_no_balanced_one():
    """By the mean number of pairs alone, ten targets of which one has 30 pairs were like ten with four each."""
    mine = Design(n=10, m=3.9, even=39**2 / 9090, share=0.2)
    balanced = [r for r in rows_of("agreement") if r.design.even == 1]
    assert len(balanced) > 1000
    assert min(distance(mine, r.design) for r in balanced) > FAR
    found = nearest("agreement", "bias", "t", mine)
    assert found.design_text.startswith("10 targets, 9 with 1 pair, 1 with 30 pairs, 20 %")
    assert not found.far
