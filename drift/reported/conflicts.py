"""The smallest sets of printed numbers that cannot all be true."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drift.engine.intervals import EmptyIntervalError, Interval
from drift.reported.claims import Claim
from drift.reported.judging import Verdict, instance
from drift.reported.places import Place
from drift.reported.propagation import Net, consistent, net_of, propagate
from drift.reported.relation import Relation

MOST_CHAINS = 4


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
    """

    place: Place
    claims: tuple[Claim, ...]
    relations: tuple[Relation, ...]
    remark: bool = False
    alone: tuple[tuple[Claim, Interval], ...] = ()


def conflicts(place: Place, relations: Sequence[Relation], verdicts: Sequence[Verdict]) -> list[Conflict]:
    """Return the conflicts of one place: relations that fail alone, then chains of relations that fail together."""
    found = [_single(v) for v in verdicts if v.status == "conflicts"]
    if found:
        named = _with_suspects(place, relations, found)
        if named[0].alone:
            # One number explains everything in this place: chains through it would say the same at more length.
            return named
    failing = frozenset(v.relation.label for v in verdicts
                        if v.status in ("conflicts", "last digit", "only under a convention", "question"))
    found += _chains(place, relations, failing)
    return _with_suspects(place, relations, found) if any(not c.remark for c in found) else found


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
        wider = {id(c): 1.0 for c in least}
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
    return tuple(claims), Net(small.place, tuple(instances))


def _net_with(place: Place, claims: Iterable[Claim], relations: Sequence[Relation], failing: frozenset[str]) -> Net:
    kept = set(map(id, claims))
    return net_of(place.without([c for c in place.claims if id(c) not in kept]), relations, without=failing)


def _with_suspects(place: Place, relations: Sequence[Relation], found: list[Conflict]) -> list[Conflict]:
    """Say which single claims would, if they were otherwise, leave everything in the place in order."""
    from dataclasses import replace

    accusing = [c for c in found if not c.remark]
    asked = [c for c in accusing[0].claims if all(c in other.claims for other in accusing)
             and not c.symbol.endswith("__level")]
    alone: list[tuple[Claim, Interval]] = []
    for claim in asked:
        others = place.without([claim])
        try:
            box = propagate(_all_of(others, place, relations, claim))
        except EmptyIntervalError:
            continue
        alone.append((claim, box.get(claim.symbol, (float("-inf"), float("inf")))))
    return [c if c.remark else replace(c, alone=tuple(alone)) for c in found]


def _all_of(others: Place, place: Place, relations: Sequence[Relation], claim: Claim) -> Net:
    """Return the net of a place without one claim that still holds the relations that tell where it should lie."""
    net = net_of(others, relations)
    held = {m.relation.label for m in net.instances}
    more = [m for r in relations if r.label not in held and (m := instance(r, place)) is not None
            and claim.symbol in m.names and r.kind in ("E", "B", "I")
            and all(n in others.single or n == claim.symbol or n.endswith("__level") for n in m.names)]
    from drift.reported.judging import accuses

    return Net(others, (*net.instances, *(m for m in more if accuses(m, place))))
