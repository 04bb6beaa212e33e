"""What is typed into the ledger, or imported into it, is judged all at once and located where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drift.cli import cli
from tests.today.levels import TOML

CHECKS = "sensor,use,replicate,reading,reference\n" + "".join(
    f"P{i},{u},1,{200 - u + i},200\n" for i in (1, 2, 3) for u in (0, 5, 10))


def study(folder: Path) -> Path:
    (folder / "study.toml").write_text(TOML.replace('checks = "checks.csv"', 'ledger = "l.sqlite"'), encoding="utf-8")
    (folder / "sensors.csv").write_text("sensor,construction,retired_at_use\nP1,plain,\nP2,plain,\nP3,plain,10\n",
                                        encoding="utf-8")
    (folder / "checks.csv").write_text(CHECKS, encoding="utf-8")
    assert log(folder, "--import", folder / "checks.csv").exit_code == 0
    return folder


def log(folder: Path, *words: object) -> Result:
    return CliRunner().invoke(cli, ["log", str(folder), *(str(w) for w in words), "--who", "Bo"])


def said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.mark.parametrize(("cells", "words"), [
    (("check", "sensor=P1", "readng=195", "reference=200"), "a check has no column 'readng' (found '195'). "
     "Did you mean 'reading'?"),
    (("check", "sensor=P1", "reading=195", "referense=200"), "Did you mean 'reference'?"),
    (("session", "senser=P1"), "Did you mean 'sensor'?"),
    (("event", "sensor=P1", "evnt=retired"), "Did you mean 'event'?"),
    (("session", "sensor=P1x"), "no such sensor is on record (found 'P1x'). Did you mean 'P1'?"),
    (("session", "sensor=P1", "use=-3"), "column use: this is no use count (found '-3')"),
    (("session", "sensor=P1", "use=abc"), "column use: this is no use count (found 'abc')"),
])
def test_a_misspelt_column_or_sensor_is_named_with_what_was_meant(tmp_path: Path, cells: tuple[str, ...], words: str
                                                                  ) -> None:
    found = log(study(tmp_path), *cells)
    assert found.exit_code == 1
    assert words in said(found)
    assert said(found).startswith("Nothing was written: 1 error.")


def test_a_session_of_a_retired_sensor_is_not_logged_silently(tmp_path: Path) -> None:
    folder = study(tmp_path)
    by_table = log(folder, "session", "sensor=P3")
    assert by_table.exit_code == 0
    assert "this sensor was retired after use 10, and is logged as used after it" in said(by_table)
    log(folder, "event", "sensor=P1", "event=failed", "use=10")
    assert "this sensor was failed after use 10" in said(log(folder, "session", "sensor=P1"))
    log(folder, "event", "sensor=P1", "event=repaired", "use=10")
    assert "logged as used after it" not in said(log(folder, "session", "sensor=P1"))


def test_fewer_uses_than_on_record_are_said(tmp_path: Path) -> None:
    assert "use 10 of this sensor is on record already" in said(log(study(tmp_path), "session", "sensor=P1", "use=4"))


def test_an_import_names_every_bad_row_of_its_file(tmp_path: Path) -> None:
    folder = study(tmp_path)
    rows = CHECKS.splitlines()
    rows[2], rows[5], rows[7] = "P1,5,1,19o,200", "P2,5,1,-4,200", "P3,0,1,2x0,200"
    (folder / "new.csv").write_text("\n".join(r.replace(",1,", ",2,") for r in rows) + "\n", encoding="utf-8")
    found = said(log(folder, "--import", folder / "new.csv"))
    assert found.startswith("Nothing was written: 3 errors.")
    for row in (3, 6, 8):
        assert f"new.csv, row {row}, column reading" in found
    rows[2], rows[5], rows[7] = ",5,1,190,200", "P2,5,1,,200", "P3,0,1,,200"
    (folder / "new.csv").write_text("\n".join(r.replace(",1,", ",2,") for r in rows) + "\n", encoding="utf-8")
    found = said(log(folder, "--import", folder / "new.csv"))
    assert found.startswith("Nothing was written: 3 errors.")
    assert "new.csv, row 3, column sensor: a check needs 'sensor'" in found
    assert "new.csv, row 8, column reading: a check needs 'reading'" in found
