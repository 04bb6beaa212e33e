"""Findings of one kind in many rows, printed once: the first in full, then the rows of the others.

JSON and ``findings.csv`` hold each of them; a person reads the same sentence once.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from drift.errors import Finding, Severity
from drift.validation import ranges

_FOLDED = re.compile(r"the same in \d+ more rows \(\d+ in all\): ([\d, -]+)")
MOST_RANGES = 12
FEWEST = 4  # rows from which on they are told together; of fewer each value is worth seeing


@dataclass(frozen=True)
class Fault:
    """One finding as it is printed, with the rows that have the same.

    Parameters
    ----------
    finding : Finding
        The first.
    rows : tuple of int
        Rows of all of them; empty where it stands in no row.
    """

    finding: Finding
    rows: tuple[int, ...] = ()

    @property
    def further(self) -> str:
        """What is said of the other rows; empty where there is none."""
        rest = [r for r in self.rows if r != self.finding.row]
        if not rest:
            return ""
        parts = ranges(rest).split(", ")
        shown = ", ".join(parts[:MOST_RANGES])
        more = ", and so on" if len(parts) > MOST_RANGES else ""
        word = "row" if len(rest) == 1 else "rows"
        return f" The same in {len(rest)} more {word}: {shown}{more}."


def faults(findings: Sequence[Finding]) -> list[Fault]:
    """Group findings of one kind and column, in the order in which they first occur.

    Two are the same that share all but row, value and what their sentence quotes of them: code, file, column, mend.
    """
    first: dict[object, Finding] = {}
    rows: dict[object, list[int]] = {}
    keyed: list[tuple[Finding, object]] = []
    for f in dict.fromkeys(replace(f, question=None) for f in findings):  # the question is not printed
        folded = _FOLDED.match(f.message) if f.row is None else None
        located = f.row is not None or folded is not None
        key: object = (f.severity, f.code, f.file, f.column, f.mend) if located else f
        keyed.append((f, key))
        first.setdefault(key, f)
        rows.setdefault(key, []).extend(_rows(folded.group(1)) if folded else [] if f.row is None else [f.row])
    few = {k for k, f in first.items() if rows[k] and len(set(rows[k])) < FEWEST}
    made: dict[Fault, None] = {}
    for f, kind in keyed:
        fault = Fault(f, () if f.row is None else (f.row,)) if kind in few else Fault(first[kind], tuple(
            sorted(set(rows[kind]))))
        made.setdefault(fault)
    return list(made)


def _rows(text: str) -> list[int]:
    """Read ranges of rows again: ``4, 7-9``."""
    found: list[int] = []
    for part in filter(None, (p.strip() for p in text.split(","))):
        ends = [int(v) for v in part.split("-") if v]
        found += range(ends[0], ends[-1] + 1)
    return found


def count_words(findings: Sequence[Finding], severity: Severity = "error") -> str:
    """Count the errors (or warnings) among findings as they are printed: ``1 error in 48 rows``."""
    shown = faults([f for f in findings if f.severity == severity])
    n, rows = len(shown), sum(max(1, len(x.rows)) for x in shown)
    words = f"{n or 'no'} {severity}{'s' * (n > 1)}"
    return words if rows == n else f"{words} in {rows} places" if n > 1 else f"{words} in {rows} rows"
