"""What simulation says about the intervals of cells' gains, in the design nearest to the study's own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import Finding
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote

if TYPE_CHECKING:
    from drift.calibration.cells import Gains

FAMILY = "calibration"
SHRUNK, LIKELIHOOD = "shrunk, averaged over the spread", "restricted likelihood"


def simulated(done: Sequence[Gains], question: str, *, level: float) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a level that was not simulated."""
    quoted = quote(FAMILY, [a for g in done for a in _asked(g)], level=level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),), [*cautions(quoted, question=question, mend="Expose the sheet more often."),
                                        *note(quoted, question=question)])


def _asked(g: Gains) -> Iterator[Asked]:
    """Yield the printed intervals of one sheet: the shrunk gains, the highest of them, and their spread."""
    live, of = int(np.isfinite(g.fit.gamma).sum()), f"sensor {g.sheet.sensor}"
    if live < 2 or not g.fit.df >= 1:
        return
    design = Design(n=float(live), k=float(g.sheet.reading.shape[1]))
    if np.isfinite(g.shrunk.low).any():
        for quantity in ("gain of a cell", "gain of the cell that reads highest"):
            yield Asked(quantity=quantity, named=quantity, method=SHRUNK, design=design, of=of)
    if math.isfinite(g.shrunk.tau_low):
        yield Asked(quantity="SD of gains between cells", named="SD of gains between cells", method=LIKELIHOOD,
                    design=design, of=of)
