"""Which of their columns is which of ours, and what their headers say about units."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from drift.errors import Finding
from drift.ingest.raw import RawTable, tidy
from drift.records import NUMBER_COLUMNS
from drift.study import COLUMNS_OF, nearest
from drift.units import UnitError, canonical, everyday_units, is_everyday, is_known, is_pressure
from drift.units import kind as kind_of_unit

_BRACKET = re.compile(r"^(.*\S)\s*[(\[]\s*([^()\[\]]+?)\s*[)\]]$")
_SLASH = re.compile(r"^(.*\S)\s+/\s+(\S.*)$")


@dataclass
class Placed:
    """Where each of our columns stands.

    Parameters
    ----------
    at : dict of str to int
        Our name to the position in the file.
    header_units : dict of str to str
        Our name to the unit that the header states, in canonical spelling.
    """

    at: dict[str, int] = field(default_factory=dict)
    header_units: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def split_header(header: str, declared: str | None = None) -> tuple[str, str | None]:
    """Split ``"Pressure [kPa]"`` into name and unit; the unit is None where the bracket holds no unit.

    Only everyday units are recognised, or the one declared: in ``"Side (L)"`` the letter is not a litre.
    """
    for pattern in (_BRACKET, _SLASH):
        found = pattern.match(header)
        if found is None:
            continue
        name, unit = found.group(1), found.group(2)
        if is_everyday(unit):
            return name, canonical(unit)
        if _is_slope(unit):  # of the calibrations table
            return name, canonical(unit)
        if declared is not None:
            try:
                if canonical(unit) == canonical(declared):
                    return name, canonical(unit)
            except UnitError:
                pass
    return header, None


def _is_slope(unit: str) -> bool:
    """Tell whether a unit is a raw reading per pressure, such as ``count/kPa``."""
    raw, slash, pressure = unit.partition("/")
    return bool(slash and raw) and is_pressure(pressure) and is_known(raw) and kind_of_unit(raw) in ("count", "other")


def fold(name: str) -> str:
    """Return a name without case, and with spaces and hyphens as underscores."""
    return re.sub(r"[\s_\-]+", "_", tidy(name).casefold())


def place_columns(raw: RawTable, kind: str, *, mapping: Mapping[str, str], units: Mapping[str, object],
                  named: Collection[str]) -> Placed:
    """Match the headers of a file with our names.

    Parameters
    ----------
    raw : RawTable
    kind : str
        ``"checks"``, ``"trials"``, ...
    mapping : mapping of str to str
        Declared: our name to theirs.
    units : mapping
        Declared units by our name; a text, or for ``reading`` a mapping by measure.
    named : collection of str
        Further columns that the questions name.

    Returns
    -------
    Placed
    """
    placed = Placed()
    placed.findings += _duplicates(raw)
    folded = [fold(h) for h in raw.header]
    used: set[int] = set()
    for name, theirs in mapping.items():
        unit = units.get(name)
        j = _find(raw.header, folded, theirs, unit if isinstance(unit, str) else None)
        if j is None:
            near = nearest_header(theirs, raw.header)
            placed.findings.append(Finding(
                severity="error", code="missing-column", file=raw.file, row=raw.header_row or None, value=theirs,
                message=f"[columns.{kind}] takes {name!r} from a column that is not in the file",
                expected="one of " + ", ".join(repr(h) for h in raw.header[:20]),
                mend=f"Did you mean {near!r}?" if near else "Name a column of the file"))
            continue
        used.add(j)
        _take(placed, raw, name, j, unit if isinstance(unit, str) else None)
    wanted = {fold(n): n for n in (*COLUMNS_OF.get(kind, ()), *named)}
    for j, header in enumerate(raw.header):
        if j in used:
            continue
        ours: str | None = header if header in named else _ours(header, folded[j], wanted, units)
        if ours is not None and ours in placed.at:
            if header == ours or ours in mapping:
                placed.findings.append(Finding(
                    severity="warning", code="column-set-aside", file=raw.file, row=raw.header_row or None,
                    column=header, message=f"the column is set aside: {ours!r} is already taken from "
                    f"{raw.header[placed.at[ours]]!r}", mend="Rename it in the file if it is needed"))
            continue
        if ours is None and header in placed.at:
            continue
        if ours is None and (odd := _odd_unit(header, wanted)) is not None and odd[0] not in placed.at:
            ours = odd[0]
            placed.findings.append(Finding(
                severity="error", code="unknown-unit", file=raw.file, row=raw.header_row or None, column=header,
                value=odd[1], message="the header states a unit that is not known", expected="a unit such as 'kPa'",
                mend=f"Did you mean {odd[2]!r}? Correct the header, or map it in [columns.{kind}]"))
        unit = units.get(ours) if ours is not None else units.get(header)
        _take(placed, raw, ours if ours is not None else header, j, unit if isinstance(unit, str) else None)
    placed.at = dict(sorted(placed.at.items(), key=lambda item: item[1]))
    return placed


def _take(placed: Placed, raw: RawTable, ours: str, j: int, declared: str | None) -> None:
    placed.at[ours] = j
    unit = split_header(raw.header[j], declared)[1]
    if unit is not None and ours != raw.header[j]:
        placed.header_units[ours] = unit


def _ours(header: str, folded: str, wanted: Mapping[str, str], units: Mapping[str, object]) -> str | None:
    if folded in wanted:
        return wanted[folded]
    for declared in (None, *(u for u in units.values() if isinstance(u, str))):
        bare, unit = split_header(header, declared)
        if unit is not None and fold(bare) in wanted:
            return wanted[fold(bare)]
    return None


def _odd_unit(header: str, wanted: Mapping[str, str]) -> tuple[str, str, str] | None:
    """Return our name, the text and the unit nearest to it, for a header of numbers with a misspelt unit."""
    for pattern in (_BRACKET, _SLASH):
        found = pattern.match(header)
        ours = wanted.get(fold(found.group(1))) if found else None
        if found and ours in NUMBER_COLUMNS:
            near = nearest(found.group(2), everyday_units(), 0.7)
            return (ours, found.group(2), near) if ours is not None and near is not None else None
    return None


def _find(headers: list[str], folded: list[str], theirs: str, unit: str | None) -> int | None:
    """Find a declared header: exactly, then without case, then without its unit; only where one alone fits."""
    theirs = tidy(theirs)
    if theirs in headers:
        return headers.index(theirs)
    for candidates in (folded, [fold(split_header(h, unit)[0]) for h in headers]):
        hits = [j for j, c in enumerate(candidates) if c == fold(theirs)]
        if len(hits) == 1:
            return hits[0]
    return None


def nearest_header(name: str, headers: Collection[str]) -> str | None:
    """Return the header a name was probably meant for; a unit in its brackets makes no difference."""
    bare = {split_header(h)[0]: h for h in headers}
    near = nearest(name, [*headers, *bare])
    return bare.get(near, near) if near is not None else None


def _duplicates(raw: RawTable) -> list[Finding]:
    seen: dict[str, str] = {}
    made = []
    for header in raw.header:
        key = fold(header)
        if key in seen:
            made.append(Finding(
                severity="error", code="duplicated-header", file=raw.file, row=raw.header_row or None, column=header,
                value=header, message=f"two columns have the name {seen[key]!r}" if header == seen[key] else
                f"two columns differ only in case or spacing: {seen[key]!r} and {header!r}",
                mend="Rename one of them in the file"))
        seen.setdefault(key, header)
    return made
