"""Readings without a partner, by name: which method is missing where."""

from __future__ import annotations

from collections.abc import Sequence

from drift.errors import Finding
from drift.results import join_words
from drift.study import AgreementQuestion

MOST_NAMED, MOST_LONG = 6, 3


def missing_partners(labels: Sequence[str], methods: Sequence[str], question: AgreementQuestion) -> list[Finding]:
    """Say which targets have no reading by one of the methods; the rows of the other stay out, by name.

    Parameters
    ----------
    labels, methods : sequences of str
        Key of each row without a partner in words, and the method that has no reading there.
    """
    made = []
    for name in (question.a, question.b):
        keys = list(dict.fromkeys(k for k, m in zip(labels, methods, strict=True) if m == name))
        if keys:
            counted = "1 pair" if len(keys) == 1 else f"{len(keys)} pairs"
            made.append(Finding(severity="note", code="no-partner", question=question.name,
                                message=f"{name} has no reading for {counted}: {named(keys, '; ')}",
                                mend="Their rows stand in excluded.csv with the reason."))
    return made


def named(keys: Sequence[str], between: str = ", ") -> str:
    """List keys, the first six (three where they are long) by name and the rest by number."""
    shown = list(keys[:MOST_LONG if any("," in k for k in keys) else MOST_NAMED])
    rest = len(keys) - len(shown)
    if rest:
        return f"{between.join(shown)} and {rest} more"
    return join_words(shown) if between == ", " else between.join(shown)
