"""Relations that equations cannot say: whole numbers, lists, words, order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from drift.engine.intervals import Interval
from drift.reported import finders_agreement as of_agreement
from drift.reported import finders_counts as of_counts
from drift.reported import finders_interval as of_interval
from drift.reported import finders_lists as of_lists
from drift.reported.claims import Claim
from drift.reported.found import close, verdict
from drift.reported.judging import Verdict
from drift.reported.places import Place, interval_of
from drift.reported.relation import Relation
from drift.reported.vocabulary import domain

# Koo and Li (2016): below 0.5, to 0.75, to 0.9, above.
WORDS: tuple[tuple[str, Interval], ...] = (("poor", (float("-inf"), 0.5)), ("moderate", (0.5, 0.75)),
                                           ("good", (0.75, 0.9)), ("excellent", (0.9, float("inf"))))


def inside_own_interval(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold every number against the ends of its own interval."""
    for symbol in [s for s in place.single if f"{s}__low" in place.single and f"{s}__high" in place.single]:
        point, low, high = (place.single[f"{symbol}{e}"][0] for e in ("", "__low", "__high"))
        a, b, c = interval_of(point), interval_of(low), interval_of(high)
        fits = a[1] >= b[0] and a[0] <= c[1]
        accusing = not place.stated((f"{symbol}__low", f"{symbol}__high"), "method") & {"bootstrap", "other"}
        near = _outside_by_a_digit(point, low, high)
        yield verdict(relation, place, (point, low, high), fits, needed=(b[0], c[1]), target=point, accusing=accusing,
                      near=near)


def _outside_by_a_digit(point: Claim, low: Claim, high: Claim) -> bool:
    """Tell whether a number lies no more than a unit of the coarser last digit outside its interval."""
    below, above = low.printed.value - point.printed.value, point.printed.value - high.printed.value
    return (below <= max(point.printed.unit, low.printed.unit)
            and above <= max(point.printed.unit, high.printed.unit))


def printed_twice(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold two prints of one number against each other."""
    for claims in place.single.values():
        if len(claims) < 2:
            continue
        first, *rest = claims
        for other in rest:
            a, b = interval_of(first), interval_of(other)
            fits = max(a[0], b[0]) <= min(a[1], b[1])
            near = close(other, a) or close(first, b)
            yield verdict(relation, place, (first, other), fits, needed=a, target=other, accusing=True, near=near)


def within_domain(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Find numbers that their quantity cannot be at all, such as a correlation of 1.3; relation 8 says so of ICCs."""
    for symbol, claims in (*place.single.items(), *place.several.items()):
        if "__" in symbol or symbol.startswith("icc"):
            continue
        whole = domain(symbol)
        for claim in claims:
            a = interval_of(claim)
            if a[0] > whole[1] or a[1] < whole[0]:
                yield verdict(relation, place, (claim,), False, needed=whole, target=claim, accusing=True)


def negative_by_reml(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Find negative coefficients that a mixed model cannot give."""
    for symbol in ("icc", "icc_1", "icc_k", "icc_c1", "icc_ck", "icc_a1", "icc_ak"):
        for claim in place.single.get(symbol, ()):
            if claim.conventions.get("estimation") == "REML":
                a = interval_of(claim)
                yield verdict(relation, place, (claim,), a[1] >= 0.0, needed=(0.0, 1.0), target=claim, accusing=True,
                              near=close(claim, (0.0, 1.0)))


def grade_words(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold a printed word against the coefficient and against its interval."""
    for symbol in ("icc", "icc_1", "icc_k", "icc_c1", "icc_ck", "icc_a1", "icc_ak"):
        for claim in place.single.get(symbol, ()):
            word = claim.conventions.get("word", "")
            if not word:
                continue
            by_point = [w for w, (low, high) in WORDS if interval_of(claim)[0] <= high and interval_of(claim)[1] >= low]
            ends = [place.single.get(f"{symbol}__{e}", ()) for e in ("low", "high")]
            hint = ""
            fits = word in by_point
            claims: tuple[Claim, ...] = (claim,)
            if all(ends):
                low, high = (interval_of(e[0]) for e in ends)
                spanned = [w for w, (a, b) in WORDS if low[0] <= b and high[1] >= a]
                claims = (claim, ends[0][0], ends[1][0])
                if spanned != [word]:
                    hint = f"Its interval reaches from {spanned[0]} to {spanned[-1]}."
                    fits = False
            if word not in by_point:
                hint = f"By the point it is {' or '.join(by_point)}. {hint}".strip()
            yield verdict(relation, place, claims, fits, target=claim, accusing=False, hint=hint)


FINDERS: dict[str, Callable[[Relation, Place], Iterator[Verdict]]] = {
    "within_domain": within_domain,
    "inside_own_interval": inside_own_interval, "printed_twice": printed_twice, "negative_by_reml": negative_by_reml,
    "grade_words": grade_words,
    "agreement_interval": of_interval.agreement_interval, "share_outside_whole": of_agreement.share_outside_whole,
    "most_outside": of_agreement.most_outside, "bias_interval_inside": of_agreement.bias_interval_inside,
    "independence": of_agreement.independence, "limit_against_bias": of_agreement.limit_against_bias,
    "rms_of_unit_cvs": of_lists.rms_of_unit_cvs, "mandel_h": of_lists.mandel_h, "mandel_k": of_lists.mandel_k,
    "combined": of_lists.combined, "effective_freedom": of_lists.effective_freedom,
    "kaplan_meier": of_lists.kaplan_meier,
    "mean_of_steps": of_counts.mean_of_steps, "sd_of_steps": of_counts.sd_of_steps,
    "group_means": of_counts.group_means, "group_sds": of_counts.group_sds, "group_sizes": of_counts.group_sizes,
    "percentages_whole": of_counts.percentages_whole,
    # These look at the whole paper at once: drift.reported.screening.
    "repeated_digits": lambda relation, place: iter(()), "last_digits": lambda relation, place: iter(()),
    "digit_habits": lambda relation, place: iter(()),
}


def names() -> Sequence[str]:
    """Return the names of all finders."""
    return tuple(FINDERS)
