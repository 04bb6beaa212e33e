"""Limits that jump (dead cells, dead lines, failures) beside a policy: no statement holds them, so they are said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.results import Result


@dataclass(frozen=True, kw_only=True)
class Jump:
    """Sensors past a limit that jumps by the last check before a policy ends; ``upper`` bounds their share."""

    limit: str
    past: int
    known: int
    use: float
    upper: float


def jumps_of(retired: Result, construction: str, end: float) -> tuple[Jump, ...]:
    """Return what the retirement analysis counted of one construction by the use at which a policy ends."""
    table = next((t for t in retired.tables if t.name == "dead cells"), None)
    if table is None:
        return ()
    names = np.array([str(c) for c in table["construction"]])
    mine = names == construction
    if not mine.any() and len(set(names)) == 1:
        mine[:] = True  # constructions pooled
    limits, use = np.array([str(x) for x in table["limit"]]), np.asarray(table["use"], dtype=np.float64)
    made = []
    for limit in dict.fromkeys(limits[mine]):
        rows = np.flatnonzero(mine & (limits == limit) & (use <= end))
        if len(rows):
            i = rows[np.argmax(use[rows])]
            made.append(Jump(limit=limit, past=int(table["sensors past"][i]), known=int(table["sensors known"][i]),
                             use=float(use[i]), upper=float(table["upper bound"][i])))
    return tuple(j for j in made if j.known > 0)
