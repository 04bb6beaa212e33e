"""Tables of gauge and interlaboratory studies for reading, and their digits.

The interval of a variance component is often ten times as wide above its estimate as below: digits follow the
estimate, two or three significant ones, not the width.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from drift.errors import MINUS
from drift.report.tables import Grid
from drift.results import Result, ResultTable

MAIN = {"gauge": "gauge components", "interlaboratory": "precision"}


def rows_of(table: ResultTable | None) -> list[dict[str, Any]]:
    """Return a table as rows by column; none without a table."""
    if table is None:
        return []
    return [{c.name: c.values[i] for c in table.columns} for i in range(len(table))]


def number(value: float, like: float | None = None, digits: int = 3) -> str:
    """Return a number with so many significant digits of ``like``, itself if not given; nothing for NaN."""
    if not math.isfinite(value):
        return "" if math.isnan(value) else "no bound"
    size = abs(value if like is None else like)
    d = max(0, min(8, digits - 1 - math.floor(math.log10(size)))) if size > 0 else digits - 1
    return f"{round(value, d) + 0.0:.{d}f}".replace("-", MINUS)


def interval(row: Mapping[str, Any], name: str, digits: int = 3) -> str:
    """Return a value with its ends, which stand in ``NAME low`` and ``NAME high``; nothing for NaN."""
    value, low, high = (float(row.get(f"{name}{end}", math.nan)) for end in ("", " low", " high"))
    if not math.isfinite(value):
        return ""
    if not value and math.isfinite(high) and low == 0:
        return f"0 (0 to {number(high, digits=2)})"
    like = value or max(abs(low), abs(high))
    if not math.isfinite(low) and not math.isfinite(high):
        return number(value, like, digits)
    return f"{number(value, like, digits)} ({number(low, like, digits)} to {number(high, like, digits)})"


def percent(row: Mapping[str, Any], name: str) -> str:
    """Return a percentage with its ends: whole percents, one decimal below ten."""
    value = float(row.get(name, math.nan))
    if not math.isfinite(value):
        return ""
    if not value and row[f"{name} low"] == 0:
        return f"0 (0 to {number(row[f'{name} high'], digits=2)})"
    d = 0 if value >= 9.95 else 1
    return f"{value:.{d}f} ({row[f'{name} low']:.{d}f} to {row[f'{name} high']:.{d}f})"


def labels_of(table: ResultTable, first: str) -> list[str]:
    """Return the columns before ``first``: the labels of a row."""
    names = [c.name for c in table.columns]
    return names[:names.index(first)]


def unit_of(table: ResultTable, column: str) -> str:
    """Return the unit of a column as the tail of a head: `` [mm]``."""
    unit = next((c.unit for c in table.columns if c.name == column), "")
    return f" [{unit}]" if unit else ""


def main_grid(part: Result) -> Grid | None:
    """Return the numbers that answer a gauge or interlaboratory question; None where there are none."""
    table = next((t for t in part.tables if t.name == MAIN.get(part.command)), None)
    if table is None or not len(table):
        return None
    return _components(table, part) if part.command == "gauge" else _precision(table, part)


def _components(table: ResultTable, part: Result) -> Grid:
    labels, rows = labels_of(table, "source"), rows_of(table)
    heads = [*labels, "source", f"SD (interval){unit_of(table, 'SD')}", "% of study variation", "% contribution",
             "% of tolerance"]
    cells = [[*(str(r[c]) for c in labels), str(r["source"]), interval(r, "SD"), percent(r, "% of study variation"),
              percent(r, "% contribution"), percent(r, "% of tolerance")] for r in rows]
    notes = tuple(dict.fromkeys(str(r["method"]) for r in rows))
    return _grid("Where the variation comes from", heads, cells, len(labels) + 1, part, notes)


def _precision(table: ResultTable, part: Result) -> Grid:
    labels, rows = labels_of(table, "laboratories"), rows_of(table)
    heads = [*labels, "laboratories", "results", f"m{unit_of(table, 'm')}", "s_r (interval)", "s_L (interval)",
             "s_R (interval)", "r", "R", "s_xbar"]
    cells = [[*(str(r[c]) for c in labels), f"{r['laboratories']:.0f}", f"{r['results']:.0f}", number(r["m"], digits=4),
              interval(r, "s_r"), interval(r, "s_L"), interval(r, "s_R"), number(r["r"]), number(r["R"]),
              number(r["s_xbar"])] for r in rows]
    return _grid("Precision by level" if labels else "Precision", heads, cells, len(labels), part,
                 ("r = 2.8 s_r and R = 2.8 s_R (1.96 sqrt(2) rounded as in the standard); s_xbar is the SD of the "
                  "laboratories' means",))


def _grid(caption: str, heads: list[str], cells: list[list[str]], words: int, part: Result,
          notes: tuple[str, ...]) -> Grid:
    keep = [j for j in range(len(heads)) if any(r[j] for r in cells)]
    level = f"{100 * part.provenance.level:g} % intervals"
    return Grid(caption=f"{caption}, with {level}", heads=tuple(heads[j] for j in keep),
                rows=tuple(tuple(r[j] for j in keep) for r in cells), numeric=tuple(j >= words for j in keep),
                notes=notes)
