"""The smallest sets of printed numbers that cannot all be true."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import isfinite

from drift.engine.intervals import EmptyIntervalError, Interval
from drift.reported.claims import Claim
from drift.reported.judging import Verdict, accuses, coarser, instance, verdicts
from drift.reported.places import Place, interval_of, place_of
from drift.reported.propagation import Net, consistent, net_of, propagate
from drift.reported.relation import Relation
from drift.reported.strings import Printed

MOST_CHAINS, ENOUGH = 3, 3


@dataclass(frozen=True)
class Conflict:
    """Numbers of one place that cannot all be true, by exact relations alone.

    Parameters
    ----------
    place : Place
    claims : tuple of Claim
        None can be left out: without any one of them the rest can be true.
    relations : tuple of Relation
        Relations that say so together.
    remark : bool
        Whether a unit of the last printed digit would mend it: rounded intermediates, no accusation.
    alone : tuple of (Claim, (float, float))
        Claims that would, one at a time, make everything in the place fit if they were otherwise, and where each would
        have to lie.
    beside : bool
        Whether the place holds other conflicts, which these claims have no part in.
    """

    place: Place
    claims: tuple[Claim, ...]
    relations: tuple[Relation, ...]
    remark: bool = False
    alone: tuple[tuple[Claim, Interval], ...] = ()
    beside: bool = False


def conflicts(place: Place, relations: Sequence[Relation], judged: Sequence[Verdict]) -> list[Conflict]:
    """Return the conflicts of one place: relations that fail alone, then chains of relations that fail together."""
    found = [_single(v) for v in judged if v.status == "conflicts"]
    if found:
        named = _merged(_with_suspects(place, relations, found))
        if all(c.alone for c in named) or len(found) >= ENOUGH:
            # Single numbers explain everything in this place, or enough relations fail alone: chains through them
            # would say the same at more length.
            return named
    failing = frozenset(v.relation.label for v in judged
                        if v.status in ("conflicts", "last digit", "only under a convention", "question"))
    heads = [_subjects(c) for c in found]
    found += [c for c in _chains(place, relations, failing) if not any(h <= _subjects(c) for h in heads)]
    return _merged(_with_suspects(place, relations, found) if any(not c.remark for c in found) else found)


def _subjects(conflict: Conflict) -> frozenset[int]:
    """Return the claims of a conflict less counts and levels."""
    own = [c for c in conflict.claims if not c.symbol.endswith("__level") and c.symbol not in ("n", "k", "m")]
    return frozenset(id(c) for c in own or conflict.claims)


def _merged(found: list[Conflict]) -> list[Conflict]:
    """Keep one of the sets that are about one interval, the smallest: its width, ends and middle say one thing."""
    made: list[Conflict] = []
    for conflict in found:
        base = _interval(conflict)
        at = next((i for i, c in enumerate(made) if base and _interval(c) == base and c.remark == conflict.remark),
                  None)
        if at is None:
            made.append(conflict)
            continue
        other = made[at]
        alone = tuple(x for x in other.alone if any(x[0] is y[0] for y in conflict.alone))
        least = min(other, conflict, key=lambda c: len(_subjects(c)))
        made[at] = replace(least, alone=tuple(x for x in alone if any(x[0] is c for c in least.claims)))
    return made


def _interval(conflict: Conflict) -> str:
    """Return the number whose interval alone a conflict is about, or nothing."""
    bases = {c.symbol.partition("__")[0] for c in conflict.claims if c.symbol not in ("n", "k", "m")}
    ends = any(c.symbol.endswith(("__low", "__high")) for c in conflict.claims)
    return bases.pop() if len(bases) == 1 and ends else ""


def _single(v: Verdict) -> Conflict:
    return Conflict(v.place, _least(v), (v.relation,))


def _least(v: Verdict) -> tuple[Claim, ...]:
    """Return the claims of one relation less those without which it fails all the same."""
    made = instance(v.relation, v.place)
    if made is None:
        return v.claims
    kept = list(v.claims)
    for claim in v.claims:
        if claim.symbol.endswith("__level") or len(kept) < 3:
            continue
        rest = [c for c in kept if c is not claim]
        gone = [c for c in v.place.claims if c not in rest]
        if not consistent(Net(v.place.without(gone), (made,))):
            kept = rest
    return tuple(kept)


def _chains(place: Place, relations: Sequence[Relation], failing: frozenset[str]) -> list[Conflict]:
    """Find sets that only several relations together refute, by taking one claim after the other away."""
    found: list[Conflict] = []
    gone: list[Claim] = []
    for _ in range(MOST_CHAINS):
        here = place.without(gone)
        net = net_of(here, relations, without=failing)
        if consistent(net):
            break
        least, small = _smallest(here, relations, failing, net)
        wider = {**{id(c): 1.0 for c in least}, **coarser(place, least)}
        found.append(Conflict(place, least, tuple(m.relation for m in small.instances),
                              remark=consistent(small, wider=wider)))
        # The number that stands in most sets goes first, so that the next set is another one.
        gone.append(max(least, key=lambda c: (not c.symbol.endswith("__level") and c.symbol not in ("n", "k", "m"),
                                              sum(c in f.claims for f in found))))
    return found


def _smallest(place: Place, relations: Sequence[Relation], failing: frozenset[str],
              net: Net) -> tuple[tuple[Claim, ...], Net]:
    """Delete claims, then relations, as long as the rest is refuted."""
    claims = [c for c in place.claims if any(c.symbol in m.names for m in net.instances)]
    # Whole groups first: most claims of a place have no part in a conflict.
    size = max(1, len(claims) // 2)
    while size >= 1:
        i = 0
        while i < len(claims):
            part = claims[i: i + size]
            rest = [c for c in claims if c not in part]
            if rest and not consistent(_net_with(place, rest, relations, failing)):
                claims = rest
            else:
                i += size
        size //= 2
    small = _net_with(place, claims, relations, failing)
    instances = list(small.instances)
    for made in tuple(instances):
        rest_of = tuple(m for m in instances if m is not made)
        if rest_of and not consistent(Net(small.place, rest_of)):
            instances = list(rest_of)
    return _without_bridges(place, claims, Net(small.place, tuple(instances)))


def _without_bridges(place: Place, claims: list[Claim], net: Net) -> tuple[tuple[Claim, ...], Net]:
    """Delete claims that were only there to bring in a relation which, once there, does without them."""
    relations = [m.relation for m in net.instances]
    for claim in tuple(claims):
        rest = [c for c in claims if c is not claim]
        kept = set(map(id, rest))
        here = place.without([c for c in place.claims if id(c) not in kept])
        made = [m for r in relations if (m := instance(r, here)) is not None and accuses(m, here)]
        fewer = Net(here, tuple(made))
        if rest and made and not consistent(fewer):
            claims, net = rest, fewer
    return tuple(claims), net


def _net_with(place: Place, claims: Iterable[Claim], relations: Sequence[Relation], failing: frozenset[str]) -> Net:
    kept = set(map(id, claims))
    return net_of(place.without([c for c in place.claims if id(c) not in kept]), relations, without=failing)


def _with_suspects(place: Place, relations: Sequence[Relation], found: list[Conflict]) -> list[Conflict]:
    """Say which single numbers would, if they were otherwise, leave everything they touch in order."""
    made = [c for c in found if c.remark]
    for part in _parts([c for c in found if not c.remark]):
        here, others = _apart(place, found, part)
        common = [c for c in part[0].claims if all(id(c) in _subjects(x) for x in part)]
        alone = tuple(x for c in common if (x := _alone(here, relations, c)) is not None)
        made += [replace(c, alone=alone, beside=bool(others)) for c in part]
    return sorted(made, key=found_order(found))


def found_order(found: Sequence[Conflict]) -> Callable[[Conflict], int]:
    """Return a key that puts conflicts back into the order they were found."""
    order = {(tuple(map(id, c.claims)), tuple(map(id, c.relations))): i for i, c in enumerate(found)}
    return lambda c: order[tuple(map(id, c.claims)), tuple(map(id, c.relations))]


def _parts(found: list[Conflict]) -> list[list[Conflict]]:
    """Part conflicts that share no number but counts."""
    parts: list[tuple[set[int], list[Conflict]]] = []
    for conflict in found:
        own = set(_subjects(conflict))
        touching = [p for p in parts if p[0] & own]
        rest = [p for p in parts if not p[0] & own]
        held = [c for p in touching for c in p[1]]
        parts = [*rest, (own.union(*(p[0] for p in touching)), [*held, conflict])]
    return [p[1] for p in parts]


def _alone(place: Place, relations: Sequence[Relation], claim: Claim) -> tuple[Claim, Interval] | None:
    """Return where a claim would have to lie for everything in a place to fit, or None where that is not enough."""
    try:
        box = propagate(_all_of(place.without([claim]), place, relations, claim))
    except EmptyIntervalError:
        return None
    a = box.get(claim.symbol, (float("-inf"), float("inf")))
    if not (isfinite(a[0]) and isfinite(a[1])):
        return claim, a
    printed = interval_of(claim)
    if a[0] <= printed[1] and a[1] >= printed[0]:
        return None  # what would mend it rounds to what is printed
    return (claim, a) if settles(place, relations, claim, _at(claim, (a[0] + a[1]) / 2)) else None


def _at(claim: Claim, x: float) -> Printed:
    """Return a number with the digits that a claim is printed with."""
    unit = claim.printed.unit
    return replace(claim.printed, value=(Decimal(repr(x)) / unit).to_integral_value() * unit)


def settles(place: Place, relations: Sequence[Relation], claim: Claim, value: Printed) -> bool:
    """Tell whether nothing of a place contradicts any more with another value in place of a printed one."""
    other = replace(claim, printed=value)
    return not contradicts(place_of(place.table, place.group, tuple(other if c is claim else c for c in place.claims),
                                    place.design), relations)


def contradicts(place: Place, relations: Sequence[Relation]) -> bool:
    """Tell whether numbers of a place cannot all be true, by relations alone or together."""
    return (any(v.status == "conflicts" for v in verdicts(place, relations))
            or not consistent(net_of(place, relations)))


def _apart(place: Place, found: Sequence[Conflict], part: Sequence[Conflict]) -> tuple[Place, set[int]]:
    """Return a place without the claims of its other conflicts, and which those are."""
    others = {i for c in found if not any(c is p for p in part) for i in _subjects(c)}
    return place.without([c for c in place.claims if id(c) in others]), others


def beside_others(place: Place, found: Sequence[Conflict], conflict: Conflict) -> Place:
    """Return the place of one conflict without the claims of those it shares no number with."""
    real = [c for c in found if not c.remark and c.place is conflict.place]
    part = next((p for p in _parts(real) if any(c is conflict for c in p)), [conflict])
    return _apart(place, real, part)[0]


def _all_of(others: Place, place: Place, relations: Sequence[Relation], claim: Claim) -> Net:
    """Return the net of a place without one claim that still holds the relations that tell where it should lie."""
    net = net_of(others, relations)
    held = {m.relation.label for m in net.instances}
    more = [m for r in relations if r.label not in held and (m := instance(r, place)) is not None
            and claim.symbol in m.names and r.kind in ("E", "B", "I")
            and all(n in others.single or n == claim.symbol or n.endswith("__level") for n in m.names)]
    return Net(others, (*net.instances, *(m for m in more if accuses(m, place))))
