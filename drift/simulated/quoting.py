"""What a result says about its own intervals: a table, one quiet sentence, and a caution where one is too short."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from drift.errors import Finding
from drift.results import ResultTable, join_words
from drift.simulated.designs import Design, parse
from drift.simulated.tables import FAR, Simulated, nearest

TABLE, NOTE, CAUTION = "coverage", "simulated-coverage", "short-interval"
_LEVEL = 0.95
CAPTION = ("How often each interval held the truth in simulated studies (promised: 95 %), in the design nearest to "
           "this one. Lowest: in the least favourable case simulated at that size.")


@dataclass(frozen=True, kw_only=True)
class Asked:
    """An interval that was printed.

    Parameters
    ----------
    quantity : str
        As printed.
    named : str
        As the table of the simulation names it.
    method : str
        Of the interval.
    design : Design
        Of the study, or of its group.
    of : str
        The group in words, such as ``"heel, equalised"``.
    interval : bool
        Whether it is an interval that holds the truth, or a count that must not exceed it.
    printed : str
        The method as printed, where ``method`` is the name that the table of the simulation has for it.
    """

    quantity: str
    named: str
    method: str
    design: Design
    of: str = ""
    interval: bool = True
    printed: str = ""

    @property
    def held(self) -> str:
        """What it did in a study where it was right."""
        return "held the truth" if self.interval else "was safe"


@dataclass(frozen=True, kw_only=True)
class Quoted:
    """A printed interval and what was found about it."""

    asked: Asked
    found: Simulated
    of: tuple[str, ...] = ()


def quote(family: str, asked: Iterable[Asked], *, level: float) -> list[Quoted]:
    """Look every interval up; those without a row, and levels that were not simulated, are left out.

    Groups that lead to the same row are one: ``of`` then names those groups of which the row is not that of all.
    """
    if abs(level - _LEVEL) > 1e-9:
        return []
    pairs = [(a, nearest(family, a.named, a.method, a.design)) for a in asked]
    same: dict[tuple[str, str, str, str, bool], list[Quoted]] = {}
    for a, f in pairs:
        if f is not None:
            key = a.quantity, f.method, f.design_text, f.table, f.far
            same.setdefault(key, []).append(Quoted(asked=a, found=f))
    return [replace(q[0], of=tuple(dict.fromkeys(x.asked.of for x in q if x.asked.of))) for q in same.values()]


def coverage_table(quoted: Sequence[Quoted]) -> ResultTable:
    """Return the table "coverage": each printed interval with the simulated design nearest to the study's own."""
    everyone = {o for q in quoted for o in q.of}
    rows = [(q.asked, q.found, "" if set(q.of) == everyone else join_words(q.of)) for q in quoted]
    columns: dict[str, Any] = {
        "quantity": [a.quantity for a, _, _ in rows], "of": [of for _, _, of in rows],
        "method": [a.printed or a.method for a, _, _ in rows], "nearest design": [f.design_text for _, f, _ in rows],
        "like this study": ["no" if f.far else "yes" for _, f, _ in rows],
        "coverage": [100 * f.coverage for _, f, _ in rows],
        "lowest at that size": [100 * f.lowest for _, f, _ in rows],
        "studies": [float(f.studies) for _, f, _ in rows]}
    return ResultTable.build(TABLE, columns, units={"coverage": "%", "lowest at that size": "%"}, caption=CAPTION)


def sentence(quoted: Sequence[Quoted]) -> str:
    """Say in one or two sentences how often the printed intervals held the truth in studies like this one."""
    if not quoted:
        return ""
    head, *rest = quoted
    f, mine = head.found, head.asked.design
    what = _with_article(head.asked.quantity)
    if head.asked.interval:
        what = f"the {100 * f.nominal:g} % interval of {what}"
    place = f"In simulated studies like this one ({f.design_text})"
    if f.distance > FAR:
        # Alone a number says too little: the noun is that of the nearest design.
        n = parse(f.design_text).n
        noun = re.search(rf"\b{n:g}( [a-z]+)", f.design_text) if mine.size.isdigit() and n is not None else None
        place = (f"No simulated study is like this one ({mine.size}{noun[1] if noun else ''}). In the nearest "
                 f"({f.design_text})")
    elif f.far:
        place = f"No simulated study is like this one ({mine.words}). In the nearest ({f.design_text})"
    told = f"{place} {what} {head.asked.held} in {_counted(f)}"
    others = [q.found.coverage for q in rest]
    if others:
        low, high = min(others), max(others)
        between = _percent(low) if _percent(low) == _percent(high) else f"{100 * low:.1f} to {_percent(high)}"
        many = "the other interval" if len(others) == 1 else f"the {len(others)} other intervals"
        told += f"; {many} held {'it' if head.asked.interval else 'the truth'} in {between}"
    return told + "."


def _counted(f: Simulated) -> str:
    told = f"{_percent(f.coverage)} of {f.studies:,}"
    if f.lowest < f.coverage - 0.005:
        worst = f" ({f.lowest_text})" if f.lowest_text != f.design_text else ""
        told += f", and in {_percent(f.lowest)} in the least favourable case of that size{worst}"
    return told


def _with_article(quantity: str) -> str:
    return f"the {quantity}" if quantity[0].islower() or quantity.startswith("SD ") else quantity


def note(quoted: Sequence[Quoted], *, question: str) -> list[Finding]:
    """Return the sentence as a note of the result; none without a row."""
    said = sentence(quoted)
    return [Finding(severity="note", code=NOTE, message=said.rstrip("."), question=question)] if said else []


def cautions(quoted: Sequence[Quoted], *, question: str, mend: str) -> list[Finding]:
    """Warn of printed intervals that fall short of what they promise in the nearest design; one finding for all."""
    short = [q for q in quoted if q.found.short]
    if not short:
        return []
    worst = min(short, key=lambda q: q.found.lowest)
    f = worst.found
    # One quantity of several groups is one name.
    names = list(dict.fromkeys(_with_article(q.asked.quantity) for q in short))
    where = f"in {'the nearest simulated studies' if f.far else 'studies like this one'} ({f.design_text})"
    one = len(names) == 1
    which = "" if one else f" by that of {_with_article(worst.asked.quantity)}"
    return [Finding(severity="warning", code=CAUTION, question=question, message=(
        f"The {100 * f.nominal:g} % interval{'' if one else 's'} of {join_words(names)} can be too short: {where} the "
        f"truth was held{which} in {_counted(f)}"), mend=mend)]


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if math.isfinite(share) else "an unknown share"
