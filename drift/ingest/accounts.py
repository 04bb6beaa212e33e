"""Where every row of a table went for one question, in one place so that the sums always close."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.records import Table
from drift.results import Exclusion, RowAccount

Mask = NDArray[np.bool_]
KEY_COLUMNS = ("sensor", "use", "participant", "session", "side", "operator", "method", "condition", "region",
               "measure", "replicate", "level", "reference", "direction", "order", "cal_id")


def account_rows(question: str, table_name: str, table: Table, *, outside: Mask | None = None,
                 excluded: Mask | None = None, unmatched: Mask | None = None,
                 reasons: NDArray[np.object_] | None = None,
                 ) -> tuple[RowAccount, tuple[Exclusion, ...], Mask]:
    """Account for every row: read = used + outside where + excluded + unmatched.

    Parameters
    ----------
    question : str
        Name of the question.
    table_name : str
        ``"checks"`` or ``"trials"``.
    table : Table
        All rows that were read, ``n_rows`` of them.
    outside, excluded, unmatched : array of bool, shape (n_rows,), optional
        Rows that leave, and why. A row in several leaves by the first in this order; absent means no row.
    reasons : array of str, shape (n_rows,), optional
        Why each row leaves; an empty one or None falls back to words for its kind (for an excluded row, the
        reason that stands in the table).

    Returns
    -------
    account : RowAccount
    exclusions : tuple of Exclusion
        One for each row that is not used, in table order.
    used : array of bool, shape (n_rows,)

    Raises
    ------
    ValueError
        If a mask differs from the table in length.
    """
    n = len(table)
    masks: list[tuple[str, Mask]] = []
    left = np.ones(n, dtype=bool)
    for kind, mask in (("outside where", outside), ("excluded", excluded), ("unmatched", unmatched)):
        given = np.zeros(n, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
        if given.shape != (n,):
            raise ValueError(f"mask of rows {kind!r} has shape {given.shape}, the table has {n} rows")
        masks.append((kind, given & left))
        left = left & ~given
    kinds = np.full(n, "", dtype=object)
    for kind, mask in masks:
        kinds[mask] = kind
    out = np.flatnonzero(~left)
    keys = _keys(table, [int(i) for i in out])
    made = tuple(
        Exclusion(question=question, table=table_name, file=table.file, row=int(table.row[i]), kind=kinds[i],
                  reason=_reason(table, i, kinds[i], reasons), key=key)
        for i, key in zip(out.tolist(), keys, strict=True))
    account = RowAccount(question=question, table=table_name, read=n, used=int(left.sum()),
                         outside_where=int(masks[0][1].sum()), excluded=int(masks[1][1].sum()),
                         unmatched=int(masks[2][1].sum()))
    return account, made, left


def excluded_rows(table: Table) -> Mask:
    """Return the rows that the table itself marks as excluded, shape ``(n_rows,)``."""
    if "exclude" not in table:
        return np.zeros(len(table), dtype=bool)
    return np.asarray(table["exclude"] == 1.0)


def _reason(table: Table, i: int, kind: str, reasons: NDArray[np.object_] | None) -> str:
    if reasons is not None and reasons[i]:
        return str(reasons[i])
    if kind == "excluded":
        stated = table["exclude_reason"][i] if "exclude_reason" in table else None
        return str(stated) if stated else "marked as excluded in the table, no reason given"
    return "outside the where of this question" if kind == "outside where" else "has no partner"


def _keys(table: Table, rows: list[int]) -> list[str]:
    """Return what identifies each row, ``sensor=S01; use=5``; each distinct value is written once."""
    at = np.array(rows, dtype=np.intp)
    parts: list[list[str]] = []
    for name in KEY_COLUMNS:
        if name not in table:
            continue
        values = table[name][at].tolist()
        written: dict[Any, str] = {None: ""}
        for value in set(values):
            if isinstance(value, float):
                written[value] = f"{name}={value:g}" if np.isfinite(value) else ""
            elif value is not None:
                written[value] = f"{name}={value}"
        parts.append([written.get(v, "") for v in values])
    return ["; ".join(filter(None, row)) for row in zip(*parts, strict=True)] if parts else [""] * len(rows)
