"""What a companion found: other views of the same data that stand beside an answer, and how several are joined."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from drift.errors import Finding
from drift.results import Estimate, ResultTable
from drift.simulated.quoting import Asked


@dataclass(frozen=True, kw_only=True, eq=False)
class Companion:
    """What one companion found.

    Parameters
    ----------
    estimates, findings : tuples
    tables : tuple of ResultTable
        Of what the companion was asked about alone; those of one name are put below one another.
    sentences : tuple of str
        Said after the answer.
    asked : tuple of (family, Asked)
        Printed intervals whose simulated coverage is quoted.
    """

    estimates: tuple[Estimate, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    findings: tuple[Finding, ...] = ()
    sentences: tuple[str, ...] = ()
    asked: tuple[tuple[str, Asked], ...] = ()


def joined(made: Iterable[Companion]) -> Companion:
    """Put what several companions found together, in their order; a sentence is said once."""
    every = tuple(made)
    return Companion(estimates=tuple(e for c in every for e in c.estimates),
                     tables=tuple(t for c in every for t in c.tables),
                     findings=tuple(f for c in every for f in c.findings),
                     sentences=tuple(dict.fromkeys(s for c in every for s in c.sentences)),
                     asked=tuple(a for c in every for a in c.asked))
