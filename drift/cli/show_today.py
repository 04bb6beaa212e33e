"""``drift today`` and ``drift log`` as text: the reasons, or the list of sensors; the entries."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.results import Result, ResultTable

SHOWN = ("reasons", "sensors today", "entries", "files written")
LEFT_OUT = ("construction", "checks", "latest check")


def blocks(result: Result) -> list[str]:
    """Return the tables a person reads; everything else stands in the JSON and the report."""
    from drift.cli.show import width

    made = []
    for table in result.tables:
        if table.name not in SHOWN or not len(table):
            continue
        names = [c.name for c in table.columns if c.name not in LEFT_OUT]
        heads = [f"{c.name} [%]" if c.unit == "%" else c.name for c in table.columns if c.name in names]
        rows = [[_cell(table[n][i], table, n) for n in names] for i in range(len(table))]
        made.append(_wrapped(table.caption or table.name, heads, rows, width()))
    return made


def _cell(value: object, table: ResultTable, name: str) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        return f"{value:.1f}" if "past a limit" in name else f"{value:.6g}"
    return str(value)


def _wrapped(caption: str, heads: list[str], rows: list[list[str]], width: int) -> str:
    """Set a table whose widest column wraps, so that every line fits."""
    widths = [max(len(h), *(len(r[j]) for r in rows)) if rows else len(h) for j, h in enumerate(heads)]
    room = width - 2 - 2 * (len(heads) - 1)
    while sum(widths) > room and max(widths) > 12:
        widths[max(range(len(widths)), key=lambda k: widths[k])] -= 1
    lines = [caption]
    for row in (heads, *rows):
        cells = [textwrap.wrap(c, w, break_long_words=False) or [""] for c, w in zip(row, widths, strict=True)]
        for k in range(max(len(c) for c in cells)):
            lines.append("  " + "  ".join((c[k] if k < len(c) else "").ljust(w)
                                          for c, w in zip(cells, widths, strict=True)).rstrip())
    return "\n".join(lines)
