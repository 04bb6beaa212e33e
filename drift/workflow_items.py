"""The steps behind ``drift lock`` and ``drift items``: from a study folder to one answer."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from drift.errors import DriftError
from drift.results import Result
from drift.workflow import DEFAULT_LEVEL, DEFAULT_SEED, Progress

if TYPE_CHECKING:
    from drift.items import ItemsResult
    from drift.records import Tables
    from drift.study import Study

__all__ = ["items_of_study", "lists_there_are", "lock_of_study"]


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


def items_of_study(path: str | Path, *, lists: tuple[str, ...] = (), level: float = DEFAULT_LEVEL,
                   seed: int = DEFAULT_SEED, pseudonyms: bool = False, progress: Progress | None = None) -> ItemsResult:
    """Answer the questions of a study and fill the reporting items from them.

    Parameters
    ----------
    path : str or Path
        Study folder or its ``study.toml``.
    lists : tuple of str
        Names of lists with or without version; the newest of each family by default.
    level, seed, pseudonyms, progress
        As of :func:`drift.workflow.run_study`.

    Notes
    -----
    Policies, the budget and the sensors of today are left out: no item asks for them, and they take most of the time.

    Raises
    ------
    DriftError
        With every finding, where the study cannot be answered or a list is not known.
    """
    from drift.items import chosen_lists, items_of_run
    from drift.study import read_study
    from drift.workflow import run_study

    chosen = chosen_lists(lists)
    study = read_study(path)
    lean = study.model_copy(update={"policy": None, "costs": type(study.costs)(), "budget": None, "today": None})
    result = run_study(lean, level=level, seed=seed, pseudonyms=pseudonyms, progress=progress, as_written=study)
    return items_of_run(result, chosen)


def lists_there_are(wanted: tuple[str, ...] = ()) -> ItemsResult:
    """Name the lists of items.

    Raises
    ------
    DriftError
        When a list asked for is not known.
    """
    from drift.items import all_lists, chosen_lists, lists_result

    return lists_result(chosen_lists(wanted) if wanted else all_lists())
