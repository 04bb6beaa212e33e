"""Finders for limits of agreement: points outside, independence, the interval of ICC(A,1)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import product

from drift.engine.interval_functions import f_quantile, t_quantile
from drift.engine.intervals import Interval
from drift.reported.claims import Claim
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


def share_outside_whole(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold a share of n points against whole numbers of points."""
    n, claims = whole(place, "n"), place.single.get("outside_share", ())
    if n is None or not claims:
        return
    yield _whole_share(relation, place, claims[0], place.single["n"][0], n)


def _whole_share(relation: Relation, place: Place, claim: Claim, count: Claim, n: int) -> Verdict:
    low, high = interval_of(claim)
    nearest = round(float(claim.printed.value) * n)
    needed = ((nearest / n), (nearest / n))
    return verdict(relation, place, (claim, count), math.floor(high * n + 1e-9) >= math.ceil(low * n - 1e-9),
                   needed=needed, target=claim, accusing=True, near=close(claim, needed),
                   says_nothing=1.0 / n <= high - low)


def most_outside(relation: Relation, place: Place) -> Iterator[Verdict]:
    """No more than (n - 1)/c^2 of n values can lie more than c SDs (divisor n - 1) from their mean."""
    n = whole(place, "n")
    claim = next((place.single[s][0] for s in ("outside", "outside_share") if s in place.single), None)
    if n is None or claim is None:
        return
    limits = ("loa_low", "loa_high", "sd_diff")
    c = 2.0 if place.stated(limits, "factor") == {"2"} else 1.96
    known = place.stated(limits, "divisor") == {"n-1"}
    most = math.floor((n - 1 if known else n) / c ** 2)
    if known and n <= 5:
        most = 0
    scale = n if claim.symbol == "outside_share" else 1
    low = interval_of(claim)[0] * scale
    needed: Interval = (0.0, most / scale)
    accusing = known and bool(place.stated(limits, "factor") & {"1.96", "2"})
    yield verdict(relation, place, (claim, place.single["n"][0]), low <= most, needed=needed, target=claim,
                  accusing=accusing)


def bias_interval_inside(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold the interval of the bias against the limits: inside from n = 4 on (95 %), from n = 6 on (99 %)."""
    needed = ("bias__low", "bias__high", "loa_low", "loa_high", "n")
    n = whole(place, "n")
    if n is None or any(s not in place.single for s in needed):
        return
    level, stated = level_of(place, "bias")
    if level > 0.991 or n < (6 if level > 0.951 else 4):
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


def agreement_interval(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Recompute the interval of ICC(A,1) by F with Satterthwaite degrees of freedom (McGraw and Wong 1996)."""
    n, k = whole(place, "n"), whole(place, "k")
    ends = [place.single.get(f"icc_a1__{e}", ()) for e in ("low", "high")]
    if n is None or k is None or not all(ends) or "f_raters" not in place.single or "icc_a1" not in place.single:
        return
    a, j = interval_of(place.single["icc_a1"][0]), interval_of(place.single["f_raters"][0])
    level, _ = level_of(place, "icc_a1")
    made = [_satterthwaite(x, y, n, k, level) for x, y in product((*a, sum(a) / 2), (*j, sum(j) / 2)) if x < 1]
    if not made:
        return
    claims = (place.single["icc_a1"][0], ends[0][0], ends[1][0], place.single["f_raters"][0])
    lows: Interval = (min(m[0] for m in made), max(m[0] for m in made))
    highs: Interval = (min(m[1] for m in made), max(m[1] for m in made))
    low, high = interval_of(ends[0][0]), interval_of(ends[1][0])
    one = low[0] <= lows[1] and low[1] >= lows[0]
    two = high[0] <= highs[1] and high[1] >= highs[0]
    target, needed = (ends[1][0], highs) if one else (ends[0][0], lows)
    yield verdict(relation, place, claims, one and two, needed=needed, target=target, accusing=False,
                  near=(one or close(ends[0][0], lows)) and (two or close(ends[1][0], highs)),
                  hint="Another method (pivotal, mean squares, bootstrap) may have been used.")


def _satterthwaite(rho: float, fj: float, n: int, k: int, level: float) -> tuple[float, float]:
    a = k * rho / (n * (1 - rho))
    b = 1 + k * rho * (n - 1) / (n * (1 - rho))
    v = (a * fj + b) ** 2 / ((a * fj) ** 2 / (k - 1) + b ** 2 / ((n - 1) * (k - 1)))
    f = (rho * (k * (fj - 1) / n + k - 1) + 1) / (1 - rho)  # relation 3a turned round
    rest = k * fj + k * n - k - n
    lower, upper = f_quantile(level, n - 1, v), f_quantile(level, v, n - 1)
    return n * (f - lower) / (lower * rest + n * f), n * (upper * f - 1) / (rest + n * upper * f)
