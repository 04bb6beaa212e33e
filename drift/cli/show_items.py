"""Reporting items and locks as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.cli.show import findings_text, grid, paragraph

if TYPE_CHECKING:
    from drift.results import Result, ResultTable

_MOST_CHANGES = 12


def blocks(result: Result) -> list[str]:
    """Return the blocks below the answer of ``drift items`` or ``drift lock``."""
    tables = {t.name: t for t in result.tables}
    made = []
    if result.command == "items":
        if "reporting items" in tables:
            made += _items(tables["reporting items"], tables.get("lists of items"))
        elif "lists of items" in tables:
            t = tables["lists of items"]
            made.append(grid([["list", "name", "version", "items"], *([str(t["list"][i]), str(t["name"][i]),
                             str(t["version"][i]), f"{t['items'][i]:g}"] for i in range(len(t)))]))
        if "risk of bias" in tables:
            t = tables["risk of bias"]
            made.append("\n".join([t.caption, *(paragraph(f"{t['part'][i]}: {t['grade'][i]} ({t['decided by'][i]})",
                                                          indent="  ", further="    ") for i in range(len(t)))]))
    made += _locks(tables, told="reporting items" in tables)
    kept = [f for f in result.findings if f.code != "fixed-in-advance" or result.command != "items"]
    return [*made, findings_text(kept)]


def _items(table: ResultTable, lists: ResultTable | None) -> list[str]:
    made = []
    open_ = [i for i in range(len(table)) if table["state"][i] == "needs you"]
    if open_:
        made.append("\n".join([f"Needs you ({len(open_)})", *(_item(table, i) for i in open_)]))
    titles = {} if lists is None else {lists["list"][i]: _title(lists, i) for i in range(len(lists))}
    for key in dict.fromkeys(table["list"]):
        mine = [i for i in range(len(table)) if table["list"][i] == key and i not in open_]
        if mine:
            made.append("\n".join([paragraph(titles.get(key, str(key)), further="  "),
                                   *(_item(table, i) for i in mine)]))
    return made


def _title(lists: ResultTable, i: int) -> str:
    return f"{lists['name'][i]} {lists['version'][i]} ({lists['items'][i]:g} items), {lists['source'][i]}"


def _item(table: ResultTable, i: int) -> str:
    """One item: its name, its state, what it asks, the sentence, and what would fill or better it."""
    state = str(table["state"][i])
    told = [t for t in ("draft, confirm it" if table["filled from"][i] == "draft" else "", str(table["grade"][i] or ""))
            if t]
    head = f"{table['item'][i]} [{state}{': ' + ', '.join(told) if told else ''}] {table['asks'][i]}"
    lines = [paragraph(head, indent="  ", further="    ")]
    if table["text"][i]:
        lines.append(paragraph(str(table["text"][i]), indent="    "))
    if table["needs"][i]:
        lead = "Fill in" if state == "needs you" else "More with"
        lines.append(paragraph(f"{lead}: {table['needs'][i]}", indent="    "))
    return "\n".join(lines)


def _locks(tables: dict[str, ResultTable], *, told: bool) -> list[str]:
    """Locks, whether things were fixed before the data, and the first changes."""
    made = []
    if "locks" not in tables:
        return ["Not locked: 'drift lock STUDY' fixes questions and limits before the data."] if told else []
    t = tables["locks"]
    made.append("\n".join(["Locks", grid([["lock", "time", "who", "settings", "sha256"],
                                          *([f"{t['lock'][i]:g}", str(t["time"][i]), str(t["who"][i]),
                                             f"{t['settings'][i]:g}", f"{str(t['sha256'][i])[:16]}..."]
                                            for i in range(len(t)))])]))
    if "fixed in advance" in tables:
        words = tables["fixed in advance"]["in words"]
        made.append("\n".join(["Fixed in advance", *(paragraph(f"{w}.", indent="  ", further="    ") for w in words)]))
    if "changed since the first lock" in tables:
        c = tables["changed since the first lock"]
        rows = [[str(c[n][i]) for n in ("setting", "old", "new", "changed")] for i in range(min(len(c), _MOST_CHANGES))]
        more = [f"  {len(c) - _MOST_CHANGES} more with --json"] if len(c) > _MOST_CHANGES else []
        head = ["setting", "old", "new", "changed"]
        made.append("\n".join(["Changed since the first lock", grid([head, *rows]), *more]))
    return made
