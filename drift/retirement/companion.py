"""What stands beside the retire-after count: other views of the same sensors, each made by its own module."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drift.errors import Finding
from drift.records import Tables
from drift.results import Estimate, Result, ResultTable
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.groups import Exposure
from drift.retirement.limits import Limit
from drift.study import RetirementSpec, Study


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Companion:
    """What one companion found.

    Parameters
    ----------
    estimates, tables, findings : tuples
    sentences : tuple of str
        Said after the answer; only where the count itself was refused.
    """

    estimates: tuple[Estimate, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    findings: tuple[Finding, ...] = ()
    sentences: tuple[str, ...] = ()


Maker = Callable[[Setting], Companion | None]
