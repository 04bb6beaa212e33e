"""What a set of mismatches has in common: a level, a divisor, two numbers exchanged, a digit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from drift.engine.intervals import Interval
from drift.reported.claims import Claim
from drift.reported.conflicts import Conflict, beside_others, contradicts, settles
from drift.reported.judging import Verdict, complete, filled, first_possible, instance
from drift.reported.one_unit import apart_sentence
from drift.reported.places import Place, filled_level, interval_of, place_of
from drift.reported.relation import Relation
from drift.reported.strings import Printed
from drift.reported.vocabulary import title

# Numbers that are easily printed in each other's place.
EXCHANGED: tuple[frozenset[str], ...] = (
    frozenset(("icc_1", "icc_a1", "icc_c1", "icc_k", "icc_ak", "icc_ck", "alpha")), frozenset(("sd", "se", "sem")),
    frozenset(("sd_1", "se_1")), frozenset(("sd_2", "se_2")), frozenset(("mean_1", "mean_2")),
    frozenset(("sd_1", "sd_2")), frozenset(("sem_c", "sem_a", "sem_1", "sd_all", "sd_columns")),
    frozenset(("sd_diff", "se_bias")), frozenset(("mdc_c", "mdc_a", "mdc_1")), frozenset(("f_one", "f_two",
                                                                                          "f_raters")),
    frozenset(("ms_units", "ms_raters", "ms_error", "ms_within")), frozenset(("s_r", "s_R")),
    frozenset(("ev", "av", "pv")))
INTERVAL_RELATIONS = (9, 10, 11, 21, 26, 27, 35, 42)
# No interval of an estimate, but a number made with a factor that has a level.
FACTORS = {18: "mdc", 24: "the limits of agreement", 41: "coverage factor"}


@dataclass(frozen=True)
class Detection:
    """One thing that several mismatches have in common."""

    kind: str
    place: Place
    claims: tuple[Claim, ...]
    sentence: str


def units_apart(place: Place) -> list[Detection]:
    """Return what was not compared for its units."""
    return [Detection("units", place, (*a.shown, *a.left_out), apart_sentence(a))
            for a in place.apart]


def detections(place: Place, relations: Sequence[Relation], verdicts: Sequence[Verdict],
               found: Sequence[Conflict]) -> list[Detection]:
    """Return what can be made out in one place."""
    made = [*_levels(place, verdicts), *_independence(place, verdicts), *_divisors(place, verdicts),
            *_alpha(place, verdicts)]
    if any(not c.remark for c in found):
        made += [*_exchanged(place, relations, verdicts), *_slips(place, relations, found)]
    return made


def _levels(place: Place, verdicts: Sequence[Verdict]) -> Iterator[Detection]:
    """Find intervals whose width is that of another level."""
    told: set[str] = set()
    done: set[int] = set()
    for v in verdicts:
        factor = v.relation.number in FACTORS
        if not (factor or v.relation.number in INTERVAL_RELATIONS) or v.status in ("agrees", "uninformative"):
            continue
        text = v.convention or v.hint
        if "a level of" not in text:
            continue
        level = text.split("a level of ")[1].split(" %")[0]
        if factor:
            if v.relation.number not in done:
                done.add(v.relation.number)
                yield _level_of_a_factor(place, v, level)
            continue
        ends = [c for c in v.claims if c.symbol.endswith(("__low", "__high"))]
        base = ends[0].symbol.partition("__")[0] if ends else ""
        if base in told or not ends:
            continue
        told.add(base)
        stated = filled_level(place, base)
        beside = f"called {100 * stated:g} %" if stated else "without a stated level"
        one_sided = (" A one-sided 95 % bound on each side has that width." if level == "90" else "")
        yield Detection("level", place, tuple(ends), f"The interval of {title(base)}, {beside}, has the width of a "
                        f"{level} % interval.{one_sided}")


def _level_of_a_factor(place: Place, v: Verdict, level: str) -> Detection:
    """Say that a number made with a factor fits the factor of another level."""
    of = "mdc" if v.relation.number == 18 else ""
    name = (v.target.name if of and v.target else FACTORS[v.relation.number])
    stated = filled_level(place, v.target.symbol if of and v.target else "loa")
    beside = f"called {100 * stated:g} %" if stated else "without a stated level"
    verb = "have" if name.startswith("the limits") else "has"
    return Detection("level", place, v.claims, f"{name[0].upper()}{name[1:]}, {beside}, {verb} the factor of a "
                     f"{level} % level.")


def _independence(place: Place, verdicts: Sequence[Verdict]) -> Iterator[Detection]:
    for v in verdicts:
        if v.relation.number == 32 and v.status in ("conflicts", "question") and v.hint:
            yield Detection("independence", place, v.claims, v.hint)


def _divisors(place: Place, verdicts: Sequence[Verdict]) -> Iterator[Detection]:
    for v in verdicts:
        if "divisor n" in (v.convention or v.hint) and v.status not in ("agrees", "uninformative"):
            yield Detection("divisor", place, v.claims, f"{v.target.name if v.target else 'The SD'} fits with another "
                            f"divisor: {(v.convention or v.hint).removeprefix('It would fit another convention: ')}."
                            .replace("..", "."))
            return


def _alpha(place: Place, verdicts: Sequence[Verdict]) -> Iterator[Detection]:
    """Find an alpha that is another coefficient."""
    if not any(v.relation.number == 7 and v.status in ("conflicts", "question") for v in verdicts):
        return
    alpha = place.single.get("alpha", ())
    for symbol in ("icc_c1", "icc_ak", "icc_a1", "icc_k"):
        for claim in place.single.get(symbol, ()):
            a, b = interval_of(alpha[0]), interval_of(claim)
            if max(a[0], b[0]) <= min(a[1], b[1]):
                yield Detection("alpha", place, (alpha[0], claim), f"Cronbach alpha is printed as {claim.name} is, and "
                                "should be ICC(C,k).")
                return


def _failing(place: Place, relations: Sequence[Relation]) -> set[str]:
    """Return the labels of exact relations that fail in a place."""
    failed = set()
    for relation in relations:
        made = instance(relation, place)
        if made is None or relation.kind not in ("E", "B", "I") or not complete(made, place):
            continue
        if first_possible(made, made.cases, filled(made, place.printed)) is None:
            failed.add(relation.label)
    return failed


def _exchanged(place: Place, relations: Sequence[Relation], verdicts: Sequence[Verdict]) -> Iterator[Detection]:
    """Exchange two numbers at a time, and see whether everything fits then."""
    involved = {c.symbol for v in verdicts if v.status in ("conflicts", "question") for c in v.claims}
    tried = set()
    for family in EXCHANGED:
        here = [s for s in family if len(place.single.get(s, ())) == 1]
        for i, a in enumerate(here):
            for b in here[i + 1:]:
                pair = frozenset((a, b))
                if pair in tried or not pair & involved:
                    continue
                tried.add(pair)
                one, two = place.single[a][0], place.single[b][0]
                if one.printed.value == two.printed.value:
                    continue
                claims = tuple(replace(c, symbol=b) if c is one else replace(c, symbol=a) if c is two else c
                               for c in place.claims)
                other = place_of(place.table, place.group, claims, place.design)
                if not _failing(other, relations) and not contradicts(other, relations):
                    yield Detection("exchanged", place, (one, two), f"With {one.name} and {two.name} exchanged "
                                    "everything here fits.")


def _slips(place: Place, relations: Sequence[Relation], found: Sequence[Conflict]) -> Iterator[Detection]:
    """Look for a slip of digits in a number that alone would explain everything."""
    told: set[int] = set()
    for conflict in found:
        here = beside_others(place, found, conflict)
        for claim, needed in conflict.alone:
            if id(claim) in told:
                continue
            told.add(id(claim))
            for how, value in slips(claim):
                at = _slipped(claim, value)
                if _holds(claim, at.value, needed) and settles(here, relations, claim, at):
                    yield Detection("digits", place, (claim,), f"{claim.name} would fit as {value}, {how}.")
                    break


def _slipped(claim: Claim, value: Decimal) -> Printed:
    """Return a slip of a printed number in the unit that it is compared in."""
    exponent = value.as_tuple().exponent
    last = replace(claim.own, value=value, unit=Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0))
    return last.scaled(claim.printed.unit / claim.own.unit)


def _holds(claim: Claim, value: Decimal, needed: Interval) -> bool:
    half, x = float(claim.printed.unit) / 2, float(value)
    # A wide range is reached by some slip or other, which then says nothing.
    return needed[1] - needed[0] <= 20 * float(claim.printed.unit) and x - half <= needed[1] and x + half >= needed[0]


def slips(claim: Claim) -> Iterator[tuple[str, Decimal]]:
    """Return the values that one slip of the pen makes of a printed number."""
    value = claim.own.value
    sign, digits, exponent = value.as_tuple()
    if not isinstance(exponent, int):
        return
    for i in range(len(digits) - 1):
        if digits[i] != digits[i + 1]:
            swapped = (*digits[:i], digits[i + 1], digits[i], *digits[i + 2:])
            yield "two digits exchanged", Decimal((sign, swapped, exponent))
    if value:
        yield "with the other sign", -value
    yield "the point moved to the right", value * 10
    yield "the point moved to the left", value / 10
    for i, d in enumerate(digits):
        for other in range(10):
            if other != d:
                yield "one digit changed", Decimal((sign, (*digits[:i], other, *digits[i + 1:]), exponent))
