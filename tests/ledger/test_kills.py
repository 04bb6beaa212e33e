"""Two writers at once and two hundred kills lose nothing, corrupt nothing and write nothing twice."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from drift.ledger import Entry, Ledger

ROOT = Path(__file__).parents[2]


def test_two_writers_and_two_hundred_kills(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    found = subprocess.run([sys.executable, str(ROOT / "tests" / "ledger" / "writers.py"), str(path), "200", "11"],
                           cwd=ROOT, env={"PYTHONPATH": str(ROOT), "PATH": ""}, capture_output=True, text=True,
                           check=True)
    acknowledged = found.stdout.split()
    with Ledger(path) as ledger:
        there = [e.entry_id for e in ledger.entries()]
        assert ledger.verify() == ()
    assert len(acknowledged) > 50
    assert set(acknowledged) <= set(there)
    assert len(there) == len(set(there))
    # An entry may be on the disk without its acknowledgement having got out: at most one a kill.
    assert len(there) - len(acknowledged) <= 200


def test_a_ledger_that_another_program_makes_meanwhile_is_taken_as_it_is(tmp_path: Path,
                                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    """Its first look finds nothing; by the time it writes, the other has made the file and an entry in it."""
    path, looked = tmp_path / "l.sqlite", []
    real = Ledger._is_empty

    def look(self: Ledger) -> bool:
        empty = real(self)
        if not looked:
            looked.append(empty)
            self._db.execute("COMMIT")  # the look is over
            with Ledger(path, create=True) as other:
                other.append([Entry(kind="session", body={"sensor": "P01"})], who="Bo")
        return empty

    monkeypatch.setattr(Ledger, "_is_empty", look)
    with Ledger(path, create=True) as ledger:
        ledger.append([Entry(kind="session", body={"sensor": "P02"})], who="Cy")
        assert [e.body["sensor"] for e in ledger.entries()] == ["P01", "P02"]
        assert ledger.verify() == ()
    assert looked == [True]


def test_writing_again_what_was_not_acknowledged_writes_it_once(tmp_path: Path) -> None:
    entry = Entry(kind="session", body={"sensor": "P01"})
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        first = ledger.append([entry], who="Bo")
        again = ledger.append([entry], who="Bo")
        assert first == again
        assert len(ledger.entries()) == 1
