"""Stable codes in place of people.

A code is ``P-`` or ``O-`` (participant, operator) and six hexadecimal digits of SHA-256 over study title, role and
name. The same person has the same code in every table and every run, whatever the order of rows, and another one in a
study with another title. A person who is both participant and operator has one code for each role. Whoever holds a
list of names and the title can work out who is who: the codes keep names out of print, they do not anonymise.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from drift.errors import Finding
from drift.records import Table, Tables

ROLES: dict[str, str] = {"participant": "P", "operator": "O"}
# Findings whose value is a line of the file as it stands; no one can tell the names in it.
WHOLE_LINES = frozenset({"ragged-row", "encoding", "rows-above-header", "delimiter", "quotes"})
FREE_TEXT = ("exclude_reason", "retired_reason", "note")
Codes = Mapping[str, Mapping[str, str]]
AnyTable = TypeVar("AnyTable", bound=Table)


def person_codes(tables: Tables, *, title: str = "") -> dict[str, dict[str, str]]:
    """Return the code of every person, by role and name.

    Parameters
    ----------
    tables : Tables
    title : str
        Of the study; enters the code.

    Returns
    -------
    dict of str to dict of str to str
        ``{"participant": {name: code}, "operator": {...}}``, and the same again under the headers that these
        columns have in the files, where findings name them.
    """
    made: dict[str, dict[str, str]] = {}
    for role, letter in ROLES.items():
        met = {name for other, _, names in tables.people if other == role for name in names}
        names = sorted(met | {str(v) for t in _all(tables) if role in t for v in t[role] if v is not None})
        digits = 6
        while True:
            codes = {n: f"{letter}-{_digest(title, role, n)[:digits]}" for n in names}
            if len(set(codes.values())) == len(names):
                break
            digits += 2
        made[role] = codes
    for role, headers, _ in tables.people:
        for header in headers:
            made.setdefault(header.casefold(), made[role])
    return made


def pseudonymise(tables: Tables, *, title: str = "", codes: Codes | None = None) -> Tables:
    """Replace participants and operators by codes in every table, free text included.

    Parameters
    ----------
    tables : Tables
    title : str
        Of the study; enters the codes.
    codes : mapping, optional
        From :func:`person_codes`, where they are at hand.

    Returns
    -------
    Tables
        New tables; the given ones are unchanged.
    """
    codes = codes if codes is not None else person_codes(tables, title=title)
    return Tables(checks=None if tables.checks is None else _replaced(tables.checks, codes),
                  trials=None if tables.trials is None else _replaced(tables.trials, codes),
                  sensors=None if tables.sensors is None else _replaced(tables.sensors, codes),
                  events=None if tables.events is None else _replaced(tables.events, codes),
                  calibrations=None if tables.calibrations is None else _replaced(tables.calibrations, codes))


def pseudonymise_text(text: str, codes: Codes) -> str:
    """Replace names that stand as words in a text."""
    by_name = {n: c for part in codes.values() for n, c in part.items()}
    return _in_text(text, by_name)


def pseudonymise_findings(findings: Iterable[Finding], codes: Codes) -> tuple[Finding, ...]:
    """Replace names in findings: the value, and the sentences where a name stands in quotes."""
    made = []
    for f in findings:
        if f.code in WHOLE_LINES:
            made.append(replace(f, value=None, message=_quoted(f.message, codes), mend=_quoted(f.mend, codes)))
            continue
        role = codes.get((f.column or "").casefold(), {})
        value = role.get(f.value, f.value) if f.value is not None else None
        if value == f.value and value is not None and f.column not in ("row",):
            value = pseudonymise_text(value, codes) if not _is_number(value) else value
        made.append(replace(f, value=value, message=_quoted(f.message, codes), mend=_quoted(f.mend, codes)))
    return tuple(made)


def pseudonymise_where(where: Mapping[str, Any], codes: Codes) -> dict[str, Any]:
    """Replace names in a selection, so that it picks the same rows of pseudonymised tables."""
    made: dict[str, Any] = {}
    for column, wanted in where.items():
        known = codes.get(column, {})
        made[column] = ([known.get(str(w), w) for w in wanted] if isinstance(wanted, (list, tuple))
                        else known.get(str(wanted), wanted))
    return made


def _all(tables: Tables) -> list[Table]:
    return [t for t in (tables.checks, tables.trials, tables.sensors, tables.events, tables.calibrations)
            if t is not None]


def _digest(title: str, role: str, name: str) -> str:
    return hashlib.sha256("\x1f".join((title, role, name)).encode()).hexdigest()


def _replaced(table: AnyTable, codes: Codes) -> AnyTable:
    columns = dict(table.columns)
    for role, known in codes.items():
        if role in columns:
            columns[role] = np.array([None if v is None else known[str(v)] for v in columns[role]] + [None],
                                     dtype=object)[:-1]
    by_name = {n: c for part in codes.values() for n, c in part.items()}
    for name in FREE_TEXT:
        if name in columns:
            columns[name] = np.array([None if v is None else _in_text(str(v), by_name) for v in columns[name]] + [None],
                                     dtype=object)[:-1]
    return type(table)(columns, table.row, table.file, table.sha256, table.units)


def _in_text(text: str, by_name: Mapping[str, str]) -> str:
    names = sorted((n for n in by_name if len(n) > 1 and not _is_number(n)), key=len, reverse=True)
    if not names:
        return text
    pattern = re.compile(r"(?<!\w)(" + "|".join(re.escape(n) for n in names) + r")(?!\w)")
    return pattern.sub(lambda m: by_name[m.group(1)], text)


def _quoted(text: str, codes: Codes) -> str:
    for part in codes.values():
        for name, code in part.items():
            text = text.replace(repr(name), repr(code)).replace(f'"{name}"', f'"{code}"')
    return text


def _is_number(text: str) -> bool:
    return bool(re.fullmatch(r"[+-]?[\d.,]+", text))
