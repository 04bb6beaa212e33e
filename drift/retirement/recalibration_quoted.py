"""What simulation says about the recalibration interval, in the design nearest to the study's own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from drift.errors import Finding
from drift.results import Result, ResultTable
from drift.retirement.recalibration import QUESTION, IntervalAnswer, Statement
from drift.retirement.removals import removed_in
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote

FAMILY = "recalibration"
RULE = {False: "smaller of slope bound and companion", True: "smaller of two-level bound and two-level companion"}
CONTENT, CONFIDENCE = 0.90, 0.95  # of the simulation


def simulated(answers: Sequence[IntervalAnswer], statement: Statement,
              wear: Result) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a content or confidence not simulated."""
    if abs(statement.content - CONTENT) > 1e-9 or abs(statement.confidence - CONFIDENCE) > 1e-9:
        return (), []
    quoted = quote(FAMILY, _asked(answers, wear), level=CONFIDENCE)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),),
            [*cautions(quoted, question=QUESTION, mend="Check more sensors."), *note(quoted, question=QUESTION)])


def _asked(answers: Sequence[IntervalAnswer], wear: Result) -> Iterator[Asked]:
    removed = removed_in(wear)
    for a in answers:
        if not math.isfinite(a.interval):
            continue
        g = a.changes.group
        design = Design(n=float(g.n), k=float(len(g.batch_names)) if g.two_level else None,
                        kinds=frozenset({"worn ones removed"} if removed & {str(s) for s in g.sensor} else ()))
        yield Asked(quantity="recalibration interval", named="recalibrate every", method=RULE[g.two_level],
                    design=design, of=a.changes.name, interval=False)
