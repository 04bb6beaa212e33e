"""What simulation says about the intervals of several methods, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from drift.agreement.several_found import Found
from drift.agreement.several_tables import Beside
from drift.errors import Finding
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import AgreementQuestion

FAMILY = "several_methods"
MEAN_LIMIT = "MOVER of chi-square and noncentral F"


def design_of(found: Found) -> Design:
    """Return the design of one group: targets, methods, sets of readings a target, missing cells."""
    cells, structure = found.cells, found.structure
    n, k = cells.table.shape
    missing = float(1 - np.isfinite(cells.table).mean())
    base = Design(n=float(n), k=float(k), missing=missing)
    if structure.kind == "unpaired":
        assert cells.loose is not None
        return replace(base, m=sum(len(v) for v, _ in cells.loose) / (n * k), missing=0.0,
                       kinds=frozenset({"unlinked"}))
    if structure.codes:
        levels = len(np.unique(structure.codes[0]))
        kinds = frozenset({"with sensors"}) if len(structure.codes) > 1 else frozenset()
        return replace(base, n=float(levels), m=n / levels, kinds=kinds)
    return base


def simulated(beside: Sequence[Beside], question: AgreementQuestion, *, level: float
              ) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a level that was not simulated."""
    quoted = quote(FAMILY, [a for b in beside for a in asked(b)], level=level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),), [*cautions(quoted, question=question.name, mend="Measure more targets."),
                                        *note(quoted, question=question.name)])


def asked(beside: Beside) -> Iterator[Asked]:
    """Yield the printed intervals of one group."""
    found = beside.found
    if found.refusal:
        return
    of = ", ".join(v for k, v in found.of.items() if k != "question")
    design = design_of(found)
    assert found.pair_tails is not None
    how = found.pair_tails.how
    named = [("limits of all pairs together", how), ("bias of all pairs together", how),
             ("limits with the mean of the others", how),
             ("limit of agreement with the mean", MEAN_LIMIT)]
    if beside.errors is not None:
        named.append(("error SD of a method", beside.errors.intervals[0]))
    if beside.overall is not None and beside.overall.low == beside.overall.low:
        named.append(("overall CCC", beside.overall.method.split("; ")[-1]))
    for quantity, method in named:
        yield Asked(quantity=quantity, named=quantity, method=method, design=design, of=of)
