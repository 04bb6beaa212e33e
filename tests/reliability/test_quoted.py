"""A reliability result says how its intervals held in simulated studies like its own."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from drift.reliability.components import Components, analyse
from drift.reliability.quoted import design_of
from drift.simulated import Design, nearest, parse
from drift.simulated.designs import distance
from drift.simulated.quoting import CAUTION, NOTE
from tests.coverage.reliability import DESIGNS, simulate
from tests.reliability.tables import ask, long


def people(n: int, k: int, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 2 * rng.normal(size=(n, 1)) + 0.5 * rng.normal(size=(1, k)) + rng.normal(size=(n, k)) + 20


def test_the_nearest_row_is_quoted_for_the_printed_interval_first() -> None:
    r = ask(long(people(28, 3)))
    table = r.table("coverage").to_frame()
    declared = r.estimates[0]
    assert table["quantity"][0] == "ICC(A,1)"
    assert declared.method.split(", ")[-1] in table["method"][0]
    assert table["nearest design"][0].startswith("30 x 3")
    assert table["like this study"][0] == "yes"
    found = nearest("reliability", "ICC(A,1)", declared.method, Design(n=28, k=3, share=0.05, icc=0.8))
    assert found is not None
    assert math.isclose(table["lowest at that size"][0], 100 * found.lowest)
    said = [f.message for f in r.findings if f.code == NOTE]
    assert len(said) == 1
    assert "studies like this one (30 x 3" in said[0]


def test_every_kind_of_printed_interval_has_a_row() -> None:
    r = ask(long(people(28, 3)))
    quantities = set(r.table("coverage")["quantity"])
    assert {"ICC(A,1)", "ICC(C,1)", "SEM (agreement)", "SEM (consistency)", "repeatability coefficient"} <= quantities
    assert sum(q.startswith("SD of ") for q in quantities) == 3


def test_a_study_unlike_any_simulated_one_says_so() -> None:
    r = ask(long(people(300, 20)))
    assert (r.table("coverage")["like this study"] == "no").all()
    assert next(f for f in r.findings if f.code == NOTE).message.startswith("No simulated study is like this one (300")


def test_another_level_and_fixed_levels_are_not_quoted_as_if_they_had_been_simulated() -> None:
    frame = long(people(28, 3))
    assert not any(t.name == "coverage" for t in ask(frame, level=0.9).tables)
    fixed = ask(frame, facets_are="fixed")
    assert "ICC(A,1)" not in set(fixed.table("coverage")["quantity"])


def test_groups_share_their_rows() -> None:
    frames = [long(people(28, 3, seed=s)).assign(region=name) for s, name in ((3, "heel"), (4, "toe"))]
    r = ask(pd.concat(frames), by=("region",))
    assert r.table("coverage").to_frame().duplicated(["quantity", "nearest design"]).sum() == 0


@pytest.mark.parametrize("name", ["20 x 3, facet share 0.04, 10 % of cells missing", "30 x 5, facet share 0.16",
                                  "20 x 3, facet share 0.04, 2 readings a cell"])
def test_the_design_of_simulated_data_is_the_one_in_the_table(name: str) -> None:
    parts = analyse(simulate(DESIGNS[name], np.random.default_rng(1)), level=0.95, average=False, target="a", facet="b")
    assert isinstance(parts, Components)
    assert distance(design_of(parts), parse(name)) < 1e-9


def test_the_caution_about_few_levels_is_not_said_twice() -> None:
    r = ask(long(people(20, 2)))
    codes = [f.code for f in r.findings]
    assert codes.count(NOTE) == 1
    assert not any("ICC(A,1)" in f.message for f in r.findings if f.code == CAUTION and "Satterthwaite" in
                   r.estimates[0].method)
