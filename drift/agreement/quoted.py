"""What simulation says about the intervals of an agreement result, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from drift.agreement.answer import Answer
from drift.engine.limits_of_agreement import MULTIPLIER
from drift.engine.paired_components import evenness
from drift.errors import Finding
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import AgreementQuestion

FAMILY = "agreement"


def design_of(answer: Answer) -> Design:
    """Return the design of one group of pairs."""
    s, n_pairs = answer.structure, len(answer.group.a)
    if s.kind == "unpaired":
        assert answer.group.readings is not None
        a, of_a, b, of_b = answer.group.readings
        return Design(n=float(s.n_targets), m=(len(a) + len(b)) / (2 * s.n_targets), kinds=frozenset({"unlinked"}),
                      even=min(evenness(np.bincount(c)) for c in (of_a, of_b)))
    if not s.codes:
        return Design(n=float(n_pairs), even=1.0)
    levels = [len(np.unique(c)) for c in s.codes]
    even = min(evenness(np.unique(c, return_counts=True)[1]) for c in s.codes)
    share, shared = None, frozenset({"occasions of"} if s.occasion is not None else ())
    if answer.analysis is not None and answer.analysis.components:
        parts = [max(v, 0.0) for _, v, _ in answer.analysis.components]
        share = parts[0] / sum(parts) if sum(parts) > 0 else None
    if len(levels) == 1:
        return Design(n=float(levels[0]), m=n_pairs / levels[0], share=share, kinds=shared, even=even)
    first, second = s.codes[0], s.codes[1]
    cells = len(np.unique(first * (int(second.max()) + 1) + second))
    if cells == levels[0]:  # every target met one sensor
        return Design(n=float(levels[0]), k=float(levels[1]), m=n_pairs / levels[0], share=share,
                      kinds=shared | {"within"}, even=even)
    return Design(n=float(levels[0]), k=float(levels[1]), m=n_pairs / cells, share=share,
                  missing=1 - cells / (levels[0] * levels[1]), kinds=shared, even=even)


def simulated(answers: Sequence[Answer], question: AgreementQuestion, *, level: float, multiplier: float,
              beside: Sequence[tuple[str, Asked]] = ()) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a level or multiplier that was not simulated."""
    if abs(multiplier - MULTIPLIER) > 1e-9:
        return (), []
    quoted = quote(FAMILY, [a for x in answers for a in _asked(x)], level=level)
    for family in dict.fromkeys(f for f, _ in beside):
        quoted += quote(family, [a for f, a in beside if f == family], level=level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),),
            [*cautions(quoted, question=question.name, mend="Measure more targets."),
             *note(quoted, question=question.name)])


def _asked(x: Answer) -> Iterator[Asked]:
    """Yield the printed intervals of one group, the limits first."""
    if x.analysis is None:
        return
    of = ", ".join(v for k, v in x.of.items() if k != "question")
    design, how = design_of(x), "exact" if x.analysis.strata.exact else "MOVER"
    named = {"upper limit": ("upper limit", how), "lower limit": ("lower limit", how), "bias": ("bias", "t"),
             "SD of differences": ("SD of differences", how),
             "share of differences inside": ("share inside 2.5 SD, lower bound", "pivotal"),
             "total deviation index": ("total deviation index, upper bound", "pivotal")}
    there = {e.name for e in x.estimates if e.low == e.low or e.high == e.high}
    for name, (quantity, method) in named.items():
        if name in there:
            yield Asked(quantity=name, named=quantity, method=method, design=design, of=of)
