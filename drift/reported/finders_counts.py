"""Finders for counts: steps of an instrument, groups that make a whole, percentages."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drift.engine import intervals as iv
from drift.engine.intervals import Interval
from drift.reported.claims import Claim
from drift.reported.finders_agreement import fits_share, whole, wholes
from drift.reported.finders_lists import claims_by_item, total
from drift.reported.found import close, meets, verdict
from drift.reported.judging import Verdict
from drift.reported.places import Place, interval_of
from drift.reported.relation import Relation

MEANS = ("mean", "mean_1", "mean_2", "bias")
SDS = {"mean": "sd", "mean_1": "sd_1", "mean_2": "sd_2", "bias": "sd_diff"}


def _step(place: Place) -> float | None:
    claims = place.single.get("step", ())
    return float(claims[0].printed.value) if claims and claims[0].printed.value > 0 else None


def _means(place: Place) -> Iterator[tuple[Claim, int, str]]:
    """Return means with the number of readings behind each and the symbol of its SD."""
    readings = whole(place, "n_readings")
    n, k = whole(place, "n"), whole(place, "k")
    # Where every number is itself a mean, of m readings or of repeats, the grid is that much finer.
    finer = (whole(place, "m") or 1) * (whole(place, "repeats") or 1)
    for symbol in MEANS:
        for claim in place.single.get(symbol, ()):
            # Where every unit is a mean of k readings the grid is k times as fine, which no check may overlook.
            count = readings if readings and symbol == "mean" else n * k if n and k else n
            if count:
                yield claim, count * finer, SDS[symbol]
    sizes = claims_by_item(place.several.get("group_n", ()))
    for claim in place.several.get("group_mean", ()):
        if claim.item in sizes:
            yield claim, int(sizes[claim.item].printed.value) * finer, "group_sd"


def _averaged(place: Place) -> bool:
    """Tell whether numbers are means of an unknown grid: m is not said, or more than one."""
    return whole(place, "m") != 1


def mean_of_steps(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold a mean of n readings in steps of q against multiples of q/n."""
    q = _step(place)
    if q is None:
        return
    for claim, n, symbol in _means(place):
        low, high = interval_of(claim)
        grid = q / n
        nearest = round(float(claim.printed.value) / grid) * grid
        fits = math.floor(high / grid + 1e-9) >= math.ceil(low / grid - 1e-9)
        yield verdict(relation, place, (claim, place.single["step"][0]), fits, needed=(nearest, nearest), target=claim,
                      accusing=not _averaged(place) and symbol != "sd_diff", near=close(claim, (nearest, nearest)),
                      says_nothing=grid <= float(claim.printed.unit),
                      hint=f"A mean of {n} readings in steps of {q:g} moves in steps of {grid:.3g}"
                      + (", unless each of them is a mean itself." if _averaged(place) else "."))


def sd_of_steps(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold an SD against sums of squares in whole steps of q^2, odd or even as the sum is."""
    q = _step(place)
    if q is None or (whole(place, "k") and not whole(place, "n_readings")) or (whole(place, "m") or 1) > 1 or (
            whole(place, "repeats") or 1) > 1:
        return
    sds = claims_by_item(place.several.get("group_sd", ()))
    for claim, n, symbol in _means(place):
        sd = sds.get(claim.item) if symbol == "group_sd" else next(iter(place.single.get(symbol, ())), None)
        if sd is None or n < 2:
            continue
        fits, tried = _sum_of_squares(interval_of(claim), interval_of(sd), n, q)
        near, _ = _sum_of_squares(interval_of(claim), interval_of(sd, extra=1.0), n, q)
        # An SD with divisor n has another sum of squares.
        accusing = not _averaged(place) and symbol != "sd_diff" and sd.conventions.get("divisor") == "n-1"
        yield verdict(relation, place, (claim, sd, place.single["step"][0]), fits, target=sd, accusing=accusing,
                      near=near,
                      says_nothing=tried > 1, hint="No whole sum of squares gives this SD beside this mean.")


def _sum_of_squares(mean: Interval, sd: Interval, n: int, q: float) -> tuple[bool, int]:
    """Tell whether whole steps can give this mean and SD, and how many sums of squares were open."""
    first, last = math.ceil(mean[0] * n / q - 1e-9), math.floor(mean[1] * n / q + 1e-9)
    if last - first > 200:
        return True, 2
    widest = 0
    found = False
    for whole_sum in range(first, last + 1):
        low = (n - 1) * (max(sd[0], 0.0) / q) ** 2 + whole_sum ** 2 / n
        high = (n - 1) * (sd[1] / q) ** 2 + whole_sum ** 2 / n
        bottom, top = math.ceil(low * (1 - 1e-12) - 1e-9), math.floor(high * (1 + 1e-12) + 1e-9)
        widest = max(widest, top - bottom + 1)
        found = found or any((s - whole_sum) % 2 == 0 for s in range(bottom, min(top, bottom + 2) + 1))
    return found, widest if first <= last else 2


def group_means(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Means of groups, weighted by their sizes, make the overall mean."""
    means, sizes = (claims_by_item(place.several.get(s, ())) for s in ("group_mean", "group_n"))
    if len(means) < 2 or set(means) != set(sizes) or "mean" not in place.single:
        return
    claim = place.single["mean"][0]
    count = sum(float(sizes[i].printed.value) for i in means)
    if whole(place, "n") not in (None, int(count)) and whole(place, "n_readings") != int(count):
        return
    parts = [iv.multiply(interval_of(means[i]), (float(sizes[i].printed.value),) * 2) for i in means]
    needed = iv.divide(total(parts), (count, count))
    yield verdict(relation, place, (claim, *means.values(), *sizes.values()),
                  meets(needed, interval_of(claim)), needed=needed, target=claim,
                  accusing=_all_there(place, count), near=close(claim, needed))


def _all_there(place: Place, count: float) -> bool:
    """Tell whether the groups are all there are: their sizes make the printed n or N."""
    return int(count) in (whole(place, "n"), whole(place, "n_readings"))


def group_sds(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Put sums of squares within groups and between their means together to the overall SD (divisor n - 1)."""
    means, sds, sizes = (claims_by_item(place.several.get(s, ())) for s in ("group_mean", "group_sd", "group_n"))
    if len(means) < 2 or not set(means) == set(sizes) == set(sds):
        return
    claims = place.single.get("sd") or place.single.get("sd_all")
    count = sum(float(c.printed.value) for c in sizes.values())
    if not claims or (whole(place, "n") not in (None, int(count)) and whole(place, "n_readings") != int(count)):
        return
    n = {i: float(sizes[i].printed.value) for i in means}
    within = total([iv.multiply((n[i] - 1, n[i] - 1), iv.power(interval_of(sds[i]), 2)) for i in means])
    # Sum over pairs of groups: no overall mean enters, so that nothing is counted twice.
    items = list(means)
    between = total([iv.multiply((n[a] * n[b] / count,) * 2,
                                 iv.power(iv.subtract(interval_of(means[a]), interval_of(means[b])), 2))
                     for x, a in enumerate(items) for b in items[x + 1:]])
    needed = iv.root(iv.divide(iv.add(within, between), (count - 1, count - 1)))
    claim = claims[0]
    yield verdict(relation, place, (claim, *means.values(), *sds.values(), *sizes.values()),
                  meets(needed, interval_of(claim)), needed=needed, target=claim,
                  accusing=_all_there(place, count) and (
                      claim.conventions.get("divisor") == "n-1" or claim.symbol == "sd_all"),
                  near=close(claim, needed))


def group_sizes(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Sizes of groups add up to n or to N."""
    sizes = place.several.get("group_n", ())
    claims = place.single.get("n_readings") or place.single.get("n")
    if len(sizes) < 2 or not claims:
        return
    count = float(sum(c.printed.value for c in sizes))
    claim = claims[0]
    yield verdict(relation, place, (claim, *sizes), float(claim.printed.value) == count, needed=(count, count),
                  target=claim, accusing=False)


def percentages_whole(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Hold a percentage of n against whole numbers, and against the one printed beside it."""
    n = whole(place, "n")
    if n is None:
        return
    counts = claims_by_item(place.several.get("count", ()))
    for claim in place.several.get("percentage", ()):
        low, high = interval_of(claim)
        bottom, top = math.ceil(low * n / 100 - 1e-9), math.floor(high * n / 100 + 1e-9)
        nearest = 100.0 * round(float(claim.printed.value) * n / 100) / n
        other = ""
        beside = counts.get(claim.item)
        fits = bottom <= top
        if beside is None:
            other = next((said for count, said in wholes(place)
                          if said and fits_share((low / 100, high / 100), count)), "")
        claims: tuple[Claim, ...] = (claim, place.single["n"][0])
        if beside is not None:
            value = int(beside.printed.value)
            nearest, fits, claims = 100.0 * value / n, bottom <= value <= top, (claim, beside, place.single["n"][0])
        if beside is not None and not fits:
            held = float(beside.printed.value)
            other = next((said for count, said in wholes(place) if said and low <= 100.0 * held / count <= high), "")
        # Without its count beside it a percentage may be one of something that is not in the claims.
        yield verdict(relation, place, claims, fits, needed=(nearest, nearest), target=claim,
                      accusing=beside is not None, near=close(claim, (nearest, nearest)),
                      convention=f"a percentage of {other}" if other else "",
                      says_nothing=beside is None and 100.0 / n <= high - low)
