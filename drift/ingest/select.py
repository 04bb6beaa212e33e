"""Choosing the rows of a question: ``where = { method = "bench", region = ["heel", "toes"] }``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.records import Table
from drift.study import nearest, suggestion


def select_where(table: Table, where: Mapping[str, Any], *, question: str | None = None) -> NDArray[np.bool_]:
    """Return the rows that a selection picks.

    Parameters
    ----------
    table : Table
        With ``n_rows`` rows.
    where : mapping
        Column to the value wanted, or to a list of which any will do. Numbers match numbers, words match
        words exactly; a number given for a column of words matches its text (``1`` picks ``"1"``).
    question : str, optional
        Named in the finding.

    Returns
    -------
    array of bool, shape (n_rows,)

    Raises
    ------
    DriftError
        If a column is not there, or a value cannot be compared with a column of numbers.

    Examples
    --------
    >>> import numpy as np
    >>> from drift.records import Table
    >>> t = Table({"method": np.array(["bench", "gait"], dtype=object)}, np.array([2, 3]), "t.csv")
    >>> select_where(t, {"method": "bench"})
    array([ True, False])
    """
    mask = np.ones(len(table), dtype=bool)
    findings: list[Finding] = []
    for name, wanted in where.items():
        if name not in table:
            findings.append(Finding(severity="error", code="unknown-column", file=table.file, value=name,
                                    question=question, message=f"where names a column {name!r} that is not there",
                                    mend=suggestion(name, list(table.columns), noun="columns")))
            continue
        values = wanted if isinstance(wanted, (list, tuple, set, frozenset)) else [wanted]
        column = table[name]
        if column.dtype.kind == "f":
            numbers = [_as_number(v) for v in values]
            bad = [v for v, n in zip(values, numbers, strict=True) if n is None]
            if bad:
                findings.append(Finding(severity="error", code="wrong-type", file=table.file, column=name,
                                        value=str(bad[0]), question=question, expected="a number",
                                        message=f"where compares the numbers of {name!r} with words",
                                        mend="Write a number without quotes"))
                continue
            mask &= np.isin(column, np.array([n for n in numbers if n is not None], dtype=np.float64))
        else:
            words = {as_word(v) for v in values}
            mask &= np.fromiter((v in words for v in column), dtype=bool, count=len(column))
    if findings:
        raise DriftError(findings)
    return mask


def nothing_selected(table: Table, where: Mapping[str, Any], *, question: str | None = None) -> Finding:
    """Say that a selection picks no row, and which values there are.

    Parameters
    ----------
    table : Table
    where : mapping
        As for :func:`select_where`, all of its columns in the table.
    question : str, optional
    """
    for name, wanted in where.items():
        if select_where(table, {name: wanted}).any():
            continue
        there = list(dict.fromkeys(v for v in as_words(table[name]).tolist() if v is not None))
        if table[name].dtype.kind == "f":
            there.sort(key=float)
        asked = wanted if isinstance(wanted, (list, tuple, set, frozenset)) else [wanted]
        shown = ", ".join(there[:12]) + (f" and {len(there) - 12} more" if len(there) > 12 else "")
        near = nearest(str(next(iter(asked), "")), there, 0.6)
        return Finding(severity="error", code="nothing-selected", file=table.file, column=name, question=question,
                       value=", ".join(as_word(v) for v in asked),
                       message=f"where picks no row: {name!r} is never that",
                       expected=f"one of {shown}" if there else None,
                       mend=f"Did you mean {near!r}?" if near else "Name a value that the column has.")
    return Finding(severity="error", code="nothing-selected", file=table.file, question=question,
                   message="where picks no row: each of its values occurs, but no row has them all together",
                   mend="Leave one of them out.")


def _as_number(value: Any) -> float | None:
    if isinstance(value, bool):
        return float(value)
    try:
        return float(value)
    except (TypeError, ValueError):
        return None


def as_words(column: NDArray[Any]) -> NDArray[np.object_]:
    """Return a column as labels that can be compared with text; None where missing, shape (n_rows,)."""
    if column.dtype.kind != "f":
        return np.asarray(column)
    return np.array([None if v != v else f"{v:.15g}" for v in column] + [None], dtype=object)[:-1]


def as_word(value: Any) -> str:
    """Return a value of ``where`` as the label it stands for."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
