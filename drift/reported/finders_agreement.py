"""Finders for limits of agreement: points outside, independence."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drift.engine.interval_functions import t_quantile
from drift.engine.intervals import Interval
from drift.reported.found import close, verdict
from drift.reported.judging import Verdict
from drift.reported.places import ASSUMED_LEVEL, Place, interval_of
from drift.reported.relation import Relation
from drift.reported.vocabulary import title


def whole(place: Place, symbol: str) -> int | None:
    """Return a count that is printed, or None."""
    claims = place.single.get(symbol, ())
    return int(claims[0].printed.value) if claims and not claims[0].printed.bound else None


def level_of(place: Place, symbol: str) -> tuple[float, bool]:
    """Return the level of an interval, and whether it is stated."""
    claims = place.single.get(f"{symbol}__level", ())
    return (float(claims[0].printed.value), True) if claims else (ASSUMED_LEVEL, False)


def wholes(place: Place) -> list[tuple[int, str]]:
    """Return the counts that a share can be of, the units first, each in words."""
    n, k = whole(place, "n"), whole(place, "k")
    named = [(n, ""), (whole(place, "n_pairs"), "all pairs"), (whole(place, "n_readings"), "all readings"),
             (n * k if n and k else None, "all n x k readings")]
    return [(count, said) for count, said in named if count]


def fits_share(a: Interval, n: int) -> bool:
    """Tell whether a whole number of n lies within a share."""
    return math.floor(a[1] * n + 1e-9) >= math.ceil(a[0] * n - 1e-9)


def share_outside_whole(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold a share of n points against whole numbers of points; where units were measured again, of all points."""
    n, claims = whole(place, "n"), place.single.get("outside_share", ())
    if n is None or not claims:
        return
    claim, a = claims[0], interval_of(claims[0])
    other = next((said for count, said in wholes(place) if said and fits_share(a, count)), "")
    nearest = round(float(claim.printed.value) * n) / n
    # Where k is not said to be 2 nor all pairs are counted, units may have been measured again.
    accusing = whole(place, "k") == 2 or whole(place, "n_pairs") is not None
    yield verdict(relation, place, (claim, place.single["n"][0]), fits_share(a, n), needed=(nearest, nearest),
                  target=claim, accusing=accusing, near=close(claim, (nearest, nearest)),
                  convention=f"a share of {other}" if other else "", says_nothing=1.0 / n <= a[1] - a[0])


def most_outside(relation: Relation, place: Place) -> Iterator[Verdict]:
    """No more than (n - 1)/c^2 of n values can lie more than c SDs (divisor n - 1) from their mean."""
    units = whole(place, "n")
    claim = next((place.single[s][0] for s in ("outside", "outside_share") if s in place.single), None)
    if units is None or claim is None:
        return
    # With several points a unit the bound is one for points, and only where their SD is that of all of them.
    n = max(units, whole(place, "n_pairs") or 0, whole(place, "n_readings") or 0)
    limits = ("loa_low", "loa_high", "sd_diff")
    c = 2.0 if place.stated(limits, "factor") == {"2"} else 1.96
    known = place.stated(limits, "divisor") == {"n-1"}
    most = math.floor((n - 1 if known else n) / c ** 2)
    if known and n <= 5:
        most = 0
    scale = n if claim.symbol == "outside_share" else 1
    low = interval_of(claim)[0] * scale
    needed: Interval = (0.0, most / scale)
    accusing = known and n == units and (whole(place, "k") or 2) == 2 and bool(
        place.stated(limits, "factor") & {"1.96", "2"})
    yield verdict(relation, place, (claim, place.single["n"][0]), low <= most, needed=needed, target=claim,
                  accusing=accusing)


def bias_interval_inside(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold the interval of the bias against the limits: inside from n = 4 on (95 %), from n = 6 on (99 %)."""
    needed = ("bias__low", "bias__high", "loa_low", "loa_high", "n")
    n = whole(place, "n")
    if n is None or any(s not in place.single for s in needed):
        return
    level, stated = level_of(place, "bias")
    if level > 0.991 or n < (6 if level > 0.951 else 4) or level_of(place, "loa")[0] < 0.949:
        return
    low, high, bottom, top = (place.single[s][0] for s in needed[:4])
    fits = interval_of(low)[1] >= interval_of(bottom)[0] and interval_of(high)[0] <= interval_of(top)[1]
    yield verdict(relation, place, (low, high, bottom, top), fits,
                  needed=(interval_of(bottom)[0], interval_of(top)[1]), target=low,
                  accusing=stated and place.stated(("bias__low",), "method") == {"t"})


def independence(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Find intervals of the bias as wide as if N readings of n units were N units."""
    n = whole(place, "n")
    pairs = whole(place, "n_pairs") or whole(place, "n_readings")
    needed = ("bias__low", "bias__high", "sd_diff")
    if n is None or pairs is None or pairs <= n or any(s not in place.single for s in needed):
        return
    low, high, sd = (place.single[s][0] for s in needed)
    level, _ = level_of(place, "bias")
    a, b, s = interval_of(low), interval_of(high), interval_of(sd)
    wide: Interval = (b[0] - a[1], b[1] - a[0])

    def fits(m: int) -> bool:
        t = t_quantile(level, m - 1)
        return 2 * t * s[0] / math.sqrt(m) <= wide[1] and 2 * t * s[1] / math.sqrt(m) >= wide[0]

    by_unit, by_reading = fits(n), fits(pairs)
    hint = (f"The interval has the width that {pairs} independent pairs would give; there are {n} units."
            if by_reading and not by_unit else "")
    if by_reading or by_unit:
        t = t_quantile(level, n - 1) / math.sqrt(n)
        yield verdict(relation, place, (low, high, sd, place.single["n"][0]), by_unit,
                      needed=(interval_of(low)[1] + 2 * t * s[0], interval_of(low)[1] + 2 * t * s[1]), target=high,
                      accusing=False, hint=hint)


def limit_against_bias(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold the interval of a limit against that of the bias at the same level, which is narrower."""
    if any(s not in place.single for s in ("bias__low", "bias__high")):
        return
    low, high = (place.single[s][0] for s in ("bias__low", "bias__high"))
    narrowest = interval_of(high)[0] - interval_of(low)[1]
    for limit in ("loa_low", "loa_high"):
        if any(f"{limit}{e}" not in place.single for e in ("__low", "__high")):
            continue
        bottom, top = (place.single[f"{limit}{e}"][0] for e in ("__low", "__high"))
        one, two = level_of(place, "bias"), level_of(place, limit)
        widest = interval_of(top)[1] - interval_of(bottom)[0]
        start = interval_of(bottom)[0]
        yield verdict(relation, place, (bottom, top, low, high), widest >= narrowest or one[0] != two[0],
                      needed=(start + narrowest, math.inf), target=top,
                      accusing=one[1] and two[1] and place.stated(("bias__low",), "method") == {"t"},
                      hint=f"The interval of the {title(limit)} is narrower than that of the bias, although a limit is "
                      "known less well.")
