"""What is typed into the ledger, or imported into it, is judged all at once and located where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drift.cli import cli
from drift.ingest.logbook import show
from drift.study import read_study
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


def table(folder: Path, *lines: str) -> Path:
    (folder / "new.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "new.csv"


def held(folder: Path) -> list[str]:
    return [str(c) for c in show(read_study(folder), 100).table("entries")["cells"]]


@pytest.mark.parametrize(("ours", "theirs"), [
    ("use", "usse"), ("use", "uses"), ("use", "Uze"), ("use", "ues"), ("replicate", "replicat"),
    ("replicate", "repliacte"), ("reference", "referense"), ("reference", "Referance [kPa]"), ("sensor", "senser"),
    ("sensor", "sensor id"), ("reading", "readng"), ("time", "tme"), ("role", "rolle"),
    ("construction", "constuction")])
def test_a_file_with_a_misspelt_column_is_refused_and_not_written(tmp_path: Path, ours: str, theirs: str) -> None:
    folder = study(tmp_path)
    before = held(folder)
    header = ["sensor", "use", "replicate", "reading", "reference", "time", "role", "construction"]
    header[header.index(ours)] = theirs
    rows = ("P1,15,1,190,200,2026-03-02,worn,plain", "P2,15,1,191,200,2026-03-02,worn,plain")
    found = log(folder, "--import", table(folder, ",".join(header), *rows))
    assert found.exit_code == 1
    assert said(found).startswith("Nothing was written: 1 error.")
    assert f"new.csv, row 1, column {theirs}: a check has no column {theirs!r}, and the file has no column {ours!r}. " \
           f"Did you mean {ours!r}?" in said(found)
    assert held(folder) == before


def test_all_faults_of_a_file_with_misspelt_columns_are_named_at_once(tmp_path: Path) -> None:
    folder = study(tmp_path)
    found = log(folder, "--import", table(folder, "senser,usse,replicate,reading,referense", "P1,15,1,190,200",
                                          "P2,15.5,1,191,200", "P3,15,1,19o,200", ",15,1,190,200", "P1,16,1,,200"))
    text = said(found)
    assert text.startswith("Nothing was written: 7 errors.")
    places = ["row 1, column senser: a check has no", "row 1, column usse: a check has no",
              "row 1, column referense: a check has no", "row 3, column usse: ", "row 4, column reading: this is not a",
              "row 5, column senser: a check needs 'sensor'", "row 6, column reading: a check needs 'reading'"]
    assert [text.index(f"new.csv, {p}") for p in places] == sorted(text.index(f"new.csv, {p}") for p in places)


def test_a_first_file_that_is_refused_makes_no_ledger(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(TOML.replace('checks = "checks.csv"', 'ledger = "l.sqlite"'), encoding="utf-8")
    (tmp_path / "sensors.csv").write_text("sensor,construction\nP1,plain\n", encoding="utf-8")
    found = log(tmp_path, "--import", table(tmp_path, "sensor,usse,reading,reference", "P1,0,190,200"))
    assert found.exit_code == 1
    assert not (tmp_path / "l.sqlite").exists()


def test_columns_of_its_own_stay_and_are_named(tmp_path: Path) -> None:
    folder = study(tmp_path)
    found = log(folder, "--import", table(folder, "sensor,use,user,replicate,reading,reference,bench,construction",
                                          "P1,15,Cy,1,190,200,B2,plain"))
    assert found.exit_code == 0, said(found)
    assert "these are no columns of ours and are kept under their own name (found 'user and bench')" in said(found)
    assert "user=Cy" in held(folder)[-1]
    assert "No use was given" not in said(found)


def test_a_column_that_the_study_declares_is_meant_as_it_is(tmp_path: Path) -> None:
    folder = study(tmp_path)
    file = table(folder, "sensor,use,replicate,reading,reference,cell_id", "P1,15,1,190,200,7")
    assert "Did you mean 'cal_id'?" in said(log(folder, "--import", file))
    with (folder / "study.toml").open("a", encoding="utf-8") as f:
        f.write('[columns.checks]\ncell_id = "cell_id"\n')
    found = log(folder, "--import", file)
    assert found.exit_code == 0, said(found)
    assert "cell_id=7" in held(folder)[-1]


def test_the_answer_says_where_a_use_was_counted(tmp_path: Path) -> None:
    folder = study(tmp_path)
    assert "check of P1 at use 10. No use was given: it was counted from the ledger." in said(
        log(folder, "check", "sensor=P1", "replicate=2", "reading=190", "reference=200"))
    assert "session of P1 at use 11. No use was given: it was" in said(log(folder, "session", "sensor=P1"))
    assert "No use was given" not in said(log(folder, "session", "sensor=P1", "use=12"))
    some = log(folder, "--import", table(folder, "sensor,use,replicate,reading,reference", "P1,15,1,190,200",
                                         "P2,,3,190,200", "P3,,3,190,200"))
    assert "No use was given for 2 of them: these were counted from the ledger." in said(some)
    none = log(folder, "--import", table(folder, "sensor,replicate,reading,reference,cycles", "P2,4,190,200,30",
                                         "P3,4,190,200,30"))
    assert "No use was given for any of them: they were counted from the ledger." in said(none)


def test_sessions_and_standards_of_one_file_are_counted_one_after_the_other(tmp_path: Path) -> None:
    folder = study(tmp_path)
    log(folder, "session", "--import", table(folder, "sensor,time", "P1,2026-03-02", "P1,2026-03-03",
                                            "P2,2026-03-03"))
    assert [c.split("use=")[1] for c in held(folder)[-3:]] == ["11", "12", "11"]
    with (folder / "sensors.csv").open("a", encoding="utf-8") as f:
        f.write("CS1,plain,\n")
    rows = [f"CS1,{day},check standard,{p + 3},{p}" for day in ("2026-03-02", "2026-03-03") for p in (200, 400)]
    found = log(folder, "--import", table(folder, "sensor,time,role,reading,reference", *rows))
    assert found.exit_code == 0, said(found)
    assert [c.split("use=")[1] for c in held(folder)[-4:]] == ["0", "0", "1", "1"]
