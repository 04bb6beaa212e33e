"""Sentences about locks, for a terminal, a report and a paper."""

from __future__ import annotations

from collections.abc import Sequence

from drift.lock.canonical import shown
from drift.lock.state import Change, LockState
from drift.lock.store import LockEntry
from drift.results import join_words

PLACES = {"before": "before the first reading", "at the start": "within a day of the first reading, whose time zone is "
          "not known", "between": "between the first and the last reading", "at the end": "within a day of the last "
          "reading, whose time zone is not known", "after": "after the last reading",
          "no data": "before there were data",
          "unknown": "at a time that cannot be set against the data, which carry no dates",
          "not locked": "not locked"}
MOST_KEYS = 6
_WHEN = ("no data", "before", "unknown", "at the start", "between", "at the end", "after", "not locked")


def moment(entry: LockEntry) -> str:
    """Return the time of a lock as text: ``2025-01-06 08:00 UTC``."""
    return entry.written.replace("T", " ")[:16] + " UTC"


def named(entry: LockEntry, *, people: bool = True) -> str:
    """Name a lock with its time and its writer."""
    return f"lock {entry.number}, {moment(entry)}{f', by {entry.who}' if people and entry.who else ''}"


def group_sentence(state: LockState, group: str, *, people: bool = True) -> str:
    """Say since when the settings of a group have been what they are, against the dates of the data."""
    keys = list(state.present[group])
    name = group.capitalize()
    if not keys:
        return f"{name}: the study declares none"
    if not state.entries:
        return f"{name}: never locked, so that nothing shows whether they were fixed before the data"
    groups: dict[tuple[str, int], list[str]] = {}
    for key in keys:
        entry = state.since[key]
        groups.setdefault((state.place(key, entry), entry.number if entry else 0), []).append(key)
    by_number = {e.number: e for e in state.entries}
    many = f"all {len(keys)} settings" if len(keys) > 1 else "the one setting"
    if len(groups) == 1:
        ((place, number), _), = groups.items()
        if not number:
            return f"{name}: {many} changed or added since the last lock"
        return f"{name}: {many} as fixed {PLACES[place]} ({named(by_number[number], people=people)})"
    said = []
    for (place, number), mine in sorted(groups.items(), key=lambda g: (_WHEN.index(g[0][0]), g[0][1])):
        what = ("changed or added since the last lock" if not number else
                f"fixed {PLACES[place]} ({named(by_number[number], people=people)})")
        told = f": {keys_text(mine, keys)}" if place not in ("before", "no data") else ""
        said.append(f"{len(mine)} {what}{told}")
    return f"{name}: of {len(keys)} settings {'; '.join(said)}"


def keys_text(keys: Sequence[str], every: Sequence[str]) -> str:
    """Return keys of the study file for a sentence; a section or question that is whole among them stands for its keys.

    Parameters
    ----------
    keys, every : sequence of str
        Those to name, and all there are.
    """
    mine = set(keys)
    homes = {k: _home(k) for k in every}
    whole = {h for h in homes.values() if all(k in mine for k in every if homes[k] == h)}
    told = list(dict.fromkeys(homes[k] if homes[k] in whole else k for k in keys))
    more = len(told) - MOST_KEYS
    return join_words([*told[:MOST_KEYS], *([f"{more} more"] if more > 0 else [])])


def _home(key: str) -> str:
    """Return section, or section and name of the question, that a key belongs to."""
    return key.partition(": ")[0] if key.startswith("[[") else key.partition("] ")[0].rstrip("]") + "]"


def data_sentence(state: LockState) -> str:
    """Say when the data were taken."""
    said = []
    for name, found in state.dates.items():
        if found is None:
            said.append(f"the {name} carry no dates (a column time would tell)")
        else:
            without = f", {found.undated} rows without a date" if found.undated else ""
            said.append(f"{name} were taken from {day(found.first)} to {day(found.last)}{without}")
    text = join_words(said)
    return text[0].upper() + text[1:] if text else "There are no checks or trials yet"


def day(text: str) -> str:
    """Return a moment of the data for a sentence: ``2025-01-13 07:00``."""
    return text.replace("T", " ")[:16]


def change_text(change: Change) -> str:
    """Say one change: old and new value."""
    if change.old is None:
        what = "added" if change.new is True else f"added, {shown(change.new)}"
    elif change.new is None:
        what = f"taken out{'' if change.old is True else f', was {shown(change.old)}'}"
    else:
        what = f"{shown(change.old)} -> {shown(change.new)}"
    return what


def answer(state: LockState, *, people: bool = True) -> str:
    """Return the whole answer about a study against its locks."""
    if not state.entries:
        return ("Not locked: nothing shows whether questions and limits were fixed before the data. "
                f"{data_sentence(state)}.")
    last = state.entries[-1]
    lead = (f"As locked ({named(last, people=people)})" if state.as_locked else
            f"Changed since {named(last, people=people)}")
    sentences = [group_sentence(state, g, people=people) for g in ("questions", "limits")]
    return f"{lead}. {'. '.join(sentences)}. {data_sentence(state)}."
