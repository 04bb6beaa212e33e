"""The database behind the ledger: append-only rows in a hash chain, safe with several writers and at any kill.

Local disks use write-ahead logging, so that readers never wait; a network folder uses the rollback journal and one
writer at a time, since write-ahead logging needs memory shared by all programs. Every transaction takes the write
lock at its start and is on the disk before it is acknowledged.
"""

from __future__ import annotations

import hashlib
import json
import os
import socket
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drift.errors import DriftError, Finding
from drift.ledger.place import is_network

KINDS = ("check", "standard", "session", "event", "correction")
APPLICATION = 0x64726966  # "drif"
VERSION = 1
BUSY_MS = 30_000
START = "0" * 64

_SCHEMA = f"""
CREATE TABLE IF NOT EXISTS entries (
    seq INTEGER PRIMARY KEY CHECK (seq > 0),
    entry_id TEXT NOT NULL UNIQUE,
    logged TEXT NOT NULL,
    who TEXT NOT NULL CHECK (length(who) > 0),
    kind TEXT NOT NULL CHECK (kind IN {KINDS}),
    refers INTEGER REFERENCES entries (seq),
    body TEXT NOT NULL,
    chain TEXT NOT NULL UNIQUE,
    CHECK ((kind = 'correction') = (refers IS NOT NULL))
);
CREATE TRIGGER IF NOT EXISTS no_change BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'the ledger is only ever added to'); END;
CREATE TRIGGER IF NOT EXISTS no_removal BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'the ledger is only ever added to'); END;
CREATE TRIGGER IF NOT EXISTS in_order BEFORE INSERT ON entries
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM entries)
     OR EXISTS (SELECT 1 FROM entries WHERE entry_id = NEW.entry_id OR chain = NEW.chain)
BEGIN SELECT RAISE(ABORT, 'entries follow each other without gaps and never replace another'); END;
"""


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One entry to be written: what kind, its cells by column, and the earlier entry it corrects.

    ``entry_id`` makes a repeated write harmless: an entry whose identifier is there already is not written again.
    """

    kind: str
    body: Mapping[str, str]
    refers: int | None = None
    entry_id: str = field(default_factory=lambda: uuid.uuid4().hex)


@dataclass(frozen=True, kw_only=True)
class Stored:
    """One entry of the ledger: its number, when and by whom it was written, and what it says."""

    seq: int
    entry_id: str
    logged: str
    who: str
    kind: str
    refers: int | None
    body: Mapping[str, str]
    chain: str


def _link(previous: str, seq: int, entry_id: str, logged: str, who: str, kind: str, refers: int | None,
          body: str) -> str:
    text = json.dumps([previous, seq, entry_id, logged, who, kind, refers, body], ensure_ascii=False,
                      separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


class Ledger:
    """An open ledger; close it, or use it in a ``with`` statement.

    Parameters
    ----------
    path : str or Path
    create : bool
        Make the file where there is none.
    network : bool, optional
        Whether it lies on a network folder; by default as :func:`is_network` finds.

    Raises
    ------
    DriftError
        When the file is missing, is no ledger, or cannot be opened.
    """

    def __init__(self, path: str | Path, *, create: bool = False, network: bool | None = None) -> None:
        self.path = Path(path)
        self.network = is_network(self.path) if network is None else network
        if not create and not self.path.is_file():
            raise DriftError(Finding(severity="error", code="no-ledger", file=self.path.name, message="there is no "
                                     "ledger yet", mend="The first 'drift log' makes it."))
        with _worded(self.path):
            self._db = sqlite3.connect(self.path, timeout=BUSY_MS / 1000, isolation_level=None)
            try:
                self._prepare(create)
            except BaseException:
                self._db.close()
                raise

    def _prepare(self, create: bool) -> None:
        db = self._db
        db.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        # In one transaction: another program may be making the file, and half of it seen is no other kind of file.
        db.execute("BEGIN")
        try:
            empty = self._is_empty()
        finally:
            if db.in_transaction:
                db.execute("COMMIT")
        if not create:
            return
        self._journal("delete" if self.network else "wal")
        if empty:
            with self._writing():
                if not self._is_empty():
                    return  # somebody else made it since
                for statement in _statements(_SCHEMA):
                    db.execute(statement)
                db.execute(f"PRAGMA application_id = {APPLICATION}")
                db.execute(f"PRAGMA user_version = {VERSION}")

    def _is_empty(self) -> bool:
        """Tell whether nothing is in the file yet; what is no ledger of this version is refused."""
        tables = int(self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
        version = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if version == 0 and tables:
            raise sqlite3.DatabaseError("not a ledger")
        if version > VERSION or (version and int(
                self._db.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION):
            raise sqlite3.DatabaseError("not a ledger of this version")
        return version == 0

    def _journal(self, wanted: str) -> None:
        """Set the journal; another program that is busy with the file leaves it as it is for now."""
        if str(self._db.execute("PRAGMA journal_mode").fetchone()[0]) == wanted:
            return
        until = time.monotonic() + BUSY_MS / 1000
        while True:
            try:
                self._db.execute(f"PRAGMA journal_mode = {wanted}")
                return
            except sqlite3.OperationalError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.01)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Hold the write lock from the first statement on; commit at the end, or leave nothing."""
        with _alone(self.path) if self.network else _nothing():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def append(self, entries: Sequence[Entry], *, who: str, when: str | None = None,
               judge: Callable[[int], None] | None = None) -> tuple[Stored, ...]:
        """Write entries, all of them or none, and return them once they are on the disk.

        Parameters
        ----------
        entries : sequence of Entry
        who : str
            Person who writes.
        when : str, optional
            UTC time in ISO 8601; now by default.
        judge : callable, optional
            Called with the number the first entry will have, with the write lock held; an exception leaves nothing
            behind, so what it found true is still true when the entries are written.

        Raises
        ------
        DriftError
            When somebody else holds the file for too long, or the disk refuses.
        """
        stamp = when or datetime.now(UTC).isoformat(timespec="seconds")
        made: list[Stored] = []
        with _worded(self.path), self._writing():
            row = self._db.execute("SELECT seq, chain FROM entries ORDER BY seq DESC LIMIT 1").fetchone()
            seq, chain = (int(row[0]), str(row[1])) if row else (0, START)
            if judge is not None:
                judge(seq + 1)
            for entry in entries:
                there = self._db.execute("SELECT * FROM entries WHERE entry_id = ?", (entry.entry_id,)).fetchone()
                if there is not None:
                    made.append(_stored(there))
                    continue
                seq += 1
                body = json.dumps(dict(entry.body), ensure_ascii=False, separators=(",", ":"))
                chain = _link(chain, seq, entry.entry_id, stamp, who, entry.kind, entry.refers, body)
                values = (seq, entry.entry_id, stamp, who, entry.kind, entry.refers, body, chain)
                self._db.execute("INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?, ?, ?)", values)
                made.append(_stored(values))
        return tuple(made)

    def rows(self) -> list[tuple[Any, ...]]:
        """Return all entries as tuples ``(seq, entry_id, logged, who, kind, refers, body, chain)``, in order."""
        with _worded(self.path):
            return self._db.execute("SELECT * FROM entries ORDER BY seq").fetchall()

    def entries(self) -> tuple[Stored, ...]:
        """Return every entry as written, in order."""
        return tuple(_stored(r) for r in self.rows())

    def last(self) -> tuple[int, str]:
        """Return the number of the last entry and the end of the chain, which stands for everything before it."""
        with _worded(self.path):
            row = self._db.execute("SELECT seq, chain FROM entries ORDER BY seq DESC LIMIT 1").fetchone()
        return (int(row[0]), str(row[1])) if row else (0, START)

    def verify(self) -> tuple[str, ...]:
        """Return what is wrong with file, numbering and chain; nothing where all is as it was written."""
        with _worded(self.path):
            said = [str(r[0]) for r in self._db.execute("PRAGMA integrity_check").fetchall()]
        found = [f"the database file is damaged: {s}" for s in said if s != "ok"]
        previous, expected = START, 1
        for seq, entry_id, logged, who, kind, refers, body, chain in self.rows():
            if seq != expected:
                found.append(f"entries {expected} to {seq - 1} are missing" if seq - 1 > expected
                             else f"entry {expected} is missing")
            if chain != _link(previous, seq, entry_id, logged, who, kind, refers, body):
                found.append(f"entry {seq} is not what was written, or the one before it is not")
            previous, expected = chain, seq + 1
        return tuple(found)


def _statements(script: str) -> list[str]:
    """Split a script; a trigger's body ends with END."""
    out, held = [], ""
    for line in script.strip().splitlines():
        held += line + "\n"
        if sqlite3.complete_statement(held):
            out.append(held)
            held = ""
    return out


def _stored(row: Sequence[Any]) -> Stored:
    seq, entry_id, logged, who, kind, refers, body, chain = row
    return Stored(seq=int(seq), entry_id=str(entry_id), logged=str(logged), who=str(who), kind=str(kind),
                  refers=None if refers is None else int(refers), body=json.loads(body), chain=str(chain))


@contextmanager
def _nothing() -> Iterator[None]:
    yield


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Keep other writers of a network folder away by a file beside the ledger that only one can make."""
    lock = path.with_name(f"{path.name}.writing")
    me = f"{socket.gethostname()} {os.getpid()}"
    until = time.monotonic() + BUSY_MS / 1000
    while True:
        try:
            handle = os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            break
        except FileExistsError:
            holder = _holder(lock)
            if holder and _gone(holder):
                lock.unlink(missing_ok=True)
                continue
            if time.monotonic() > until:
                raise DriftError(Finding(
                    severity="error", code="ledger-held", file=path.name, value=holder, message="another program is "
                    "writing to the ledger on this network folder, and only one may",
                    mend=f"Wait for it; if that program is gone, delete {lock.name}.")) from None
            time.sleep(0.05)
    try:
        os.write(handle, me.encode())
        os.close(handle)
        yield
    finally:
        lock.unlink(missing_ok=True)


def _holder(lock: Path) -> str:
    try:
        return lock.read_text(encoding="utf-8")
    except OSError:
        return ""


def _gone(holder: str) -> bool:
    """Tell whether the holder was a process of this machine that is no more."""
    host, _, pid = holder.rpartition(" ")
    if host != socket.gethostname() or not pid.isdigit():
        return False
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


@contextmanager
def _worded(path: Path) -> Iterator[None]:
    """Turn what SQLite says into a finding with its mend."""
    try:
        yield
    except sqlite3.Error as error:
        text = str(error)
        if "locked" in text or "busy" in text:
            code, message, mend = "ledger-held", "another program holds the ledger", "Try again in a moment."
        elif "not a" in text or "malformed" in text or "encrypted" in text:
            code, message = "no-ledger-file", "this file is not a ledger, or it is damaged"
            mend = "Name another file as ledger under [files], or restore a copy."
        else:
            code, message, mend = "ledger-refused", f"the ledger cannot be read or written ({text})", (
                "Look at the permissions of the folder and at the space on the disk.")
        raise DriftError(Finding(severity="error", code=code, file=path.name, message=message, mend=mend)) from error
