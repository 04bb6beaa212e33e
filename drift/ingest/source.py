"""From a file name to text columns, whatever kind of file it is."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from drift.errors import Finding
from drift.ingest.columns import fold, place_columns, split_header
from drift.ingest.draft import Draft
from drift.ingest.numbers import number_format
from drift.ingest.raw import RawTable
from drift.ingest.text import RefusedError, read_text
from drift.ingest.typed import excel_error_findings, read_parquet, read_workbook
from drift.records import NUMBER_COLUMNS
from drift.study import COLUMNS_OF, Study, TextFormat, named_columns, nearest, suggestion

TEXT_SUFFIXES = (".csv", ".tsv", ".txt", ".tab", ".dat")
SUFFIXES = (*TEXT_SUFFIXES, ".xlsx", ".xlsm", ".parquet", ".pq")


def locate(name: str, folder: Path | None) -> Path:
    """Return where a table file lies; backslashes in the name separate folders on every system."""
    path = Path(name)
    if not path.is_absolute() and folder is not None:
        path = folder / path
    if not path.exists() and "\\" in name:
        plain = Path(name.replace("\\", "/"))
        path = plain if plain.is_absolute() or folder is None else folder / plain
    return path


def read_raw(path: Path, kind: str, study: Study) -> RawTable:
    """Read a file into text columns.

    Raises
    ------
    RefusedError
        If there is no table to be read; the finding says why.
    """
    section = f"[format.{kind}]"
    text_format = study.format.get(kind, TextFormat())
    if path.is_dir():
        raise RefusedError(Finding(severity="error", code="not-a-file", file=path.name, value=str(path),
                                   message=f"a folder stands where the {kind} file is expected",
                                   mend=f"Name the file itself, as in {kind} = \"{kind}.csv\" in [files]"))
    if not path.is_file():
        beside = sorted(p.name for p in path.parent.iterdir() if p.suffix.lower() in SUFFIXES
                        ) if path.parent.is_dir() else []
        near = nearest(path.name, beside)
        there = ("tables there: " + ", ".join(repr(b) for b in beside[:8])) if beside else "no table is there"
        raise RefusedError(Finding(severity="error", code="missing-file", file=path.name, value=str(path),
                              message=f"the {kind} file is not there",
                              mend=f"Did you mean {near!r}?" if near else f"Mend the name in [files]; {there}"))
    try:
        with path.open("rb") as handle:
            start = handle.read(8)
    except OSError as error:
        raise RefusedError(Finding(severity="error", code="unreadable-file", file=path.name,
                              message=f"the file cannot be opened ({error.strerror})",
                              mend="Close it in other programs and look at its permissions")) from None
    suffix = path.suffix.lower()
    if start.startswith(b"\xd0\xcf\x11\xe0") or suffix in (".xls", ".xlsb", ".ods", ".numbers"):
        raise RefusedError(Finding(severity="error", code="unsupported-file", file=path.name, value=suffix,
                              message="this kind of workbook is not read", expected="CSV, TSV, XLSX or Parquet",
                              mend="Save it as .xlsx or CSV"))
    wanted = {fold(n) for n in (*COLUMNS_OF.get(kind, ()), *named_columns(study, kind))}
    wanted |= {fold(theirs) for theirs in study.columns.get(kind, {}).values()}
    wanted |= {fold(split_header(theirs)[0]) for theirs in study.columns.get(kind, {}).values()}

    def known(header: str) -> bool:
        return fold(header) in wanted or fold(split_header(header)[0]) in wanted

    if start.startswith(b"PK\x03\x04") or suffix in (".xlsx", ".xlsm"):
        return read_workbook(path, text_format, known=known, section=section)
    if start.startswith(b"PAR1") or suffix in (".parquet", ".pq"):
        return read_parquet(path)
    if suffix not in TEXT_SUFFIXES:
        raise RefusedError(Finding(severity="error", code="unsupported-file", file=path.name, value=suffix,
                              message="this kind of file is not read", expected="CSV, TSV, XLSX or Parquet",
                              mend="Export the table as one of them"))
    return read_text(path, text_format, known=known, section=section)


def start_draft(raw: RawTable, kind: str, study: Study, *, named: Collection[str], strict: bool = True) -> Draft:
    """Match headers and find how numbers are written."""
    units = study.units.get(kind, {})
    placed = place_columns(raw, kind, mapping=study.columns.get(kind, {}), units=units, named=named)
    text_format = study.format.get(kind, TextFormat())
    exposure = study.sensitivity.exposure if study.sensitivity is not None else "use"
    numeric = [j for ours, j in placed.at.items()
               if (ours in NUMBER_COLUMNS and ours in COLUMNS_OF[kind]) or ours in units or ours == exposure]
    form = number_format(text_format, [raw.columns[j] for j in numeric], raw.delimiter)
    draft = Draft(kind=kind, raw=raw, placed=placed, form=form, date_order=text_format.dates, strict=strict)
    draft.findings += placed.findings
    draft.findings += excel_error_findings(raw)
    for column in units:
        # A required column that is missing has its own finding, and so has a declared header that is not there.
        if column not in placed.at and column not in ("reading", "reference", "use") and (
                column not in study.columns.get(kind, {})):
            draft.findings.append(Finding(
                severity="error" if strict and column not in COLUMNS_OF[kind] else "warning", code="missing-column",
                file=raw.file, value=column,
                message=f"[units.{kind}] gives a unit to a column that is not in the file",
                mend=suggestion(column, list(placed.at), noun="columns")))
    if text_format.sheet is not None and raw.delimiter != "workbook":
        draft.findings.append(Finding(severity="warning", code="unused-setting", file=raw.file, value=text_format.sheet,
                                      message=f"[format.{kind}] names a sheet but the file is no workbook",
                                      mend="Take sheet out, or name the workbook in [files]"))
    if not len(raw):
        # No event yet is an ordinary state of a study; any other table without rows is a slip.
        draft.findings.append(Finding(severity="note" if kind == "events" else "error", code="no-rows", file=raw.file,
                                      row=raw.header_row or None, expected="at least one row",
                                      message="there is a header but no row below it" if raw.header_row else
                                      "the file has columns but no row",
                                      mend="Export the table again, or take it out of [files]"))
    return draft
