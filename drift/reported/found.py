"""How a finder words what it saw."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drift.engine.intervals import Interval
from drift.reported.claims import Claim
from drift.reported.judging import NO_RANGE, Status, Verdict
from drift.reported.places import Place, interval_of
from drift.reported.relation import Relation


def close(claim: Claim, needed: Interval) -> bool:
    """Tell whether a number is within a unit of its last digit of where it must lie."""
    low, high = interval_of(claim, extra=1.0)
    return high >= needed[0] and low <= needed[1]


def meets(a: Interval, b: Interval) -> bool:
    """Tell whether two intervals have a point in common."""
    return a[0] <= b[1] and a[1] >= b[0]


def gap(claim: Claim | None, needed: Interval) -> float:
    """Return the distance to what is needed, in units of the last digit."""
    if claim is None or needed == NO_RANGE:
        return math.nan
    low, high = interval_of(claim)
    return max(needed[0] - high, low - needed[1], 0.0) / float(claim.printed.unit)


def verdict(relation: Relation, place: Place, claims: Sequence[Claim], fits: bool, *, needed: Interval = NO_RANGE,
            target: Claim | None = None, accusing: bool = False, near: bool = False, hint: str = "",
            convention: str = "", says_nothing: bool = False) -> Verdict:
    """Make a verdict of what a finder saw."""
    status: Status
    if fits:
        status = "uninformative" if says_nothing else "agrees"
    elif near:
        status = "last digit"
    elif convention:
        status = "only under a convention"
    else:
        status = "conflicts" if accusing else "question"
    return Verdict(relation, place, status, tuple(claims), target, needed, convention, "" if fits else hint,
                   0.0 if fits else gap(target, needed), accusing)
