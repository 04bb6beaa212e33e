"""What a plan returns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from drift.results import Result


@dataclass(frozen=True, kw_only=True, eq=False)
class PlanResult(Result):
    """The answer of ``drift plan``; tables ``designs``, ``one more``, ``planning values``, ``if they are wrong``."""

    command: ClassVar[str] = "plan"
