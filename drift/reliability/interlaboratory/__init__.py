"""Precision of a method over laboratories, rigs or benches (ISO 5725-2, ASTM E691)."""

from drift.reliability.interlaboratory.study import InterlaboratoryResult, interlaboratory

__all__ = ["InterlaboratoryResult", "interlaboratory"]
