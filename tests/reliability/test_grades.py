"""Words for a coefficient are read from its interval, never from the point, and only when asked for."""

from __future__ import annotations

import math

import pytest

from drift.reliability.grades import BANDS, grade, word_of
from tests.published_examples import load
from tests.reliability.tables import ask

KOO, CICCHETTI = "Koo & Li 2016", "Cicchetti 1994"


@pytest.mark.parametrize(("value", "word"), [(-0.2, "poor"), (0.49, "poor"), (0.5, "moderate"), (0.74, "moderate"),
                                             (0.75, "good"), (0.9, "good"), (0.91, "excellent"), (1.0, "excellent")])
def test_bands_of_koo_and_li(value: float, word: str) -> None:
    assert word_of(value, BANDS[KOO]) == word


@pytest.mark.parametrize(("value", "word"), [(0.39, "poor"), (0.40, "fair"), (0.59, "fair"), (0.60, "good"),
                                             (0.74, "good"), (0.75, "excellent"), (1.0, "excellent")])
def test_bands_of_cicchetti(value: float, word: str) -> None:
    assert word_of(value, BANDS[CICCHETTI]) == word


def test_a_wide_interval_spans_words_and_a_narrow_one_does_not() -> None:
    assert grade(0.43, 0.93, KOO) == "poor to excellent"
    assert grade(0.43, 0.88, KOO) == "poor to good"
    assert grade(0.78, 0.88, KOO) == "good"


@pytest.mark.parametrize("ends", [(math.nan, math.nan), (0.3, math.nan), (math.nan, 0.9)])
def test_without_an_interval_there_is_no_word(ends: tuple[float, float]) -> None:
    assert grade(*ends, KOO) == ""


def said(grades: str | None) -> list[str]:
    frame = load("wine-judges-icc").frame()
    result = ask(frame, names={"wine": "participant", "judge": "session", "score": "reading"}, facet="session",
                 grades=grades)
    return [f.message for f in result.findings if f.code == "grade"]


def test_no_word_is_given_unless_asked_for() -> None:
    assert said(None) == []


def test_the_word_is_not_that_of_the_point() -> None:
    # The point, 0.73, is "moderate"; the study does not show as much.
    (message,) = said(KOO)
    assert word_of(0.73, BANDS[KOO]) == "moderate"
    assert message.endswith("is poor to excellent")
    assert "Koo & Li (2016)" in message
