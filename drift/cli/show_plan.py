"""A plan in the terminal: designs, what one more buys, what wrong planning values do, and what it rests on."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.results import Result

TITLES = {"designs": "Designs, cheapest first", "one more": "What one more buys",
          "if they are wrong": "If errors of measurement are other than planned",
          "planning values": "What the plan rests on", "published formulas": "Published formulas, for comparison"}


def plan_blocks(result: Result) -> list[str]:
    """Return the tables, then what must be known to read them."""
    from drift.cli.show import findings_text, grid, width
    from drift.report.tables import result_grid

    blocks = []
    for name, title in TITLES.items():
        table = next((t for t in result.tables if t.name == name and len(t)), None)
        if table is None:
            continue
        made = result_grid(table)
        heads = [textwrap.wrap(h, 22) or [""] for h in made.heads]
        deep = max(len(h) for h in heads)
        rows = [[h[i - deep + len(h)] if i >= deep - len(h) else "" for h in heads] for i in range(deep)]
        blocks.append("\n".join([title, grid([*rows, *made.rows]),
                                 textwrap.fill(table.caption, width(), initial_indent="  ", subsequent_indent="  ")]))
    return [*blocks, findings_text(result.findings)]
