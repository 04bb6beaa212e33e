"""A table of check standards with faults is refused with every row and the option that mends it."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli

ROWS = [f"CS{k},{d},{500 + (7 * d + 3 * k) % 5}" for d in range(1, 13) for k in (1, 2)]


def said(folder: Path, rows: list[str], header: str = "standard,day,reading", encoding: str = "utf-8"
         ) -> tuple[int, str]:
    path = folder / "c.csv"
    path.write_text("\n".join([header, *rows] if header else rows) + "\n", encoding=encoding)
    found = CliRunner().invoke(cli, ["chart", str(path), "--occasion", "day", "--standard", "standard"])
    assert found.exception is None or isinstance(found.exception, SystemExit)
    return found.exit_code, " ".join(found.output.split())


def changed(*at: tuple[int, int, str]) -> list[str]:
    rows = [r.split(",") for r in ROWS]
    for i, column, value in at:
        rows[i - 2][column] = value
    return [",".join(r) for r in rows]


def test_a_good_table_is_charted(tmp_path: Path) -> None:
    code, output = said(tmp_path, ROWS)
    assert code == 0
    assert output.startswith("The rig is in control")


@pytest.mark.parametrize(("rows", "words"), [
    (changed((3, 0, ""), (6, 0, "")), ("row 3, column standard: 'standard' is empty", "row 6, column standard")),
    (changed((4, 1, ""), (9, 1, "")), ("row 4, column day: 'day' is empty", "row 9, column day")),
    (changed((3, 2, "5o1"), (5, 2, "x")), ("row 3, column reading", "row 5, column reading", "not a number")),
    (changed((3, 2, "nan"), (5, 2, "")), ("row 3, column reading", "row 5, column reading")),
    (changed((3, 2, '"501,5"'), (5, 2, '"502,5"'), (8, 2, "500.5")), ("row 3, column reading", "decimal points")),
])
def test_every_bad_row_is_named(tmp_path: Path, rows: list[str], words: tuple[str, ...]) -> None:
    code, output = said(tmp_path, rows)
    assert code == 1
    for w in words:
        assert w in output
    assert "[format" not in output or "of a study file" in output


def test_a_missing_column_is_told_by_its_option(tmp_path: Path) -> None:
    code, output = said(tmp_path, ROWS, "standard,day,value")
    assert code == 1
    assert "--value" in output
    assert "[columns" not in output


def test_no_rows_and_another_encoding(tmp_path: Path) -> None:
    assert said(tmp_path, [])[0] == 1
    assert said(tmp_path, ROWS, encoding="utf-16")[0] == 0


@pytest.mark.parametrize(("words", "told"), [((), "readings of 2 sensors"),
                                             (("--standard", "sensor"), "several loads"),
                                             (("--where", "sensor=A"), "several loads")])
def test_mixtures_are_no_chart(words: tuple[str, ...], told: str, tmp_path: Path) -> None:
    """Sensors or loads that differ would be averaged, and the chart would call every rig in control."""
    table = tmp_path / "t.csv"
    rows = [f"2026-01-{day:02d},{sensor},{load},{load / 2:g}" for day in range(1, 13) for sensor in "AB"
            for load in (200, 500)]
    table.write_text("\n".join(["time,sensor,reference,reading", *rows]) + "\n", encoding="utf-8")
    result = CliRunner().invoke(cli, ["chart", str(table), "--occasion", "time", *words])
    assert result.exit_code == 1
    assert told in " ".join(result.output.split())
    fine = CliRunner().invoke(cli, ["chart", str(table), "--occasion", "time", "--standard", "sensor", "--where",
                                    "reference=200"])
    assert "would be averaged" not in fine.output
