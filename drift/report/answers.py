"""How an answer is set: what answers the question is bold, once for each construction or group, and all alike."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from drift.results import Result

SENTENCES = re.compile(r"(?<=\.) (?=[A-Z])")
SHORT = 200  # letters up to which an answer is bold as a whole
SAME_WORDS = 3
TOGETHER = ("retire",)  # each of its sentences is a decision


@dataclass(frozen=True, kw_only=True)
class Paragraph:
    """One answer: what is bold, and what follows in plain letters of the same size."""

    bold: str
    rest: str = ""


def paragraphs(answer: str, *, command: str = "", groups: Iterable[str] = ()) -> tuple[Paragraph, ...]:
    """Split an answer into paragraphs of equal weight.

    Parameters
    ----------
    answer : str
    command : str
    groups : iterable of str
        Labels of constructions, batches or other groups that are answered one by one. A sentence that begins with
        another label than the one before it, or with the same words as the first sentence, is another answer.

    Returns
    -------
    tuple of Paragraph
        Joined by spaces they are the answer.
    """
    known = {g.casefold() for g in groups if g}
    made: list[tuple[list[str], list[str]]] = []
    labels: list[str] = []
    for sentence in SENTENCES.split(answer):
        label = _label(sentence, known)
        first = made[0][0][0] if made else ""
        if not made or (label and label != labels[-1]) or (not label and _alike(first, sentence)):
            made.append(([sentence], []))
            labels.append(label)
        elif not made[-1][1] and (command in TOGETHER or label or sentence.startswith("Verdict")):
            made[-1][0].append(sentence)
        else:
            made[-1][1].append(sentence)
    if len(made) == 1 and len(answer) <= SHORT:
        return (Paragraph(bold=answer),)
    return tuple(Paragraph(bold=" ".join(bold), rest=" ".join(rest)) for bold, rest in made)


def _label(sentence: str, known: set[str]) -> str:
    """Return the label that a sentence begins with, in front of a colon; empty where it is no known group."""
    head, colon, _ = sentence.partition(": ")
    folded = head.casefold()
    return folded if colon and any(folded == g or folded.startswith(f"{g} ") for g in known) else ""


def _alike(first: str, sentence: str) -> bool:
    """Tell whether two sentences begin with the same words, and so say the same of two groups."""
    a, b = first.split()[:SAME_WORDS], sentence.split()[:SAME_WORDS]
    return len(b) == SAME_WORDS and a == b


def groups_of(part: Result) -> tuple[str, ...]:
    """Return the labels of the groups that a result answers one by one."""
    keys = {"question", "policy", "way of working", "chosen", "at", "model", "component"}
    return tuple(dict.fromkeys(v for e in part.estimates for k, v in e.of.items() if k not in keys))


def said_of(part: Result) -> tuple[Paragraph, ...]:
    """Return the paragraphs of a result's answer."""
    return paragraphs(part.answer, command=part.command, groups=groups_of(part))
