"""What the uncertainty budget hands back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from drift.results import Result, ResultTable


@dataclass(frozen=True, kw_only=True, eq=False)
class BudgetResult(Result):
    """Uncertainty of a pressure at a use, for one sensor or for each construction.

    Tables: "budget", "correlations", "left out", "Monte Carlo check", "along use", "coverage".
    """

    command: ClassVar[str] = "budget"

    @property
    def budget(self) -> ResultTable:
        """One row for each input quantity."""
        return self.table("budget")
