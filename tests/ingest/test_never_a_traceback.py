"""Whatever a file holds, what comes back is a table or findings; and a small CSV starts no heavy library."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drift.ingest import Reading, read_tables
from drift.ingest import text as text_module
from drift.study import load_study
from tests.ingest.helpers import CHECKS, SENSORS, TRIALS

STUDY = """[study]
title = "T"
use_is = "one visit"
count_uses = "{count}"
[files]
checks = "{checks}"
trials = "trials.csv"
sensors = "sensors.csv"
events = "events.csv"
session_log = "log.csv"
[units.checks]
reading = "count"
reference = "kPa"
[units.trials]
reading = {{ peak = "kPa", force = "N" }}
[sensitivity]
full_scale = "full_scale"
covariates = ["construction", "batch"]
[[reliability]]
name = "r"
target = "participant"
facet = "session"
where = {{ method = "bench" }}
[[agreement]]
name = "a"
compare = "method"
a = "gait"
b = "bench"
pair_by = ["participant", "session"]
[limits]
saturation_pressure = "1600 kPa"
dead_fraction = 0.02
"""
EVENTS = "sensor,use,event,note\nS1,3,recalibrated,new gain\nS2,10,retired,\n"
LOG = "sensor,time\nS1,2026-01-03T09:00\nS1,2026-01-05\nS2,2026-01-02\n"
TABLES = {"checks.csv": CHECKS, "trials.csv": TRIALS, "sensors.csv": SENSORS, "events.csv": EVENTS, "log.csv": LOG}
TOKENS = st.sampled_from([b",", b";", b"\n", b"\r", b'"', b"\t", b"\x00", b"\xff", b"\xef\xbb\xbf", b"%", b"-", b".",
                          b" ", b"nan", b"inf", b"1e999", b"2026-02-30", b"S1", b"yes", b"\xe2\x88\x92", b"\xc2\xa0",
                          b"9" * 400, b"=1+1", b"#N/A", b"psi", b"reading"])
EDITS = st.lists(st.tuples(st.sampled_from(sorted(TABLES)), st.integers(0, 400), st.integers(0, 30), TOKENS),
                 max_size=6)


def read_all(folder: str, files: dict[str, bytes], *, count: str = "column", checks: str = "checks.csv") -> Reading:
    for name, content in files.items():
        (Path(folder) / name).write_bytes(content)
    (Path(folder) / "study.toml").write_text(STUDY.format(count=count, checks=checks), encoding="utf-8")
    study, _ = load_study(folder)
    assert study is not None
    return read_tables(study)


def assert_sound(reading: Reading) -> None:
    """Every error and warning says where and what to do."""
    for f in reading.findings:
        assert str(f)
        assert f.message
        assert f.mend or f.severity == "note", str(f)
        assert f.file, str(f)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(edits=EDITS, count=st.sampled_from(["column", "session log", "dates"]), fast=st.booleans())
def test_spoilt_tables_give_findings_only(edits: list[tuple[str, int, int, bytes]], count: str, fast: bool) -> None:
    files = {name: text.encode() for name, text in TABLES.items()}
    for name, at, cut, put in edits:
        whole = files[name]
        files[name] = whole[:at] + put + whole[at + cut:]
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        if fast:
            patch.setattr(text_module, "PLAIN_FROM", 0)
        assert_sound(read_all(folder, files, count=count))


@settings(max_examples=100, deadline=None)
@given(data=st.binary(max_size=300), start=st.sampled_from([b"", b"PK\x03\x04", b"PAR1", b"\xff\xfe",
                                                                  b"sensor,use,reading"]))
def test_any_bytes_give_findings_only(data: bytes, start: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        files = {name: text.encode() for name, text in TABLES.items()} | {"checks.csv": start + data}
        assert_sound(read_all(folder, files))


PLAIN = st.one_of(st.none(), st.booleans(), st.integers(-5, 10**7), st.floats(allow_nan=False, allow_infinity=False),
                  st.sampled_from(["x", "S1", "1,5", "=1+1", "", " "]), st.dates(), st.datetimes())


@settings(max_examples=40, deadline=None)
@given(rows=st.lists(st.lists(PLAIN, max_size=9), max_size=5), headed=st.booleans())
def test_any_sheet_gives_findings_only(rows: list[list[object]], headed: bool) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for line in ([CHECKS.splitlines()[0].split(",")] if headed else []) + rows:
        sheet.append(line)
    with tempfile.TemporaryDirectory() as folder:
        book.save(Path(folder) / "checks.xlsx")
        assert_sound(read_all(folder, {n: t.encode() for n, t in TABLES.items()}, checks="checks.xlsx"))


@settings(max_examples=60, deadline=None)
@given(columns=st.dictionaries(
    st.sampled_from(["sensor", "use", "reading", "reference", "time", "exclude", "level", ""]),
    st.sampled_from(["word", "whole", "real", "flag", "date", "moment", "empty"]), max_size=7))
def test_any_parquet_file_gives_findings_only(columns: dict[str, str]) -> None:
    kinds = {"word": pa.array(["S1", None, ""]), "whole": pa.array([1, None, -3]), "real": pa.array([0.5, None, 1e308]),
             "flag": pa.array([True, None, False]), "date": pa.array([0, None, 20000], pa.date32()),
             "moment": pa.array([0, None, 10**18], pa.timestamp("ns")), "empty": pa.nulls(3)}
    with tempfile.TemporaryDirectory() as folder:
        pq.write_table(pa.table({name: kinds[kind] for name, kind in columns.items()}), Path(folder) / "checks.parquet")
        assert_sound(read_all(folder, {n: t.encode() for n, t in TABLES.items()}, checks="checks.parquet"))


def test_a_small_csv_is_read_without_the_heavy_libraries(tmp_path: Path) -> None:
    for name, content in TABLES.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    (tmp_path / "study.toml").write_text(STUDY.format(count="column", checks="checks.csv"), encoding="utf-8")
    code = ("import sys\nfrom drift.ingest import read_tables\nfrom drift.study import read_study\n"
            f"read_tables(read_study({str(tmp_path)!r}))\n"
            "print([m for m in ('pandas', 'pyarrow', 'openpyxl', 'pint', 'scipy', 'matplotlib') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                          cwd=Path(__file__).resolve().parents[2])
    assert done.stdout.strip() == "[]"
