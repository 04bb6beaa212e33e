"""What the retirement procedure hands back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from drift.results import Estimate, Result, ResultTable


@dataclass(frozen=True, kw_only=True, eq=False)
class RetirementResult(Result):
    """Retire-after counts per construction, per limit and over all limits, and how firm they are.

    Tables: "retire-after counts", "bound path", "own crossing counts", "sensitivity to content and confidence",
    "sensitivity to limit", "leave one sensor out", "batches", "dead cells", "normal plot",
    "equivalence of slopes", "sensitivity to removal", "what would more data buy"; those that do not apply are absent.
    """

    command: ClassVar[str] = "retire"

    def count(self, construction: str = "", limit: str | None = None) -> Estimate:
        """Return "retire after" of one construction, over all limits or of one."""
        for e in self.estimates:
            if (e.name == "retire after" and e.of.get("limit") == limit
                    and (not construction or e.of.get("construction") == construction)):
                return e
        raise KeyError(f"no retire-after count of construction {construction!r} and limit {limit!r}")

    @property
    def counts(self) -> ResultTable:
        """One row for each construction and limit, and one over all limits."""
        return self.table("retire-after counts")
