"""A table as it stands in the file: text cells by column, with the row numbers of the user's editor.

Columns are dictionary-encoded (a code per row into the distinct texts), so that every later step looks at each
distinct text once, whether the table has a hundred rows or a million.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drift.errors import Finding

# Spaces of every width become plain ones; zero-width marks and soft hyphens vanish.
_SPACES = dict.fromkeys((9, 160, *range(8192, 8203), 8239, 8287, 12288), " ")
_NOTHING = {ord(c): None for c in "\u200b\u200c\u200d\u2060\ufeff\u00ad"}
_TIDY = {**_SPACES, **_NOTHING}


def tidy(text: str) -> str:
    """Strip a cell and make its spaces plain: what a reader sees, not what an editor hid."""
    if text.isascii() and "\t" not in text:
        return text.strip()
    return text.translate(_TIDY).strip()


@dataclass
class RawColumn:
    """One column of text.

    Parameters
    ----------
    codes : array of int32, shape (n_rows,)
        Index into ``labels``.
    labels : list of str
        Distinct texts as they stand in the file, spaces tidied; ``""`` is an empty cell.
    numbers : array of float64, shape (n_rows,), optional
        Where the file holds numbers and not text (Excel, Parquet): the number, else NaN.
    is_date : array of bool, shape (n_labels,), optional
        Labels that the file holds as dates.
    """

    codes: NDArray[np.int32]
    labels: list[str]
    numbers: NDArray[np.float64] | None = None
    is_date: NDArray[np.bool_] | None = None

    def text(self, i: int) -> str:
        """Return the text of one row."""
        return self.labels[int(self.codes[i])]

    def words(self) -> NDArray[np.object_]:
        """Return the texts, None where empty, shape (n_rows,). Rows share the strings."""
        table = np.empty(max(len(self.labels), 1), dtype=object)
        for i, label in enumerate(self.labels):
            table[i] = label or None
        return table[self.codes] if len(self.codes) else np.empty(0, dtype=object)

    def empty(self) -> NDArray[np.bool_]:
        """Return which cells are empty, shape (n_rows,)."""
        flags = np.array([not label for label in self.labels] or [True])
        return flags[self.codes] if len(self.codes) else np.zeros(0, dtype=bool)

    def take(self, keep: NDArray[np.bool_]) -> RawColumn:
        """Return the chosen rows."""
        return RawColumn(self.codes[keep], self.labels, None if self.numbers is None else self.numbers[keep],
                         self.is_date)


def encode(cells: Iterable[str]) -> RawColumn:
    """Encode one column of texts, tidied."""
    known: dict[str, int] = {}
    codes = [known.setdefault(c, len(known)) for c in cells]
    return tidied(np.array(codes, dtype=np.int32), list(known))


def tidied(codes: NDArray[np.int32], raw: Sequence[str]) -> RawColumn:
    """Tidy distinct texts and merge those that become equal."""
    known: dict[str, int] = {}
    merged = np.fromiter((known.setdefault(tidy(r), len(known)) for r in raw), dtype=np.int32, count=len(raw))
    if len(known) != len(raw):
        codes = merged[codes]
    return RawColumn(codes, list(known))


@dataclass
class RawTable:
    """A file read into text columns.

    Parameters
    ----------
    header : list of str
        Column names as they stand in the file, spaces tidied.
    columns : list of RawColumn
        As many as ``header``.
    row : array of int64, shape (n_rows,)
        Row numbers of the user's editor.
    header_row : int
        Row of the header; 0 where the file has none (Parquet).
    delimiter : str
        Sign between columns of a text file, ``"workbook"`` for Excel, ``""`` for files that only programs write.
    epoch : datetime, optional
        Day 0 of a workbook's day numbers.
    broken : set of int
        Rows that cannot be trusted cell by cell and have a finding of their own.
    """

    file: str
    header: list[str]
    columns: list[RawColumn]
    row: NDArray[np.int64]
    sha256: str = ""
    header_row: int = 1
    delimiter: str = ""
    epoch: dt.datetime | None = None
    broken: set[int] = field(default_factory=set)
    findings: list[Finding] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.row)


def drop_blank(table: RawTable) -> RawTable:
    """Take out rows without any content, and columns without name and content.

    Such rows hold nothing, so nothing is lost; row numbers of the others stay as they are.
    """
    if table.columns:
        blank = np.ones(len(table.row), dtype=bool)
        for column in table.columns:
            if not blank.any():
                break
            blank &= column.empty()
        if blank.any():
            keep = ~blank
            table.columns = [c.take(keep) for c in table.columns]
            table.row = table.row[keep]
    _repeated_header(table)
    named: list[int] = []
    for j, name in enumerate(table.header):
        if name:
            named.append(j)
            continue
        full = np.flatnonzero(~table.columns[j].empty())
        if len(full):
            i = int(full[0])
            table.findings.append(Finding(
                severity="error", code="unnamed-column", file=table.file, row=int(table.row[i]),
                column=f"no. {j + 1}", value=table.columns[j].text(i),
                message=f"column no. {j + 1} has values but no name in the header", expected="a name in the header row",
                mend="Name the column, or empty it"))
    table.header = [table.header[j] for j in named]
    table.columns = [table.columns[j] for j in named]
    return table


def _repeated_header(table: RawTable) -> None:
    """Report rows that repeat the header, as files pasted below each other do."""
    again = np.ones(len(table.row), dtype=bool)
    for name, column in zip(table.header, table.columns, strict=True):
        if not len(table.row) or not again.any():
            return
        again &= np.array([label == name for label in column.labels] or [False])[column.codes]
    for i in np.flatnonzero(again):
        table.broken.add(int(table.row[i]))
        table.findings.append(Finding(
            severity="error", code="repeated-header", file=table.file, row=int(table.row[i]),
            message="the header stands here again", expected="one header, in the first row", mend="Delete the row"))
