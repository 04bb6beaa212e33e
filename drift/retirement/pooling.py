"""May constructions be pooled? Equivalence of their slopes, never a non-significant difference."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from drift.results import ResultTable
from drift.retirement.groups import Group

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SlopePair:
    """Relative difference of the mean slopes of two constructions against one limit."""

    a: str
    b: str
    limit: str
    difference: float
    low: float
    high: float
    within: float
    units: str

    @property
    def equivalent(self) -> bool:
        """Whether the whole 90 % interval lies inside the margin."""
        return -self.within <= self.low and self.high <= self.within


def slope_pairs(by_construction: list[list[Group]], *, within: float) -> tuple[SlopePair, ...]:
    """90 % intervals of the relative slope differences (two one-sided tests at 5 %), all pairs and limits.

    Notes
    -----
    Difference of mean slopes over the mean of the two, with Welch's interval; batch means are the units
    where both constructions have two or more batches, sensors otherwise. NaN where a construction has fewer
    than two units.

    References
    ----------
    Schuirmann, D. J. (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680 (two one-sided
    tests); Welch, B. L. (1947), Biometrika 34, 28-35.
    """
    rows = []
    for one, two in combinations(by_construction, 2):
        for g, h in zip(one, two, strict=True):
            by_batch = all(k.batch is not None and len(k.batch_names) >= 2 for k in (g, h))
            u, v = (_units(k, by_batch) for k in (g, h))
            d, low, high = _welch(u, v)
            rows.append(SlopePair(a=g.construction, b=h.construction, limit=g.limit.key, difference=d, low=low,
                                  high=high, within=within, units="batches" if by_batch else "sensors"))
    return tuple(rows)


def _units(g: Group, by_batch: bool) -> Floats:
    if by_batch and g.batch is not None:
        return np.bincount(g.batch, g.slope) / np.bincount(g.batch)
    return g.slope


def _welch(u: Floats, v: Floats) -> tuple[float, float, float]:
    if min(len(u), len(v)) < 2:
        return math.nan, math.nan, math.nan
    from scipy.special import stdtrit

    a, b = float(u.var(ddof=1)) / len(u), float(v.var(ddof=1)) / len(v)
    middle = abs(float(u.mean()) + float(v.mean())) / 2
    d = float(u.mean()) - float(v.mean())
    if a + b <= 0 or middle <= 0:
        return (d / middle, d / middle, d / middle) if middle > 0 else (math.nan, math.nan, math.nan)
    df = (a + b) ** 2 / (a * a / (len(u) - 1) + b * b / (len(v) - 1))
    half = float(stdtrit(df, 0.95)) * math.sqrt(a + b)
    return d / middle, (d - half) / middle, (d + half) / middle


def equivalence_table(pairs: tuple[SlopePair, ...]) -> ResultTable:
    """Table "equivalence of slopes"."""
    return ResultTable.build("equivalence of slopes", {
        "a": np.array([p.a for p in pairs], dtype=object), "b": np.array([p.b for p in pairs], dtype=object),
        "limit": np.array([p.limit for p in pairs], dtype=object),
        "relative difference": np.array([p.difference for p in pairs]),
        "low": np.array([p.low for p in pairs]), "high": np.array([p.high for p in pairs]),
        "margin": np.array([p.within for p in pairs]),
        "equivalent": np.array(["yes" if p.equivalent else "no" for p in pairs], dtype=object),
        "units": np.array([p.units for p in pairs], dtype=object),
    }, caption="Difference of mean slopes, a - b, over their mean, with its 90 % interval (two one-sided tests at 5 %, "
               "Welch); constructions may be pooled only where the whole interval lies inside the margin.")
