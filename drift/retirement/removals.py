"""Sensors removed for wear, and the limits that their last check had passed: what was a reading, what judgement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drift.errors import Finding
from drift.results import Result, ResultTable, join_words
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.limits import QUESTION
from drift.retirement.wording import label_of

TABLE = "removals and limits"
JUDGEMENT = "none, by judgement"


def removed_in(wear: Result) -> set[str]:
    """Return the sensors that the result of wear lists as removed."""
    table = next((t for t in wear.tables if t.name == "removals"), None)
    return {str(s) for s in table["sensor"]} if table is not None and len(table) else set()


def passed_by(a: ConstructionAnswer, jumped: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Limits past at the last check of each sensor removed for wear, in order of name; none for a judgement.

    Parameters
    ----------
    a : ConstructionAnswer
    jumped : mapping
        Sensors past a limit that jumps, and its key.
    """
    groups = [x.group for x in a.limits if not x.refused]
    found: dict[str, tuple[str, ...]] = {}
    for s in sorted({s for g in groups for s in (*g.judged, *g.passed)}):
        found[s] = tuple(g.limit.key for g in groups if s in g.passed) + ((jumped[s],) if s in jumped else ())
    return found


def removals_table(answers: Sequence[ConstructionAnswer], jumped: Mapping[str, str]) -> ResultTable:
    """Table "removals and limits": sensors removed for wear with the limits they had passed."""
    rows = [(a.construction, s, join_words(keys) or JUDGEMENT)
            for a in answers for s, keys in passed_by(a, jumped).items()]
    return ResultTable.build(TABLE, {"construction": [r[0] for r in rows], "sensor": [r[1] for r in rows],
                                     "limit passed at the last check": [r[2] for r in rows]},
                             caption="Sensors removed for wear, and the limits that their last check had passed.")


def removal_findings(answers: Sequence[ConstructionAnswer], jumped: Mapping[str, str]) -> list[Finding]:
    """Say which limit the sensors removed for wear had passed; a judgement has a warning of its own."""
    made = []
    for a in answers:
        by: dict[tuple[str, ...], list[str]] = {}
        for s, keys in passed_by(a, jumped).items():
            if keys:
                by.setdefault(keys, []).append(s)
        if by:
            told = "; ".join(f"{join_words(names)} ({join_words(keys)})" for keys, names in by.items())
            made.append(Finding(severity="note", code="removed-past-a-limit", question=QUESTION, message=(
                f"{label_of(a.construction)}: removed for wear, the last check past a limit: {told}")))
    return made
