"""Units behind numbers: converted with their digits, or not compared, and never the cause of an accusation."""

from __future__ import annotations

import pytest

from drift.reported.one_unit import POWERS
from drift.reported.reading import paper_from_dict
from drift.reported.review import Review, look, review
from drift.reported.vocabulary import quantities
from tests.reported.helpers import paper, review_of


def statuses(found: Review) -> dict[str, str]:
    return {v.relation.label: v.status for v in found.verdicts}


@pytest.mark.parametrize(("sem", "mdc", "status"), [
    ("3.3 kPa", "9147 Pa", "agrees"), ("3.3 kPa", "0.9147 N/cm2", "agrees"), ("3300 Pa", "9.147", "conflicts"),
    ("3.3", "9147 Pa", "conflicts"), ("3.3 kPa", "7000 Pa", "conflicts"), ("3.3 kPa", "9.1", "agrees"),
    ("3.3 AU", "9.1 AU", "agrees"), ("3.3 AU", "30 AU", "conflicts")])
def test_numbers_of_one_place_are_held_against_each_other_in_one_unit(sem: str, mdc: str, status: str) -> None:
    claims = {"MDC95": {"factor": "1.96"}}
    assert statuses(review_of({"SEM": sem, "MDC95": mdc, "n": "12", "k": "2"}, conventions=claims))["18a"] == status


def test_the_printed_precision_is_converted_too() -> None:
    # 9147 Pa is known to half a pascal, 9.1 kPa to 50; a root of 2 times 1.96 times 3.2996 to 3.3004 is 9146 to 9149.
    at = {"SEM": "3.3000 kPa", "n": "12", "k": "2"}
    said = {"MDC95": {"factor": "1.96"}}
    assert statuses(review_of({**at, "MDC95": "9147 Pa"}, conventions=said))["18a"] == "agrees"
    assert statuses(review_of({**at, "MDC95": "9187 Pa"}, conventions=said))["18a"] == "conflicts"
    assert statuses(review_of({**at, "MDC95": "9.1 kPa"}, conventions=said))["18a"] == "agrees"


def test_a_range_is_given_in_the_unit_of_its_own_number() -> None:
    found = review(paper({"SEM": "3.3 kPa", "MDC95": "7000 Pa", "n": "12", "k": "2"},
                         conventions={"MDC95": {"factor": "1.96"}}))
    said = str(found.table("relations")["what it says"][0])
    assert said.startswith("MDC 7000 Pa, where 9")
    assert "Pa is needed" in said
    assert 9000 < found.table("relations")["needed from"][0] < 9300


@pytest.mark.parametrize(("one", "two"), [("kPa", "N"), ("kPa", "foo"), ("counts", "kPa"), ("degC", "K")])
def test_units_that_cannot_be_converted_are_asked_about_and_not_compared(one: str, two: str) -> None:
    made = paper({"SEM": f"3.3 {one}", "MDC95": f"9147 {two}", "SD": "2.0", "SE of the mean": "9", "n": "12", "k": "2"})
    found = look(made)
    # SD and its standard error have no unit and may be in either.
    assert not found.conflicts
    assert not {v.status for v in found.verdicts} & {"conflicts", "question"}
    asked = [str(q) for q in review(made).table("questions")["question"]]
    assert len(asked) == 1
    assert f"SEM in {one} and MDC in {two}" in asked[0]
    assert "were not compared" in asked[0]


def test_other_numbers_of_such_a_place_are_still_compared() -> None:
    found = review_of({"SEM": "3.3 kPa", "MDC95": "9147 N", "ICC(C,1)": "1.02"})
    assert [{c.symbol for c in s.claims} for s in found.conflicts] == [{"icc_c1"}]


def test_variances_and_slopes_are_in_powers_of_the_unit() -> None:
    found = review_of({"SEM (consistency)": "3.300 kPa", "MS error": "10890000 Pa^2", "n": "12", "k": "2"})
    assert statuses(found)["16a"] == "agrees"
    drift = {"slope": "3.0 Pa per use", "uses": "100 uses", "total drift": "0.30 kPa"}
    assert statuses(review_of(drift))["42h"] == "agrees"
    other = review_of({**drift, "slope": "3.0 kPa/cycle"})
    assert "42h" not in statuses(other)
    assert [d.kind for d in other.detections] == ["units"]


def test_an_equation_of_the_papers_own_is_not_judged_across_units() -> None:
    claims = [{"what": "number", "id": "a", "printed": "1.0 kPa"}, {"what": "number", "id": "b", "printed": "2000 Pa"}]
    data = {"claims": claims, "relations": [{"equation": "b = 2*a"}]}
    assert not look(paper_from_dict(data)[0]).conflicts


def test_an_implied_number_says_its_unit() -> None:
    found = review(paper({"SEM (consistency)": "3.300 kPa", "n": "12", "k": "2"}))
    assert "MDC (consistency), kPa" in found.table("implied values")["number"]
    assert {e.unit for e in found.estimates if e.name == "implied MDC (consistency)"} == {"kPa"}


def test_every_power_is_of_a_quantity_of_the_list() -> None:
    assert set(POWERS) <= set(quantities())
    for symbol in POWERS:
        assert quantities()[symbol].scale in ("number", "whole")
