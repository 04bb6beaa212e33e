"""Answers of equal weight look equal: each construction or group has a bold line of its own."""

from __future__ import annotations

import pytest

from drift.report.answers import Paragraph, paragraphs

LONG = "The limits are far apart. " * 12


@pytest.mark.parametrize(("answer", "groups", "bold", "rest"), [
    ("Laminated sensors: check every 20. Laminated sensors: retire at a check that shows 17 %. Plain sensors: check "
     "every 10. Cheaper for plain sensors without the statement: retire after 24.", ("laminated", "plain"),
     ["Laminated sensors: check every 20. Laminated sensors: retire at a check that shows 17 %.",
      "Plain sensors: check every 10."], ["", "Cheaper for plain sensors without the statement: retire after 24."]),
    ("A reading of 342 count of laminated means 400 kPa. A reading of 332 count of plain means 400 kPa.", (),
     ["A reading of 342 count of laminated means 400 kPa.", "A reading of 332 count of plain means 400 kPa."],
     ["", ""]),
    (f"Bench and gait differ by 2 kPa. Verdict: not interchangeable. {LONG}".strip(), (),
     ["Bench and gait differ by 2 kPa. Verdict: not interchangeable."], [LONG.strip()]),
    ("Batch A: 20 uses. Batch B: 30 uses.", ("batch a", "batch b"), ["Batch A: 20 uses.", "Batch B: 30 uses."],
     ["", ""])])
def test_each_group_is_bold_and_what_follows_is_not(answer: str, groups: tuple[str, ...], bold: list[str],
                                                    rest: list[str]) -> None:
    found = paragraphs(answer, groups=groups)
    assert [p.bold for p in found] == bold
    assert [p.rest for p in found] == rest
    assert " ".join(t for p in found for t in (p.bold, p.rest) if t) == answer


def test_a_short_answer_is_bold_as_a_whole_and_of_a_long_one_the_first_sentence() -> None:
    assert paragraphs("One. Two.") == (Paragraph(bold="One. Two."),)
    assert paragraphs(f"One. {LONG}".strip()) == (Paragraph(bold="One.", rest=LONG.strip()),)


def test_counts_of_all_limits_stay_decisions_to_the_last_sentence() -> None:
    answer = f"All sensors: retire after 20. {LONG}".strip()
    assert paragraphs(answer, command="retire") == (Paragraph(bold=answer),)
