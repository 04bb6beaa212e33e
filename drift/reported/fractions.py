"""Numbers of a percent quantity that are printed as fractions: read so where only so they agree with the others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import combinations

from drift.reported.claims import Claim
from drift.reported.conflicts import Conflict, conflicts
from drift.reported.judging import Verdict, verdicts
from drift.reported.one_unit import converted
from drift.reported.places import Place, place_of
from drift.reported.relation import Relation
from drift.reported.vocabulary import quantities

HUNDRED = Decimal("1E+2")
MOST_TRIED_TOGETHER = 4


@dataclass(frozen=True)
class Judged:
    """A place as it is read, what its relations say, and the numbers that were read as fractions."""

    place: Place
    verdicts: tuple[Verdict, ...]
    conflicts: tuple[Conflict, ...] = ()
    fractions: tuple[Claim, ...] = ()


def may_be_fraction(claim: Claim) -> bool:
    """Tell whether a number of a percent quantity may be a fraction: no percent sign, and at most 1 in size."""
    q = quantities().get(claim.symbol.partition("__")[0])
    return (q is not None and q.scale == "percent" and not claim.symbol.endswith("__level")
            and not claim.printed.percent and claim.as_printed is None and abs(claim.printed.value) <= 1)


def judged(place: Place, relations: Sequence[Relation]) -> Judged:
    """Judge a place; where numbers disagree that may be fractions, as the reading under which most agree.

    As percentages they are read unless a reading as fractions leaves fewer contradictions, and fewer mismatches. So a
    number is never accused that agrees as a fraction.
    """
    groups = _groups(place)
    if not groups:
        return Judged(place, tuple(verdicts(place, relations)))
    made = _judge(place, relations)
    if _cost(made, groups) == (0, 0):
        return made
    best, least = made, (*_cost(made, groups), 0)
    for reading in _readings(groups):
        changed = {id(c): converted(c, HUNDRED) for c in reading}
        claims = tuple(changed.get(id(c), c) for c in place.claims)
        other = replace(place_of(place.table, place.group, claims, place.design), apart=place.apart, units=place.units)
        tried = replace(_judge(other, relations), fractions=tuple(changed.values()))
        cost = (*_cost(tried, groups), len(reading))
        if cost < least:
            best, least = tried, cost
    return best


def _judge(place: Place, relations: Sequence[Relation]) -> Judged:
    found = tuple(verdicts(place, relations))
    return Judged(place, found, tuple(conflicts(place, relations, found)))


def _groups(place: Place) -> list[tuple[Claim, ...]]:
    """Return what may be fractions, a number with the ends of its interval together."""
    found: dict[tuple[str, str, int | None], list[Claim]] = {}
    for c in place.claims:
        if not c.symbol.endswith("__level"):
            found.setdefault((c.symbol.partition("__")[0], c.item, c.row), []).append(c)
    return [tuple(group) for group in found.values() if all(map(may_be_fraction, group))]


def _readings(groups: Sequence[tuple[Claim, ...]]) -> Iterator[tuple[Claim, ...]]:
    """Return the readings to try: all as fractions, those of one quantity, one number alone, of a few any."""
    whole = range(len(groups))
    by_symbol: dict[str, list[int]] = {}
    for i in whole:
        by_symbol.setdefault(groups[i][0].symbol.partition("__")[0], []).append(i)
    sets = [frozenset(whole), *map(frozenset, by_symbol.values()), *(frozenset((i,)) for i in whole)]
    if len(groups) <= MOST_TRIED_TOGETHER:
        sets += [frozenset(s) for size in range(2, len(groups)) for s in combinations(whole, size)]
    for chosen in dict.fromkeys(sets):
        yield tuple(c for i in sorted(chosen) for c in groups[i])


def _cost(made: Judged, groups: Sequence[tuple[Claim, ...]]) -> tuple[int, int]:
    """Return contradictions and other mismatches that touch a number which may be a fraction."""
    mine = {c.number for group in groups for c in group}

    def touches(claims: Sequence[Claim]) -> bool:
        return any(c.number in mine for c in claims)

    return (sum(not c.remark and touches(c.claims) for c in made.conflicts),
            sum(v.status not in ("agrees", "uninformative") and touches(v.claims) for v in made.verdicts))
