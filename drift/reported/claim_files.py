"""Claim files as plain values: TOML, or CSV with commas, semicolons or tabs."""

from __future__ import annotations

import csv
import io
import re
from typing import Any

from drift.errors import DriftError, Finding


def from_toml(text: str, file: str) -> dict[str, Any]:
    """Return what a TOML file holds; raise DriftError with the line where it is none."""
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"line (\d+)", str(error))
        raise DriftError(Finding(severity="error", code="toml", file=file, row=int(at.group(1)) if at else None,
                                 message=f"the file is no TOML: {error}",
                                 mend="Printed strings stand in quotation marks: printed = \"0.85\".")) from None


def from_csv(text: str, file: str) -> tuple[dict[str, Any], list[int]]:
    """Return the claims of a CSV file with the row of each; raise DriftError where there are none."""
    first = text.lstrip("\n").split("\n", 1)[0]
    marks = {m: first.count(m) for m in ";\t,"}
    reader = csv.reader(io.StringIO(text), delimiter=max(marks, key=lambda m: marks[m]))
    table = [(i, [c.strip() for c in row]) for i, row in enumerate(reader, 1)]
    table = [(i, row) for i, row in table if any(row) and not row[0].startswith("#")]
    if not table:
        raise DriftError(Finding(severity="error", code="empty", file=file, message="the file holds no claims",
                                 mend="Write a header with what and printed, and one claim a row."))
    head = [h.strip().casefold() for h in table[0][1]]
    claims, rows = [], []
    for i, row in table[1:]:
        claims.append({h: c for h, c in zip(head, row, strict=False) if c})
        rows.append(i)
    return {"claims": claims}, rows
