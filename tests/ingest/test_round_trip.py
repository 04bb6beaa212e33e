"""A clean table written in any dialect reads back the same; faults planted anywhere are all found."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.errors import Finding
from drift.ingest import text as text_module
from tests.ingest.helpers import errors, read
from tests.ingest.test_typed_files import read_file
from tests.test_validation import rows_named

HEADER = ["participant", "session", "sensor", "method", "replicate", "time", "reading"]
SOME_WORDS = st.sampled_from(["Ana", "Łucja", "Björn", "O'Hara", "van der Berg, J.", "say \"ah\"", "x;y", "a|b",
                             "007", "-"])
LATIN_WORDS = st.sampled_from(["Ana", "Björn", "O'Hara", "van der Berg, J.", "say \"ah\"", "x;y", "a|b", "007", "-"])


def rows_of(words: st.SearchStrategy[str]) -> st.SearchStrategy[list[list[Any]]]:
    """Draw rows with unique keys: the replicate numbers the rows."""
    one = st.tuples(words, words, words, st.sampled_from(["bench", "gait"]), st.integers(1, 28),
                    st.integers(-10_000_000, 10_000_000))
    return st.lists(one, min_size=2, max_size=12).map(lambda many: [
        [a, b, c, d, str(i), f"2026-01-{day:02d}T08:30:00", number / 1000] for i, (a, b, c, d, day, number)
        in enumerate(many, 1)])


def quoted(cell: str, delimiter: str) -> str:
    odd = any(c in cell for c in (delimiter, '"', "\n"))
    return '"' + cell.replace('"', '""') + '"' if odd else cell


def as_text(rows: list[list[Any]], delimiter: str, decimal: str, newline: str) -> str:
    lines = [HEADER, *[[*row[:-1], f"{row[-1]:.3f}".replace(".", decimal)] for row in rows]]
    return newline.join(delimiter.join(quoted(c, delimiter) for c in line) for line in lines) + newline


def assert_same(folder: Path, name: str, rows: list[list[Any]], toml: str) -> None:
    """Read a file back and compare every cell."""
    units = '[units.trials]\nreading = "kPa"\n'
    reading = read_file(folder, "trials", name, units + toml)
    assert errors(reading) == [], [str(f) for f in errors(reading)]
    table = reading.tables.trials
    assert table is not None
    for j, column in enumerate(HEADER):
        assert table[column].tolist() == [row[j] for row in rows], column


DIALECTS = st.tuples(st.sampled_from([",", ";", "\t", "|"]), st.sampled_from([".", ","]),
                     st.sampled_from(["\n", "\r\n", "\r"]))


@settings(max_examples=120, deadline=None)
@given(rows=rows_of(SOME_WORDS), dialect=DIALECTS,
       encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32"]), fast=st.booleans())
def test_a_clean_table_reads_back_the_same_in_every_text_dialect(
        rows: list[list[Any]], dialect: tuple[str, str, str], encoding: str, fast: bool) -> None:
    delimiter, decimal, newline = dialect
    toml = f'[format.trials]\ndecimal = "{decimal}"\n' + ('encoding = "utf-16-le"\n' if encoding == "utf-16-le" else "")
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        if fast:
            patch.setattr(text_module, "PLAIN_FROM", 0)
        (Path(folder) / "t.csv").write_bytes(as_text(rows, delimiter, decimal, newline).encode(encoding))
        assert_same(Path(folder), "t.csv", rows, toml)


@settings(max_examples=30, deadline=None)
@given(rows=rows_of(LATIN_WORDS), encoding=st.sampled_from(["latin-1", "cp1252"]), declared=st.booleans())
def test_western_text_reads_back_the_same_with_and_without_declaration(rows: list[list[Any]], encoding: str,
                                                                      declared: bool) -> None:
    toml = '[format.trials]\ndecimal = ","\n' + (f'encoding = "{encoding}"\n' if declared else "")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "t.csv").write_bytes(as_text(rows, ";", ",", "\n").encode(encoding))
        assert_same(Path(folder), "t.csv", rows, toml)


@settings(max_examples=40, deadline=None)
@given(rows=rows_of(SOME_WORDS), kind=st.sampled_from(["t.xlsx", "t.parquet"]))
def test_a_clean_table_reads_back_the_same_from_workbooks_and_parquet(rows: list[list[Any]], kind: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        if kind == "t.xlsx":
            book = openpyxl.Workbook()
            sheet = book.active
            assert sheet is not None
            for line in (HEADER, *rows):
                sheet.append(line)
            book.save(Path(folder) / kind)
        else:
            pq.write_table(pa.table({h: [row[j] for row in rows] for j, h in enumerate(HEADER)}), Path(folder) / kind)
        assert_same(Path(folder), kind, rows, "")


# --- planted faults ---------------------------------------------------------------------------------------------

N = 2000


def big_table() -> list[list[str]]:
    """Make a clean table of checks: 40 sensors, 10 uses, 5 levels."""
    made = [["sensor", "use", "level", "time", "reference", "reading", "saturated", "direction", "exclude"]]
    for i in range(N):
        k, level = divmod(i, 5)
        sensor, use = divmod(k, 10)
        made.append([f"S{sensor + 1:02d}", str(use), str(level + 1), f"2026-01-{use + 1:02d}T08:{level:02d}",
                     str(100 * (level + 1)), f"{101 * (level + 1)}.5", "0", "up", ""])
    return made


Plant = Callable[[list[str]], None]


def put(column: int, value: str) -> Plant:
    def change(row: list[str]) -> None:
        row[column] = value
    return change


PLANTS: dict[str, tuple[Plant, str]] = {
    "word for missing": (put(5, "n/a"), "word-for-missing"), "not a number": (put(5, "ca. 5"), "not-a-number"),
    "decimal comma": (put(5, "12,5"), "wrong-decimal"), "unit in cell": (put(4, "100 kPa"), "unit-in-cell"),
    "infinite": (put(5, "inf"), "not-finite"), "empty": (put(5, ""), "empty-cell"),
    "negative use": (put(1, "-3"), "impossible-value"), "half a use": (put(1, "2.5"), "not-whole"),
    "negative reading": (put(5, "-4"), "impossible-value"), "fraction": (put(6, "1.4"), "impossible-value"),
    "no such day": (put(3, "2026-02-30"), "impossible-date"), "day or month": (put(3, "03/04/2026"), "ambiguous-date"),
    "no date": (put(3, "Tuesday"), "not-a-date"), "unknown sensor": (put(0, "Z99"), "unknown-sensor"),
    "direction": (put(7, "sideways"), "unknown-choice"), "exclude": (put(8, "perhaps"), "not-yes-or-no"),
    "too short": (lambda row: row.__delitem__(-1), "ragged-row"),
    "too long": (lambda row: row.append("x"), "ragged-row"),
}


@pytest.mark.parametrize("fast", [False, True])
def test_every_fault_planted_in_two_thousand_rows_is_found_in_its_row(fast: bool, tmp_path: Path,
                                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    if fast:
        monkeypatch.setattr(text_module, "PLAIN_FROM", 0)
    rng = np.random.default_rng(20)
    plants = {k: v for k, v in PLANTS.items() if not (fast and k.startswith("too "))}
    table = big_table()
    at = rng.choice(np.arange(1, N + 1), size=len(plants) * 30, replace=False).reshape(len(plants), 30)
    wanted: dict[str, set[int]] = {}
    for (change, code), rows in zip(plants.values(), at, strict=True):
        for i in rows:
            change(table[i])
        wanted.setdefault(code, set()).update(int(i) + 1 for i in rows)
    sensors = "sensor,construction\n" + "".join(f"S{i:02d},plain\n" for i in range(1, 41))
    # A quotation mark keeps a file from the faster parser, so that one is put to semicolons.
    separator = ";" if fast else ","
    reading = read(tmp_path, checks="\n".join(separator.join(quoted(c, separator) for c in row) for row in table),
                   sensors=sensors)
    by_code: dict[str, list[Finding]] = {}
    for f in reading.findings:
        by_code.setdefault(f.code, []).append(f)
    for code, rows_wanted in wanted.items():
        assert rows_named(by_code[code]) == rows_wanted, code
        assert sum("in all)" in f.message for f in by_code[code]) <= 3, "one list for each column"
    assert len(reading.findings) < 40 * len(wanted), "a long list is folded"


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1),
       kinds=st.lists(st.sampled_from(sorted(PLANTS)), min_size=1, max_size=5, unique=True))
def test_few_faults_of_any_kind_are_found_wherever_they_stand(seed: int, kinds: list[str]) -> None:
    table = big_table()[:401]
    rows = np.random.default_rng(seed).choice(np.arange(1, 401), size=len(kinds), replace=False)
    for name, i in zip(kinds, rows, strict=True):
        PLANTS[name][0](table[i])
    sensors = "sensor,construction\n" + "".join(f"S{i:02d},plain\n" for i in range(1, 41))
    with tempfile.TemporaryDirectory() as folder:
        reading = read(Path(folder), checks="\n".join(";".join(row) for row in table) + "\n", sensors=sensors)
    found = {(f.code, f.row) for f in reading.findings}
    for name, i in zip(kinds, rows, strict=True):
        assert (PLANTS[name][1], int(i) + 1) in found, [str(f) for f in reading.findings]
