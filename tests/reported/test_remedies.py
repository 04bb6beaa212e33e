"""Remedies are printed only where they are ones: judged again with the value changed, nothing contradicts."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from drift.reported.conflicts import contradicts
from drift.reported.places import place_of, places
from drift.reported.reading import paper_from_dict
from drift.reported.relations import all_relations
from drift.reported.review import look, review
from tests.reported.errors import KINDS, seeded
from tests.reported.helpers import paper, review_of


def questions(printed: dict[str, str], **more: object) -> str:
    return " ".join(map(str, review(paper(printed, **more)).table("questions")["question"]))  # type: ignore[arg-type]


@pytest.mark.parametrize("printed", [
    {"ICC(C,k)": "0.98 (0.60 to 0.90)", "ICC(C,1)": "0.96", "n": "12", "k": "2"},
    {"ICC(C,k)": "0.98 (0.60 to 0.90)", "alpha": "0.980", "n": "12", "k": "2"},
    {"ICC(C,1)": "0.60 (0.63 to 0.80)", "ICC(C,k)": "0.751", "n": "12", "k": "2"},
    {"ICC(C,1)": "0.60 (0.63 to 0.80)", "F (two-way)": "4.01", "n": "12", "k": "2"}])
def test_a_value_outside_its_interval_has_no_remedy_that_rounds_to_itself(printed: dict[str, str]) -> None:
    found = review_of(printed)
    assert [s.relations[0].label for s in found.conflicts] == ["0"]
    assert not [a for _, a in found.conflicts[0].alone if np.isfinite(a).all()]
    assert "would fit if" not in questions(printed)


def test_numbers_exchanged_mend_everything_or_are_not_said_to() -> None:
    # Exchanged, 2.0 would be the SD and lie outside the interval printed beside it.
    printed = {"SD": "2.0 (1.6 to 2.9)", "SE of the mean": "9.0 (8.5 to 9.5)", "n": "20"}
    assert review_of(printed).conflicts
    assert "exchanged" not in questions(printed)
    assert "exchanged everything here fits" in questions({"SD": "2.0", "SE of the mean": "9.0"})


def test_a_remedy_beside_another_contradiction_does_not_promise_everything() -> None:
    printed = {"tv": "7.00", "grr": "3.00", "pv": "4.00", "s_R": "0.020", "s_r": "0.030"}
    made = [str(x) for x in review(paper(printed)).table("conflicts")["what would reconcile them"]]
    assert len(made) == 2
    assert not any(x.startswith("Everything") for x in made)
    assert any(x.startswith("These would fit if TV were 4.993 to 5.007 instead of 7.00") for x in made)


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "n one too large"])
def test_a_remedy_judged_again_leaves_no_contradiction(kind: str) -> None:
    relations = all_relations()
    for i in range(3):
        wrong = seeded(kind, 3, np.random.default_rng([71, i]))[1]
        try:
            made = paper_from_dict(wrong)[0]
        except ValueError:
            continue
        found = look(made, with_implied=False)
        for conflict in found.conflicts:
            for claim, (low, high) in conflict.alone:
                if conflict.beside or not (np.isfinite(low) and np.isfinite(high)):
                    continue
                unit = claim.printed.unit
                value = (Decimal(repr((low + high) / 2)) / unit).to_integral_value() * unit
                assert value != claim.printed.value
                other = replace(claim, printed=replace(claim.printed, value=value))
                at = next(p for p in places(made) if p.words == conflict.place.words)
                claims = tuple(other if c == claim else c for c in at.claims)
                assert not contradicts(place_of(at.table, at.group, claims, at.design), relations)


@pytest.mark.parametrize(("printed", "status"), [
    ("0.85 (0.86 to 0.93)", "agrees"), ("0.853 (0.86 to 0.93)", "last digit"), ("0.84 (0.86 to 0.93)", "conflicts"),
    ("0.8537 (0.861 to 0.930)", "conflicts"), ("0.94 (0.72 to 0.93)", "agrees"), ("0.95 (0.72 to 0.93)", "conflicts"),
    ("0.939 (0.72 to 0.93)", "last digit"), ("0.942 (0.72 to 0.93)", "conflicts"), ("0.9 (0.95 to 0.99)", "agrees")])
def test_a_value_is_a_digit_outside_its_interval_only_within_one_unit_of_the_coarser_digit(printed: str,
                                                                                             status: str) -> None:
    found = review_of({"ICC(A,1)": printed})
    assert {v.status for v in found.verdicts if v.relation.label == "0"} == {status}
    notes = [f.message for f in review(paper({"ICC(A,1)": printed})).findings if f.code == "last-digit"]
    assert bool(notes) == (status == "last digit")
    assert not any("intermediate" in n for n in notes)
