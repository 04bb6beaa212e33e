"""The table of policies as it is read: one row a policy, value and band in one cell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.report.figures import table_of
from drift.report.tables import Grid

if TYPE_CHECKING:
    from drift.results import Result

DASH = "\N{EN DASH}"


def policy_rows(part: Result, construction: str) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the policies of one construction, cheapest first."""
    from drift.retirement.policy_words import number

    t = part.table("policies")
    unit = next(c.unit for c in t.columns if c.name == "cost per use")
    head = ["", "policy", f"cost [{unit}]", "spoilt per 100 uses", "sensors per 100", "checks per 100",
            "recalibrations per 100", "statement"]
    rows = []

    def cell(i: int, name: str, low: str = "", high: str = "") -> str:
        value = float(t[name][i])
        if not math.isfinite(value):
            return DASH
        return f"{number(value)} ({number(float(t[low][i]))} to {number(float(t[high][i]))})" if low else number(value)

    for i in range(len(t)):
        if t["construction"][i] != construction:
            continue
        mark = "chosen" if t["chosen"][i] == "yes" else "beaten by none" if t["beaten by none"][i] == "yes" else ""
        note = str(t["count"][i] or "")
        rows.append([mark, f"{t['policy'][i]}{f' ({note})' if note else ''}",
                     cell(i, "cost per use", "cost, low", "cost, high"),
                     cell(i, "spoilt per 100", "spoilt, low", "spoilt, high"), cell(i, "sensors per 100"),
                     cell(i, "checks per 100"), cell(i, "recalibrations per 100"),
                     "keeps" if t["keeps the statement"][i] == "yes" else f"breaks {t['statement broken'][i]}"])
    if all(r[6] == "0" for r in rows):
        head, rows = head[:6] + head[7:], [r[:6] + r[7:] for r in rows]
    return head, rows


def constructions_of(part: Result) -> list[str]:
    """Return the constructions whose policies were compared."""
    t = table_of(part, "policies")
    return list(dict.fromkeys(str(c) for c in t["construction"])) if t is not None else []


def policy_grid(part: Result) -> Grid | None:
    """Return the table of the report; None where nothing was compared."""
    names = constructions_of(part)
    if not names:
        return None
    made = [(name, *policy_rows(part, name)) for name in names]
    several = len(names) > 1
    # A construction without recalibration has one column less than one with it.
    widest = max((head for _, head, _ in made), key=len)
    rows = []
    for name, head, found in made:
        for r in found:
            by = dict(zip(head, r, strict=True))
            rows.append((*([name] if several else []), *(by.get(h, "0") for h in widest)))
    caption = part.table("policies").caption
    heads = (*(["construction"] if several else []), *widest)
    text = {"construction", "", "policy", "statement"}
    return Grid(caption=caption, heads=heads, rows=tuple(rows), numeric=tuple(h not in text for h in heads))
