"""The file of locks: text that people read, only ever added to, each entry chained to the one before.

A new entry is written as a whole new file beside the old one and put in its place in one step, so that a program killed
at any moment leaves the old file or the new one. Two writers take turns by a guard file, which network folders honour
where they do not honour locks on files.
"""

from __future__ import annotations

import json
import os
import socket
import time
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drift.errors import DriftError, Finding
from drift.lock.canonical import GROUPS, plain, sha256_of
from drift.platform_files import may_be_running

LOCK_FILE = "study.lock"
WAIT_S = 10.0
_HEAD = """\
# What this study asked, which limits it set and what it planned, each time somebody fixed it with "drift lock".
# Only ever added to. sha256 is that of the settings below it (JSON, sorted keys, no blanks, UTF-8); entry is that of
# the whole entry and is carried by the next one as "before". A hash that was also deposited elsewhere (a registry, a
# letter to the editor, a notebook) shows that the file is still the one of that day.
"""


@dataclass(frozen=True, kw_only=True)
class LockEntry:
    """One lock: when (UTC), by whom, with which version, and the settings by group."""

    number: int
    time: datetime
    who: str
    version: str
    before: str
    settings: Mapping[str, Mapping[str, Any]]

    @property
    def sha256(self) -> str:
        """Hash of all settings."""
        return sha256_of(self.flat)

    @property
    def flat(self) -> dict[str, Any]:
        """All settings by key."""
        return {k: v for group in GROUPS for k, v in self.settings.get(group, {}).items()}

    @property
    def entry(self) -> str:
        """Hash of the whole entry, which chains it to the one before."""
        return sha256_of({"number": self.number, "time": self.written, "who": self.who, "drift": self.version,
                          "sha256": self.sha256, "before": self.before})

    @property
    def written(self) -> str:
        """Time as it stands in the file."""
        return self.time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    def text(self) -> str:
        """Return the entry as it stands in the file."""
        lines = ["", "[[lock]]", f"number = {self.number}", f"time = {self.written}", f"who = {_toml(self.who)}",
                 f"drift = {_toml(self.version)}", f'sha256 = "{self.sha256}"', f'before = "{self.before}"',
                 f'entry = "{self.entry}"']
        for group in GROUPS:
            lines += ["", f"[lock.{group}]", *(f"{_toml(k)} = {_toml(v)}" for k, v in self.settings[group].items())]
        return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    """Write a value as TOML; JSON is TOML for text, numbers and lists of them, but for one character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_entries(file: Path) -> tuple[tuple[LockEntry, ...], tuple[Finding, ...]]:
    """Read a file of locks; none where there is no file.

    Returns
    -------
    entries : tuple of LockEntry
    findings : tuple of Finding
        What does not fit: text that is no lock, hashes that are not those of their entry, a broken chain.
    """
    try:
        data = tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        return (), ()
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        return (), (_bad(file, f"the file of locks cannot be read ({getattr(error, 'strerror', None) or error})"),)
    entries, findings = [], []
    for i, raw in enumerate(data.get("lock", []), 1):
        try:
            made = _entry(raw)
        except (KeyError, TypeError, AttributeError):
            findings.append(_bad(file, f"lock {i} is incomplete"))
            continue
        expected = (made.number == i, raw["sha256"] == made.sha256, raw["entry"] == made.entry,
                    made.before == (data["lock"][i - 2].get("entry", "") if i > 1 else ""))
        for right, what in zip(expected, ("its number is out of order", "its settings are not those that were hashed",
                                          "its time, name or hash was changed", "it does not follow the lock before "
                                          "it"), strict=True):
            if not right:
                findings.append(_bad(file, f"lock {i} was changed after it was written: {what}"))
        entries.append(made)
    if not data.get("lock"):
        findings.append(_bad(file, "the file holds no lock"))
    return tuple(entries), tuple(findings)


def _entry(raw: Mapping[str, Any]) -> LockEntry:
    moment = raw["time"]
    return LockEntry(number=int(raw["number"]), time=moment if moment.tzinfo else moment.replace(tzinfo=UTC),
                     who=str(raw["who"]), version=str(raw["drift"]), before=str(raw["before"]),
                     settings={g: {k: plain(v) for k, v in raw.get(g, {}).items()} for g in GROUPS})


def _bad(file: Path, message: str) -> Finding:
    return Finding(severity="error", code="lock-broken", file=file.name, message=message,
                   mend="Put the file back from a copy; it is only ever added to, by 'drift lock'")


def append_entry(file: Path, settings: Mapping[str, Mapping[str, Any]], *, who: str, version: str,
                 now: datetime | None = None) -> LockEntry:
    """Add one lock; the file is complete at every moment.

    Parameters
    ----------
    file : Path
    settings : mapping
        From :func:`drift.lock.canonical.fixed_settings`.
    who, version : str
    now : datetime, optional
        With its zone; the clock's time by default.

    Raises
    ------
    DriftError
        When the file does not hold together, cannot be written, or someone else keeps writing.
    """
    with _turn(file):
        for left in file.parent.glob(f".{file.name}.partial-*"):  # of a writer that was killed; it is our turn
            left.unlink(missing_ok=True)
        entries, findings = read_entries(file)
        if findings:
            raise DriftError(findings)
        made = LockEntry(number=len(entries) + 1, time=(now or datetime.now(UTC)).replace(microsecond=0), who=who,
                         version=version, before=entries[-1].entry if entries else "", settings=settings)
        old = file.read_bytes() if entries else _HEAD.encode("utf-8")
        partial = file.with_name(f".{file.name}.partial-{os.getpid()}")
        try:
            with partial.open("wb") as out:
                out.write(old + made.text().encode("utf-8"))
                out.flush()
                os.fsync(out.fileno())
            os.replace(partial, file)
        except OSError as error:
            raise _unwritable(file, error) from error
        finally:
            partial.unlink(missing_ok=True)
    return made


@contextmanager
def _turn(file: Path) -> Iterator[None]:
    """Take the turn to write: a guard file that can be made only once."""
    guard = file.with_name(f".{file.name}.writing")
    deadline = time.monotonic() + WAIT_S
    while True:
        try:
            with guard.open("x", encoding="utf-8") as out:
                out.write(f"{socket.gethostname()} {os.getpid()}")
            break
        except FileExistsError:
            if _left_behind(guard):
                guard.unlink(missing_ok=True)
            elif time.monotonic() > deadline:
                raise DriftError(Finding(severity="error", code="lock-busy", file=guard.name, message="somebody else "
                                         "is writing a lock", mend="Try again; if nobody is, remove the file"
                                         )) from None
            else:
                time.sleep(0.05)
        except OSError as error:
            raise _unwritable(file, error) from error
    try:
        yield
    finally:
        guard.unlink(missing_ok=True)


def _left_behind(guard: Path) -> bool:
    """Tell whether the guard is that of a program of this computer that is gone."""
    try:
        host, _, number = guard.read_text(encoding="utf-8").rpartition(" ")
        return host == socket.gethostname() and number.isdigit() and not may_be_running(int(number), guard)
    except OSError:
        return False


def _unwritable(file: Path, error: OSError) -> DriftError:
    return DriftError(Finding(severity="error", code="cannot-write", file=str(file), message="the lock cannot be "
                              f"written ({error.strerror or error})", mend="Look at the rights of the folder"))
