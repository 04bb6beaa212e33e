"""What a paper leaves out, as far as what it prints implies it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from drift.engine.intervals import EmptyIntervalError, Interval, meet
from drift.reported.judging import NO_RANGE, Instance, filled, instance, needed_range, possible
from drift.reported.places import Place
from drift.reported.propagation import FREE, net_of, propagate
from drift.reported.relation import Relation
from drift.reported.vocabulary import domain, quantities

COUNTS = {"n": range(2, 401), "k": range(2, 41), "m": range(1, 41), "points": range(3, 401)}
ENDS = ("__low", "__high")
USUAL_LEVELS = (0.68, 0.90, 0.95, 0.99)


@dataclass(frozen=True)
class Implied:
    """A number that is not printed, and where it must lie."""

    place: Place
    symbol: str
    low: float
    high: float
    relations: tuple[Relation, ...]
    convention: str = ""

    @property
    def exact(self) -> bool:
        """Whether exact relations alone say so."""
        return all(r.kind in ("E", "B", "I") for r in self.relations)


def implied(place: Place, relations: Sequence[Relation]) -> list[Implied]:
    """Return what is implied in one place, exact relations first."""
    found: dict[str, Implied] = {}
    for one in (*_by_chain(place, relations), *_by_one_relation(place, relations)):
        held = found.get(one.symbol)
        if held is None or (one.exact and not held.exact):
            found[one.symbol] = one
        elif one.exact == held.exact:
            try:
                low, high = meet((held.low, held.high), (one.low, one.high))
            except EmptyIntervalError:
                continue
            if (low, high) != (held.low, held.high):
                same = tuple(dict.fromkeys((*held.relations, *one.relations)))
                found[one.symbol] = Implied(place, one.symbol, low, high, same, held.convention or one.convention)
    order = {s: i for i, s in enumerate(quantities())}
    # With n said, degrees of freedom are no news; and an SEM of unstated kind has unknown degrees of freedom.
    known = "n" in place.single
    apart = {c.symbol for a in place.apart for c in a.left_out}
    kept = [x for x in found.values() if x.symbol not in apart and not (known and x.symbol.startswith("df_"))
            and x.symbol not in ("sem__low", "sem__high")]
    return sorted(kept, key=lambda x: order.get(x.symbol.partition("__")[0], 999))


def _by_chain(place: Place, relations: Sequence[Relation]) -> Iterator[Implied]:
    net = net_of(place, relations)
    try:
        box = propagate(net)
    except EmptyIntervalError:
        return
    for name, a in box.items():
        if name in place.single or name not in FREE or not _narrow_enough(name, a):
            continue
        by = tuple(m.relation for m in net.instances if name in m.names)
        yield Implied(place, name, *a, by[:3])


def _narrow_enough(name: str, a: Interval) -> bool:
    """Tell whether an implied range says anything worth printing."""
    whole = domain(name)
    if a == NO_RANGE or not (math.isfinite(a[0]) and math.isfinite(a[1])):
        return False
    if math.isfinite(whole[1] - whole[0]) and whole[1] <= 1.0:
        return a[1] - a[0] < 0.25 * (whole[1] - whole[0])
    return a[1] - a[0] <= 0.67 * max(abs(a[0]), abs(a[1]))


def _by_one_relation(place: Place, relations: Sequence[Relation]) -> Iterator[Implied]:
    for relation in relations:
        if relation.kind in ("I", "A", "V"):
            continue
        made = instance(relation, place)
        if made is None:
            continue
        unknown = [n for n in made.names if n not in place.single and not n.endswith("__level")]
        if len(unknown) != 1 or not _worth(unknown[0]):
            continue
        name = unknown[0]
        box = filled(made, place.printed)
        usual = made.usual[:1]
        a = _count(made, box, name) if name in COUNTS else needed_range(made, usual, box, name)
        if a is not None and _narrow_enough(name, a):
            said = usual[0].said
            levels = [n for n in made.names if n.endswith("__level") and n not in place.single]
            said = ", ".join(s for s in (said, "at 95 %" if levels else "") if s)
            yield Implied(place, name, *a, (relation,), said)


def _worth(name: str) -> bool:
    base = name.partition("__")[0]
    return name in FREE or name in COUNTS or name.endswith(ENDS) or base in (
        "icc", "sem", "mdc", "mdc_c", "mdc_a", "mdc_1", "alpha", "icc_m", "f", "sd", "loa_low", "loa_high", "ccc",
        "mdc_percent", "repeatability", "ndc", "uses_to_limit", "life_mean", "b10", "life_median", "cost_rate")


def _count(made: Instance, box: dict[str, Interval], name: str) -> Interval | None:
    """Return the smallest and the largest count that can hold."""
    fits = []
    for x in COUNTS[name]:
        here = {**box, name: (float(x), float(x))}
        if any(possible(e, {n: here[n] for q in e for n in q.names}) for e in made.equations(made.usual)):
            fits.append(x)
    if not fits or fits[-1] == COUNTS[name][-1]:
        return None
    return float(fits[0]), float(fits[-1])
