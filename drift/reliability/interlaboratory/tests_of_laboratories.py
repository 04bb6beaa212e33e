"""Which laboratories stand out: Cochran, Grubbs, Mandel, against critical values at 5 % and 1 %."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from drift.engine.interlaboratory import Precision
from drift.engine.outlying import (
    cochran_critical,
    grubbs,
    grubbs_critical,
    grubbs_two_critical,
    mandel_h_critical,
    mandel_k_critical,
)

Verdict = Literal["", "straggler", "outlier"]
LEVELS = (0.05, 0.01)
E691 = 0.005


@dataclass(frozen=True, kw_only=True)
class Tested:
    """One test at one level: statistic, critical values at 5 % and 1 %, whom it is about, what it says.

    ``smaller`` tells that small values are the striking ones.
    """

    test: str
    laboratories: tuple[str, ...]
    statistic: float
    critical: tuple[float, float]
    verdict: Verdict


def judged(statistic: float, critical: tuple[float, float], *, smaller: bool = False) -> Verdict:
    """Return what ISO 5725-2 calls a statistic beyond its critical value at 5 % (straggler) or 1 % (outlier)."""
    if not math.isfinite(statistic):
        return ""
    beyond = [statistic < c if smaller else statistic > c for c in critical]
    return "outlier" if beyond[1] else "straggler" if beyond[0] else ""


def tests_of(found: Precision, names: Sequence[str]) -> list[Tested]:
    """Return Cochran's test and Grubbs' tests of one level; those that its numbers allow."""
    out: list[Tested] = []
    p, n = found.p, found.usual_count
    several = int((found.counts > 1).sum())
    if several > 1 and math.isfinite(found.cochran):
        critical = (cochran_critical(several, n, 0.05), cochran_critical(several, n, 0.01))
        out.append(Tested(test="Cochran", laboratories=(names[int(np.nanargmax(found.sds))],), statistic=found.cochran,
                          critical=critical, verdict=judged(found.cochran, critical)))
    g = grubbs(found.means)
    order = np.argsort(found.means, kind="stable")
    if p > 2 and math.isfinite(g["high"]):
        one = (grubbs_critical(p, 0.05), grubbs_critical(p, 0.01))
        out += [Tested(test=f"Grubbs, {which}", laboratories=(names[int(order[i])],), statistic=g[key], critical=one,
                       verdict=judged(g[key], one))
                for which, key, i in (("highest", "high", -1), ("lowest", "low", 0))]
    if p > 3 and math.isfinite(g["two high"]):
        two = (grubbs_two_critical(p, 0.05), grubbs_two_critical(p, 0.01))
        out += [Tested(test=f"Grubbs, two {which}", laboratories=tuple(names[int(i)] for i in ends), statistic=g[key],
                       critical=two, verdict=judged(g[key], two, smaller=True))
                for which, key, ends in (("highest", "two high", order[-2:]), ("lowest", "two low", order[:2]))]
    return out


def h_critical(p: int) -> tuple[float, float, float]:
    """Return critical values of Mandel's h at 5 %, 1 % and 0.5 %; NaN with fewer than three laboratories."""
    if p < 3:
        return math.nan, math.nan, math.nan
    return mandel_h_critical(p, 0.05), mandel_h_critical(p, 0.01), mandel_h_critical(p, E691)


def k_critical(found: Precision, i: int) -> tuple[float, float, float]:
    """Return critical values of Mandel's k of laboratory ``i`` at 5 %, 1 % and 0.5 %; NaN where it has one result."""
    own, rest = found.counts[i] - 1, found.df_r - (found.counts[i] - 1)
    if own < 1 or rest < 1:
        return math.nan, math.nan, math.nan
    return mandel_k_critical(own, rest, 0.05), mandel_k_critical(own, rest, 0.01), mandel_k_critical(own, rest, E691)
