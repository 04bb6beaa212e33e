"""Text tables as people export them: read right, or refused with the row and the mend."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drift.ingest import read_tables, text
from drift.study import load_study
from tests.ingest.helpers import CHECKS, SENSORS, TRIALS, errors, only, place, read, write


def test_a_clean_study_has_no_findings(tmp_path: Path) -> None:
    reading = read(tmp_path, checks=CHECKS, trials=TRIALS, sensors=SENSORS)
    assert reading.findings == ()
    checks, trials = reading.tables.checks, reading.tables.trials
    assert checks is not None
    assert trials is not None
    assert checks.row.tolist() == [2, 3, 4, 5, 6, 7]
    assert checks["reading"].tolist() == [201, 399, 198, 395, 202, 401]
    assert dict(checks.units) == {"reading": "count", "reference": "kPa"}
    assert trials["participant"].tolist() == ["A", "A", "A", "B", "B", "B"]
    assert set(reading.inputs) == {"checks.csv", "trials.csv", "sensors.csv"}
    assert all(len(h) == 64 for h in reading.inputs.values())


DIALECTS: dict[str, tuple[Callable[[str], str | bytes], str]] = {
    "semicolons": (lambda t: t.replace(",", ";"), ""),
    "tabs": (lambda t: t.replace(",", "\t"), ""),
    "bars": (lambda t: t.replace(",", "|"), ""),
    "decimal commas": (lambda t: t.replace(",", ";").replace(".", ","), ""),
    "declared decimal commas": (lambda t: t.replace(",", ";").replace(".", ","),
                                '[format.trials]\ndelimiter = ";"\ndecimal = ","\n'),
    "windows lines": (lambda t: t.replace("\n", "\r\n"), ""),
    "old mac lines": (lambda t: t.replace("\n", "\r"), ""),
    "utf-8 with mark": (lambda t: b"\xef\xbb\xbf" + t.encode(), ""),
    "utf-16 with mark": (lambda t: t.encode("utf-16"), ""),
    "declared utf-16": (lambda t: t.encode("utf-16-le"), '[format.trials]\nencoding = "utf-16-le"\n'),
    "trailing blank lines": (lambda t: t + "\n\n,,,\n , \n", ""),
    "trailing blank columns": (lambda t: "\n".join(line + ",," for line in t.splitlines()), ""),
    "more blank cells than headers": (lambda t: t.replace("210.5\n", "210.5,,\n"), ""),
    "spaces around cells": (lambda t: t.replace(",", " , "), ""),
    "non-breaking spaces": (lambda t: t.replace("bench", "\u00a0bench\u202f"), ""),
    "zero-width spaces": (lambda t: t.replace("bench", "\u200bbench"), ""),
    "quoted cells": (lambda t: t.replace("bench", '"bench"').replace("heel", '"heel"'), ""),
    "capital headers": (lambda t: t.replace("participant", "Participant").replace("method", "METHOD"), ""),
    "a delimiter line for spreadsheets": (lambda t: "sep=;\n" + t.replace(",", ";"), ""),
    "no newline at the end": (lambda t: t.rstrip("\n"), ""),
}


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_gives_the_same_table(name: str, tmp_path: Path) -> None:
    spoil, toml = DIALECTS[name]
    clean = read(tmp_path, trials=TRIALS).tables.trials
    other = read(tmp_path, trials=spoil(TRIALS), toml=toml)
    assert [str(f) for f in other.findings] == []
    assert clean is not None
    assert other.tables.trials is not None
    for column in clean.columns:
        assert other.tables.trials[column].tolist() == clean[column].tolist()


def test_rows_are_numbered_as_an_editor_does_past_blank_lines_and_quoted_newlines(tmp_path: Path) -> None:
    table = ("\n\nsensor,use,reading,reference,note\n"      # header in row 3
             "S1,0,100,200,\"two\nlines\"\n"                # rows 4 and 5
             "\n"                                           # row 6 blank
             "S1,5,99,200,\n"                               # row 7
             "S1,6,oops,200,\n")                            # row 8
    reading = read(tmp_path, checks=table)
    f = only(reading.findings, "not-a-number")
    assert place(f) == ("checks.csv", 8, "reading", "oops")
    rest = read(tmp_path, checks=table.replace("oops", "98"))
    assert rest.tables.checks is not None
    assert rest.tables.checks.row.tolist() == [4, 7, 8]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_the_fast_parser_and_the_careful_one_say_the_same(newline: str, tmp_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    lines = TRIALS.splitlines()
    body = lines[1:] * 3 + ["", " , ", "C,1,S1,bench,heel,peak,1,abc", "", "C,2,S1,bench,heel,peak,1,-", "", ""]
    spoilt = newline.join([lines[0], *body])
    slow = read(tmp_path, trials=spoilt, study='duplicates = "keep"')
    monkeypatch.setattr(text, "PLAIN_FROM", 0)
    calls: list[Any] = []
    real = text._parse_plain

    def watched(*given: Any) -> Any:
        calls.append(real(*given))
        return calls[-1]

    monkeypatch.setattr(text, "_parse_plain", watched)
    fast = read(tmp_path, trials=spoilt, study='duplicates = "keep"')
    assert fast.findings == slow.findings
    assert errors(fast)
    ragged = spoilt.replace(" , ", "x,y")
    assert read(tmp_path, trials=ragged).findings
    study, _ = load_study(write(tmp_path, trials=newline.join([lines[0], *lines[1:], "", ""])))
    assert study is not None
    assert np.array_equal(read_tables(study).tables.trials.row, np.arange(2, 8))  # type: ignore[union-attr]
    assert calls[-1] is not None


def test_latin_1_is_read_and_said_aloud(tmp_path: Path) -> None:
    table = TRIALS.replace("heel", "Fußballen")
    reading = read(tmp_path, trials=table.encode("cp1252"))
    f = only(reading.findings, "encoding")
    assert f.severity == "warning"
    assert f.row == 2
    assert "Fußballen" in str(f.value)
    assert 'encoding = "cp1252"' in f.mend
    assert reading.tables.trials is not None
    assert set(reading.tables.trials["region"]) == {"Fußballen"}
    declared = read(tmp_path, trials=table.encode("cp1252"), toml='[format.trials]\nencoding = "cp1252"\n')
    assert declared.findings == ()


REFUSED = {
    "empty": (b"", "empty-file", None),
    "only blank lines": (b"\n\n  \n", "empty-file", None),
    "header only": (TRIALS.splitlines()[0].encode() + b"\n", "no-rows", 1),
    "utf-16 without mark": (TRIALS.encode("utf-16-le"), "encoding", None),
    "an old workbook": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 not a table", "unsupported-file", None),
    "not a workbook": (b"PK\x03\x04 broken", "not-a-workbook", None),
    "not parquet": (b"PAR1 broken", "not-parquet", None),
    "an open quotation mark": (TRIALS.replace("B,2", '"B,2').encode(), "quotes", 7),
    "a quotation mark closed too early": (TRIALS.replace("B,2,S1", 'B,2,"S"1').encode(), "quotes", 7),
    "duplicated header": (TRIALS.replace("session,", "session,Session,", 1).replace(",1,S1", ",1,1,S1").replace(
        ",2,S1", ",2,2,S1").encode(), "duplicated-header", 1),
    "a column without a name": (TRIALS.replace(",reading", ",reading,").replace("192.75", "192.75,left").encode(),
                                "unnamed-column", 7),
    "a title above the header": (b"Gait lab, export of Monday\n" + TRIALS.encode(), "rows-above-header", 1),
    "a missing column": (TRIALS.replace("reading", "value").encode(), "missing-column", 1),
    "a row too short": (TRIALS.replace(",1,192.75", "").encode(), "ragged-row", 7),
    "a row too long": (TRIALS.replace("192.75", "192.75,1").encode(), "ragged-row", 7),
    "decimal commas between commas": (TRIALS.replace("192.75", "192,75").encode(), "ragged-row", 7),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_is_refused_with_row_and_mend(name: str, tmp_path: Path) -> None:
    content, code, row = REFUSED[name]
    reading = read(tmp_path, trials=content)
    f = only(errors(reading), code)
    assert f.file == "trials.csv"
    assert f.row == row
    assert f.mend
    assert reading.tables.trials is None


def test_decimal_commas_between_commas_name_the_cause(tmp_path: Path) -> None:
    f = only(read(tmp_path, trials=TRIALS.replace("192.75", "192,75")).findings, "ragged-row")
    assert "semicolons" in f.mend


def test_a_missing_column_suggests_the_nearest_header(tmp_path: Path) -> None:
    f = only(read(tmp_path, trials=TRIALS.replace("reading", "readings")).findings, "missing-column")
    assert "readings" in f.mend
    assert "[columns.trials]" in f.mend


def test_a_missing_file_suggests_the_one_beside_it(tmp_path: Path) -> None:
    write(tmp_path, trials=TRIALS)
    toml = tmp_path / "study.toml"
    toml.write_text(toml.read_text().replace('"trials.csv"', '"trails.csv"'))
    study, _ = load_study(tmp_path)
    assert study is not None
    f = only(read_tables(study).findings, "missing-file")
    assert "'trials.csv'" in f.mend


def test_backslashes_in_file_names_separate_folders_everywhere(tmp_path: Path) -> None:
    write(tmp_path, trials=TRIALS)
    (tmp_path / "data").mkdir()
    (tmp_path / "trials.csv").rename(tmp_path / "data" / "trials.csv")
    toml = tmp_path / "study.toml"
    toml.write_text(toml.read_text().replace('"trials.csv"', "'data\\trials.csv'"))
    study, _ = load_study(tmp_path)
    assert study is not None
    assert read_tables(study).tables.trials is not None


def test_a_delimiter_that_cannot_be_told_is_refused(tmp_path: Path) -> None:
    f = only(read(tmp_path, trials="x;y|z\n1;2|3\n").findings, "delimiter")
    assert "delimiter" in f.mend


@pytest.mark.parametrize(("name", "code", "mend"), [
    (".", "not-a-file", 'trials = "trials.csv"'), ("tirals.csv", "missing-file", "'trials.csv'"),
    ("results.xlsx", "missing-file", "tables there: 'trials.csv'"), ("nowhere/t.csv", "missing-file", "no table")])
def test_what_is_no_file_is_a_finding(name: str, code: str, mend: str, tmp_path: Path) -> None:
    write(tmp_path, trials=TRIALS)
    toml = tmp_path / "study.toml"
    toml.write_text(toml.read_text().replace('"trials.csv"', f'"{name}"'))
    study, _ = load_study(tmp_path)
    assert study is not None
    assert mend in only(errors(read_tables(study)), code).mend


def test_a_declared_delimiter_that_the_header_does_not_have_is_refused(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, trials=TRIALS, toml='[format.trials]\ndelimiter = ";"\n')), "delimiter")
    assert 'delimiter = ","' in f.mend


def test_files_of_an_unknown_kind_are_refused(tmp_path: Path) -> None:
    write(tmp_path, trials=TRIALS)
    (tmp_path / "trials.csv").rename(tmp_path / "trials.json")
    toml = tmp_path / "study.toml"
    toml.write_text(toml.read_text().replace('"trials.csv"', '"trials.json"'))
    study, _ = load_study(tmp_path)
    assert study is not None
    assert only(read_tables(study).findings, "unsupported-file").expected == "CSV, TSV, XLSX or Parquet"
