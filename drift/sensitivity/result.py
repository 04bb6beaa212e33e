"""What the drift-per-use procedure hands back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from drift.results import Estimate, Result, ResultTable


@dataclass(frozen=True, kw_only=True, eq=False)
class WearResult(Result):
    """Drift of sensitivity per use, with per-sensor lines and everything retirement needs.

    Tables: "sensitivities", "occasions", "sensor lines", "population line", "variance components",
    "comparison of constructions", "influence", "assumption checks", "residuals", "removals", "screening", "aliases".
    """

    command: ClassVar[str] = "wear"

    @property
    def sensitivities(self) -> ResultTable:
        """One row for each mounting."""
        return self.table("sensitivities")

    @property
    def occasions(self) -> ResultTable:
        """One row for each sensor and use, on the scale of the analysis."""
        return self.table("occasions")

    @property
    def lines(self) -> ResultTable:
        """One row for each sensor: its own line, and the line shrunk towards its construction."""
        return self.table("sensor lines")

    @property
    def constructions(self) -> tuple[str, ...]:
        """Constructions in the order of the tables; ``("",)`` when the study names none."""
        return tuple(dict.fromkeys(str(c) for c in self.lines["construction"]))

    def drift(self, construction: str = "") -> Estimate:
        """Return "drift per use" of one construction."""
        labels = {"construction": construction} if construction else {}
        for e in self.estimates:
            if e.name == "drift per use" and "sensor" not in e.of and all(e.of.get(k) == v for k, v in labels.items()):
                return e
        raise KeyError(f"no drift per use of construction {construction!r}")
