"""Claim files as plain values: TOML, or CSV with commas, semicolons or tabs."""

from __future__ import annotations

import csv
import io
import itertools
import re
from typing import Any

from drift.errors import DriftError, Finding


def from_toml(text: str, file: str) -> dict[str, Any]:
    """Return what a TOML file holds; raise DriftError with the line where it is none."""
    import tomllib

    try:
        # As text: 0.90 without quotation marks would come back as 0.9.
        return tomllib.loads(text, parse_float=str)
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
    faults = [f for i, row in table[1:] if (f := _cut_at_a_comma(row, len(head), i, file))]
    if faults:
        raise DriftError(faults)
    claims, rows = [], []
    for i, row in table[1:]:
        claims.append({h: c for h, c in zip(head, row, strict=False) if c})
        rows.append(i)
    return {"claims": claims}, rows


def _cut_at_a_comma(row: list[str], columns: int, i: int, file: str) -> Finding | None:
    """Return a finding where a cell ends inside a bracket, or where a row has more cells than the header."""
    for one, two in itertools.pairwise(row):
        if _open_brackets(one) > 0 > _open_brackets(two):
            what = "a name" if row.index(one) == 0 else "a cell"
            whole = f"{one},{two}" if what == "a name" else f"{one}, {two}"
            return Finding(severity="error", code="cut-at-a-comma", file=file, row=i, value=f"{one},{two}",
                           message=f"{what} with a comma in it is cut in two",
                           mend=f'It needs quotation marks: "{whole}".')
    if any(row[columns:]):
        return Finding(severity="error", code="cut-at-a-comma", file=file, row=i, value=",".join(row),
                       message=f"the row has {len(row)} cells, and the header {columns}",
                       mend="A name or a number with a comma in it needs quotation marks.")
    return None


def _open_brackets(text: str) -> int:
    return sum(text.count(c) for c in "([") - sum(text.count(c) for c in ")]")
