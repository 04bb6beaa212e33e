"""Drift of sensitivity per use: ``fit_wear`` and its result."""

from drift.sensitivity.fit import fit_wear
from drift.sensitivity.result import WearResult

__all__ = ["WearResult", "fit_wear"]
