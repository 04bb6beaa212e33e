"""When to retire a sensor: ``retire`` and its result."""

from drift.retirement.decision import retire
from drift.retirement.result import RetirementResult

__all__ = ["RetirementResult", "retire"]
