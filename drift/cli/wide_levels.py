"""``drift icc`` on a wide table: one row a target, one column a facet level."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.cli.reliability_options import words_of
from drift.cli.uses_and_comparison import uses_and_comparison_of
from drift.errors import raise_on_error

if TYPE_CHECKING:
    from drift.cli.deliver import Tell
    from drift.results import Result

FACET = "column"


def icc_wide(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift icc TABLE --wide`` or ``--columns a,b,c``; ``--facet`` names what the columns are."""
    from drift.cli.one_table import with_table_options
    from drift.ingest import read_wide_table
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    path = Path(table)
    facet = options["facet"] or FACET

    def study_of(target: str) -> Any:
        data = {"study": {"title": path.name}, "files": {"trials": path.name},
                "reliability": [{"name": f"{target} over {facet}", "target": target, "facet": facet,
                                 "where": dict(options["where"]), **words_of(options),
                                 **uses_and_comparison_of(options)}]}
        with_table_options(data, options)
        return study_from_dict(data, folder=path.resolve().parent)

    wide = read_wide_table(table, study_of(options["target"] or "participant"), facet=facet, target=options["target"],
                           columns=options["columns"])
    raise_on_error(wide.reading.findings)
    return answer_table(table, "icc", study_of(wide.target), level=level,
                        seed=DEFAULT_SEED if seed is None else seed, progress=progress, reading=wide.reading)
