"""What simulation says about the retire-after rule, in the design nearest to the study's own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from drift.errors import Finding
from drift.results import Estimate, Result, ResultTable
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.life_quoted import quoted_passages
from drift.retirement.limits import QUESTION
from drift.retirement.removals import removed_in
from drift.retirement.sparse import RULE as SPARSE
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote

FAMILY = "retirement"
RULE = {False: "smaller of line bound and companion", True: "smaller of two-level bound and two-level companion"}
CONTENT, CONFIDENCE = 0.90, 0.95  # of the simulation


def simulated(answers: Sequence[ConstructionAnswer], wear: Result,
              beside: Sequence[Estimate] = ()) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a content or confidence not simulated.

    ``beside`` are estimates that stand beside the count: their intervals are in the table, and nothing is said of them.
    """
    quoted = quote(FAMILY, _asked(answers, wear), level=CONFIDENCE)
    both = [*quoted, *quoted_passages(beside)]
    if not both:
        return (), []
    return ((coverage_table(both),),
            [*cautions(quoted, question=QUESTION, mend="Check more sensors."), *note(quoted, question=QUESTION)])


def _asked(answers: Sequence[ConstructionAnswer], wear: Result) -> Iterator[Asked]:
    removed = removed_in(wear)
    for a in answers:
        same = abs(a.content - CONTENT) < 1e-9 and abs(a.confidence - CONFIDENCE) < 1e-9
        if a.binding is None or not math.isfinite(a.count) or not same:
            continue
        group = a.binding.group
        design = Design(n=float(group.n), k=float(len(group.batch_names)) if a.two_level else None,
                        kinds=frozenset({"worn ones removed"} if removed & {str(s) for s in group.sensor} else ()))
        method = SPARSE if group.sparse is not None else RULE[a.two_level]
        yield Asked(quantity="retire after count", named="retire after", method=method, design=design,
                    of=a.construction, interval=False)
