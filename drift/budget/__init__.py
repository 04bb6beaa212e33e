"""Uncertainty of a pressure at a use, from calibration, drift and what the study states."""

from drift.budget.analysis import budget
from drift.budget.result import BudgetResult

__all__ = ["BudgetResult", "budget"]
