"""The relations are data: all 47, well formed, and true of data."""

from __future__ import annotations

import re
from decimal import Decimal

import numpy as np
import pytest

from drift.engine.interval_equations import equation
from drift.reported.claims import CONVENTIONS, Claim
from drift.reported.finders import FINDERS
from drift.reported.judging import instance, possible
from drift.reported.places import place_of, variables
from drift.reported.propagation import FREE
from drift.reported.relation import KINDS
from drift.reported.relations import all_relations
from drift.reported.strings import Printed
from drift.reported.vocabulary import quantities
from tests.reported.helpers import review_of
from tests.reported.studies import FAMILIES

RELATIONS = all_relations()


def test_all_47_are_there_and_each_part_has_its_own_label() -> None:
    assert set(range(48)) == {r.number for r in RELATIONS}
    labels = [r.label for r in RELATIONS]
    assert len(labels) == len(set(labels))


def test_every_relation_is_well_formed() -> None:
    known = set(quantities())
    for r in RELATIONS:
        assert r.kind in KINDS
        assert r.name
        assert bool(r.cases) != bool(r.finder), r.label
        assert not r.finder or r.finder in FINDERS
        for name in variables(r):
            assert name.partition("__")[0] in known | {"loa"}, (r.label, name)
        assert not r.cases or not r.target or r.target in variables(r), r.label
        for case in r.cases:
            for key, word in case.convention.items():
                assert word in CONVENTIONS[key], (r.label, key, word)
    assert known >= FREE


def test_approximate_relations_and_conventions_never_accuse() -> None:
    for r in RELATIONS:
        if r.kind in ("A", "V"):
            made = review_of({"icc_1": "0.5"})
            assert not any(v.accuses for v in made.verdicts if v.relation is r)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_every_usual_case_of_an_exact_relation_holds_for_unrounded_data(family: str) -> None:
    # The naive twin of the rounding tests: at full precision a relation that is not true would fail at once.
    rng, checked = np.random.default_rng(11), set()
    for _ in range(12):
        truth = FAMILIES[family](rng)
        if truth is None:
            continue
        values = {**truth.values, **{k: float(v) for k, v in truth.counts.items()}}
        for s, (low, high, level) in truth.intervals.items():
            values |= {f"{s}__low": low, f"{s}__high": high, f"{s}__level": level}
        held = place_of("", "", tuple(
            Claim(i, s, Printed("1", Decimal(str(int(v))) if s in ("n", "k") else Decimal(1), Decimal(1)), "1")
            for i, (s, v) in enumerate(values.items())))
        for r in RELATIONS:
            made = instance(r, held)
            if made is None or r.kind not in ("E", "B") or not all(n in values for n in made.names):
                continue
            cut = {"var_units", "var_raters", "share_units", "share_raters", "s_L"} & set(made.names)
            if any(values[x] <= 0 for x in cut) or (values.get("f_raters", 2) < 1 and "sem_a" in made.names):
                continue
            box = {n: (values[n] - 1e-9 * abs(values[n]), values[n] + 1e-9 * abs(values[n])) for n in made.names}
            if any(re.search(r"factor|mdc|loa|tdi|ndc|tol", x) for x in made.names):
                continue  # several conventions: held by the rounding tests
            assert any(possible([equation(t) for t in c.equations], box) for c in made.cases), (r.label, r.name)
            checked.add(r.label)
    assert len(checked) >= {"reliability": 40, "two methods": 18, "gauge study": 9, "laboratories": 1,
                            "drift and life": 7, "counts and groups": 1}[family]
