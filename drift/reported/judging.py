"""One relation in one place: whether it holds, and what it would need."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Literal

from drift.engine.interval_equations import Box, Equation, equation, excluded
from drift.engine.interval_narrowing import narrow, narrow_ends
from drift.engine.intervals import EmptyIntervalError, Interval, hull, width
from drift.reported.claims import Claim
from drift.reported.places import ASSUMED_LEVEL, Place, interval_of, is_exact, level_names, other_levels, variables
from drift.reported.relation import Case, Relation
from drift.reported.vocabulary import domain, quantities

Status = Literal["agrees", "conflicts", "only under a convention", "question", "last digit", "uninformative"]
STATUSES: tuple[Status, ...] = ("conflicts", "question", "only under a convention", "last digit", "agrees",
                                "uninformative")
SPLITS = 6
PAIRED = (20, 24, 25, 26, 28, 33)
FREEDOMS = (13, 14)
BY_COUNTS = (26,)
OTHER_WAYS = frozenset(("bootstrap", "other"))
NO_RANGE: Interval = (-inf, inf)


@dataclass(frozen=True)
class Verdict:
    """What one relation says in one place.

    Parameters
    ----------
    relation : Relation
    place : Place
    status : str
        One of :data:`STATUSES`.
    claims : tuple of Claim
        Those it takes.
    target : Claim or None
        The claim that is worked out from the others.
    needed : (float, float)
        Where the target must lie, the others being as printed.
    convention : str
        The convention under which it holds, in words.
    hint : str
        A sentence more: what else would fit.
    gap : float
        Distance from what is printed to what is needed, in units of the last printed digit.
    accuses : bool
        Whether a mismatch is a conflict or only a question.
    """

    relation: Relation
    place: Place
    status: Status
    claims: tuple[Claim, ...]
    target: Claim | None = None
    needed: Interval = NO_RANGE
    convention: str = ""
    hint: str = ""
    gap: float = 0.0
    accuses: bool = False

    @property
    def slack(self) -> float:
        """Half the width of what is needed, as a share of its middle; NaN where it is open."""
        low, high = self.needed
        if not (math.isfinite(low) and math.isfinite(high)) or low + high == 0:
            return math.nan
        return abs((high - low) / (high + low))


@dataclass(frozen=True)
class Instance:
    """A relation with the cases that what is stated leaves open in one place."""

    relation: Relation
    cases: tuple[Case, ...]
    names: tuple[str, ...]

    @property
    def usual(self) -> tuple[Case, ...]:
        """Cases under which it agrees without a remark."""
        return tuple(c for c in self.cases if c.usual) or self.cases

    def equations(self, cases: Sequence[Case] | None = None) -> list[list[Equation]]:
        """Return the equations of each case."""
        return [[equation(t) for t in c.equations] for c in (self.cases if cases is None else cases)]


def instance(relation: Relation, place: Place) -> Instance | None:
    """Return a relation as it stands in one place, or None where it has nothing to say there."""
    if not relation.cases or any(s in place.single for s in relation.unless):
        return None
    if any(s not in place.single for s in relation.printed):
        return None
    if relation.when_two and [float(c.printed.value) for c in place.single.get("k", ())] != [2.0]:
        return None
    held = place.single
    names = variables(relation)
    claimed = [n for n in names if n in held]
    if not claimed:
        return None
    cases = tuple(c for c in relation.cases
                  if all(not (said := place.stated(_for_key(claimed, k), k)) or w in said
                         for k, w in c.convention.items()))
    cases = tuple(c for c in cases if not (relation.partial or c.extra)
                  or all(n in held or n.endswith("__level") for n in variables(relation, (c,))))
    return Instance(relation, cases, variables(relation, cases)) if cases else None


def _for_key(names: Sequence[str], key: str) -> list[str]:
    # How an interval was made is said of its ends, not of every number beside it.
    if key == "method":
        return [n for n in names if n.endswith(("__low", "__high"))] or list(names)
    return list(names)


def complete(made: Instance, place: Place) -> bool:
    """Tell whether every number of a relation is printed; levels may be taken as 95 %."""
    return all(n in place.single or n.endswith("__level") for n in made.names)


def accuses(made: Instance, place: Place) -> bool:
    """Tell whether a mismatch is a conflict: an exact relation, its conventions known."""
    relation = made.relation
    if relation.kind in ("A", "V") or (relation.kind == "B" and place.design != "complete"):
        return False
    if place.design != "complete" and "k" in made.names:
        return False  # the k of its formulas is a mean number of measurements, or none
    if place.design == "incomplete" and relation.number in PAIRED:
        return False  # means and SDs may be of other people than the differences
    if relation.number in FREEDOMS and any(_in_parts(n, place) for n in made.names if n.startswith("df_")):
        return False  # degrees of freedom that are no whole numbers: corrected, Satterthwaite's, or with gaps
    if relation.number == 24 and not _about_the_bias(place):
        return False  # percentiles are not symmetric
    if relation.number == 42 and place.design == "mixed model":
        return False  # t, degrees of freedom and R squared of a mixed model are tied otherwise
    # A way that could not be tried, for want of n or k, leaves the question open.
    if any(c.extra and (c.usual or "divisor" in c.convention or relation.number in BY_COUNTS)
           and c not in made.cases and _open(c, made, place) for c in relation.cases):
        return False
    levels = level_names(made.names)
    known = bool(place.stated(made.names, "factor") & {"1.96", "2"}) or all(n in place.single for n in levels)
    for need in relation.needs:
        if need == "level":
            if not known:
                return False
        elif not place.stated(_for_key(made.names, need), need):
            return False
    if not known:
        return False
    return relation.kind != "N" or bool(relation.needs) or bool(place.stated(made.names, "method") - OTHER_WAYS)


def _about_the_bias(place: Place) -> bool:
    """Tell whether limits are said to be the bias and a factor times the SD: so, or by the SD that is printed."""
    ends = ("loa_low", "loa_high")
    ways = place.stated(ends, "method")
    if ways:
        return not ways & OTHER_WAYS
    return "sd_diff" in place.single or bool(place.stated(ends, "factor"))


def _in_parts(name: str, place: Place) -> bool:
    """Tell whether a number is printed with digits behind the point, be they zeros."""
    return any(c.printed.decimals > 0 for c in place.single.get(name, ()))


def _open(case: Case, made: Instance, place: Place) -> bool:
    """Tell whether nothing that is stated rules a case out."""
    return all(not (said := place.stated(_for_key(made.names, k), k)) or w in said for k, w in case.convention.items())


def filled(made: Instance, box: Mapping[str, Interval], *, level: float | None = None, only: str = "") -> Box:
    """Return the box of a relation: printed numbers, levels (all, or only one, as another), what is not printed."""
    found: Box = {}
    for name in made.names:
        other = level if only in ("", name) else None
        if name.endswith("__level") and (other is not None or name not in box):
            x = ASSUMED_LEVEL if other is None else other
            found[name] = (x, x)
        else:
            found[name] = box.get(name, domain(name))
    return found


def possible(equations: Sequence[Equation], box: Box) -> bool:
    """Tell whether equations can hold together (False is proved)."""
    if any(excluded(e, box, splits=SPLITS) for e in equations):
        return False
    if len(equations) == 1:
        return True
    try:
        for e in equations:
            box = narrow(e, box, splits=SPLITS)
    except EmptyIntervalError:
        return False
    return True


def first_possible(made: Instance, cases: Sequence[Case], box: Box) -> Case | None:
    """Return the first case that can hold."""
    for case, equations in zip(cases, made.equations(cases), strict=True):
        if possible(equations, {n: box[n] for e in equations for n in e.names}):
            return case
    return None


def judge(made: Instance, place: Place) -> Verdict:
    """Judge a relation whose numbers are all printed."""
    relation = made.relation
    claims = tuple(c for n in variables(relation, made.usual) for c in place.single.get(n, ()))
    accusing = accuses(made, place)
    box = filled(made, place.printed)
    case = first_possible(made, made.usual, box)
    name = _target(made, place)
    target = place.single[name][0] if name else None
    needed = needed_range(made, [case] if case else made.usual, box, name)
    if case is not None:
        empty = target is not None and _says_nothing(needed, target)
        return Verdict(relation, place, "uninformative" if empty else "agrees", claims, target, needed, case.said,
                       accuses=accusing)
    gap = _gap(needed, target)
    other, hint = _otherwise(made, place, box)
    status: Status
    if within_one_unit(made, place, claims):
        status, said = "last digit", ""
    elif other:
        status, said = "only under a convention", other
    else:
        status, said = ("conflicts" if accusing else "question"), ""
    return Verdict(relation, place, status, claims, target, needed, said, hint, gap, accusing)


def _target(made: Instance, place: Place) -> str:
    """Return the variable that is worked out from the others for print, or nothing."""
    wanted = (made.relation.target, *made.names)
    return next((n for n in wanted if n in place.single and n in made.names and not n.endswith("__level")), "")


def needed_range(made: Instance, cases: Sequence[Case], box: Box, name: str) -> Interval:
    """Return where one variable must lie, the others being as printed, under any of some cases."""
    if not name:
        return NO_RANGE
    found: Interval | None = None
    wide = _wide(name, box)
    for equations in made.equations(cases):
        free = {**box, name: wide}
        try:
            for e in equations:
                free = narrow(e, free, splits=2)
            for e in equations:
                if name in e.places:
                    free = {**free, name: narrow_ends(e, {n: free[n] for n in e.names}, name)}
        except EmptyIntervalError:
            continue
        found = free[name] if found is None else hull(found, free[name])
    if found is None:
        return NO_RANGE
    whole = domain(name)
    # An end that is only where the search began is no end.
    return (whole[0] if found[0] <= wide[0] else found[0], whole[1] if found[1] >= wide[1] else found[1])


def _wide(name: str, box: Box) -> Interval:
    """Return where to look for a number: all it can be, as far as a million times what is printed."""
    low, high = domain(name)
    a = box.get(name, (low, high))
    size = max((abs(x) for x in a if math.isfinite(x)), default=1.0) or 1.0
    return (max(low, -1e6 * size), min(high, 1e6 * size))


def _says_nothing(needed: Interval, target: Claim) -> bool:
    """Tell whether what is needed covers everything the number could be anyway."""
    whole = domain(target.symbol)
    if needed == NO_RANGE or (needed[0] <= whole[0] and needed[1] >= whole[1]):
        return True
    finite = math.isfinite(width(whole)) and width(whole) > 0
    return finite and width(needed) >= 0.95 * width(whole)


def _gap(needed: Interval, target: Claim | None) -> float:
    if target is None or needed == NO_RANGE:
        return math.nan
    low, high = interval_of(target)
    distance = max(needed[0] - high, low - needed[1], 0.0)
    return distance / float(target.printed.unit)


def _otherwise(made: Instance, place: Place, box: Box) -> tuple[str, str]:
    """Return the convention not stated under which a relation holds, and a hint at one that contradicts the stated."""
    rest = [c for c in made.cases if not c.usual]
    found = first_possible(made, rest, box)
    if found is not None:
        return found.said, ""
    levels = level_names(made.names)
    if levels:
        used = box[levels[0]][0]
        for level in other_levels(used):
            if any(first_possible(made, made.usual, filled(made, place.printed, level=level, only=only)) is not None
                   for only in (*levels, "")):
                said = f"a level of {100 * level:.3g} %"
                if all(n not in place.single for n in levels):
                    return said, ""
                return "", f"It would fit {said}."
    left_out = tuple(c for c in made.relation.cases if c not in made.cases
                     and all(n in place.single or n.endswith("__level") for n in variables(made.relation, (c,))))
    if left_out:
        wide = Instance(made.relation, left_out, variables(made.relation, left_out))
        case = first_possible(wide, left_out, filled(wide, place.printed))
        if case is not None and case.said:
            return "", f"It would fit another convention: {case.said}."
    cut = filled(made, place.box(rounding="truncation"))
    if first_possible(made, made.usual, cut) is not None:
        return "digits cut off instead of rounded", ""
    coarse = coarser(place, [c for n in made.names for c in place.single.get(n, ())])
    if coarse and first_possible(made, made.cases, filled(made, place.box(wider=coarse))) is not None:
        return "whole numbers rounded to tens or more", ""
    return "", ""


def coarser(place: Place, claims: Iterable[Claim]) -> dict[int, float]:
    """Return by how many units more a whole number may be off where its last zeros may be no digits.

    Where no number of a place has more than s digits that are not zeros at its end, all may have been rounded to s
    digits: 6150 beside 198 and 12.4 stands for 6145 to 6155.
    """
    every = [c for c in place.claims if _size_is_open(c)]
    most = max((_digits(c) for c in every), default=0)
    mine = set(map(id, claims))
    found = {id(c): len(str(abs(int(c.own.value)))) - most for c in every
             if id(c) in mine and c.own.unit == 1 and c.own.value}
    return {i: (10.0 ** over - 1) / 2 for i, over in found.items() if over > 0}


def _size_is_open(claim: Claim) -> bool:
    q = quantities().get(claim.symbol.partition("__")[0])
    return (q is not None and q.scale == "number" and q.domain[1] > 1 and not is_exact(claim)
            and not claim.symbol.startswith(("df_", "nu_", "ndc")))


def _digits(claim: Claim) -> int:
    """Return the digits of a number that are surely digits: all behind a point, none of the zeros at an end."""
    digits = "".join(map(str, claim.own.value.as_tuple().digits)).lstrip("0")
    return len(digits if claim.own.unit < 1 else digits.rstrip("0"))


def within_one_unit(made: Instance, place: Place, claims: Sequence[Claim], *, units: float = 1.0) -> bool:
    """Tell whether moving one printed number by less than a unit of its last digit makes a relation hold."""
    for claim in claims:
        box = filled(made, place.box(wider={id(claim): units}))
        if first_possible(made, made.usual, box) is not None:
            return True
    return False


def verdicts(place: Place, relations: Sequence[Relation]) -> Iterator[Verdict]:
    """Judge every relation whose numbers are all printed in one place."""
    from drift.reported.finders import FINDERS

    for relation in relations:
        if relation.finder:
            yield from FINDERS[relation.finder](relation, place)
            continue
        made = instance(relation, place)
        if made is None or not complete(made, place):
            continue
        yield judge(made, place)


