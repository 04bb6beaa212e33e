"""Finder for the interval of ICC(A,1): which of its published methods gives what is printed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import lru_cache
from itertools import product
from typing import Any

from drift.engine import intervals as iv
from drift.engine.interval_functions import f_quantile
from drift.engine.intervals import Interval
from drift.reported.claims import Claim
from drift.reported.finders_agreement import level_of, whole
from drift.reported.found import close, meets, verdict
from drift.reported.judging import Verdict
from drift.reported.places import Place, interval_of, other_levels
from drift.reported.relation import Relation

Ends = Callable[[float, float, int, int, float], tuple[float, float]]
DRAWS, SEED = 20_000, 1993


def agreement_interval(relation: Relation, place: Place) -> Iterator[Verdict]:
    """Recompute the interval of ICC(A,1): by F with Satterthwaite degrees of freedom, else by other known methods."""
    n, k = whole(place, "n"), whole(place, "k")
    ends = [place.single.get(f"icc_a1__{e}", ()) for e in ("low", "high")]
    if n is None or k is None or n < 3 or not all(ends) or "icc_a1" not in place.single:
        return
    raters, beside = _f_of_raters(place, n, k)
    if raters is None:
        return
    level, _ = level_of(place, "icc_a1")
    point = place.single["icc_a1"][0]
    at = interval_of(point)
    boxes = [(x, y) for x, y in product((*at, sum(at) / 2), (*raters, sum(raters) / 2)) if _usable(x, y, n, k)]
    if not boxes:
        return
    low, high = ends[0][0], ends[1][0]

    def made(by: Ends, at_level: float) -> tuple[Interval, Interval]:
        found = [by(x, y, n, k, at_level) for x, y in boxes]
        return tuple((min(x[i] for x in found), max(x[i] for x in found)) for i in (0, 1))  # type: ignore[return-value]

    lows, highs = made(satterthwaite, level)
    one, two = meets(interval_of(low), lows), meets(interval_of(high), highs)
    near = (one or close(low, lows)) and (two or close(high, highs))
    target, needed = (high, highs) if one else (low, lows)
    convention = hint = ""
    if not (one and two) and not near:
        convention, hint = _otherwise(made, level, interval_of(low), interval_of(high))
    yield verdict(relation, place, (point, low, high, *beside), one and two, needed=needed, target=target,
                  accusing=False, near=near, convention=convention, hint=hint)


def _otherwise(made: Callable[[Ends, float], tuple[Interval, Interval]], level: float, low: Interval,
               high: Interval) -> tuple[str, str]:
    """Return another method that gives the printed ends, or another level that does."""
    for said, by, error in (("the interval by modified large samples", modified_large_sample, 0.0),
                            ("the generalised pivotal interval", pivotal, 0.01),
                            ("the generalised pivotal interval with negative components cut off at zero",
                             pivotal_cut, 0.01)):
        lows, highs = made(by, level)
        if meets(low, _wider(lows, error)) and meets(high, _wider(highs, error)):
            return said, ""
    for other in other_levels(level):
        lows, highs = made(satterthwaite, other)
        if meets(low, lows) and meets(high, highs):
            return "", f"It would fit a level of {100 * other:.3g} %."
    return "", "A bootstrap, or another method for its interval, may have been used."


def _f_of_raters(place: Place, n: int, k: int) -> tuple[Interval | None, tuple[Claim, ...]]:
    """Return the F of raters, printed, or of two raters from their bias, and the claims it is from."""
    if "f_raters" in place.single:
        return interval_of(place.single["f_raters"][0]), (place.single["f_raters"][0],)
    if k == 2 and "t_bias" in place.single:
        return iv.power(interval_of(place.single["t_bias"][0]), 2), (place.single["t_bias"][0],)
    if k == 2 and "bias" in place.single:
        bias = place.single["bias"][0]
        sd, beside = _sd_of_differences(place)
        if sd is not None and sd[0] > 0:
            squared = iv.power(iv.divide(interval_of(bias), sd), 2)
            return (n * squared[0], n * squared[1]), (bias, *beside)
    return None, ()


def _sd_of_differences(place: Place) -> tuple[Interval | None, tuple[Claim, ...]]:
    """Return the SD of differences as printed, or what limits at 1.96 or 2 SD leave for it."""
    if "sd_diff" in place.single:
        return interval_of(place.single["sd_diff"][0]), (place.single["sd_diff"][0],)
    if not {"loa_low", "loa_high"} <= set(place.single):
        return None, ()
    low, high = (place.single[s][0] for s in ("loa_low", "loa_high"))
    width = iv.subtract(interval_of(high), interval_of(low))
    return (width[0] / 4.0, width[1] / 3.9), (low, high)


def _usable(rho: float, fj: float, n: int, k: int) -> bool:
    return rho < 1 and fj >= 0 and _f_of_units(rho, fj, n, k) > 0


def _f_of_units(rho: float, fj: float, n: int, k: int) -> float:
    """Return the F of units: relation 3a turned round."""
    return (rho * (k * (fj - 1) / n + k - 1) + 1) / (1 - rho)


def satterthwaite(rho: float, fj: float, n: int, k: int, level: float) -> tuple[float, float]:
    """Return the interval by F with Satterthwaite degrees of freedom (McGraw and Wong 1996, table 7)."""
    a = k * rho / (n * (1 - rho))
    b = 1 + k * rho * (n - 1) / (n * (1 - rho))
    v = (a * fj + b) ** 2 / ((a * fj) ** 2 / (k - 1) + b ** 2 / ((n - 1) * (k - 1)))
    f = _f_of_units(rho, fj, n, k)
    rest = k * fj + k * n - k - n
    lower, upper = f_quantile(level, n - 1, v), f_quantile(level, v, n - 1)
    return n * (f - lower) / (lower * rest + n * f), n * (upper * f - 1) / (rest + n * upper * f)


def modified_large_sample(rho: float, fj: float, n: int, k: int, level: float) -> tuple[float, float]:
    """Return the interval by modified large samples (Burdick and Graybill 1992, chapter 3)."""
    from drift.engine.mean_square_intervals import share_interval

    squares = (_f_of_units(rho, fj, n, k), fj, 1.0)
    low, high = share_interval(squares, (n - 1, k - 1, (n - 1) * (k - 1)), (1 / k, 0.0, -1 / k),
                               (0.0, 1 / n, 1 - 1 / n), level)
    return float(low), float(high)


def pivotal(rho: float, fj: float, n: int, k: int, level: float) -> tuple[float, float]:
    """Return the generalised pivotal interval (Weerahandi 1993), to two decimals."""
    return _pivotal(rho, fj, n, k, level, -math.inf)


def pivotal_cut(rho: float, fj: float, n: int, k: int, level: float) -> tuple[float, float]:
    """Return the generalised pivotal interval with negative components cut off at zero."""
    return _pivotal(rho, fj, n, k, level, 0.0)


def _pivotal(rho: float, fj: float, n: int, k: int, level: float, least: float) -> tuple[float, float]:
    import numpy as np

    dfs = (n - 1, k - 1, (n - 1) * (k - 1))
    units, raters, error = (f * df / w for f, df, w in zip((_f_of_units(rho, fj, n, k), fj, 1.0), dfs, _draws(dfs),
                                                           strict=True))
    of_units, of_raters = np.maximum((units - error) / k, least), np.maximum((raters - error) / n, least)
    low, high = np.quantile(of_units / (of_units + of_raters + error), (0.5 - level / 2, 0.5 + level / 2))
    return float(low), float(high)


@lru_cache(maxsize=4)
def _draws(dfs: tuple[int, int, int]) -> Any:
    import numpy as np

    rng = np.random.default_rng(SEED)
    return [rng.chisquare(df, DRAWS) for df in dfs]


def _wider(a: Interval, by: float) -> Interval:
    return (a[0] - by, a[1] + by)
