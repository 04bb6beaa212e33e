"""The occasions past a limit as text, below the answer of ``drift chart``."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.results import Result

MOST = 20


def signals_block(result: Result) -> str:
    """Return the table of signals, the latest ones where there are many; empty where nothing signals."""
    from drift.cli.show import grid

    table = next((t for t in result.tables if t.name == "signals"), None)
    if table is None or not len(table):
        return ""
    named = any(table["standard"])
    heads = ["standard", "occasion", "chart", "side", "value", "limit"][0 if named else 1:]
    rows = [[f"{v:.5g}" if isinstance(v, float) else str(v) for v in (table[h][i] for h in heads)]
            for i in range(len(table))]
    cut = f", the latest {MOST} of {len(rows)}" if len(rows) > MOST else ""
    return f"{table.caption}{cut}\n{grid([heads, *rows[-MOST:]])}"
