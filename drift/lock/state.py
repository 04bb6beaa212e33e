"""Where a study stands against its locks: since when each setting has held, and what changed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from drift.errors import Finding
from drift.lock.canonical import GROUPS, fixed_settings, sha256_of
from drift.lock.dates import Dated, dated
from drift.lock.store import LOCK_FILE, LockEntry, read_entries
from drift.records import Tables
from drift.study import Study

# Which table a section is about; sections that are not named here are about all of them.
_ABOUT = {"reliability": "trials", "gauge": "trials", "interlaboratory": "trials", "agreement": "trials",
          "sensitivity": "checks", "calibration": "checks", "budget": "checks", "limits": "checks",
          "retirement": "checks", "recalibration": "checks", "policy": "checks", "costs": "checks"}
ORDER = ("before", "at the start", "between", "at the end", "after")


@dataclass(frozen=True, kw_only=True)
class Change:
    """One setting that changed: between two locks, or between the last lock and the study as it is (``at`` None)."""

    key: str
    group: str
    old: Any
    new: Any
    since: LockEntry
    at: LockEntry | None


@dataclass(frozen=True, kw_only=True)
class LockState:
    """Locks, the study as it is, and the dates of the data."""

    entries: tuple[LockEntry, ...]
    findings: tuple[Finding, ...]
    present: dict[str, dict[str, Any]]
    dates: dict[str, Dated | None]
    file: Path | None = None

    @cached_property
    def flat(self) -> dict[str, Any]:
        """All settings as they are, by key."""
        return {k: v for g in GROUPS for k, v in self.present[g].items()}

    @cached_property
    def group_of(self) -> dict[str, str]:
        """Group of every key met in the study or in a lock."""
        met = [(k, g) for source in (*(e.settings for e in self.entries), self.present) for g in GROUPS
               for k in source[g]]
        return dict(met)

    @property
    def sha256(self) -> str:
        """Hash of the study as it is."""
        return sha256_of(self.flat)

    @property
    def as_locked(self) -> bool:
        """Whether the study is what its last lock says."""
        return bool(self.entries) and self.entries[-1].flat == self.flat

    @cached_property
    def since(self) -> dict[str, LockEntry | None]:
        """The lock from which on each setting has been what it is now; None where it is not locked."""
        found: dict[str, LockEntry | None] = {}
        for key, value in self.flat.items():
            found[key] = None
            for entry in reversed(self.entries):
                if key not in entry.flat or entry.flat[key] != value:
                    break
                found[key] = entry
        return found

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """Every change since the first lock, in order of time, then by key."""
        found: list[Change] = []
        steps: list[tuple[dict[str, Any], LockEntry | None]] = [(e.flat, e) for e in self.entries] + [(self.flat, None)]
        for i, (new, at) in enumerate(steps[1:]):
            old, since = steps[i][0], self.entries[i]
            found += [Change(key=k, group=self.group_of[k], old=old.get(k), new=new.get(k), since=since, at=at)
                      for k in sorted({*old, *new}) if old.get(k) != new.get(k)]
        return tuple(found)

    def about(self, key: str) -> tuple[Dated | None, ...]:
        """Return the dates of the tables that a setting is about; None for a table without dates."""
        section = key.lstrip("[").split("]")[0]
        table = _ABOUT.get(section)
        return (self.dates[table],) if table in self.dates else tuple(self.dates.values())

    def place(self, key: str, entry: LockEntry | None) -> str:
        """Say where a lock lies against the data that a setting is about, the latest place of several tables.

        Returns
        -------
        str
            "not locked", "before", "at the start", "between", "at the end", "after", "no data", or "unknown" where
            the data carry no dates.
        """
        if entry is None:
            return "not locked"
        tables = self.about(key)
        places = [d.place(entry.time) for d in tables if d is not None]
        if not tables:
            return "no data"
        # Late for one table is late; early for the dated ones says nothing of those without dates.
        worst = max(places, key=ORDER.index, default="unknown")
        return worst if all(d is not None for d in tables) or worst == "after" else "unknown"


def lock_file(study: Study) -> Path | None:
    """Return where the locks of a study stand: ``study.lock``, or ``other.lock`` of an ``other.toml``."""
    if study.folder is None:
        return None
    return Path(study.folder) / (LOCK_FILE if study.file_name == "study.toml" else f"{Path(study.file_name).stem}.lock")


def lock_state(study: Study, tables: Tables | None) -> LockState:
    """Set a study against its locks.

    Parameters
    ----------
    study : Study
        With its folder, where the file of locks stands.
    tables : Tables, optional
        Whose dates are compared with the times of the locks.
    """
    file = lock_file(study)
    entries, findings = read_entries(file) if file is not None else ((), ())
    return LockState(entries=entries, findings=findings, present=fixed_settings(study), dates=dated(tables), file=file)
