"""Rows of the checks that a question about sensors' lines uses, and those of sensors that it leaves out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from drift.records import Tables
from drift.results import Exclusion, Result, RowAccount


def rows_without(wear: Result, tables: Tables, left_out: Mapping[str, str], *, question: str, of: str
                 ) -> tuple[tuple[RowAccount, ...], tuple[Exclusion, ...]]:
    """Return the row account of the wear analysis less the rows of sensors left out, and every exclusion.

    Parameters
    ----------
    wear : WearResult
    tables : Tables
    left_out : mapping of str to str
        Sensor to the reason why its line enters nowhere.
    question : str
        Of the account.
    of : str
        What the sensor is left out of, in words.
    """
    exclusions = [replace(x, question=question) for x in wear.exclusions]
    account = next((a for a in wear.provenance.accounts if a.table == "checks"), None)
    if account is None or tables.checks is None:
        return (), tuple(exclusions)
    gone = {(x.file, x.row) for x in wear.exclusions}
    file = tables.checks.file
    new = [Exclusion(question=question, table="checks", file=file, row=int(row), kind="excluded",
                     reason=f"sensor left out of {of}: {left_out[str(s)]}", key=f"sensor {s}")
           for s, row in zip(tables.checks["sensor"], tables.checks.row, strict=True)
           if str(s) in left_out and (file, int(row)) not in gone]
    kept = RowAccount(question=question, table="checks", read=account.read, used=account.used - len(new),
                      outside_where=account.outside_where, unmatched=account.unmatched,
                      excluded=account.excluded + len(new))
    return (kept,), (*exclusions, *new)
