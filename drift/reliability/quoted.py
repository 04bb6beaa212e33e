"""What simulation says about the intervals of a reliability result, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drift.errors import Finding
from drift.reliability.components import Components
from drift.reliability.tables import component_interval, component_name
from drift.reliability.words import Declared, plural
from drift.results import Estimate, ResultTable
from drift.simulated import Design, rows_of
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import ReliabilityQuestion

if TYPE_CHECKING:
    from drift.reliability.analysis import Analysed

FAMILY = "reliability"
# A mean of k and a smallest change are increasing functions of these, and their intervals hold exactly as often.
NAMED = {"ICC(A,k)": "ICC(A,1)", "ICC(C,k)": "ICC(C,1)", "ICC(k)": "ICC(1)"}


def design_of(parts: Components, *, fixed: bool = False) -> Design:
    """Return the design of one group: what it knows of itself, and its estimates of the rest."""
    counts = parts.design.counts
    filled = counts[counts > 0]
    total = sum(parts.variances.values())
    return Design(n=float(parts.shape[0]), k=float(parts.shape[1]), m=float(filled.mean()) if len(filled) else 1.0,
                  missing=parts.empty_cells / counts.size, kinds=frozenset({"fixed levels"} if fixed else ()),
                  share=parts.variances["facet"] / total if total > 0 else None,
                  icc=parts.variances["target"] / total if total > 0 else None)


def simulated(done: Sequence[Analysed], question: ReliabilityQuestion, facet: str, pick: Declared,
              estimates: Sequence[Estimate], *, level: float) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing where no row of a simulation is about them."""
    quoted = quote(FAMILY, [a for one in done for a in _asked(one, question, facet, pick)], level=level)
    seen: set[str] = set()
    for family, asked in _further(done, estimates):
        if asked.quantity not in seen and (found := quote(family, [asked], level=level)):
            quoted += found
            seen.add(asked.quantity)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),),
            [*cautions(quoted, question=question.name,
                       mend=f"Take its ends as a rough guide, and plan more {plural(facet)}"),
             *note(quoted, question=question.name)])


def _asked(one: Analysed, question: ReliabilityQuestion, facet: str, pick: Declared) -> Iterator[Asked]:
    """Yield the printed intervals of one group, the declared coefficient first."""
    parts = one.parts
    if not isinstance(parts, Components):
        return
    design = design_of(parts, fixed=question.facets_are == "fixed")
    of = ", ".join(one.group.labels.values())
    first = [c for c in one.cases if (c.name, c.model) == (pick.coefficient, pick.model)]
    others = [c for c in one.cases if c not in first and c.model == "two-way random" and c.name.endswith(",1)")]
    for c in (*first, *others):
        # The simulated facet levels are drawn from many; fixed ones answer another question in value.
        if c.low == c.low and not (question.facets_are == "fixed" and "A," in c.name):
            yield Asked(quantity=c.name, named=NAMED.get(c.name, c.name), method=c.method, design=design, of=of)
    for e in one.errors:
        # The error of a mean over levels is that of one reading over a constant; an MDC is a multiple of its SEM.
        if e.low == e.low and not e.name.startswith("MDC") and e.reading != "levels":
            name = e.name if e.reading == "one" else f"{e.name}, mean of {e.reading}"
            yield Asked(quantity=name, named=name, method=e.method, design=design, of=of)
    for part, (low, _) in parts.intervals.items():
        if low == low:
            yield Asked(quantity=f"SD of {component_name(part, question, facet, parts)}", named=f"SD, {part}",
                        method=component_interval(part, fixed="fixed levels" in design.kinds), design=design, of=of)


def _further(done: Sequence[Analysed], estimates: Sequence[Estimate]) -> Iterator[tuple[str, Asked]]:
    """Yield the intervals of repeated uses and of comparisons, whose tables name them as they are printed."""
    design = next((design_of(one.parts) for one in done if isinstance(one.parts, Components)), None)
    if design is None:
        return
    plain = Design(n=design.n, k=design.k, missing=design.missing)
    for family, first in (("repeated_uses", "printed first"), ("comparison", "printed")):
        names = {r.quantity for r in rows_of(family)}
        for e in estimates:
            named = e.name if e.name in names else f"log {e.name}"
            if named in names and e.low == e.low:
                for method in (first, e.method):
                    yield family, Asked(quantity=e.name, named=named, method=method, design=plain,
                                        printed=e.method)
