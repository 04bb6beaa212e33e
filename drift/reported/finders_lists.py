"""Finders for lists: laboratories, uncertainty budgets, survival, CVs of units."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from drift.engine import intervals as iv
from drift.engine.intervals import Interval
from drift.reported.claims import Claim
from drift.reported.finders_agreement import whole
from drift.reported.found import close, meets, verdict
from drift.reported.judging import Verdict
from drift.reported.places import Place, interval_of
from drift.reported.relation import Relation


def total(intervals: Sequence[Interval]) -> Interval:
    """Return the sum of intervals."""
    made: Interval = (0.0, 0.0)
    for a in intervals:
        made = iv.add(made, a)
    return made


def rms_of_unit_cvs(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold the root mean square of the CVs of units against the one printed."""
    parts, claims = place.several.get("unit_cv", ()), place.single.get("cv_rms", ())
    n = whole(place, "n")
    if not claims or len(parts) < 2 or n not in (None, len(parts)):
        return
    squares = total([iv.power(interval_of(c), 2) for c in parts])
    needed = iv.root((squares[0] / len(parts), squares[1] / len(parts)))
    yield verdict(relation, place, (claims[0], *parts), meets(needed, interval_of(claims[0])), needed=needed,
                  target=claims[0], near=close(claims[0], needed))


def mandel_h(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Sum h = 0, sum h^2 = p - 1, |h| at most (p - 1)/sqrt(p)."""
    yield from _mandel(relation, place, "mandel_h", bound=lambda p: (p - 1) / math.sqrt(p),
                       squares=lambda p: p - 1.0, sums=True)


def mandel_k(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Sum k^2 = p, k at most sqrt(p)."""
    yield from _mandel(relation, place, "mandel_k", bound=lambda p: math.sqrt(p), squares=float, sums=False)


def _mandel(relation: Relation, place: Place, symbol: str, *, bound: object, squares: object,
            sums: bool) -> Iterator[Verdict]:
    parts = place.several.get(symbol, ())
    p = whole(place, "labs")
    if not parts or p is None:
        return
    at_most = float(bound(p)) if callable(bound) else math.inf
    for claim in parts:
        a = iv.magnitude(interval_of(claim))
        if a[0] > at_most:
            yield verdict(relation, place, (claim, place.single["labs"][0]), False, needed=(-at_most, at_most),
                          target=claim, accusing=True, near=close(claim, (-at_most, at_most)))
    if len(parts) != p or not callable(squares):
        return
    made = total([iv.power(interval_of(c), 2) for c in parts])
    wanted = float(squares(p))
    middle = total([interval_of(c) for c in parts])
    # With unequal numbers of readings h is taken from a weighted mean, and the sums are others.
    equal = place.design == "complete"
    fits = made[0] <= wanted <= made[1] and (not sums or middle[0] <= 0.0 <= middle[1])
    wider = total([iv.power(interval_of(c, extra=1 / len(parts)), 2) for c in parts])
    wide_middle = total([interval_of(c, extra=1 / len(parts)) for c in parts])
    near = wider[0] <= wanted <= wider[1] and (not sums or wide_middle[0] <= 0.0 <= wide_middle[1])
    hint = (f"The squares add up to {made[0]:.4g} to {made[1]:.4g}, and should to {wanted:g}"
            + (f"; the sum is {middle[0]:.3g} to {middle[1]:.3g}, and should be 0." if sums else "."))
    yield verdict(relation, place, parts, fits, accusing=equal, near=near, hint=hint)


def combined(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold the root of the sum of squares of the parts against the combined uncertainty."""
    parts, claims = place.several.get("u_part", ()), place.single.get("u_c", ())
    if not claims or len(parts) < 2:
        return
    needed = iv.root(total([iv.power(interval_of(c), 2) for c in parts]))
    # Correlated parts may add up to more or less, so that a mismatch can only ask.
    yield verdict(relation, place, (claims[0], *parts), meets(needed, interval_of(claims[0])), needed=needed,
                  target=claims[0], near=close(claims[0], needed),
                  hint="Parts that are correlated, or left out of the table, add up to something else.")


def effective_freedom(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Welch and Satterthwaite's degrees of freedom, between the smallest of the parts' and their sum."""
    us = {c.item: c for c in place.several.get("u_part", ())}
    nus = {c.item: c for c in place.several.get("nu_part", ())}
    claims = place.single.get("nu_eff", ())
    if not claims or len(nus) < 2:
        return
    claim = claims[0]
    freedoms = [interval_of(c) for c in nus.values()]
    bounds: Interval = (min(a[0] for a in freedoms), total(freedoms)[1])
    yield verdict(relation, place, (claim, *nus.values()), meets(bounds, interval_of(claim)), needed=bounds,
                  target=claim, accusing=len(us) == len(nus), near=close(claim, bounds))
    if set(us) != set(nus):
        return
    squares = total([iv.power(interval_of(c), 2) for c in us.values()])
    bottom = total([iv.divide(iv.power(interval_of(us[i]), 4), interval_of(nus[i])) for i in us])
    needed = iv.divide(iv.power(squares, 2), bottom)
    value = interval_of(claim)
    # Degrees of freedom are printed rounded or cut to a whole number.
    cut: Interval = (value[0], value[1] + 0.5) if claim.printed.decimals == 0 else value
    yield verdict(relation, place, (claim, *us.values(), *nus.values()), meets(needed, cut), needed=needed,
                  target=claim, near=close(claim, needed))


def kaplan_meier(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Each Kaplan-Meier value is the one before times 1 - d/n with a whole d.

    Where rows are left out, as in the numbers at risk below a curve, it is several such steps.
    """
    values = place.several.get("survival", ())
    risk = {c.item: c for c in place.several.get("at_risk", ())}
    before: Interval = (1.0, 1.0)
    above = whole(place, "n")
    for claim in values:
        if claim.item not in risk:
            return
        n = int(risk[claim.item].printed.value)
        a = interval_of(claim)
        held = [iv.multiply(before, (1 - d / n, 1 - d / n)) for d in range(n + 1)] if n else []
        met = [b for b in held if meets(a, b)]
        near = bool(held) and any(close(claim, b) for b in held)
        skipped = () if met else _between(before, above, n)
        said = "steps between the printed times" if any(meets(a, b) for b in skipped) else ""
        nearest = min(held, key=lambda b: abs(0.5 * (b[0] + b[1]) - float(claim.printed.value))) if held else a
        yield verdict(relation, place, (claim, risk[claim.item]), bool(met), needed=nearest, target=claim,
                      accusing=bool(skipped), near=near, convention=said)
        above = n
        # What follows stands on what is printed: one slip is found once, and no step that fits by chance is built on.
        before = a


MOST_SKIPPED = 12


def _between(before: Interval, above: int | None, n: int) -> tuple[Interval, ...]:
    """Return all values that units leaving between two printed times can give; nothing where they are too many.

    A unit that leaves as the j-th from the end takes (j - 1)/j if it failed, and 1 if it was only lost to sight; ties
    multiply to 1 - d/n. After the time itself anything from none to all n may have failed.
    """
    if above is None or above < n or above - n > MOST_SKIPPED:
        return ()
    products = {1.0}
    for j in range(above, n, -1):
        products |= {round(p * (j - 1) / j, 15) for p in products}
    return tuple(iv.multiply(before, (p * (1 - d / n) * (1 - 1e-12), p * (1 - d / n) * (1 + 1e-12)))
                 for p in products for d in range(n + 1)) if n else ()


def claims_by_item(claims: Sequence[Claim]) -> dict[str, Claim]:
    """Return claims by item."""
    return {c.item: c for c in claims}
