"""Row accounts of a wide table in rows of the file: a row is counted once, however many readings it holds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from drift.results import Exclusion, RowAccount

if TYPE_CHECKING:
    from drift.report import StudyResult

NO_READING = "no reading in either column"


def of_file(result: StudyResult, rows: Sequence[int], held: Sequence[int], file: str) -> StudyResult:
    """Return the result with its rows counted and listed as they stand in the file.

    Parameters
    ----------
    result : StudyResult
        Of one question about the long table that the wide one was turned into.
    rows : sequence of int
        Every row of the file.
    held : sequence of int
        Those of which a reading reached the long table; a pair is used or left out as a whole.
    file : str
    """
    accounts, exclusions = [], []
    for account in result.provenance.accounts:
        mine = [x for x in result.exclusions if x.question == account.question]
        out = _once(mine, account, set(rows) - {int(r) for r in held}, file)
        kinds = Counter(x.kind for x in out)
        exclusions += out
        accounts.append(replace(account, read=len(rows), used=len(rows) - len(out), unmatched=kinds["unmatched"],
                                outside_where=kinds["outside where"], excluded=kinds["excluded"]))
    tables = tuple(replace(t, columns=tuple(
        replace(c, values=np.full(len(t), float(len(rows)))) if c.name == "rows" else c for c in t.columns))
        if t.name == "tables read" else t for t in result.tables)
    return replace(result, exclusions=tuple(exclusions), tables=tables,
                   provenance=replace(result.provenance, accounts=tuple(accounts)))


def _once(mine: Sequence[Exclusion], account: RowAccount, empty: set[int], file: str) -> list[Exclusion]:
    """Return one line a row: those that were left out, and those that hold no reading at all."""
    by_row = {r: Exclusion(question=account.question, table=account.table, file=file, row=r, kind="unmatched",
                           reason=NO_READING) for r in empty}
    for x in mine:
        by_row.setdefault(x.row, x)
    return [by_row[r] for r in sorted(by_row)]
