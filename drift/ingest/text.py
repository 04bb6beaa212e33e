"""Text tables: encoding, delimiter, quotes and the line each row stands on."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from array import array
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from drift.errors import Finding
from drift.ingest.raw import RawColumn, RawTable, drop_blank, tidied, tidy
from drift.study import TextFormat

DELIMITERS = (",", ";", "\t", "|")
# From this many characters on a file without quotation marks or ragged rows goes through a faster parser.
PLAIN_FROM = 1_000_000
_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_QUOTED = {",": '","', ";": '";"', "\t": '"\\t"', "|": '"|"'}
_HINT = re.compile(r"^\s*sep=(.)\s*$", re.IGNORECASE)
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe\x00\x00", "utf-32"), (b"\x00\x00\xfe\xff", "utf-32"),
         (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


class RefusedError(Exception):
    """A file that cannot be read as a table at all; carries the finding."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.message)
        self.finding = finding


def read_text(path: Path, text_format: TextFormat, *, known: Callable[[str], bool], section: str) -> RawTable:
    """Read a text table.

    Parameters
    ----------
    path : Path
    text_format : TextFormat
        What the study declares; what is left out is found from the file or refused.
    known : callable
        Tells whether a header is one the study or the contract names; chooses the delimiter.
    section : str
        Name of the section that declares the format, for the mends.

    Returns
    -------
    RawTable

    Raises
    ------
    RefusedError
        If there is no table in the file.
    """
    data = path.read_bytes()
    findings: list[Finding] = []
    text = _decode(data, text_format, path.name, section, findings)
    first_row, text, hinted = _after_blank_lines(text)
    if not text.strip():
        raise RefusedError(Finding(severity="error", code="empty-file", file=path.name, message="the file is empty",
                              expected="a header row and rows below it", mend="Export the table again"))
    _refuse_rows_above(text, path.name, first_row, known)
    if text_format.delimiter is not None:
        _refuse_wrong_delimiter(text, text_format.delimiter, path, known, section)
    delimiter = text_format.delimiter or hinted or _find_delimiter(text, path, known, section)
    table = _parse_plain(text, delimiter, path.name, first_row, findings) if len(text) > PLAIN_FROM else None
    if table is None:
        table = _parse(text, delimiter, path.name, first_row, findings)
    table.sha256 = hashlib.sha256(data).hexdigest()
    return drop_blank(table)


def _decode(data: bytes, text_format: TextFormat, file: str, section: str, findings: list[Finding]) -> str:
    """Turn bytes into text: a byte-order mark decides, then the study, then UTF-8, then Windows-1252 with a warning."""
    declared = text_format.encoding
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return _strict(data, encoding, file, section)
    if declared is not None:
        return _strict(data, declared, file, section)
    if b"\x00" in data[:4096]:
        raise RefusedError(Finding(severity="error", code="encoding", file=file,
                              message="the file is not plain text, or is UTF-16 without a byte-order mark",
                              mend=f"Save it as CSV in UTF-8, or set encoding = \"utf-16-le\" in {section}"))
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        encoding = "cp1252"
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            encoding = "latin-1"
            text = data.decode(encoding)
        line = text.split("\n")[row - 1].strip() if row <= text.count("\n") + 1 else ""
        findings.append(Finding(
            severity="warning", code="encoding", file=file, row=row, value=line[:80],
            message=f"the file is not UTF-8; it was read as {'Windows-1252' if encoding == 'cp1252' else 'Latin-1'}",
            mend=f"Look at the letters shown; if they are right set encoding = \"{encoding}\" in {section}, "
                 "else save the file as UTF-8"))
        return text


def _strict(data: bytes, encoding: str, file: str, section: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        message = f"the file is not {encoding} text from this row on"
    except LookupError:
        row, message = 0, f"the encoding {encoding!r} is not known"
    raise RefusedError(Finding(severity="error", code="encoding", file=file, row=row or None, value=encoding,
                          message=message, mend=f"Save the file as UTF-8, or mend encoding in {section}"))


def _after_blank_lines(text: str) -> tuple[int, str, str | None]:
    """Skip blank lines and a spreadsheet's ``sep=;`` line above the header; return the header's row and the rest."""
    row, hinted, start = 1, None, 0
    text = text.removeprefix("\ufeff")
    while start < len(text):
        end = re.compile(r"\r\n|\n|\r").search(text, start)
        line = text[start: end.start()] if end else text[start:]
        hint = _HINT.match(line)
        if hint and hinted is None:
            hinted = hint.group(1)
        elif tidy(line).strip(",;|\t "):
            break
        if end is None:
            return row, "", hinted
        start = end.end()
        row += 1
    return row, text[start:], hinted


def _refuse_rows_above(text: str, file: str, first_row: int, known: Callable[[str], bool]) -> None:
    """Refuse a file whose header stands below a title, where a row below the first holds the names wanted."""
    def score(line: str) -> int:
        return max(sum(known(tidy(c)) for c in line.split(d)) for d in DELIMITERS)

    lines = [line.replace('"', "") for line in text[:20000].splitlines()[:20]]
    if not lines or score(lines[0]) > 0:
        return
    for i, line in enumerate(lines[1:], 1):
        if score(line) >= 2:
            raise RefusedError(rows_above(file, first_row, first_row + i, lines[0]))


def rows_above(file: str, first_row: int, header_row: int, value: str) -> Finding:
    """Word the finding for rows above the header."""
    return Finding(severity="error", code="rows-above-header", file=file, row=first_row, value=value[:80],
                   message=f"the header seems to stand in row {header_row}, below other text",
                   expected="the header in the first row", mend="Delete the rows above it")


def _find_delimiter(text: str, path: Path, known: Callable[[str], bool], section: str) -> str:
    """Choose the delimiter whose header holds most of the names wanted; refuse when two do equally well."""
    head = text[:20000]
    scores: list[tuple[int, int, str]] = []
    for delimiter in DELIMITERS:
        try:
            header = next(csv.reader(io.StringIO(head, newline=""), delimiter=delimiter))
        except (StopIteration, csv.Error):
            continue
        scores.append((sum(known(tidy(h)) for h in header), len(header), delimiter))
    scores.sort(reverse=True)
    if not scores:
        return ","
    best = scores[0]
    rivals = [s for s in scores[1:] if s[0] == best[0] and s[1] > 1]
    if best[0] == 0 and rivals:
        # No name tells: the delimiter that also splits the rows below into as many cells wins, if only one does.
        lines = [line for line in head.splitlines()[1:12] if line.strip()]
        steady = [d for _, n, d in scores if n > 1 and lines
                  and all(len(next(csv.reader([line], delimiter=d))) == n for line in lines)]
        if len(steady) == 1:
            return steady[0]
        raise RefusedError(Finding(
            severity="error", code="delimiter", file=path.name, row=1,
            message="the sign between columns cannot be told from the file",
            value=head.splitlines()[0][:80], mend=f"Set delimiter = \";\" or another in {section}"))
    return best[2]


def _refuse_wrong_delimiter(text: str, declared: str, path: Path, known: Callable[[str], bool], section: str) -> None:
    """Refuse a declared delimiter that leaves the header whole where another splits it into names that are wanted."""
    line = text[:20000].splitlines()[0]
    if declared in line:
        return
    for sign in DELIMITERS:
        if sum(known(tidy(h)) for h in line.replace('"', "").split(sign)) >= 2:
            raise RefusedError(Finding(
                severity="error", code="delimiter", file=path.name, row=1, value=declared,
                message=f"the declared delimiter does not occur in the header; a {_NAMES[sign]} does",
                mend=f"Set delimiter = {_QUOTED.get(sign, repr(sign))} in {section}, or take it out"))


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield each record with the physical line it starts on, counted from 0."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 0
    for record in reader:
        yield line, record
        line = reader.line_num


def _parse(text: str, delimiter: str, file: str, first_row: int, findings: list[Finding]) -> RawTable:
    """Split text into dictionary-encoded columns, keeping physical lines and reporting ragged rows."""
    records = _records(text, delimiter)
    try:
        _, header = next(records)
    except csv.Error as error:
        raise RefusedError(_quote_finding(file, first_row, error)) from None
    width = len(header)
    books: list[dict[str, int]] = [{} for _ in header]
    codes = [array("i") for _ in header]
    rows = array("q")
    ragged: list[tuple[int, list[str]]] = []
    line = 0
    try:
        for line, record in records:
            if len(record) != width:
                if not any(c and not c.isspace() for c in record):
                    continue
                extra = record[width:]
                if len(record) < width or any(c.strip() for c in extra):
                    ragged.append((line + first_row, record))
                record = [*record[:width], *[""] * (width - len(record))]
            for cell, book, code in zip(record, books, codes, strict=True):
                found = book.get(cell)
                if found is None:
                    found = book[cell] = len(book)
                code.append(found)
            rows.append(line + first_row)
    except csv.Error as error:
        findings.append(_quote_finding(file, line + first_row + 1, error))
    findings.extend(_ragged_findings(ragged, width, delimiter, file))
    columns: list[RawColumn] = []
    for code, book in zip(codes, books, strict=True):
        columns.append(tidied(np.frombuffer(code, dtype=np.int32).copy() if len(code) else np.zeros(0, np.int32),
                              list(book)))
    row = np.frombuffer(rows, dtype=np.int64).copy() if len(rows) else np.zeros(0, np.int64)
    return RawTable(file=file, header=[tidy(h.replace("\r", " ").replace("\n", " ")) for h in header],
                    columns=columns, row=row, header_row=first_row, delimiter=delimiter, findings=findings,
                    broken={r for r, _ in ragged})


def _parse_plain(text: str, delimiter: str, file: str, first_row: int, findings: list[Finding]) -> RawTable | None:
    """Do the same with a parallel parser; None where the file is not plain, so that one parser words all faults.

    Plain means: no quotation mark, no lone carriage return, every line that is not empty as wide as the header.
    """
    if '"' in text:
        return None
    text = text.replace("\r\n", "\n")
    if "\r" in text:
        return None
    import pyarrow as pa
    import pyarrow.csv as pacsv

    head, _, body = text.partition("\n")
    header = next(csv.reader([head], delimiter=delimiter))
    data = body.encode("utf-8")
    if not data:
        return None
    names = [str(j) for j in range(len(header))]
    try:
        parsed = pacsv.read_csv(
            pa.BufferReader(data), read_options=pacsv.ReadOptions(column_names=names, block_size=1 << 24),
            parse_options=pacsv.ParseOptions(delimiter=delimiter, quote_char=False, newlines_in_values=False),
            convert_options=pacsv.ConvertOptions(
                column_types={n: pa.dictionary(pa.int32(), pa.string()) for n in names}, null_values=[],
                strings_can_be_null=False, check_utf8=False)).unify_dictionaries().combine_chunks()
    except pa.ArrowInvalid:
        return None
    ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == 10)
    if not data.endswith(b"\n"):
        ends = np.append(ends, len(data))
    full = np.diff(ends, prepend=-1) > 1
    row = np.flatnonzero(full).astype(np.int64) + first_row + 1
    if len(row) != parsed.num_rows or not len(row):
        return None
    columns = []
    for column in parsed.columns:
        chunk = column.chunk(0)
        columns.append(tidied(chunk.indices.to_numpy(zero_copy_only=False), chunk.dictionary.to_pylist()))
    return RawTable(file=file, header=[tidy(h) for h in header], columns=columns, row=row, header_row=first_row,
                    delimiter=delimiter, findings=findings)


def _quote_finding(file: str, row: int, error: Exception) -> Finding:
    if "field limit" in str(error):
        return Finding(severity="error", code="quotes", file=file, row=row,
                       message="a cell holds more than a hundred thousand characters", expected="one value a cell",
                       mend="Look for a quotation mark that is not closed; rows below were not read")
    return Finding(severity="error", code="quotes", file=file, row=row,
                   message=f"a quotation mark is opened and not closed as it should be ({error})",
                   mend="Close it, or double a quotation mark that is meant as text; rows below were not read")


def _ragged_findings(ragged: Sequence[tuple[int, list[str]]], width: int, delimiter: str, file: str) -> list[Finding]:
    """Report rows with too few or too many cells."""
    from drift.validation import capped

    made = []
    for row, record in ragged:
        more = len(record) > width
        comma = more and delimiter == "," and any(c.strip().isdigit() for c in record)
        mend = "Quote cells that hold the delimiter" if more else "Add the missing cells, empty if need be"
        if comma:
            mend = ("If numbers here have decimal commas, export with semicolons between columns; "
                    "else quote cells that hold a comma")
        made.append(Finding(
            severity="error", code="ragged-row", file=file, row=row, value=delimiter.join(record)[:80],
            message=f"the row has {len(record)} cells and the header {width}",
            expected=f"{width} cells with a {_NAMES.get(delimiter, repr(delimiter))} between them", mend=mend))
    return capped(made)
