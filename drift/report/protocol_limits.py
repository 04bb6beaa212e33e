"""Protocol limits of agreement questions, said beside the retire-after count and never inside it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from drift.agreement.along_use_tables import split_method
from drift.errors import Finding
from drift.results import Estimate, Result

CODE = "protocol-limit-beside"


def beside_counts(parts: Sequence[Result]) -> tuple[Result, ...]:
    """Say at the retirement answer up to how many uses each pair of methods may be exchanged.

    A sensor may be fit for use by every limit when two ways of calibrating it no longer agree. Which way is used is a
    matter of the protocol, so its limit stands beside the sensor's count and changes nothing in it.

    Parameters
    ----------
    parts : sequence of Result
        One result a question.

    Returns
    -------
    tuple of Result
        The same, with a note for each protocol limit at the retirement result.
    """
    notes = tuple(Finding(severity="note", code=CODE, message=_words(e, p)) for p in parts if p.command == "agree"
                  for e in p.estimates if e.name == "protocol limit")
    return tuple(replace(p, findings=(*p.findings, *(replace(n, question=p.question) for n in notes)))
                 if p.command == "retire" and notes else p for p in parts)


def _words(e: Estimate, part: Result) -> str:
    of = ", ".join(f"{k} {v}" for k, v in e.of.items() if k != "question")
    lead = f"Protocol limit of question {part.question}{f' ({of})' if of else ''}"
    if not math.isfinite(e.value):
        return f"{lead}: none, {split_method(e)[1]}; it is no part of the count"
    unit = "use" if e.unit == "uses" and e.value == 1 else e.unit
    return (f"{lead}: {'at least ' if e.bound == 'at least' else ''}{e.value:g} {unit}; up to then the two may be "
            "exchanged, and it is no part of the count")
