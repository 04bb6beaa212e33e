"""Screening over the whole paper: repeated digits, last digits, digits printed. It asks, and never more."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from drift.reported.claims import Claim, Paper
from drift.reported.judging import Verdict
from drift.reported.places import Place
from drift.reported.relation import Relation

LEAST_COPIED = 3
LEAST_DIGITS = 60
CRITICAL = 21.67  # chi-square, 9 degrees of freedom, upper 1 %


def screening(paper: Paper, places: list[Place], relations: dict[str, Relation]) -> Iterator[Verdict]:
    """Return what relation 47 sees."""
    if not places:
        return
    yield from _copied(places, relations["47a"])
    yield from _last_digits(paper, places, relations["47b"])
    yield from _habits(paper, places, relations["47c"])


def _own(place: Place) -> dict[tuple[str, str], Claim]:
    return {(c.symbol, c.item): c for c in place.claims if (c.table, c.group) == (place.table, place.group)
            and not c.symbol.endswith("__level") and c.symbol not in ("n", "k", "m", "points", "step")}


def _significant(claim: Claim) -> int:
    return len(str(claim.printed.value).lstrip("-0.").replace(".", ""))


def _copied(places: list[Place], relation: Relation) -> Iterator[Verdict]:
    """Find two places that print the same digits for several numbers each of which could differ."""
    for i, one in enumerate(places):
        mine = _own(one)
        for two in places[i + 1:]:
            yours = _own(two)
            same = [k for k in mine if k in yours and mine[k].printed.value == yours[k].printed.value
                    and mine[k].printed.unit == yours[k].printed.unit]
            digits = sum(_significant(mine[k]) for k in same)
            if len(same) >= LEAST_COPIED and digits >= 3 * LEAST_COPIED - 1:
                claims = tuple(c for k in same for c in (mine[k], yours[k]))
                yield Verdict(relation, one, "question", claims,
                              hint=f"{one.words} and {two.words} print the same digits for {len(same)} numbers.")


def _last_digits(paper: Paper, places: list[Place], relation: Relation) -> Iterator[Verdict]:
    """Hold last digits of three-digit numbers against an even spread."""
    rows = {(c.row, c.symbol): c for c in paper.claims if _significant(c) >= 3 and not c.symbol.endswith("__level")}
    digits = Counter(str(c.printed.value).replace(".", "")[-1] for c in rows.values())
    n = sum(digits.values())
    if n < LEAST_DIGITS:
        return
    chi = sum((digits.get(str(d), 0) - n / 10) ** 2 / (n / 10) for d in range(10))
    if chi > CRITICAL:
        most = digits.most_common(1)[0]
        yield Verdict(relation, places[0], "question", (),
                      hint=f"Of {n} last digits {most[1]} are {most[0]} (chi-square {chi:.1f}, 9 degrees of freedom).")


def _habits(paper: Paper, places: list[Place], relation: Relation) -> Iterator[Verdict]:
    """Find quantities that are printed with fewer digits in one place than in the others."""
    seen: dict[str, dict[int, list[Claim]]] = {}
    for c in paper.claims:
        if not c.symbol.endswith("__level") and c.symbol not in ("n", "k", "m", "number", "whole") and not c.item:
            seen.setdefault(c.symbol, {}).setdefault(c.printed.decimals, []).append(c)
    for by_digits in seen.values():
        if len(by_digits) > 1 and sum(map(len, by_digits.values())) >= 4:
            odd = min(by_digits.values(), key=len)
            if len(odd) == 1:
                usual = max(by_digits, key=lambda d: len(by_digits[d]))
                yield Verdict(relation, places[0], "uninformative", (odd[0],),
                              hint=f"{odd[0].name} stands with {odd[0].printed.decimals} decimals here and with "
                              f"{usual} elsewhere.")
