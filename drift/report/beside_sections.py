"""Sections of the report beside the answers: protocol remarks, what was fixed in advance, reporting items."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drift.items import GRADES_TABLE, LISTS_TABLE, TABLE, chosen_lists, summary_sentence
from drift.items.result import taken
from drift.protocol import LOOK, NOT_DECLARED
from drift.protocol import TABLE as PROTOCOL_TABLE
from drift.protocol import summary_sentence as protocol_summary
from drift.report.tables import Grid, result_grid
from drift.results import Result, ResultTable

# Notes that the sections below say in full.
SAID_HERE = ("protocol-look", "fixed-in-advance")


@dataclass(frozen=True, kw_only=True)
class Remark:
    """One remark on the protocol as it is set."""

    about: str
    declared: str
    seen: str
    verdict: str
    rule: str
    source: str
    look: bool


@dataclass(frozen=True, kw_only=True)
class ShownItem:
    """One item as it is set."""

    name: str
    asks: str
    state: str
    mark: str
    text: str
    needs: str


@dataclass(frozen=True, kw_only=True)
class ShownList:
    """One list with how its items stand."""

    title: str
    counts: str
    source: str
    items: tuple[ShownItem, ...]


@dataclass(frozen=True, kw_only=True)
class Beside:
    """Everything these sections show; empty parts are not set."""

    protocol_answer: str = ""
    remarks: tuple[Remark, ...] = ()
    fixed: tuple[str, ...] = ()
    locks: Grid | None = None
    changes: Grid | None = None
    items_answer: str = ""
    open_items: tuple[ShownItem, ...] = ()
    lists: tuple[ShownList, ...] = ()
    grades: Grid | None = None

    @property
    def help(self) -> tuple[str, ...]:
        """Topics of the handbook that help to read these sections."""
        return (*(("protocol",) if self.remarks else ()), *(("lock", "items") if self.items_answer else ()))


def beside_sections(result: Result) -> Beside:
    """Collect the sections from the tables of a whole study; nothing where it has none of them."""
    tables = {t.name: t for t in result.tables}
    items = tables.get(TABLE)
    if items is None and PROTOCOL_TABLE not in tables:
        return Beside()
    protocol = tables.get(PROTOCOL_TABLE)
    locks, changes, fixed = (tables.get(n) for n in ("locks", "changed since the first lock", "fixed in advance"))
    newest = None if items is None else _newest(items)
    return Beside(
        protocol_answer="" if protocol is None else protocol_summary(protocol),
        remarks=() if protocol is None else _remarks(protocol),
        fixed=_fixed(fixed, locked=locks is not None), locks=None if locks is None else result_grid(locks),
        changes=None if changes is None else result_grid(changes),
        items_answer="" if newest is None else summary_sentence(newest),
        open_items=() if newest is None else tuple(_item(newest, i) for i in range(len(newest))
                                                   if newest["state"][i] == "needs you"),
        lists=() if newest is None else _lists(newest, tables[LISTS_TABLE]),
        grades=result_grid(tables[GRADES_TABLE]) if GRADES_TABLE in tables else None)


def _newest(items: ResultTable) -> ResultTable:
    keys = {one.key for one in chosen_lists()}
    return taken(items, [str(k) in keys for k in items["list"]])


def _fixed(table: ResultTable | None, *, locked: bool) -> tuple[str, ...]:
    """Return a sentence a group; one for a study that was never locked."""
    if not locked or table is None:
        return ("Questions and limits were never locked, so that nothing shows whether they were fixed before the "
                "data. \"drift lock\" records them before the first reading of the next study.",)
    return tuple(f"{w}." for w in table["in words"])


def _remarks(table: ResultTable) -> tuple[Remark, ...]:
    """Return the remarks, those to look at first and what was not declared last."""
    made = [Remark(about=str(row[0]), declared=str(row[1]), rule=str(row[2]), seen=str(row[3]), verdict=str(row[4]),
                   source=str(row[5]), look=row[4] == LOOK)
            for row in zip(*(table[c] for c in ("about", "declared", "common practice", "in these data", "remark",
                                                "source")), strict=True)]
    return tuple(sorted(made, key=lambda r: (not r.look, r.verdict == NOT_DECLARED)))


def _item(table: ResultTable, i: int) -> ShownItem:
    draft = "draft, to confirm" if table["filled from"][i] == "draft" else ""
    return ShownItem(name=str(table["item"][i]), asks=str(table["asks"][i]), state=str(table["state"][i]),
                     mark=", ".join(m for m in (draft, str(table["grade"][i] or "")) if m),
                     text=str(table["text"][i] or ""), needs=str(table["needs"][i] or ""))


def _lists(table: ResultTable, lists: ResultTable) -> tuple[ShownList, ...]:
    made = []
    for i, key in enumerate(lists["list"]):
        mine = tuple(_item(table, j) for j in range(len(table)) if table["list"][j] == key)
        if mine:
            made.append(ShownList(title=f"{lists['name'][i]} {lists['version'][i]}", counts=_counts(mine),
                                  source=f"{lists['source'][i]}. {lists['note'][i]}", items=mine))
    return tuple(made)


def _counts(items: Sequence[ShownItem]) -> str:
    states = [x.state for x in items]
    return ", ".join(f"{states.count(s)} {w}" for s, w in (("filled", "filled"), ("needs you", "open"),
                                                           ("not applicable", "not applicable")) if s in states)
