"""Tables of a study that also stand, or still lie, in a file beside the ledger."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from drift.errors import Finding
from drift.ingest.logged import KIND_OF, line_of
from drift.study import Study

USUAL = (".csv", ".tsv", ".txt")


def _word(kind: str) -> str:
    """Return the word that tells ``drift log --import`` which table it is; checks need none."""
    return "" if kind == "checks" else f"{KIND_OF[kind]} "


def two_homes(study: Study, kind: str) -> Finding:
    """Say that a table stands both in a file and in the ledger, and the two steps to one home."""
    name = getattr(study.files, kind)
    return Finding(severity="error", code="two-homes", file="study.toml", column=f"[files] {kind}", value=name,
                   message=f"{kind} stand both in a file and in the ledger",
                   mend=f"Take the file in once, with 'drift log STUDY {_word(kind)}--import {name}'; where its rows "
                   f"are in the ledger already, only take the line {line_of(study, kind)} out of [files].")


def left_behind(study: Study, rows: Mapping[str, int], ledger: str) -> list[Finding]:
    """Say of a table's usual file in the study folder that it is not read, where it holds more than the ledger.

    Parameters
    ----------
    study : Study
    rows : mapping of str to int
        Rows of each table that was read.
    ledger : str
        Name of its file.
    """
    if study.folder is None:
        return []
    made = []
    for kind in KIND_OF:
        if getattr(study.files, kind) or (kind == "session_log" and study.study.count_uses != "session log"):
            continue
        for path in (study.folder / f"{kind}{suffix}" for suffix in USUAL):
            lines = _lines(path) if path.is_file() else 0
            held = rows.get(kind, 0)
            if lines > held:
                made.append(Finding(
                    severity="warning", code="file-left-behind", file=path.name, message=f"the file lies in the study "
                    f"folder with {lines} row{'s' * (lines != 1)} and is not read: {kind} come from {ledger}, which "
                    f"holds {held or 'none'}",
                    mend=f"Take it in with 'drift log STUDY {_word(kind)}--import {path.name}', or move it elsewhere."))
    return made


def _lines(path: Path) -> int:
    """Count the rows below the header of a text table, without reading what they say."""
    try:
        with path.open("rb") as handle:
            return max(sum(1 for line in handle if line.strip(b" \t\r\n,;")) - 1, 0)
    except OSError:
        return 0
