"""Answers about several methods as plain text: limits with the mean, every pair, error SDs, the rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.cli.show import accounts_text, estimates_text, findings_text, grid, paragraph
from drift.results import decimals_for, format_interval

if TYPE_CHECKING:
    from drift.results import Result, ResultTable

MOST_ROWS = 24
ENDS = ("bias", "lower limit", "upper limit")


def is_several(result: Result) -> bool:
    """Tell whether a result compares several methods."""
    return any(t.name == "pairwise limits" for t in result.tables)


def several_blocks(result: Result) -> list[str]:
    """Return the blocks below the answer: three short tables, what is left of the estimates, cautions, rows."""
    tables = {t.name: t for t in result.tables}
    level = f"{100 * result.provenance.level:g} %"
    blocks = [_grid_of(tables["limits with the mean"], "method", f"Against the mean of the others, intervals hold for "
                       f"all methods together ({level})", only=("against", "mean of the others")),
              _grid_of(tables["pairwise limits"], "pair",
                       f"Every pair, intervals hold for all pairs together ({level})")]
    shown = [e for e in result.estimates if e.name in ("limit of agreement with the mean", "overall CCC")
             or e.name.startswith("error SD")]
    return [*blocks, estimates_text(shown), findings_text(result.findings), accounts_text(result)]


def _grid_of(table: ResultTable, label: str, caption: str, *, only: tuple[str, str] | None = None) -> str:
    names = [c.name for c in table.columns]
    by = [n for n in names[names.index("structure" if "structure" in names else "SD") + 1:] if n != "verdict"]
    unit = next(c.unit for c in table.columns if c.name == "bias")
    rows = [[*by, label, *(f"{n}{f' [{unit}]' if unit else ''}" for n in ENDS),
             *(["verdict"] if "verdict" in names else [])]]
    for i in range(len(table)):
        if only is not None and table[only[0]][i] != only[1]:
            continue
        cells = []
        for n in ENDS:
            value, low, high = (float(table[c][i]) for c in (n, f"{n}, low", f"{n}, high"))
            cells.append(format_interval(value, low, high) if math.isfinite(low) else
                         "not available" if not math.isfinite(value) else f"{value:.{decimals_for(low, high, value)}f}")
        rows.append([*(str(table[b][i]) for b in by), str(table[label][i]), *cells,
                     *([str(table["verdict"][i])] if "verdict" in names else [])])
    left = len(rows) - 1 - MOST_ROWS
    text = f"{paragraph(caption)}\n{grid(rows[:MOST_ROWS + 1])}"
    return f"{text}\n  {left} further rows stand in the tables that --json and --out hold" if left > 0 else text
