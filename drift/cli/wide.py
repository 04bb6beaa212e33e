"""The wide form of an agreement table, two readings a row, turned into the long form that everything else reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.cli.agreement_options import agreement_words
from drift.errors import raise_on_error

if TYPE_CHECKING:
    from drift.cli.deliver import Tell
    from drift.ingest import Reading
    from drift.records import TrialTable
    from drift.results import Result

COMPARE, PAIR = "column", "pair"
# Every row is a pair of its own, so that rows alike in their labels are no contradiction here.
_ABOUT_KEYS = ("duplicated-key", "exact-duplicate")


def agree_wide(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift agree --a-column A --b-column B``."""
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    a, b = options["a_column"], options["b_column"]
    path = Path(table)
    reading = read_wide(table, a, b, unit=options.get("unit"))
    question = {"name": f"{a} against {b}", "compare": COMPARE, "a": a, "b": b, "pair_by": [PAIR],
                "where": dict(options["where"]), **agreement_words(options), "target": options["target"] or PAIR}
    study = study_from_dict({"study": {"title": path.name}, "files": {"trials": path.name}, "agreement": [question]},
                            folder=path.resolve().parent)
    return answer_table(table, "agree", study, level=level, seed=DEFAULT_SEED if seed is None else seed,
                        progress=progress, reading=reading)


def read_wide(table: str, a: str, b: str, *, unit: str | None = None) -> Reading:
    """Read both columns through the same door as any table, and put them below one another."""
    from drift.ingest import read_one_table
    from drift.records import Tables
    from drift.study import study_from_dict

    path = Path(table)
    halves = []
    for column in (a, b):
        study = study_from_dict({"study": {"title": path.name}, "files": {"trials": path.name},
                                 "columns": {"trials": {"reading": column}},
                                 **({"units": {"trials": {"reading": unit}}} if unit else {})},
                                folder=path.resolve().parent)
        halves.append(read_one_table(table, "trials", study))
    findings = tuple(dict.fromkeys(f for h in halves for f in h.findings if f.code not in _ABOUT_KEYS))
    raise_on_error(findings)
    first, second = (h.tables.trials for h in halves)
    assert first is not None
    assert second is not None
    return replace(halves[0], tables=Tables(trials=_long(first, second, a, b)), findings=findings)


def _long(first: TrialTable, second: TrialTable, a: str, b: str) -> TrialTable:
    """Stack two readings of the same rows, the first row's pair first."""
    shared = [n for n in first.columns if n in second.columns and n not in (a, b, "reading")]
    n = len(first)

    def woven(x: Any, y: Any) -> Any:
        out = np.empty(2 * n, dtype=x.dtype if x.dtype == y.dtype else object)
        out[0::2], out[1::2] = x, y
        return out

    columns = {name: woven(first[name], first[name]) for name in shared}
    columns["reading"] = woven(first["reading"], second["reading"])
    columns[COMPARE] = np.array([a, b] * n, dtype=object)
    columns[PAIR] = np.array([str(r) for r in first.row for _ in (a, b)], dtype=object)
    return type(first)(columns, np.repeat(first.row, 2), first.file, first.sha256, first.units)
