"""Printed numbers that no relation took up, and what else would have to be printed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drift.reported.claims import Claim
from drift.reported.judging import Verdict
from drift.reported.places import Place, variables
from drift.reported.relation import Relation
from drift.reported.vocabulary import quantities, title

MOST_NAMED = 3


@dataclass(frozen=True)
class Unused:
    """A claim that was held against nothing, and numbers any one of which would change that."""

    place: Place
    claim: Claim
    wanting: tuple[str, ...]


def unused(place: Place, relations: Sequence[Relation], verdicts: Iterable[Verdict]) -> list[Unused]:
    """Return what no relation of a place took up."""
    taken = {id(c) for v in verdicts for c in v.claims} | {id(v.target) for v in verdicts if v.target}
    found = []
    for claim in place.claims:
        q = quantities().get(claim.symbol)
        own = (claim.table, claim.group) == (place.table, place.group)
        if own and q is not None and q.family != "design" and id(claim) not in taken:
            found.append(Unused(place, claim, _wanting(place, relations, claim)))
    return found


def _wanting(place: Place, relations: Sequence[Relation], claim: Claim) -> tuple[str, ...]:
    """Name the numbers that, with those that are printed, would make a relation of this one."""
    lacking: Counter[str] = Counter()
    for relation in relations:
        for case in relation.cases:
            names = variables(relation, (case,))
            missing = [n for n in names if n not in place.single and not n.endswith("__level")]
            if claim.symbol in names and len(missing) == 1 and case.usual and relation.kind != "I":
                lacking[missing[0]] += 1
    order = {s: i for i, s in enumerate(quantities())}
    best = sorted(lacking, key=lambda n: (n not in ("n", "k"), -lacking[n], order.get(n.partition("__")[0], 999)))
    return tuple(title(n) for n in best[:MOST_NAMED])
