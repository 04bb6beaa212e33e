"""Numbers of a percent quantity without their sign: read as fractions where only so they agree."""

from __future__ import annotations

from typing import Any

import pytest

from drift.reported.reading import paper_from_dict
from drift.reported.review import look, review


def made(*claims: tuple[str, str], **settings: Any) -> Any:
    return paper_from_dict({"paper": settings, "claims": [{"what": w, "printed": p} for w, p in claims]})[0]


@pytest.mark.parametrize(("claims", "said"), [
    ((("CV", "0.051"), ("CV", "5.1 %")), "CV 0.051, printed without a percent sign, is read as a fraction, 5.1 %"),
    ((("count", "7"), ("percentage", "0.583")), "percentage 0.583, printed without a percent sign, is read as a fra"),
    ((("GRR", "5"), ("TV", "20"), ("%GRR", "0.25")), "%GRR 0.25, printed without a percent sign"),
    ((("CV", "0.051 (0.040 to 0.062)"), ("CV", "5.1 %")), "CV 0.051, printed without"),
    ((("%GRR", "0.25"), ("%PV", "0.97")), "%PV 0.97, printed without"),
    ((("GRR", "5"), ("PV", "19.4"), ("TV", "20"), ("%GRR", "0.25"), ("%PV", "97 %")), "%GRR 0.25, printed")])
def test_a_fraction_beside_a_percentage_is_no_contradiction(claims: tuple[tuple[str, str], ...], said: str) -> None:
    paper = made(*claims, n=12)
    found = look(paper)
    assert not found.conflicts
    assert {v.status for v in found.verdicts} == {"agrees"}
    assert any(said in f.message for f in review(paper).findings if f.code == "read-as-fraction")


def test_a_small_percentage_that_agrees_stays_one() -> None:
    found = look(made(("SD", "0.51"), ("mean", "100.0"), ("CV", "0.51")))
    assert not found.fractions
    assert {v.status for v in found.verdicts} == {"agrees"}


@pytest.mark.parametrize("cv", ["0.051 %", "1.2", "0.071"])
def test_what_agrees_in_neither_reading_is_still_seen(cv: str) -> None:
    found = look(made(("CV", cv), ("CV", "5.1 %")))
    assert [{c.symbol for c in s.claims} for s in found.conflicts] == [{"cv"}]
    assert not found.fractions
