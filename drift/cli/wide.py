"""The wide form of an agreement table, two readings a row, turned into the long form that everything else reads."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.cli.agreement_options import agreement_words
from drift.errors import raise_on_error

if TYPE_CHECKING:
    from drift.cli.deliver import Tell
    from drift.results import Result


def agree_wide(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift agree --a-column A --b-column B``."""
    from drift.cli.file_rows import of_file
    from drift.ingest import read_paired_table
    from drift.ingest.wide_pairs import COMPARE, PAIR
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    a, b = options["a_column"], options["b_column"]
    path = Path(table)
    bare: dict[str, Any] = {"study": {"title": path.name}, "files": {"trials": path.name}}
    unit = {"units": {"trials": {"reading": options["unit"]}}} if options.get("unit") else {}
    read = read_paired_table(table, study_from_dict({**bare, **unit}, folder=path.resolve().parent), a, b)
    raise_on_error(read.reading.findings)
    question = {"name": f"{a} against {b}", "compare": COMPARE, "a": a, "b": b, "pair_by": [PAIR],
                "where": dict(options["where"]), **agreement_words(options), "target": options["target"] or PAIR}
    study = study_from_dict({**bare, "agreement": [question]}, folder=path.resolve().parent)
    result = answer_table(table, "agree", study, level=level, seed=DEFAULT_SEED if seed is None else seed,
                          progress=progress, reading=read.reading)
    trials = read.reading.tables.trials
    return of_file(result, read.rows, [] if trials is None else trials.row.tolist(), path.name)
