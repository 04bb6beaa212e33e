"""The lists of items, as data: one file a list and version, read in order."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from drift.errors import DriftError, Finding
from drift.study import suggestion

FOLDER = Path(__file__).parent / "lists"
ORDER = ("grras", "cosmin", "bland-altman", "icc")


@dataclass(frozen=True, kw_only=True)
class Item:
    """One item: its number in the source, what it asks in our words, who can fill it, and which function does."""

    id: str
    part: str
    asks: str
    who: str
    filler: str
    scored: str = ""


@dataclass(frozen=True, kw_only=True)
class ItemList:
    """One list of one version; ``about`` says of which studies it is asked: any, reliability, agreement, either."""

    key: str
    family: str
    version: str
    title: str
    source: str
    about: str
    note: str
    items: tuple[Item, ...]


@cache
def all_lists() -> tuple[ItemList, ...]:
    """Return every list there is, families in the order of the report, newest version first."""
    made = []
    for file in FOLDER.glob("*.toml"):
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        items = tuple(Item(**raw) for raw in data.pop("item"))
        made.append(ItemList(key=file.stem, items=items, **data))
    made.sort(key=lambda m: m.version, reverse=True)
    return tuple(sorted(made, key=lambda m: next((i for i, f in enumerate(ORDER) if m.key.startswith(f)), len(ORDER))))


def chosen_lists(wanted: tuple[str, ...] = ()) -> tuple[ItemList, ...]:
    """Return the lists asked for by name (``"grras-2011"``, or ``"grras"`` for its newest); else the newest of each.

    Raises
    ------
    DriftError
        When a name is that of no list; the mend names the nearest.
    """
    newest: dict[str, ItemList] = {}
    for one in all_lists():
        newest.setdefault(one.family, one)
    if not wanted:
        return tuple(newest.values())
    by_name = {one.key.rpartition("-")[0]: one for one in newest.values()} | {one.key: one for one in all_lists()}
    unknown = [w for w in wanted if w not in by_name]
    if unknown:
        raise DriftError(Finding(severity="error", code="unknown-list", column="--list", value=name,
                                 message="there is no such list of items",
                                 mend=suggestion(name, list(by_name), noun="lists"))
                         for name in unknown)
    return tuple(dict.fromkeys(by_name[w] for w in wanted))
