"""A reading given by hand, put below the rows of a checks table that was read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from drift.records import CheckTable


def with_checks(checks: CheckTable, rows: Sequence[Mapping[str, Any]], *, file: str) -> CheckTable:
    """Return the table with further rows; cells that are not given are missing.

    Parameters
    ----------
    checks : CheckTable
    rows : sequence of mapping
        Values in the units of the table; numbers finite.
    file : str
        Where the rows come from, for messages.
    """
    columns: dict[str, Any] = {}
    for name, values in checks.columns.items():
        missing = np.nan if values.dtype.kind == "f" else None
        columns[name] = np.concatenate([values, np.array([r.get(name, missing) for r in rows], dtype=values.dtype)])
    start = int(checks.row.max(initial=1)) + 1
    row = np.concatenate([checks.row, np.arange(start, start + len(rows))])
    return CheckTable(columns, row, f"{checks.file} and {file}", checks.sha256, checks.units)
