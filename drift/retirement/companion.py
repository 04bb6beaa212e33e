"""What stands beside the retire-after count: other views of the same sensors, each made by its own module."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drift.companion import Companion
from drift.records import Tables
from drift.results import Result, ResultTable
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.groups import Exposure
from drift.retirement.limits import Limit
from drift.study import RetirementSpec, Study

__all__ = ["Companion", "Maker", "Setting"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Setting:
    """Everything a companion may look at; ``rng`` is a stream of its own, so that one more changes no other number."""

    wear: Result
    study: Study
    tables: Tables
    limits: tuple[Limit, ...]
    answers: Sequence[ConstructionAnswer]
    exposure: Exposure
    spec: RetirementSpec
    level: float
    pooled: bool
    rng: np.random.Generator

    @property
    def occasions(self) -> ResultTable:
        """Means over mountings of each sensor and use."""
        return self.wear.table("occasions")

    @property
    def mountings(self) -> ResultTable:
        """One row a sensor, use and mounting."""
        return self.wear.table("sensitivities")


Maker = Callable[[Setting], Companion | None]
