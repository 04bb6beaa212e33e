"""Tables of an uncertainty budget for reading, one for each sensor or construction, digits row by row."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from drift.report.gauge_tables import number, rows_of
from drift.report.tables import Grid
from drift.results import Result

Row = dict[str, Any]


def who(row: Row) -> str:
    """Return the sensor or the construction that a row is about; empty where there is one alone."""
    if row["sensor"]:
        return f"sensor {row['sensor']}"
    return f"construction {row['construction']}" if row["construction"] else ""


def groups(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Return rows by what they are about, in their order."""
    found: dict[str, list[Row]] = {}
    for r in rows:
        found.setdefault(who(r), []).append(r)
    return found


def budget_grids(part: Result) -> tuple[Grid, ...]:
    """Return the budget as it is printed: quantities in rows, with sensitivity coefficients and shares."""
    table = part.table("budget")
    unit = next((c.unit for c in table.columns if c.name == "contribution"), "")
    heads = ("quantity", "estimate", "u", "unit", "type", "distribution", "df", f"c [{unit or 'P'}/unit]",
             f"|c| u [{unit}]" if unit else "|c| u", "share %")
    made = []
    for name, rows in groups(rows_of(table)).items():
        largest = max(float(r["contribution"]) for r in rows)
        cells = tuple((str(r["quantity"]), _estimate(r), number(float(r["standard uncertainty"]), digits=2),
                       str(r["unit"]), str(r["type"]), str(r["distribution"]), _df(float(r["degrees of freedom"])),
                       number(float(r["sensitivity coefficient"])), number(float(r["contribution"]), largest),
                       number(float(r["share"]), 10.0)) for r in rows)
        made.append(Grid(caption=f"Uncertainty budget{f' of {name}' if name else ''}", heads=heads, rows=cells,
                         numeric=(False, True, True, False, False, False, True, True, True, True)))
    return tuple(made)


def source_grids(part: Result) -> tuple[Grid, ...]:
    """Return where each quantity comes from, what correlates, and what was left out with what would give it."""
    made: list[Grid] = []
    for table, heads, caption in (
            ("budget", ("quantity", "source"), "Where each quantity comes from"),
            ("correlations", ("quantity", "with", "correlation"), "Correlations"),
            ("left out", ("component", "what would give it"), "Left out because nothing states it")):
        for name, rows in groups(rows_of(part.table(table))).items():
            cells = tuple(tuple(_words(r[h]) for h in heads) for r in rows)
            made.append(Grid(caption=f"{caption}{f', {name}' if name else ''}", heads=heads, rows=cells,
                             numeric=tuple(h == "correlation" for h in heads)))
    return tuple(made)


def _words(value: Any) -> str:
    return number(value, 1.0) if isinstance(value, float) else str(value)


def _estimate(row: Row) -> str:
    value, u = float(row["estimate"]), float(row["standard uncertainty"])
    if not value:
        return "0"
    return number(value, u if 0 < u < abs(value) else value, 2)


def _df(value: float) -> str:
    """Degrees of freedom as tables print them: infinite ones by their sign."""
    return "\N{INFINITY}" if math.isnan(value) else f"{value:.0f}" if value >= 10 else f"{value:.1f}"
