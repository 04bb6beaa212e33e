"""The ledger: only ever added to, whole or known not to be, judged like table rows, exported as tables."""

from __future__ import annotations

import json
import sqlite3
import threading
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.errors import DriftError
from drift.ingest import read_tables
from drift.ingest.logbook import export, log, show, verify
from drift.ingest.taking_in import import_table
from drift.ledger import Entry, Ledger, is_network
from drift.study import Study, read_study

TOML = """[study]
title = "t"
[files]
sensors = "sensors.csv"
ledger = "ledger.sqlite"
[units.checks]
reading = "count"
reference = "kPa"
[limits]
sensitivity_change = 0.25
"""
NOW = datetime(2026, 3, 2, 9, 30)


@pytest.fixture
def study(tmp_path: Path) -> Study:
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    (tmp_path / "sensors.csv").write_text("sensor,construction,role\nP01,plain,worn\nP02,plain,worn\n"
                                          "CS1,,check standard\n", encoding="utf-8")
    return read_study(tmp_path)


def check(study: Study, **cells: str) -> int:
    found = log(study, "check", [{"sensor": "P01", "reading": "197", "reference": "200", **cells}], who="Bo", now=NOW)
    return int(found.table("entries")["entry"][0])


def test_rows_cannot_be_changed_removed_or_replaced(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, create=True) as ledger:
        ledger.append([Entry(kind="session", body={"sensor": "A"})], who="Bo")
    db = sqlite3.connect(path)
    for sql in ("UPDATE entries SET who = 'x'", "DELETE FROM entries",
                "INSERT OR REPLACE INTO entries SELECT seq, 'z', logged, who, kind, refers, body, 'c' FROM entries",
                "INSERT INTO entries SELECT seq + 5, 'z', logged, who, kind, refers, body, 'c' FROM entries"):
        with pytest.raises(sqlite3.IntegrityError, match=r"only ever added|without gaps"):
            db.execute(sql)
    db.close()


def test_a_row_changed_behind_its_back_is_found(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, create=True) as ledger:
        for name in "ABCD":
            ledger.append([Entry(kind="session", body={"sensor": name})], who="Bo")
        assert ledger.verify() == ()
    db = sqlite3.connect(path)
    db.execute("DROP TRIGGER no_change")
    db.execute("DROP TRIGGER no_removal")
    db.execute("UPDATE entries SET body = '{\"sensor\":\"X\"}' WHERE seq = 2")
    db.commit()
    with Ledger(path) as ledger:
        assert ledger.verify() == ("entry 2 is not what was written, or the one before it is not",)
    db.execute("DELETE FROM entries WHERE seq = 3")
    db.commit()
    db.close()
    with Ledger(path) as ledger:
        assert "entry 3 is missing" in ledger.verify()


def test_a_gap_stops_the_study(study: Study) -> None:
    check(study)
    check(study, use="5")
    check(study, use="10")
    assert study.folder is not None
    db = sqlite3.connect(study.folder / "ledger.sqlite")
    db.execute("DROP TRIGGER no_removal")
    db.execute("DELETE FROM entries WHERE seq = 2")
    db.commit()
    db.close()
    assert [f.code for f in read_tables(study).findings if f.severity == "error"] == ["ledger-gap"]
    assert verify(study).findings[0].code == "ledger-damaged"


def test_threads_write_side_by_side(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"

    def work(name: str) -> None:
        with Ledger(path, create=True) as ledger:
            for i in range(20):
                ledger.append([Entry(kind="session", body={"sensor": name, "use": str(i)})], who=name)

    threads = [threading.Thread(target=work, args=(n,)) for n in "AB"]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    with Ledger(path) as ledger:
        assert len(ledger.entries()) == 40
        assert ledger.verify() == ()


def test_a_check_fills_in_use_and_time(study: Study) -> None:
    log(study, "session", [{"sensor": "P01"}], who="Bo", now=NOW)
    log(study, "session", [{"sensor": "P01"}], who="Bo", now=NOW)
    check(study)
    checks = read_tables(study).tables.checks
    assert checks is not None
    assert checks["use"].tolist() == [2.0]
    assert checks["time"][0].startswith("2026-03-02T09:30")


@pytest.mark.parametrize(("cells", "code", "column"), [
    ({"sensor": "P1"}, "unknown-sensor", "sensor"), ({"reading": "abc"}, "not-a-number", "reading"),
    ({"reading": "-4"}, "impossible-value", "reading"), ({"use": "1.5"}, "not-whole", "use"),
    ({"use": "-1"}, "impossible-value", "use"), ({"saturated": "2"}, "impossible-value", "saturated"),
    ({"exclude": "perhaps"}, "unknown-choice", "exclude")])
def test_a_bad_entry_is_refused_like_a_row(study: Study, cells: dict[str, str], code: str, column: str) -> None:
    with pytest.raises(DriftError, match=r"ledger.sqlite, row 1") as caught:
        check(study, **cells)
    found = caught.value.findings[0]
    assert found.file == "ledger.sqlite"
    assert found.column == column
    assert found.mend
    with Ledger(study.folder / "ledger.sqlite") as ledger:  # type: ignore[operator]
        assert ledger.entries() == ()


def test_the_same_reading_twice_is_refused(study: Study) -> None:
    check(study)
    with pytest.raises(DriftError, match="same sensor, use, reference"):
        check(study, reading="198")


def test_a_correction_refers_and_leaves_the_first_in_place(study: Study) -> None:
    number = check(study)
    log(study, "correction", [{"reading": "199", "reason": "misread"}], who="Ann", refers=number)
    tables = read_tables(study).tables
    assert tables.checks is not None
    assert tables.checks["reading"].tolist() == [199.0]
    assert show(study, 10).table("entries")["cells"][0].startswith("sensor=P01; reading=197")
    log(study, "correction", [{"withdraw": "yes", "reason": "wrong sensor"}], who="Ann", refers=number)
    assert read_tables(study).tables.checks is None


@pytest.mark.parametrize(("body", "refers", "code"), [
    ({"reading": "1", "reason": "x"}, None, "no-entry"), ({"reading": "1"}, 1, "no-reason"),
    ({"reason": "x"}, 1, "no-change"), ({"reading": "1", "reason": "x"}, 9, "no-entry")])
def test_a_correction_needs_entry_reason_and_change(study: Study, body: dict[str, str], refers: int | None,
                                                    code: str) -> None:
    check(study)
    with pytest.raises(DriftError, match=r"correction|no such entry") as caught:
        log(study, "correction", [body], who="Ann", refers=refers)
    assert caught.value.findings[0].code == code


def test_a_table_is_imported_and_exported_unchanged(study: Study, tmp_path: Path) -> None:
    file = tmp_path / "old.csv"
    file.write_text("Sensor;Use;Reading;Reference\nP01;0;197,5;200\nP02;0;190;200\n", encoding="utf-8")
    found = import_table(study, file, who="Bo")
    assert len(found.table("entries")) == 2
    out = tmp_path / "out"
    export(study, out)
    assert (out / "checks.csv").read_text(encoding="utf-8").splitlines()[1].startswith("P01,0,197.5,200")
    with pytest.raises(DriftError, match="there already"):
        export(study, out)


def test_one_table_has_one_home(study: Study, tmp_path: Path) -> None:
    check(study)
    (tmp_path / "checks.csv").write_text("sensor,use,reading,reference\nP01,0,1,200\n", encoding="utf-8")
    both = study.model_copy(update={"files": study.files.model_copy(update={"checks": "checks.csv"})})
    assert "two-homes" in [f.code for f in read_tables(both).findings]


def test_nobody_can_write_namelessly(study: Study) -> None:
    with pytest.raises(DriftError, match="nobody is named"):
        log(study, "session", [{"sensor": "P01"}], who=" ")


def test_a_file_that_is_no_ledger_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    path.write_text("sensor,use\n" * 200, encoding="utf-8")
    with pytest.raises(DriftError, match="not a ledger"):
        Ledger(path)
    other = tmp_path / "o.sqlite"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE t (a)")
    db.commit()
    db.close()
    with pytest.raises(DriftError, match="not a ledger"):
        Ledger(other, create=True)
    with pytest.raises(DriftError, match="no ledger yet"):
        Ledger(tmp_path / "none.sqlite")


MOUNTS = ("22 1 0:21 / / rw - ext4 /dev/sda1 rw\n30 22 0:40 / /mnt/lab\\040share rw - cifs //server/lab rw\n"
          "31 22 0:41 / /mnt/lab\\040share/fast rw - ext4 /dev/sdb1 rw\n32 22 0:42 / /net rw - nfs4 s:/x rw\n"
          "33 22 0:43 / /ssh rw - fuse.sshfs s:/x rw\n")


@pytest.mark.parametrize(("path", "network"), [("/home/a.sqlite", False), ("/mnt/lab share/a.sqlite", True),
                                               ("/mnt/lab share/fast/a.sqlite", False), ("/net/a/b.sqlite", True),
                                               ("/network/a.sqlite", False), ("/ssh/a.sqlite", True)])
def test_network_folders_are_known_by_their_mount(path: str, network: bool) -> None:
    assert is_network(path, mounts=MOUNTS, platform="linux") is network


def test_network_folders_of_windows_are_known_by_their_name() -> None:
    assert is_network(r"\\server\lab\a.sqlite", platform="win32")
    assert not is_network(r"C:\lab\a.sqlite", platform="win32")


def test_a_network_folder_gets_the_rollback_journal_and_says_so(study: Study) -> None:
    far = study.model_copy(update={"files": study.files.model_copy(update={"ledger_is": "network"})})
    found = log(far, "session", [{"sensor": "P01"}], who="Bo", now=NOW)
    assert [f.code for f in found.findings] == ["network-ledger"]
    assert study.folder is not None
    db = sqlite3.connect(study.folder / "ledger.sqlite")
    assert db.execute("PRAGMA journal_mode").fetchone()[0] == "delete"
    db.close()
    assert not (study.folder / "ledger.sqlite.writing").exists()


def test_a_writer_that_died_on_a_network_folder_does_not_block(tmp_path: Path) -> None:
    import socket

    path = tmp_path / "l.sqlite"
    (tmp_path / "l.sqlite.writing").write_text(f"{socket.gethostname()} 999999999", encoding="utf-8")
    with Ledger(path, create=True, network=True) as ledger:
        ledger.append([Entry(kind="session", body={"sensor": "A"})], who="Bo")
        assert len(ledger.entries()) == 1


def test_the_command_writes_shows_and_checks(study: Study) -> None:
    folder = str(study.folder)
    run = CliRunner()
    made = run.invoke(cli, ["log", folder, "check", "sensor=P01", "reading=197", "reference=200", "--who", "Bo"])
    assert made.exit_code == 0
    assert made.output.startswith("Logged as entry 1 by Bo: check of P01 at use 0.")
    bad = run.invoke(cli, ["log", folder, "check", "sensor=P1", "reading=197", "reference=200", "--who", "Bo"])
    assert bad.exit_code == 1
    assert "Did you mean 'P01'" in bad.output
    whole = json.loads(run.invoke(cli, ["log", folder, "--verify", "--json"]).output)
    assert whole["command"] == "log"
    assert whole["answer"].startswith("The ledger is whole: 1 entry")
    assert run.invoke(cli, ["log", folder, "check"]).exit_code == 2
    assert run.invoke(cli, ["log", folder, "session", "sensor"]).exit_code == 2
