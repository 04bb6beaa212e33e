"""What simulation says about the intervals of drift per use, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drift.errors import Finding
from drift.results import Estimate, ResultTable
from drift.sensitivity.design import QUESTION
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote

if TYPE_CHECKING:
    from drift.sensitivity.fit import Analysis

FAMILY = "drift"
# A drift in percent is an increasing function of that on the log scale, and its interval holds exactly as often.
NAMED = {"drift per use": "drift per use", "drift per use, percent": "drift per use",
         "SD between sensors, drift per use": "SD between sensors, drift per use"}


def simulated(analysis: Analysis, estimates: Sequence[Estimate]) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing where no row of a simulation is about them."""
    quoted = quote(FAMILY, _asked(analysis, estimates), level=analysis.level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),),
            [*cautions(quoted, question=QUESTION, mend="Check more sensors."), *note(quoted, question=QUESTION)])


def _asked(analysis: Analysis, estimates: Sequence[Estimate]) -> Iterator[Asked]:
    table = analysis.removals.table
    removed = {str(s) for s in table["sensor"]} if len(table) else set()
    for group in analysis.groups:
        lines = analysis.lines
        sensors = [str(s) for s in lines.sensor[group.pick]]
        batches = {str(b) for b in lines.batch[group.pick]}
        design = Design(n=float(len(sensors)), k=float(len(batches)) if group.fit.batch == "random" else None,
                        kinds=frozenset({"worn ones removed"} if removed & set(sensors) else ()))
        for e in estimates:
            if e.name in NAMED and e.of.get("construction", "") == group.construction and e.low == e.low:
                yield Asked(quantity=e.name, named=NAMED[e.name], method=e.method, design=design,
                            of=group.construction)
