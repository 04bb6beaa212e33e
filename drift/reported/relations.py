"""All relations, in the order of their numbers."""

from __future__ import annotations

from functools import lru_cache

from drift.reported import (
    relations_agreement,
    relations_correlation,
    relations_counts,
    relations_drift,
    relations_error,
    relations_gauge,
    relations_icc,
)
from drift.reported.relation import Relation

_FAMILIES = (relations_icc, relations_error, relations_agreement, relations_correlation, relations_gauge,
             relations_drift, relations_counts)


@lru_cache(maxsize=1)
def all_relations() -> tuple[Relation, ...]:
    """Return every relation."""
    found = [r for family in _FAMILIES for r in family.relations()]
    return tuple(sorted(found, key=lambda r: r.number))
