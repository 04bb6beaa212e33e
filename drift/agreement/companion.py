"""What stands beside the limits of agreement: other figures about the same pairs, each made by its own module."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from drift import companion
from drift.agreement.pairs import Group, Pairing
from drift.agreement.structure import Analysis, Structure
from drift.results import ResultTable
from drift.study import AgreementQuestion


@dataclass(frozen=True, kw_only=True, eq=False)
class Setting:
    """Everything a companion may look at: one group of pairs, how it was understood, and what was asked.

    ``harmless`` is the largest harmless difference in the reading's unit, None where none was declared or where it
    is a share of the reading.
    """

    group: Group
    structure: Structure
    analysis: Analysis
    pairing: Pairing
    question: AgreementQuestion
    of: Mapping[str, str]
    label: str
    level: float
    multiplier: float
    harmless: float | None
    rng: np.random.Generator


@dataclass(frozen=True, kw_only=True, eq=False)
class Companion(companion.Companion):
    """What one companion found about one group; its tables get the ``by`` columns.

    Parameters
    ----------
    over : str
        What the verdict is an average over, where it would be another for each part of it; said with the verdict.
    """

    over: str = ""


Maker = Callable[[Setting], Companion | None]



def stacked(made: Sequence[tuple[Mapping[str, str], Companion]], by: Sequence[str]) -> tuple[ResultTable, ...]:
    """Put the tables of all groups below one another, name by name, with the ``by`` columns last."""
    names = list(dict.fromkeys(t.name for _, c in made for t in c.tables))
    out = []
    for name in names:
        parts = [(of, t) for of, c in made for t in c.tables if t.name == name]
        first = parts[0][1]
        columns = {c.name: np.concatenate([np.asarray(t[c.name]) for _, t in parts]) for c in first.columns}
        columns |= {b: np.array([of[b] for of, t in parts for _ in range(len(t))], dtype=object) for b in by}
        units = {c.name: c.unit for c in first.columns if c.unit}
        out.append(ResultTable.build(name, columns, units=units, caption=first.caption))
    return tuple(out)
