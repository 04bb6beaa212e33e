"""The table of simulated coverage of concordance: enough designs, and intervals that hold where they are printed."""

from __future__ import annotations

import numpy as np
import pytest

from drift.simulated import Design, nearest, parse, rows_of
from tests.coverage.concordance import BOOTSTRAP, DELTA, FAMILY, LIN, PIVOTAL, POOLED, named, study


def rows(quantity: str, method: str):
    return [r for r in rows_of("concordance") if (r.quantity, r.method) == (quantity, method)]


def test_the_grid_holds_what_was_promised() -> None:
    assert len(named()) >= 40
    pairs = {(parse(n).n, parse(n).icc) for n, d in named().items() if d.kind == "simple"}
    assert {(n, c) for n in (5, 10, 20, 50, 85) for c in (0.3, 0.6, 0.9, 0.99)} <= pairs
    assert {d.methods for d in named().values()} >= {2, 3, 4}
    assert {r.text for r in rows_of("concordance")} == set(named())
    assert min(r.studies for r in rows_of("concordance")) >= 2000


@pytest.mark.parametrize("quantity", ["CCC", "overall CCC"])
def test_the_printed_interval_holds_from_ten_targets_and_five_levels_on(quantity: str) -> None:
    kept = [r for r in rows(quantity, PIVOTAL) if r.design.n >= 10 and "skewed targets" not in r.design.kinds
            and (r.design.k is None or quantity != "CCC" or r.design.k >= 5)]
    assert len(kept) >= (50 if quantity == "CCC" else 20)
    assert min(r.coverage for r in kept) >= 0.93 - 2 * np.sqrt(0.93 * 0.07 / 2000)


def test_no_interval_holds_where_the_targets_are_skewed_and_a_study_of_such_targets_is_told_so() -> None:
    skewed = [r for r in rows("CCC", PIVOTAL) if "skewed targets" in r.design.kinds]
    assert len(skewed) == 12
    assert max(r.coverage for r in skewed) < 0.92
    found = nearest("concordance", "CCC", PIVOTAL, Design(n=22.0, icc=0.9, kinds=frozenset({"skewed targets"})))
    assert found is not None
    assert found.design_text == "20 targets, one pair each, CCC 0.90, skewed targets"
    assert found.short


def test_the_published_and_the_naive_intervals_do_not() -> None:
    assert min(r.coverage for r in rows("CCC", LIN) if r.design.n >= 10) < 0.91
    assert min(r.coverage for r in rows("CCC", DELTA)) < 0.91
    assert min(r.coverage for r in rows("CCC", POOLED)) < 0.65
    assert min(r.coverage for r in rows("overall CCC", BOOTSTRAP)) < 0.85


@pytest.mark.parametrize(("name", "n", "k", "m", "kind"), [
    ("20 targets, one pair each, CCC 0.90", 20, None, 1, ""),
    ("10 targets x 10, CCC 0.50, target x method", 10, None, 10, ""),
    ("20 targets x 4 sensors x 3, CCC 0.80, sensor x method 0.2", 20, 4, 3, ""),
    ("24 targets within 8 sensors x 4, CCC 0.80, sensor x method 0.2", 24, 8, 4, "within"),
    ("20 targets, 3 and 2 unlinked readings, CCC 0.70, target x method 0.3", 20, None, 2.5, "unlinked"),
    ("10 targets x 3 methods, CCC 0.95", 10, 3, 1, "")])
def test_a_design_is_read_from_its_words(name: str, n: float, k: float | None, m: float, kind: str) -> None:
    assert name in named()
    found = parse(name)
    assert (found.n, found.k, found.m) == (n, k, m)
    assert found.kinds == (frozenset({kind}) if kind else frozenset())
    assert found.icc == pytest.approx(named()[name].truth, abs=0.006)


@pytest.mark.parametrize("name", [next(n for n, d in named().items() if d.kind == kind)
                                  for kind in ("simple", "repeated", "crossed", "unlinked", "overall")])
def test_a_study_of_every_kind_can_be_simulated(name: str) -> None:
    held = study(name, np.random.default_rng(1))
    assert held
    assert all(width > 0 for _, width in held.values())
    assert FAMILY.quick in named()
