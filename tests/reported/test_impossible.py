"""Numbers that their quantity cannot be at all are said to be so, alone or beside others, in the headline too."""

from __future__ import annotations

import pytest

from drift.errors import DriftError
from drift.reported.review import look, review
from drift.reported.vocabulary import quantities
from tests.reported.helpers import paper


@pytest.mark.parametrize(("what", "printed"), [
    ("r", "-1.3"), ("r", "1.01"), ("CCC", "1.3"), ("p of r", "1.4"), ("p of the bias", "2"), ("R squared", "1.4"),
    ("C_b", "1.2"), ("alpha", "1.2"), ("survival", "130 %"), ("ICC", "1.2")])
def test_an_impossible_number_alone_is_the_headline(what: str, printed: str) -> None:
    made = paper({what: printed})
    assert [c.symbol for s in look(made).conflicts for c in s.claims] == [made.claims[0].symbol]
    assert review(made).answer == "This one printed number cannot be true (the paper)."


@pytest.mark.parametrize(("what", "printed"), [("CV", "-3 %"), ("CV", "-0.03"), ("MDC in percent", "-3"),
                                               ("percentage", "-3 %"), ("%GRR", "-12")])
def test_a_negative_percentage_of_a_ratio_scale_is_refused(what: str, printed: str) -> None:
    with pytest.raises(DriftError, match="cannot be negative"):
        paper({what: printed})


@pytest.mark.parametrize(("what", "printed"), [
    ("r", "1.00"), ("r", "-1.00"), ("p of r", "1.00"), ("R squared", "1.0"), ("CV", "130 %"),
    ("lower limit in percent", "-12 %"), ("p of r", "0.000"), ("alpha", "-0.40")])
def test_what_is_at_an_end_of_what_can_be_is_no_contradiction(what: str, printed: str) -> None:
    made = paper({what: printed})
    assert not look(made).conflicts
    assert review(made).answer.startswith("Nothing could be checked")


def test_a_headline_says_both_what_cannot_be_and_what_is_asked() -> None:
    said = review(paper({"CCC": "1.3", "SEM": "3.3 kPa", "MDC95": "9 N"})).answer
    assert said.startswith("These 3 printed numbers cannot all be true: exact relations show one contradiction")
    assert "1 question for the authors" in said


def test_correlations_and_probabilities_have_domains() -> None:
    for symbol, q in quantities().items():
        if symbol.startswith("p_"):
            assert q.domain == (0.0, 1.0), symbol
    assert {quantities()[s].domain for s in ("r", "ccc", "r_mean")} == {(-1.0, 1.0)}
