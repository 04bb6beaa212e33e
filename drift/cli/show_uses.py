"""What a reliability result says about repeated uses and compared levels, as text."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.cli.show import grid, paragraph
from drift.results import format_interval

if TYPE_CHECKING:
    from drift.results import Result, ResultTable

MANY = 12


def use_blocks(result: Result) -> list[str]:
    """Return the tables of drift left in and removed, of windows along use, and of compared levels, where there are."""
    tables = {t.name: t for t in result.tables if len(t)}
    return [_states(tables.get("drift left in and removed")), _windows(tables.get("ICC and SEM along use")),
            _pairs(tables.get("comparison of reliabilities"))]


def _labels(table: ResultTable, before: str) -> list[str]:
    names = [c.name for c in table.columns]
    return names[:names.index(before)]


def _three(table: ResultTable, i: int, name: str, low: str, high: str, least: int) -> str:
    value, *ends = (float(table[c][i]) for c in (name, low, high))
    return format_interval(value, *ends, least=least) if math.isfinite(value) else ""


def _caption(text: str) -> str:
    return paragraph(text)


def _states(table: ResultTable | None) -> str:
    if table is None:
        return ""
    by = _labels(table, "quantity")
    rows = [[*by, "quantity", "state", "value (interval)", "unit"]]
    for i in range(len(table)):
        least = 2 if str(table["quantity"][i]).startswith("ICC") else 0
        rows.append([*(str(table[b][i]) for b in by), str(table["quantity"][i]), str(table["state"][i]),
                     _three(table, i, "value", "low", "high", least), str(table["unit"][i])])
    return f"{_caption(table.caption)}\n{grid(rows)}"


def _windows(table: ResultTable | None) -> str:
    if table is None:
        return ""
    by = _labels(table, "from")
    unit = next(c.unit for c in table.columns if c.name == "SEM")
    rows = [[*by, "from", "to", "targets", "readings", "ICC(C,1)", f"SEM{f', {unit}' if unit else ''}",
             "SD between targets"]]
    step = max(1, math.ceil((len(table) - 1) / (MANY - 1))) if len(table) > MANY and not by else 1
    shown = list(range(0, len(table), step))
    if not by and shown[-1] != len(table) - 1:
        shown.append(len(table) - 1)
    for i in shown:
        rows.append([*(str(table[b][i]) for b in by), str(table["from"][i]), str(table["to"][i]),
                     f"{table['targets'][i]:g}", f"{table['readings'][i]:g}",
                     _three(table, i, "ICC", "ICC low", "ICC high", 2) or str(table["note"][i]),
                     _three(table, i, "SEM", "SEM low", "SEM high", 0),
                     _three(table, i, "SD between targets", "SD between targets low", "SD between targets high", 0)])
    left = f"; {len(shown)} of {len(table)} windows shown, all in --json and --out" if len(shown) < len(table) else ""
    return f"{_caption(table.caption + left)}\n{grid(rows)}"


def _pairs(table: ResultTable | None) -> str:
    if table is None or "p" not in {c.name for c in table.columns}:
        return ""
    by = _labels(table, "a")
    several = len({(str(table["a"][i]), str(table["b"][i])) for i in range(len(table))}) > 1
    rows = [[*by, "a", "b", "quantity", "value (interval)", "p", *(["Holm p"] if several else [])]]
    for i in range(len(table)):
        rows.append([*(str(table[b][i]) for b in by), str(table["a"][i]), str(table["b"][i]), str(table["quantity"][i]),
                     _three(table, i, "value", "low", "high", 2), _p(float(table["p"][i])),
                     *([_p(float(table["Holm p"][i]))] if several else [])])
    return f"{_caption(table.caption)}\n{grid(rows)}"


def _p(p: float) -> str:
    return "" if not math.isfinite(p) else "< 0.001" if p < 0.001 else f"{p:.2g}"
