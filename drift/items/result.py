"""Filling every item of the lists, and the result of ``drift items``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from drift.errors import Finding
from drift.items import agreement_items, design, metadata, reliability_items, results_items
from drift.items.evidence import Evidence
from drift.items.filled import Filled, Filler, not_applicable, worst
from drift.items.lists import Item, ItemList, chosen_lists
from drift.results import Column, Provenance, Result, ResultTable, join_words, run_versions
from drift.study import suggestion

TABLE = "reporting items"
GRADES_TABLE = "risk of bias"
LISTS_TABLE = "lists of items"
LOCK_TABLES = ("locks", "fixed in advance", "changed since the first lock")
_SCORED = ("reliability", "measurement error")


@dataclass(frozen=True, kw_only=True, eq=False)
class ItemsResult(Result):
    """Every item of the reporting guidelines: filled, open or not applicable."""

    command: ClassVar[str] = "items"


def filler_of(name: str) -> Filler:
    """Return the function that fills an item.

    Raises
    ------
    KeyError
        When no module has it; a test holds the lists to that.
    """
    for module in (results_items, reliability_items, agreement_items, design, metadata):
        found = getattr(module, name, None)
        if callable(found):
            made: Filler = found
            return made
    raise KeyError(name)


@dataclass(frozen=True, kw_only=True)
class Line:
    """One item with what became of it."""

    of: ItemList
    item: Item
    filled: Filled

    @property
    def name(self) -> str:
        """The item as a person calls it: ``GRRAS 6``."""
        return f"{self.of.family} {self.item.id}"


def fill(evidence: Evidence, lists: Sequence[ItemList] | None = None) -> tuple[Line, ...]:
    """Fill every item of the lists.

    Parameters
    ----------
    evidence : Evidence
    lists : sequence of ItemList, optional
        The newest of each family by default.
    """
    confirmed = {c.casefold() for c in evidence.told.confirmed}
    lines = []
    for one in chosen_lists() if lists is None else lists:
        not_asked = _not_asked(evidence, one)
        for item in one.items:
            made = not_asked or filler_of(item.filler)(evidence)
            line = Line(of=one, item=item, filled=made)
            if made.source == "draft" and line.name.casefold() in confirmed:
                made = Filled(state=made.state, text=made.text, needs=(), source="draft, confirmed", grade=made.grade)
                line = Line(of=one, item=item, filled=made)
            lines.append(line)
    return tuple(lines)


def _not_asked(e: Evidence, one: ItemList) -> Filled | None:
    """Return why a whole list does not apply; None where it does."""
    there = {"any": True, "reliability": bool(e.reliability), "agreement": bool(e.agreement),
             "either": bool(e.reliability or e.agreement)}
    what = {"reliability": "reliability", "agreement": "agreement of methods", "either": "reliability or agreement"}
    return None if there[one.about] else not_applicable(f"the study asks no question about {what[one.about]}")


def items_tables(lines: Sequence[Line]) -> tuple[ResultTable, ...]:
    """Return tables "reporting items", "risk of bias" and "lists of items"."""
    items = ResultTable.build(TABLE, {
        "list": [n.of.key for n in lines], "item": [n.name for n in lines], "part": [n.item.part for n in lines],
        "asks": [n.item.asks for n in lines], "state": [n.filled.state for n in lines],
        "text": [n.filled.text for n in lines], "needs": [", ".join(n.filled.needs) for n in lines],
        "filled from": [n.filled.source for n in lines], "grade": [n.filled.grade for n in lines]},
        caption="What reporting guidelines ask for")
    lists = lists_table(list(dict.fromkeys(n.of for n in lines)))
    return tuple(t for t in (items, _grades(lines), lists) if len(t))


def lists_table(lists: Sequence[ItemList]) -> ResultTable:
    """Return table "lists of items"."""
    return ResultTable.build(LISTS_TABLE, {
        "list": [o.key for o in lists], "name": [o.family for o in lists], "version": [o.version for o in lists],
        "items": np.array([float(len(o.items)) for o in lists]), "source": [o.source for o in lists],
        "note": [o.note for o in lists]}, caption="Lists of items, with their sources; the wording is our own")


def _grades(lines: Sequence[Line]) -> ResultTable:
    """Return the grade of each part: its worst line counts."""
    rows = []
    for part in _SCORED:
        mine = [n for n in lines if n.item.scored in ("both", part) and n.filled.grade]
        own = [n for n in lines if n.item.scored == part and n.filled.grade]
        if not own:  # a part that the study does not ask about has no grade
            continue
        grade = worst([n.filled.grade for n in mine])
        rows.append((part, grade, join_words([n.name for n in mine if n.filled.grade == grade])))
    return ResultTable.build(GRADES_TABLE, {"part": [r[0] for r in rows], "grade": [r[1] for r in rows],
                                            "decided by": [r[2] for r in rows]},
                             caption="Risk of bias: the worst line counts")


def counts(items: ResultTable) -> dict[str, int]:
    """Return how many items are filled, drafts among them, open and not applicable."""
    states = [str(s) for s in items["state"]]
    return {"filled": states.count("filled"), "drafts": [str(s) for s in items["filled from"]].count("draft"),
            "needs you": states.count("needs you"), "not applicable": states.count("not applicable")}


def summary_sentence(items: ResultTable) -> str:
    """Return the answer from the table of items: how many stand, and what is open."""
    n = counts(items)
    drafts = f" ({n['drafts']} of them drafts for you to confirm)" if n["drafts"] else ""
    text = (f"Of {len(items)} reporting items {n['filled']} are filled{drafts}, {n['needs you']} "
            f"{'needs' if n['needs you'] == 1 else 'need'} you and {n['not applicable']} do not apply.")
    keys = list(dict.fromkeys(k for s, needs in zip(items["state"], items["needs"], strict=True) if s == "needs you"
                              for k in str(needs).split(", ")))
    return f"{text} To fill in: {join_words(keys)}." if keys else text


def items_of_run(run: Result, lists: Sequence[ItemList]) -> ItemsResult:
    """Make the result of ``drift items`` from the tables that stand beside a whole study's answers.

    Parameters
    ----------
    run : Result
        Of a whole study; its table of items holds every list, newest and older versions.
    lists : sequence of ItemList
        Those to keep.
    """
    wanted = {one.key for one in lists}
    tables = {t.name: t for t in run.tables if t.name in (TABLE, GRADES_TABLE, LISTS_TABLE, *LOCK_TABLES)}
    for name in (TABLE, LISTS_TABLE):
        tables[name] = taken(tables[name], [str(k) in wanted for k in tables[name]["list"]])
    if not any(k.startswith("cosmin") for k in wanted):
        tables.pop(GRADES_TABLE, None)
    codes = ("unknown-item", "fixed-in-advance", "lock-broken")
    return ItemsResult(question=run.question, answer=summary_sentence(tables[TABLE]), tables=tuple(tables.values()),
                       findings=tuple(f for f in run.findings if f.code in codes),
                       provenance=replace(run.provenance, accounts=()))


def lists_result(lists: Sequence[ItemList]) -> ItemsResult:
    """Make the result that names the lists."""
    table = lists_table(lists)
    named = f"{len(lists)} {'list' if len(lists) == 1 else 'lists'} of reporting items"
    return ItemsResult(question="", answer=f"{named}: {join_words([o.key for o in lists])}.", tables=(table,),
                       provenance=Provenance(versions=run_versions()))


def taken(table: ResultTable, keep: Sequence[bool]) -> ResultTable:
    """Return the rows of a table where ``keep`` holds."""
    mask = np.array(keep, dtype=np.bool_)
    return ResultTable(name=table.name, caption=table.caption,
                       columns=tuple(Column(name=c.name, unit=c.unit, values=c.values[mask]) for c in table.columns))


def unknown_confirmed(evidence: Evidence, lines: Sequence[Line]) -> list[Finding]:
    """Return a warning for each name under ``confirmed`` that is no item of the lists."""
    known = [n.name for n in lines]
    every = {f"{o.family} {i.id}".casefold() for o in chosen_lists() for i in o.items}
    return [Finding(severity="warning", code="unknown-item", file="study.toml", column="[reporting] confirmed", value=c,
                    message="no item is called so", mend=suggestion(c, known, noun="items"))
            for c in evidence.told.confirmed if c.casefold() not in every]
