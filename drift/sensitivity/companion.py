"""What stands beside the drift per use: other figures about the same checks, each made by its own module."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.companion import Companion
from drift.errors import Finding, Severity
from drift.records import Tables
from drift.results import ResultTable
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.groups import GroupAnalysis
from drift.sensitivity.lines import Occasions, SensorLines

__all__ = ["Companion", "Maker", "Setting", "stacked"]

Floats = NDArray[np.float64]
Words = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Setting:
    """Everything a companion may look at: one construction, its occasions, lines and fit, and the tables behind them.

    Parameters
    ----------
    data, tables, level
        As in ``fit_wear``.
    group : GroupAnalysis
    occasions : Occasions
        Of this construction alone (``of_mounting`` is that of all constructions).
    lines : SensorLines
        Of all constructions.
    rng : numpy Generator
        A stream of this companion and construction alone.
    """

    data: WearData
    tables: Tables
    group: GroupAnalysis
    occasions: Occasions
    lines: SensorLines
    level: float
    rng: np.random.Generator

    @property
    def construction(self) -> str:
        """Name of the construction; empty where none is recorded."""
        return self.group.construction

    @property
    def of(self) -> dict[str, str]:
        """Labels of its estimates."""
        return {"question": QUESTION, **({"construction": self.construction} if self.construction else {})}

    @property
    def where(self) -> str:
        """`` of plain sensors``, or nothing where no construction is recorded."""
        return f" of {self.construction} sensors" if self.construction else ""

    @property
    def inside(self) -> str:
        """`` in plain sensors``, or nothing where no construction is recorded."""
        return f" in {self.construction} sensors" if self.construction else ""

    @property
    def unit(self) -> str:
        """Unit of the response: none for a logarithm."""
        if self.data.log:
            return ""
        units = self.data.units
        if not self.data.has_reference:
            return units["reading"]
        return f"{units['reading']}/{units['reference']}" if units["reading"] and units["reference"] else ""

    @property
    def slope_unit(self) -> str:
        """Unit of a drift."""
        return f"{self.unit} per {self.data.per}".strip()

    def percent(self, change: Floats | float) -> Floats:
        """Turn a change of the response into percent where it is a logarithm; else leave it."""
        return np.asarray(100 * np.expm1(change) if self.data.log else change, dtype=np.float64)

    @property
    def percent_unit(self) -> str:
        """Unit of :meth:`percent` of a slope."""
        return f"% per {self.data.per}" if self.data.log else self.slope_unit

    def say(self, severity: Severity, code: str, message: str, mend: str = "") -> Finding:
        """Word a finding of the wear question."""
        return Finding(severity=severity, code=code, message=message, mend=mend, question=QUESTION)


Maker = Callable[[Setting], Companion | None]


def stacked(made: Sequence[Companion]) -> tuple[ResultTable, ...]:
    """Put the tables of all constructions below one another, name by name."""
    names = list(dict.fromkeys(t.name for c in made for t in c.tables))
    out = []
    for name in names:
        parts = [t for c in made for t in c.tables if t.name == name]
        first = parts[0]
        columns = {c.name: np.concatenate([np.asarray(t[c.name]) for t in parts]) for c in first.columns}
        units = {c.name: c.unit for c in first.columns if c.unit}
        out.append(ResultTable.build(name, columns, units=units, caption=first.caption))
    return tuple(out)
