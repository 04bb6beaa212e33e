"""Tables whose cells have types: Excel workbooks, Parquet files and data frames in memory."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.errors import Finding
from drift.ingest.raw import RawColumn, RawTable, drop_blank, tidied, tidy
from drift.ingest.text import RefusedError, rows_above
from drift.study import TextFormat, suggestion
from drift.validation import at_rows

if TYPE_CHECKING:
    import pandas as pd

EXCEL_ERRORS = frozenset({"#N/A", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"})


def read_workbook(path: Path, text_format: TextFormat, *, known: Callable[[str], bool], section: str) -> RawTable:
    """Read one sheet of an Excel workbook.

    Parameters
    ----------
    path : Path
        A ``.xlsx`` or ``.xlsm`` file.
    text_format : TextFormat
        ``sheet`` chooses the sheet where several hold values.
    known : callable
        Tells whether a header is one the study or the contract names; finds a header below a title.
    section : str
        Name of the section that declares the format, for the mends.

    Returns
    -------
    RawTable
        Rows numbered as the sheet numbers them.

    Raises
    ------
    RefusedError
        If the file is no workbook, the sheet cannot be told, or it is empty.
    """
    import openpyxl

    data = path.read_bytes()
    try:
        book = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    except Exception as error:
        raise RefusedError(Finding(severity="error", code="not-a-workbook", file=path.name,
                              message=f"the file cannot be read as an Excel workbook ({type(error).__name__})",
                              mend="Open it and save it as .xlsx again, or export CSV")) from None
    sheet = _choose_sheet(book, text_format, path.name, section)
    findings: list[Finding] = []
    findings += _merged_findings(sheet, path.name)
    findings += _formula_findings(data, sheet, path.name)
    rows = [(i, [_cell(c) for c in cells]) for i, cells in enumerate(sheet.iter_rows(), sheet.min_row)]
    while rows and not any(_text(v) for v in rows[0][1]):
        rows.pop(0)
    header_row, header = rows[0]
    names = [tidy(_text(h).replace("\n", " ")) for h in header]
    _refuse_title(rows, names, path.name, known)
    body = rows[1:]
    columns = [_column([r[j] for _, r in body]) for j in range(len(names))]
    # Day numbers of the 1904 system start at 0 and those of the 1900 system at 1, with a 29 February 1900 counted.
    day_zero = dt.datetime(1904, 1, 1) if book.epoch.year == 1904 else None
    table = RawTable(file=path.name, header=names, columns=columns, header_row=header_row, findings=findings,
                     delimiter="workbook", epoch=day_zero, row=np.array([i for i, _ in body], dtype=np.int64),
                     sha256=hashlib.sha256(data).hexdigest())
    hidden = [i for i, _ in body if sheet.row_dimensions[i].hidden] if sheet.row_dimensions else []
    if hidden:
        findings.append(Finding(severity="note", code="hidden-rows", file=path.name, row=hidden[0],
                                message=f"{len(hidden)} hidden or filtered rows are read like any other"))
    return drop_blank(table)


def _refuse_title(rows: Sequence[tuple[int, Sequence[Any]]], names: Sequence[str], file: str,
                  known: Callable[[str], bool]) -> None:
    """Refuse a sheet whose header stands below a title, where a row below the first holds the names wanted."""
    if any(known(n) for n in names):
        return
    for i, cells in rows[1:21]:
        if sum(known(_text(v)) for v in cells if isinstance(v, str)) >= 2:
            raise RefusedError(rows_above(file, rows[0][0], i, next((n for n in names if n), "")))


def _choose_sheet(book: Any, text_format: TextFormat, file: str, section: str) -> Any:
    names = [s.title for s in book.worksheets]
    if text_format.sheet is not None:
        if text_format.sheet not in names:
            raise RefusedError(Finding(severity="error", code="unknown-sheet", file=file, value=text_format.sheet,
                                  message="the workbook has no sheet of this name",
                                  mend=suggestion(text_format.sheet, names, noun="sheets")))
        book_sheet = book[text_format.sheet]
        full = [book_sheet] if any(_text(c.value) for r in book_sheet.iter_rows() for c in r) else []
    else:
        full = [s for s in book.worksheets if any(_text(c.value) for r in s.iter_rows() for c in r)]
    if not full:
        raise RefusedError(Finding(severity="error", code="empty-file", file=file, message="the sheet is empty",
                              expected="a header row and rows below it", mend="Export the table again"))
    if len(full) > 1:
        raise RefusedError(Finding(severity="error", code="several-sheets", file=file,
                              value=", ".join(s.title for s in full), message="several sheets hold values",
                              mend=f"Name one: sheet = \"{full[0].title}\" in {section}"))
    return full[0]


def _merged_findings(sheet: Any, file: str) -> list[Finding]:
    made = []
    for area in sheet.merged_cells.ranges:
        inside = sum(1 for r in sheet.iter_rows(min_row=area.min_row, max_row=area.max_row) for c in r
                     if _text(c.value))
        if inside > 1 or area.max_row > area.min_row:
            made.append(Finding(severity="error", code="merged-cells", file=file, row=area.min_row, value=str(area),
                                message="merged cells hide which row a value belongs to",
                                mend="Unmerge them and fill in the value in each cell"))
    return made


def _formula_findings(data: bytes, sheet: Any, file: str) -> list[Finding]:
    """Report formulas without a stored result: they would look like empty cells."""
    import zipfile

    import openpyxl

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if not any(b"<f>" in archive.read(n) or b"<f " in archive.read(n) for n in archive.namelist()
                   if n.startswith("xl/worksheets/") and n.endswith(".xml")):
            return []
    formulas = openpyxl.load_workbook(io.BytesIO(data), data_only=False)[sheet.title]
    made = []
    for cells in formulas.iter_rows():
        for cell in cells:
            if cell.data_type == "f" and sheet[cell.coordinate].value is None:
                made.append(Finding(severity="error", code="formula", file=file, row=cell.row,
                                    column=cell.column_letter, value=str(cell.value),
                                    message="a formula has no stored result",
                                    mend="Open the workbook, let it calculate and save it, or paste values"))
    return made


class _Percent(float):
    """A number shown with a percent sign: ``_Percent(5.0)`` is shown as 5 %."""


def _cell(cell: Any) -> Any:
    """Return a cell's value; a number formatted as a percentage is the number that a reader sees."""
    value = cell.value
    if isinstance(value, (int, float)) and not isinstance(value, bool) and "%" in (cell.number_format or ""):
        return _Percent(f"{100 * value:.15g}")
    return value


def _column(values: Sequence[Any]) -> RawColumn:
    """Encode typed cells: text as text, numbers beside their text, dates as ISO text."""
    known: dict[tuple[str, bool], int] = {}
    codes = np.empty(len(values), dtype=np.int32)
    numbers = np.full(len(values), np.nan)
    any_number = False
    for i, value in enumerate(values):
        date = isinstance(value, (dt.datetime, dt.date, dt.time, dt.timedelta))
        codes[i] = known.setdefault((_text(value), date), len(known))
        if isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool):
            numbers[i] = float(value)
            any_number = True
    labels = [tidy(text) for text, _ in known]
    return RawColumn(codes, labels, numbers if any_number else None, np.array([d for _, d in known], dtype=bool))


def _text(value: Any) -> str:
    """Write a typed cell as a person would type it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, str):
        return tidy(value)
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, _Percent):
        return f"{float(value):.15g}%"
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    if isinstance(value, dt.datetime):
        midnight = (value.hour, value.minute, value.second, value.microsecond) == (0, 0, 0, 0)
        return value.date().isoformat() if midnight and value.tzinfo is None else value.isoformat()
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    return str(value)


def read_parquet(path: Path) -> RawTable:
    """Read a Parquet file; rows are numbered from 1, there being no header row.

    Raises
    ------
    RefusedError
        If the file is no Parquet file or holds nested columns.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    data = path.read_bytes()
    try:
        # The reader of plain files: a dataset reader would look at folder names for more columns.
        table = pq.ParquetFile(io.BytesIO(data)).read()
    except Exception as error:
        raise RefusedError(Finding(severity="error", code="not-parquet", file=path.name,
                              message=f"the file cannot be read as Parquet ({type(error).__name__})",
                              mend="Write it again, or export CSV")) from None
    columns, names = [], []
    for name in table.column_names:
        if name.startswith("__index_level_"):
            continue
        column = table.column(name)
        if pa.types.is_nested(column.type):
            raise RefusedError(Finding(severity="error", code="nested-column", file=path.name, column=name,
                                  message="the column holds lists or records", mend="Write one value a cell"))
        names.append(tidy(name))
        columns.append(_arrow_column(column))
    findings = [Finding(severity="note", code="row-numbers", file=path.name,
                        message="rows of this file are numbered from 1; a Parquet file has no header row")]
    if not names:
        raise RefusedError(Finding(severity="error", code="empty-file", file=path.name,
                                   message="the file has no columns", mend="Write the table again"))
    made = RawTable(file=path.name, header=names, columns=columns, header_row=0, findings=findings,
                    row=np.arange(1, table.num_rows + 1, dtype=np.int64), sha256=hashlib.sha256(data).hexdigest())
    return drop_blank(made)


def _arrow_column(column: Any) -> RawColumn:
    """Encode one Arrow column; text by its dictionary, numbers with their values kept."""
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        encoded = pc.dictionary_encode(column.cast(pa.string()).fill_null("")).combine_chunks()
        if isinstance(encoded, pa.ChunkedArray):
            encoded = encoded.chunk(0) if encoded.num_chunks else pa.DictionaryArray.from_arrays(
                pa.array([], pa.int32()), pa.array([], pa.string()))
        return tidied(encoded.indices.to_numpy(zero_copy_only=False).astype(np.int32), encoded.dictionary.to_pylist())
    return _column(column.to_pylist())


def read_frame(frame: pd.DataFrame, name: str = "table") -> RawTable:
    """Take a data frame made in memory; rows are numbered as its CSV would be, header in row 1."""
    columns = []
    for j in range(frame.shape[1]):
        values = frame.iloc[:, j]
        if str(values.dtype) == "category":
            values = values.astype(object)
        cells: list[Any] = [None if v is None or v != v else v for v in values.astype(object)]
        columns.append(_column([v.to_pydatetime() if hasattr(v, "to_pydatetime") else v for v in cells]))
    made = RawTable(file=name, header=[tidy(str(c)) for c in frame.columns], columns=columns,
                    row=np.arange(2, len(frame) + 2, dtype=np.int64))
    return drop_blank(made)


def excel_error_findings(table: RawTable) -> list[Finding]:
    """Report spreadsheet error values, in whatever kind of column they stand."""
    made: list[Finding] = []
    for name, column in zip(table.header, table.columns, strict=True):
        flags = np.array([label in EXCEL_ERRORS for label in column.labels] or [False])
        if flags.any():
            made += at_rows(flags[column.codes], rows=table.row, value=column.text, code="spreadsheet-error",
                            message="the spreadsheet could not calculate this cell", file=table.file, column=name,
                            mend="Mend the formula, or empty the cell")
    return made
