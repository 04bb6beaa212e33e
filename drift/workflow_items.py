"""The steps behind ``drift lock`` and ``drift items``: from a study folder to one answer."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from drift.errors import DriftError
from drift.results import Result

if TYPE_CHECKING:
    from drift.records import Tables
    from drift.study import Study

__all__ = ["lock_of_study"]


def lock_of_study(path: str | Path, *, who: str | None, now: datetime | None = None) -> Result:
    """Lock a study, or (``who`` None) say whether it is as it was locked.

    Parameters
    ----------
    path : str or Path
        Study folder or its ``study.toml``.
    who : str, optional
    now : datetime, optional

    Raises
    ------
    DriftError
        With every finding, where the study cannot be read or the lock not be written.
    """
    from drift.lock import check_lock, lock_study
    from drift.study import read_study

    study = read_study(path)
    tables = _tables_there(study)
    return check_lock(study, tables) if who is None else lock_study(study, tables, who=who, now=now)


def _tables_there(study: Study) -> Tables | None:
    """Return the tables for their dates; None before there are any, and where they cannot be read."""
    from drift.ingest import read_tables

    named = [n for n in ("checks", "trials") if getattr(study.files, n)]
    if study.folder is None or not (study.files.ledger or any(
            (Path(study.folder) / str(getattr(study.files, n))).is_file() for n in named)):
        return None
    try:
        return read_tables(study).tables
    except DriftError:  # what is wrong with tables is said by 'drift check'; a lock is about the study file
        return None
