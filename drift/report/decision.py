"""What stands on top of the report: each decision once, and the condition that several share said once below them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from drift.results import Result

DECISIONS = ("retire", "recalibrate", "policy")
CONDITION = re.compile(r"^(?P<said>.+?) \((?P<condition>with [^()]+)\)\.$")


@dataclass(frozen=True, kw_only=True)
class Decision:
    """The lines that answer one question, a construction each, and what holds for all of them."""

    lines: tuple[str, ...]
    shared: str = ""


def decisions(parts: Sequence[Result]) -> tuple[Decision, ...]:
    """Return the counts and policies, a question each; the answers in order where no count was asked."""
    asked = [p.answer for p in parts if p.command in DECISIONS]
    if not asked:
        return tuple(Decision(lines=(p.answer,)) for p in parts)
    # One line a construction: each count is a decision of its own.
    found = [_shared(re.split(r"(?<=\.) (?=[A-Z])", answer)) for answer in asked]
    told: list[str] = []
    made = []
    for group in found:
        made.append(Decision(lines=tuple(_without(line, told) for line in group.lines), shared=group.shared))
        told += group.lines
    return tuple(made)


def _shared(lines: Sequence[str]) -> Decision:
    """Take the clauses of the closing brackets that all lines have in common out of them."""
    taken = [CONDITION.match(line) for line in lines]
    if len(lines) < 2 or not all(taken):
        return Decision(lines=tuple(lines))
    said = [m["said"] for m in taken if m]
    clauses = [m["condition"].split("; ") for m in taken if m]
    shared = [c for c in clauses[0] if all(c in own for own in clauses)]
    if not shared:
        return Decision(lines=tuple(lines))
    kept = ["; ".join([s, *(c for c in own if c not in shared)]) for s, own in zip(said, clauses, strict=True)]
    return Decision(lines=tuple(f"{line}." for line in kept), shared=_sentence("; ".join(shared)))


def _without(line: str, told: Sequence[str]) -> str:
    """Leave the retire-after count out of a line whose sensors were given the same count above."""
    whose = line.split(":")[0]
    found = re.search(r", (retire after \d+ uses for a sensor from a new batch)", line)
    if found and any(t.startswith(f"{whose}: {found[1]}") for t in told):
        return line.replace(found[0], " until then", 1)
    return line


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
