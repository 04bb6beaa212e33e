"""Row checks: masks in, located findings out, capped so that a list stays readable and nothing goes uncounted."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import Finding, Severity

SHOWN = 20
LISTED = 1000


def capped(findings: Sequence[Finding], shown: int = SHOWN) -> list[Finding]:
    """Keep the first findings of one rule and fold the others into one that lists their rows.

    Parameters
    ----------
    findings : sequence of Finding
        All of one rule and one column.
    shown : int
        How many keep a finding of their own.
    """
    if len(findings) <= shown + 1:
        return list(findings)
    rest = findings[shown:]
    return [*findings[:shown], _folded(rest[0], [f.row for f in rest if f.row is not None], len(findings))]


def _folded(like: Finding, rows: Sequence[int], total: int) -> Finding:
    message = f"the same in {len(rows)} more rows ({total} in all): {ranges(rows)}"
    return replace(like, message=message, row=None, value=None)


def first_row(finding: Finding) -> int:
    """Return the row a finding is listed under: its own, the first of a folded list, else 0."""
    if finding.row is not None:
        return finding.row
    folded = re.match(r"the same in \d+ more rows \(\d+ in all\): (\d+)", finding.message)
    return int(folded.group(1)) if folded else 0


def ranges(rows: Iterable[int]) -> str:
    """Write row numbers as ranges: ``4, 7-9, 12``."""
    out: list[str] = []
    start = last = None
    for row in sorted(set(rows)):
        if last is not None and row == last + 1:
            last = row
            continue
        if start is not None:
            out.append(f"{start}" if start == last else f"{start}-{last}")
        start = last = row
    if start is not None:
        out.append(f"{start}" if start == last else f"{start}-{last}")
    if len(out) > LISTED:
        out = [*out[:LISTED], "and so on"]
    return ", ".join(out)


def at_rows(bad: NDArray[np.bool_] | NDArray[np.intp], *, rows: NDArray[np.int64], value: Callable[[int], str | None],
            message: str | Callable[[int], str], mend: str | Callable[[int], str] = "",
            severity: Severity = "error", shown: int = SHOWN, **rest: Any) -> list[Finding]:
    """Return one finding for each row where a rule is broken, folded after the first ``shown``.

    Parameters
    ----------
    bad : array of bool, shape (n_rows,), or array of int
        Mask of rows, or their positions.
    rows : array of int64, shape (n_rows,)
        Row numbers of the user's editor.
    value : callable
        Position to the text as it stands in the file.
    message : str or callable
        The sentence, or a function of the position.
    mend : str or callable
        What to do, or a function of the position.
    severity, shown
        As in :class:`Finding` and :func:`capped`.
    **rest
        Further fields of the finding.
    """
    positions = np.flatnonzero(bad) if np.asarray(bad).dtype == bool else np.asarray(bad)
    total = len(positions)
    single = total if total <= shown + 1 else shown

    def make(i: int) -> Finding:
        return Finding(severity=severity, row=int(rows[i]), value=value(i),
                       message=message if isinstance(message, str) else message(i),
                       mend=mend if isinstance(mend, str) else mend(i), **rest)

    made = [make(int(i)) for i in positions[:single]]
    if total > single:
        made.append(_folded(make(int(positions[single])), [int(r) for r in rows[positions[single:]]], total))
    return made
