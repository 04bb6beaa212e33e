"""The short table of plain and proposed limits in the printed text of ``drift agree``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.cli.show import grid

if TYPE_CHECKING:
    from drift.results import Result

TABLE = "limits, plain and proposed"
KNOWN = ("variant", "limit", "at", "value", "low", "high", "unit")


def proposed_block(result: Result) -> str:
    """Return plain limits and those that a failed check proposes, one below the other; empty where all checks hold."""
    from drift.results import format_interval

    table = next((t for t in result.tables if t.name == TABLE), None)
    if table is None:
        return ""
    by = [c.name for c in table.columns if c.name not in KNOWN]
    rows = [["limits", *by, "", "at a mean of", f"value ({100 * result.provenance.level:g} % interval)", "unit"]]
    for i in range(len(table)):
        value, low, high, at = (float(table[c][i]) for c in ("value", "low", "high", "at"))
        first = i == 0 or any(table[c][i] != table[c][i - 1] for c in ("variant", *by))
        rows.append([str(table["variant"][i]) if first else "", *(str(table[b][i]) if first else "" for b in by),
                     str(table["limit"][i]), f"{at:.4g}" if math.isfinite(at) else "",
                     format_interval(value, low, high), str(table["unit"][i])])
    kept = [j for j in range(len(rows[0])) if rows[0][j] == "" or any(r[j] for r in rows[1:])]
    return "Limits, plain and proposed\n" + grid([[r[j] for j in kept] for r in rows])


BY_PRESSURE = "limits by pressure"


def pressure_block(result: Result) -> str:
    """Return bias and limits of two calibrations at each pressure with the verdict there, those of ``--at`` too."""
    from drift.results import format_interval

    table = next((t for t in result.tables if t.name == BY_PRESSURE), None)
    if table is None:
        return ""
    own = {c.name for c in table.columns}
    names = [n for n in ("bias", "lower limit", "upper limit") if n in own]
    first = [c.name for c in table.columns].index("pressure")
    by = [c.name for c in table.columns[:first]]
    unit = next(c.unit for c in table.columns if c.name == "pressure")
    rows = [[*by, f"at ({unit})", "which", *names, "verdict"]]
    for i in range(len(table)):
        cells = [format_interval(*(float(table[f"{n}{end}"][i]) for end in ("", " low", " high"))) for n in names]
        rows.append([*(str(table[b][i]) for b in by), f"{float(table['pressure'][i]):.6g}", str(table["which"][i]),
                     *cells, str(table["verdict"][i])])
    kept = [j for j in range(len(rows[0])) if any(r[j] for r in rows[1:])]
    return (f"By pressure, for a new sensor ({unit}, {100 * result.provenance.level:g} % intervals; a verdict is that "
            f"of its pressure alone)\n" + grid([[r[j] for j in kept] for r in rows]))
