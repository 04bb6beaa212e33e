"""Excel workbooks, Parquet files and data frames give the same tables as text."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from drift.ingest import Reading, read_one_table, read_tables
from drift.study import load_study, study_from_dict
from tests.ingest.helpers import CHECKS, TRIALS, UNITS, errors, only, place, read


def cells(text: str) -> list[list[Any]]:
    """Return a text table as rows of typed cells."""
    def typed(cell: str) -> Any:
        try:
            return float(cell) if "." in cell else int(cell)
        except ValueError:
            return cell or None

    lines = text.splitlines()
    return [lines[0].split(","), *[[typed(c) for c in line.split(",")] for line in lines[1:]]]


def workbook(path: Path, rows: list[list[Any]], **more: list[list[Any]]) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Data"
    for row in rows:
        sheet.append(row)
    for name, others in more.items():
        extra = book.create_sheet(name)
        for row in others:
            extra.append(row)
    book.save(path)


def read_file(folder: Path, kind: str, name: str, toml: str = "") -> Reading:
    units = UNITS if "[units." not in toml else ""
    text = f'[study]\ntitle = "T"\n[files]\n{kind} = "{name}"\n{units}{toml}'
    (folder / "study.toml").write_text(text, encoding="utf-8")
    study, findings = load_study(folder)
    assert study is not None, findings
    return read_tables(study)


def same(a: Reading, b: Reading, kind: str) -> None:
    one, two = getattr(a.tables, kind), getattr(b.tables, kind)
    assert one is not None, a.findings
    assert two is not None, b.findings
    assert list(one.columns) == list(two.columns)
    for name in one.columns:
        assert one[name].tolist() == two[name].tolist()
    assert dict(one.units) == dict(two.units)


def test_a_workbook_gives_the_same_tables(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    for kind, text in (("checks", CHECKS), ("trials", TRIALS)):
        workbook(tmp_path / f"{kind}.xlsx", cells(text))
        got = read_file(tmp_path, kind, f"{kind}.xlsx")
        assert errors(got) == []
        same(got, read(tmp_path / "a", **{kind: text}), kind)
        assert getattr(got.tables, kind).row.tolist() == [2, 3, 4, 5, 6, 7]


def test_rows_of_a_sheet_are_numbered_as_the_sheet_does(tmp_path: Path) -> None:
    rows = cells(TRIALS)
    rows[-1][-1] = "oops"
    workbook(tmp_path / "t.xlsx", [[None], [None], *rows[:3], [None] * 3, *rows[3:], [None, " "]])
    f = only(errors(read_file(tmp_path, "trials", "t.xlsx")), "not-a-number")
    assert place(f) == ("t.xlsx", 10, "reading", "oops")


def test_real_dates_and_day_numbers_of_a_workbook_are_dates(tmp_path: Path) -> None:
    rows = cells(CHECKS)
    values = [dt.datetime(2026, 1, 1, 8), dt.date(2026, 1, 1), dt.datetime(2026, 2, 1, 8), 46054.5, 46024,
              "2026-01-02T08:05"]
    for row, value in zip(rows[1:], values, strict=True):
        row[6] = value
    workbook(tmp_path / "c.xlsx", rows)
    got = read_file(tmp_path, "checks", "c.xlsx")
    assert errors(got) == []
    assert got.tables.checks is not None
    assert got.tables.checks["time"].tolist() == ["2026-01-01T08:00:00", "2026-01-01", "2026-02-01T08:00:00",
                                                  "2026-02-01T12:00:00", "2026-01-02", "2026-01-02T08:05:00"]
    assert "2 spreadsheet day numbers" in only(got.findings, "serial-date").message


def test_labels_and_numbers_that_a_spreadsheet_turned_into_dates_are_refused(tmp_path: Path) -> None:
    rows = cells(TRIALS)
    rows[2][0] = dt.datetime(2026, 3, 1)
    rows[3][7] = dt.datetime(2026, 5, 1)
    workbook(tmp_path / "t.xlsx", rows)
    got = errors(read_file(tmp_path, "trials", "t.xlsx"))
    assert place(only(got, "date-for-label")) == ("t.xlsx", 3, "participant", "2026-03-01")
    assert place(only(got, "date-for-number")) == ("t.xlsx", 4, "reading", "2026-05-01")


def test_spreadsheet_errors_formulas_without_result_and_merged_cells_are_refused(tmp_path: Path) -> None:
    rows = cells(TRIALS)
    rows[1][2] = "#N/A"
    rows[2][7] = "=1+1"
    workbook(tmp_path / "t.xlsx", rows)
    book = openpyxl.load_workbook(tmp_path / "t.xlsx")
    book["Data"].merge_cells("A5:A7")
    book.save(tmp_path / "t.xlsx")
    got = errors(read_file(tmp_path, "trials", "t.xlsx"))
    assert place(only(got, "spreadsheet-error")) == ("t.xlsx", 2, "sensor", "#N/A")
    assert place(only(got, "formula")) == ("t.xlsx", 3, "H", "=1+1")
    assert place(only(got, "merged-cells")) == ("t.xlsx", 5, None, "A5:A7")


def percentages(path: Path) -> None:
    """Write checks whose saturated fraction a spreadsheet shows as 7.25 %."""
    rows = [[*row, 0.0725] for row in cells(CHECKS)]
    rows[0][-1] = "saturated"
    workbook(path, rows)
    book = openpyxl.load_workbook(path)
    for i in range(2, 8):
        book["Data"].cell(i, 8).number_format = "0.00%"
    book.save(path)


@pytest.mark.parametrize("unit", ["", 'saturated = "%"\n', 'saturated = "fraction"\n'])
def test_a_cell_formatted_as_a_percentage_is_the_share_that_a_reader_sees(unit: str, tmp_path: Path) -> None:
    percentages(tmp_path / "c.xlsx")
    got = read_file(tmp_path, "checks", "c.xlsx", f'[units.checks]\nreading = "count"\nreference = "kPa"\n{unit}')
    assert errors(got) == []
    assert got.tables.checks is not None
    assert got.tables.checks["saturated"].tolist() == [0.0725] * 6


def test_day_numbers_count_from_the_day_zero_of_their_workbook(tmp_path: Path) -> None:
    rows = cells(CHECKS)
    for row in rows[1:]:
        row[6] = 44926
    for epoch, day in ((CALENDAR_WINDOWS_1900, "2022-12-31"), (CALENDAR_MAC_1904, "2027-01-01")):
        workbook(tmp_path / "c.xlsx", rows)
        book = openpyxl.load_workbook(tmp_path / "c.xlsx")
        book.epoch = epoch
        book.save(tmp_path / "c.xlsx")
        got = read_file(tmp_path, "checks", "c.xlsx")
        assert got.tables.checks is not None
        assert set(got.tables.checks["time"]) == {day}


def test_several_filled_sheets_need_a_name(tmp_path: Path) -> None:
    workbook(tmp_path / "t.xlsx", cells(TRIALS), Notes=[["remark"], ["x"]])
    f = only(read_file(tmp_path, "trials", "t.xlsx").findings, "several-sheets")
    assert f.value == "Data, Notes"
    assert errors(read_file(tmp_path, "trials", "t.xlsx", '[format.trials]\nsheet = "Data"\n')) == []
    f = only(read_file(tmp_path, "trials", "t.xlsx", '[format.trials]\nsheet = "Date"\n').findings, "unknown-sheet")
    assert "'Data'" in f.mend


def test_a_title_above_the_header_of_a_sheet_is_refused(tmp_path: Path) -> None:
    workbook(tmp_path / "t.xlsx", [["Monday's export"], *cells(TRIALS)])
    assert only(read_file(tmp_path, "trials", "t.xlsx").findings, "rows-above-header").row == 1


def test_an_ambiguous_number_stored_as_text_is_refused_in_a_workbook(tmp_path: Path) -> None:
    rows = cells(TRIALS)
    rows[1][7] = "1,234"
    workbook(tmp_path / "t.xlsx", rows)
    f = only(read_file(tmp_path, "trials", "t.xlsx").findings, "ambiguous-number")
    assert place(f)[1:] == (2, "reading", "1,234")


def test_a_declared_decimal_comma_leaves_real_numbers_alone(tmp_path: Path) -> None:
    workbook(tmp_path / "t.xlsx", cells(TRIALS))
    got = read_file(tmp_path, "trials", "t.xlsx", '[format.trials]\ndecimal = ","\nthousands = "."\n')
    assert errors(got) == []
    assert got.tables.trials is not None
    assert got.tables.trials["reading"][0] == 210.5


def test_an_empty_workbook_is_refused(tmp_path: Path) -> None:
    workbook(tmp_path / "t.xlsx", [])
    assert only(read_file(tmp_path, "trials", "t.xlsx").findings, "empty-file").file == "t.xlsx"


def test_a_parquet_file_gives_the_same_table_and_numbers_rows_from_one(tmp_path: Path) -> None:
    rows = cells(CHECKS)
    frame = pd.DataFrame(rows[1:], columns=rows[0])
    frame["time"] = pd.to_datetime(frame["time"])
    frame["replicate"] = frame["replicate"].astype(float)
    frame["sensor"] = frame["sensor"].astype("category")
    frame.to_parquet(tmp_path / "c.parquet")
    (tmp_path / "a").mkdir()
    got = read_file(tmp_path, "checks", "c.parquet")
    same(got, read(tmp_path / "a", checks=CHECKS), "checks")
    assert got.tables.checks is not None
    assert got.tables.checks.row.tolist() == [1, 2, 3, 4, 5, 6]
    assert "numbered from 1" in only(got.findings, "row-numbers").message
    frame.loc[2, "use"] = -1
    frame.to_parquet(tmp_path / "c.parquet")
    assert place(only(errors(read_file(tmp_path, "checks", "c.parquet")), "impossible-value")) == (
        "c.parquet", 3, "use", "-1")


def test_nested_parquet_columns_are_refused(tmp_path: Path) -> None:
    pd.DataFrame({"reading": [[1.0], [2.0]]}).to_parquet(tmp_path / "t.parquet")
    assert only(read_file(tmp_path, "trials", "t.parquet").findings, "nested-column").file == "t.parquet"


def test_a_single_table_needs_only_the_columns_named(tmp_path: Path) -> None:
    frame = pd.DataFrame({"who": ["a", "a", "b", "b"], "judge": [1, 2, 1, 2], "score": [1.5, 2.5, 3.5, np.nan]})
    study = study_from_dict({"columns": {"trials": {"reading": "score"}},
                             "reliability": [{"name": "q", "target": "who", "facet": "judge"}]})
    got = read_one_table(frame, "trials", study)
    assert [f.code for f in errors(got)] == ["empty-cell"]
    got = read_one_table(frame.dropna(), "trials", study)
    assert errors(got) == []
    assert got.tables.trials is not None
    assert got.tables.trials["judge"].tolist() == ["1", "2", "1"]
    frame.dropna().to_csv(tmp_path / "t.csv", index=False)
    again = read_one_table(tmp_path / "t.csv", "trials", study)
    assert again.tables.trials is not None
    assert again.tables.trials["reading"].tolist() == [1.5, 2.5, 3.5]


def test_single_checks_need_no_reference_and_take_another_exposure() -> None:
    frame = pd.DataFrame({"unit": ["1", "1"], "hours": [0.0, 250.5], "output": [0.0, 0.47]})
    study = study_from_dict({"columns": {"checks": {"sensor": "unit", "reading": "output"}},
                             "sensitivity": {"exposure": "hours", "scale": "linear", "exposure_unit": "h"}})
    got = read_one_table(frame, "checks", study)
    assert got.findings == ()
    assert got.tables.checks is not None
    assert got.tables.checks["hours"].tolist() == [0.0, 250.5]
    assert got.tables.checks.units["hours"] == "h"


@pytest.mark.parametrize("name", ["nowhere.csv"])
def test_a_single_table_that_is_not_there_is_a_finding(name: str) -> None:
    assert only(read_one_table(name, "trials", study_from_dict({})).findings, "missing-file").file == name
