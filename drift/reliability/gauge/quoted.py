"""What simulation says about the intervals of a gauge study, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from drift.errors import Finding
from drift.reliability.gauge.analysis import MLS, GaugeParts
from drift.reliability.gauge.estimates import NAMES, STUDY
from drift.reliability.gauge.tables import AnalysedGauge
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import GaugeQuestion

FAMILY = "gauge"


def design_of(parts: GaugeParts) -> Design:
    """Return the design of one group: what it knows of itself, and its estimates of the rest."""
    p, o, m = parts.shape
    total = sum(parts.variances.values())
    cells = p * o if parts.kind == "crossed" else 0
    share = parts.variances.get("operator", 0.0) / total if total > 0 and "part" in parts.variances else None
    icc = parts.variances["part"] / total if total > 0 and "part" in parts.variances else None
    return Design(n=float(p) / (o if parts.kind == "nested" else 1), k=float(o), m=m,
                  missing=parts.missing / cells if cells else 0.0, share=share, icc=icc,
                  kinds=frozenset({"within"} if parts.kind == "nested" else ()))


def simulated(done: Sequence[AnalysedGauge], question: GaugeQuestion, *,
              level: float) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing where no row of a simulation is about them."""
    quoted = quote(FAMILY, [a for one in done for a in _asked(one)], level=level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),), [*cautions(quoted, question=question.name,
                                                  mend="Take its ends as a rough guide"),
                                        *note(quoted, question=question.name)])


def _asked(one: AnalysedGauge) -> Iterator[Asked]:
    parts, of = one.parts, ", ".join(one.group.labels.values())
    if not isinstance(parts, GaugeParts):
        return
    design = design_of(parts)
    shares = [NAMES[k] + STUDY for k in ("EV", "AV", "INT", "PV")]
    wanted = [NAMES["GRR"] + STUDY, *(NAMES[k] for k in parts.sized), *shares]
    names = {e.name for e in one.estimates}
    for name in wanted:
        if name in names:
            yield Asked(quantity=name, named=name, method=MLS, design=design, of=of)
