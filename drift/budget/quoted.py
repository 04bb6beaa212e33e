"""What simulation says about the interval of a pressure, in the laboratory nearest to the study's own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.budget.subjects import QUESTION
from drift.errors import Finding
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote

if TYPE_CHECKING:
    from drift.budget.analysis import Budget, Ground

FAMILY = "budget"
CHECKED, FRESH = "pressure, sensor with checks", "pressure, sensor only calibrated"
NAMED = {"pressure": "law of propagation", "pressure, Monte Carlo": "Monte Carlo, symmetric"}


def simulated(ground: Ground, made: tuple[Budget, ...]) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing where no row of a simulation is about them."""
    asked = [a for b in made if not b.refused for a in _asked(b)]
    quoted = quote(FAMILY, asked, level=ground.level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),), [*cautions(quoted, question=QUESTION, mend="Check more sensors."),
                                        *note(quoted, question=QUESTION)])


def _asked(b: Budget) -> list[Asked]:
    """Return the printed intervals of one budget; none where it holds no drift, which was not simulated."""
    drift = b.evidence.drift
    if drift is None:
        return []
    design = Design(n=float(drift.n_sensors), m=float(b.evidence.checks))
    return [Asked(quantity=name, named=CHECKED if drift.own else FRESH, method=method, design=design,
                  of=b.subject.words) for name, method in NAMED.items()]
