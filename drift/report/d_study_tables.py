"""The D study as a table that a reader can take in: the declared coefficient, its error and its smallest change."""

from __future__ import annotations

from drift.report.figures import table_of
from drift.report.figures_of_d_study import declared_kind
from drift.report.tables import Grid, result_grid
from drift.results import Result, ResultTable


def d_study_grids(part: Result) -> tuple[Grid, ...]:
    """Return the D study with its declared columns only; the table of all of them is in the files."""
    table = table_of(part, "D study")
    if table is None or not len(table):
        return ()
    kind, coefficient = declared_kind(part)
    names = [c.name for c in table.columns]
    measures = [f"{m}{end}" for m in (coefficient, f"SEM ({kind})", f"MDC ({kind})") for end in ("", " low", " high")]
    keep = {*names[:names.index("readings") + 1], *measures}
    short = ResultTable(name=table.name, columns=tuple(c for c in table.columns if c.name in keep),
                        caption=f"D study: what the mean over so many levels of each facet would give ({kind} error)")
    return (result_grid(short),)
