"""One place of a paper: its claims as boxes of intervals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

from drift.engine.intervals import EmptyIntervalError, Interval, meet
from drift.reported.claims import LEVELS, Claim, Paper, held_in, scopes
from drift.reported.one_unit import Apart, in_one_unit
from drift.reported.relation import Case, Relation
from drift.reported.strings import Rounding
from drift.reported.vocabulary import domain, quantities

ASSUMED_LEVEL = 0.95


@dataclass(frozen=True)
class Place:
    """Claims of one table and group, ready to be held against each other.

    Parameters
    ----------
    table, group : str
    claims : tuple of Claim
        All that hold there, wider ones included.
    design : str
        Design of the paper.
    apart : tuple of Apart
        Claims left out of it, because their units cannot be converted.
    units : mapping
        Unit of each kind, where one is printed.
    """

    table: str
    group: str
    claims: tuple[Claim, ...]
    design: str = "complete"
    single: Mapping[str, tuple[Claim, ...]] = field(default_factory=dict)
    several: Mapping[str, tuple[Claim, ...]] = field(default_factory=dict)
    apart: tuple[Apart, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """Table and group in words."""
        return ", ".join(p for p in (self.table, self.group) if p) or "the paper"

    def without(self, gone: Iterable[Claim]) -> Place:
        """Return the place without some claims."""
        out = set(map(id, gone))
        return place_of(self.table, self.group, tuple(c for c in self.claims if id(c) not in out), self.design)

    def stated(self, symbols: Iterable[str], key: str) -> set[str]:
        """Return what the claims of these variables state of one convention."""
        return {c.conventions[key] for s in symbols for c in self.single.get(s, ()) if key in c.conventions}

    @cached_property
    def printed(self) -> Mapping[str, Interval]:
        """The box of what is printed, as it is rounded."""
        return self.box()

    def box(self, *, rounding: Rounding | None = None, wider: Mapping[int, float] | None = None) -> dict[str, Interval]:
        """Return the interval of every variable with one claim or more.

        Where two claims of one variable contradict each other, which relation 0b says, either may be right.
        """
        found: dict[str, Interval] = {}
        for symbol, claims in self.single.items():
            a = domain(symbol)
            unbounded = (float("-inf"), float("inf"))
            a = a if any(c.printed.bound for c in claims) else unbounded
            made = [interval_of(c, rounding=rounding, extra=(wider or {}).get(id(c), 0.0)) for c in claims]
            for b in made:
                try:
                    a = meet(a, b)
                except EmptyIntervalError:
                    a = (min(x[0] for x in made), max(x[1] for x in made))
                    break
            found[symbol] = a
        return found


def is_exact(claim: Claim) -> bool:
    """Tell whether a number is counted, and so has no rounding: counts, levels, whole degrees of freedom."""
    base, _, part = claim.symbol.partition("__")
    q = quantities().get(base)
    whole_freedom = claim.symbol.startswith("df_") or claim.symbol in ("nu_part", "ndc")
    return part == "level" or (q is not None and not part and (
        q.scale == "whole" or (whole_freedom and claim.printed.decimals == 0)))


def interval_of(claim: Claim, *, rounding: Rounding | None = None, extra: float = 0.0) -> Interval:
    """Return what a claim can stand for; counts, levels and whole degrees of freedom are exact."""
    if is_exact(claim) and not claim.printed.bound:
        x = float(claim.printed.value)
        return (x, x)
    return claim.interval(rounding=rounding, extra=extra)


def place_of(table: str, group: str, claims: tuple[Claim, ...], design: str = "complete") -> Place:
    """Sort the claims of one place by variable."""
    single: dict[str, tuple[Claim, ...]] = {}
    several: dict[str, tuple[Claim, ...]] = {}
    for c in claims:
        q = quantities().get(c.symbol.partition("__")[0])
        if c.symbol in ("number", "whole"):
            continue  # known by their ids, to relations that the paper states itself
        held = several if c.item or (q is not None and q.many) else single
        held[c.symbol] = (*held.get(c.symbol, ()), c)
    return Place(table, group, claims, design, single, several)


def places(paper: Paper) -> list[Place]:
    """Return every place of a paper; one that only says what holds for others is no place of its own."""
    found = []
    for table, group in scopes(paper):
        claims = held_in(paper, (table, group))
        own = [c for c in claims if (c.table, c.group) == (table, group)]
        others = [s for s in scopes(paper) if s != (table, group) and (not table or s[0] == table) and not group]
        settings = all(quantities()[c.symbol.partition("__")[0]].family == "design" and c.symbol != "number"
                       for c in own)
        if not (others and settings):
            kept, apart, units = in_one_unit(claims)
            found.append(replace(place_of(table, group, kept, paper.design), apart=apart, units=units))
    return found


@lru_cache(maxsize=8192)
def variables(relation: Relation, cases: tuple[Case, ...] | None = None) -> tuple[str, ...]:
    """Return the variables of a relation (or of some of its cases) in the order they are written."""
    from drift.engine.interval_equations import equation

    found: dict[str, None] = {}
    for case in relation.cases if cases is None else cases:
        for text in case.equations:
            found.update(dict.fromkeys(equation(text).names))
    return tuple(found)


def level_names(names: Iterable[str]) -> tuple[str, ...]:
    """Return those variables that are levels."""
    return tuple(n for n in names if n.endswith("__level"))


def other_levels(used: float) -> tuple[float, ...]:
    """Return the usual levels but one."""
    return tuple(level for level in LEVELS if abs(level - used) > 1e-9)


def filled_level(place: Place, base: str) -> float | None:
    """Return the stated level of an interval."""
    claims = place.single.get(f"{base}__level", ())
    return float(claims[0].printed.value) if claims else None
