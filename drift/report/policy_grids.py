"""The tables of policies as they are read: one row a policy, value and band in one cell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.report.figures import table_of
from drift.report.tables import Grid, number
from drift.results import ResultTable

if TYPE_CHECKING:
    from drift.results import Result

DASH = "\N{EN DASH}"
SOFT = "\N{SOFT HYPHEN}"
READ = "retire at, "
AVERAGE = "retire an average sensor at a check"


def policy_rows(part: Result, construction: str) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the policies of one construction, cheapest first."""
    from drift.retirement.policy_words import number as three_digits

    t = part.table("policies")
    unit = next(c.unit for c in t.columns if c.name == "cost per use")
    head = ["", "policy", f"cost [{unit}]", "spoilt per 100 uses", "sensors per 100", "checks per 100",
            "recalibrations per 100", "statement"]
    rows = []

    def cell(i: int, name: str, low: str = "", high: str = "") -> str:
        value = float(t[name][i])
        if not math.isfinite(value):
            return DASH
        ends = f" ({three_digits(float(t[low][i]))} to {three_digits(float(t[high][i]))})" if low else ""
        return f"{three_digits(value)}{ends}"

    for i in _of(t, construction):
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


def _of(t: ResultTable, construction: str) -> list[int]:
    return [i for i in range(len(t)) if t["construction"][i] == construction]


def guard_rows(part: Result, construction: str) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of what a check shows at which a sensor is retired, one row for each way of checking."""
    t = part.table("policies")
    keys = [c.name for c in t.columns if c.name.startswith(READ)]
    units = {c.name: c.unit for c in t.columns}
    averages = {(e.of.get("construction", ""), e.of.get("policy")): e for e in part.estimates if e.name == AVERAGE}
    head: list[str] = ["check every"]
    rows: list[list[str]] = []
    for key in keys:
        words = key.removeprefix(READ).replace("_", " ")
        if words == "sensitivity change":
            unit = next((e.unit for e in averages.values()), "")
            head += ["fall from own fresh value [%]", f"average sensor [{unit}]".replace(" []", "")]
        else:
            head.append(f"{words} [{units[key]}]".replace(" []", ""))
    at = {float(t["check every"][i]): i for i in _of(t, construction) if math.isfinite(t["check every"][i])}
    digits = {key: max((_decimals(float(t[key][i])) for i in at.values()), default=0) for key in keys}
    for every, i in sorted(at.items()):
        row = [f"{every:g} {'use' if every == 1 else 'uses'}"]
        for key in keys:
            value = float(t[key][i])
            row.append(number(value, digits[key]) if math.isfinite(value) else DASH)
            if key.endswith("sensitivity_change"):
                e = averages.get((construction, str(t["policy"][i])))
                row.append(number(e.value, 3) if e is not None else DASH)
        rows.append(row)
    return head, rows


def _decimals(value: float) -> int:
    """Return the decimals that a number has: it is printed as the simulation used it."""
    return len(f"{value:.6f}".rstrip("0").partition(".")[2])


def constructions_of(part: Result) -> list[str]:
    """Return the constructions whose policies were compared."""
    t = table_of(part, "policies")
    return list(dict.fromkeys(str(c) for c in t["construction"])) if t is not None else []


def policy_grids(part: Result) -> tuple[Grid, ...]:
    """Return the tables of the report, two a construction: policies, and at which reading a check retires."""
    made: list[Grid] = []
    names = constructions_of(part)
    for k, name in enumerate(names):
        head, rows = policy_rows(part, name)
        head[:2], shown = [head[1], head[0]], [[_brief(r[1]), r[0], *r[2:]] for r in rows]
        text = {"", "policy", "statement"}
        whose = f"Policies for {name} sensors" if name else "Policies"
        whole = part.table("policies").caption
        made.append(Grid(caption=f"{whose}{whole.removeprefix('Policies')}" if k == 0 else f"{whose}, cheapest first.",
                         heads=tuple(h.replace("recalib", f"recali{SOFT}b") for h in head),
                         rows=tuple(map(tuple, shown)), numeric=tuple(h not in text for h in head)))
        head, rows = guard_rows(part, name)
        if rows:
            made.append(Grid(caption=guard_caption(name), heads=tuple(head), rows=tuple(map(tuple, rows)),
                             numeric=tuple(i > 0 for i in range(len(head)))))
    return tuple(made)


def guard_caption(construction: str) -> str:
    """Return the caption of the table of numbers at which a check retires a sensor."""
    whose = f"{construction} sensors" if construction else "sensors"
    return (f"Guard band of {whose}: a sensor is retired at a check that shows the number given for any limit, or one "
            "further from fresh.")


def _brief(words: str) -> str:
    """Leave out what the table of guard bands says."""
    return words.replace(", retire past the guard band", ", guard band")
