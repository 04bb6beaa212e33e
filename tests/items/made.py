"""Small studies whose items are known, answered once each."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from drift.items import Evidence, Line, fill
from drift.items.beside import evidence_of
from drift.records import Tables, TrialTable
from drift.results import Provenance, Result, run_versions
from drift.study import study_from_dict
from drift.workflow import answer_questions

BASE: dict[str, Any] = {"study": {"title": "made"}, "units": {"trials": {"reading": "kPa"}},
                        "files": {"trials": "t.csv"},
                        "reliability": [{"name": "days", "target": "participant", "facet": "session"}]}


def trials(*, people: int = 12, sessions: int = 3, repeats: int = 2, shift: float = 0.0, unlike: bool = False,
           copied: bool = False, timed: bool = True, seed: int = 3, methods: tuple[str, ...] = (),
           step: float = 0.1) -> TrialTable:
    """Readings of people over sessions a week apart, which move by ``shift`` from one session to the next."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    own = rng.normal(300, 40, people)
    for p in range(people):
        for s in range(sessions):
            apart = rng.normal(0, 4)
            for r in range(repeats):
                for m in methods or ("",):
                    reading = own[p] + apart + shift * s + rng.normal(0, 6)
                    reading = rows[-1]["reading"] if copied and r and not methods else round(reading / step) * step
                    rows.append({"participant": f"W{p:02d}", "session": f"visit {s + 1}", "replicate": str(r + 1),
                                 "reading": reading, "time": f"2025-03-{1 + 7 * s:02d}T{8 + p % 10:02d}:00:00",
                                 "operator": ("Ada", "Bo")[s % 2 if unlike else (p + s) % 2],
                                 **({"method": m} if methods else {})})
    columns = {k: np.array([row[k] for row in rows], dtype=np.float64 if k == "reading" else object) for k in rows[0]}
    if not timed:
        del columns["time"]
    return TrialTable(columns, np.arange(2, len(rows) + 2), "t.csv", "", {"reading": "kPa"})


def evidence(table: TrialTable, **sections: Any) -> Evidence:
    """Answer a study in memory and collect what its items are filled from."""
    study = study_from_dict({**BASE, **sections})
    tables = Tables(trials=table)
    parts: tuple[Result, ...] = answer_questions(study, tables, level=0.95, seed=1, progress=lambda *_: None)
    return evidence_of(study, tables, parts, Provenance(versions=run_versions(), seed=1, level=0.95))


def lines(found: Evidence) -> dict[str, Line]:
    """Return every item by name."""
    return {x.name: x for x in fill(found)}


@cache
def plain() -> Evidence:
    """Answer the plain study."""
    return evidence(trials())
