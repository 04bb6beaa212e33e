"""Published words for a coefficient, read from its interval and never from the point alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from drift.errors import Finding
from drift.reliability.words import coefficient_text
from drift.results import Estimate
from drift.study import ReliabilityQuestion

GradeName = Literal["Koo & Li 2016", "Cicchetti 1994"]
CODE = "grade"


@dataclass(frozen=True)
class Bands:
    """Words in rising order; ``edges`` part them, and ``closed`` says which edge still belongs to the word below."""

    words: tuple[str, ...]
    edges: tuple[float, ...]
    closed: tuple[bool, ...]
    source: str


BANDS: dict[str, Bands] = {
    # "values less than 0.5, between 0.5 and 0.75, between 0.75 and 0.9, and greater than 0.90"
    "Koo & Li 2016": Bands(("poor", "moderate", "good", "excellent"), (0.5, 0.75, 0.9), (False, False, True),
                           "Koo & Li (2016), Journal of Chiropractic Medicine 15:155-163"),
    # below .40, .40 to .59, .60 to .74, .75 to 1.00
    "Cicchetti 1994": Bands(("poor", "fair", "good", "excellent"), (0.40, 0.60, 0.75), (False, False, False),
                            "Cicchetti (1994), Psychological Assessment 6:284-290"),
}


def word_of(value: float, bands: Bands) -> str:
    """Return the word of one value."""
    for word, edge, closed in zip(bands.words, bands.edges, bands.closed, strict=False):
        if value < edge or (closed and value == edge):
            return word
    return bands.words[-1]


def grade(low: float, high: float, name: GradeName) -> str:
    """Return the word or words that an interval covers: ``"good"``, ``"poor to good"``; empty without an interval.

    Parameters
    ----------
    low, high : float
        Ends of the coefficient's confidence interval.
    name : {"Koo & Li 2016", "Cicchetti 1994"}

    References
    ----------
    Koo & Li (2016) ask for the level of reliability to be judged by the 95 % interval, not by the estimate.
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    bands = BANDS[name]
    ends = word_of(low, bands), word_of(high, bands)
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def graded(question: ReliabilityQuestion, heads: Sequence[Estimate]) -> list[Finding]:
    """Return one note with the words of every declared coefficient; none unless the question asks for them.

    Parameters
    ----------
    question : ReliabilityQuestion
    heads : sequence of Estimate
        The declared coefficient of every combination of ``by``.
    """
    if question.grades is None or not heads:
        return []
    source = BANDS[question.grades].source
    words = [grade(e.low, e.high, question.grades) for e in heads]
    if len(heads) == 1:
        e = heads[0]
        message = (f"By the words of {source}, the interval of {e.name} {coefficient_text(e.value, e.low, e.high)} is "
                   f"{words[0]}" if words[0] else
                   f"{e.name} has no interval, and without one no word is given to it")
    else:
        each = [f"{_label(e)} {w or 'no word, because there is no interval'}"
                for e, w in zip(heads, words, strict=True)]
        message = f"By the words of {source}, the intervals of {heads[0].name} are: {'; '.join(each)}"
    spans = any(" to " in w for w in words)
    return [Finding(severity="note", code=CODE, question=question.name, message=message, mend=(
        "Where two words stand the study does not tell them apart; report the interval" if spans else ""))]


def _label(e: Estimate) -> str:
    return " ".join(v for k, v in e.of.items() if k not in ("question", "model"))
