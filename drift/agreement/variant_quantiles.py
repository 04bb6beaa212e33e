"""Nonparametric limits: quantiles of the differences, with intervals that assume no shape."""

from __future__ import annotations

import math

import numpy as np

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.agreement.variants import BIAS, LOWER, NONPARAMETRIC, UPPER, LimitRow
from drift.engine.quantile_limits import SharedQuantiles, pairs_needed, quantile_interval, shared_quantiles

TAIL = 0.025
PROBABILITY = {LOWER: TAIL, UPPER: 1 - TAIL, BIAS: 0.5}
FEWEST = 5


def quantile_rows(structure: Structure, group: Group, level: float, unit: str) -> list[LimitRow] | str:
    """Return the median and the 2.5 and 97.5 % quantiles of differences; a string says why there are none.

    With repeated pairs the interval is taken at the number of independent pairs that they are worth.
    """
    if structure.kind == "unpaired":
        return "unlinked readings have no differences of their own"
    if len(group.a) < FEWEST:
        return f"quantiles need {FEWEST} pairs or more"
    shared = of_repeated(structure, group, level) if structure.kind == "repeated" else None
    if shared is None:
        how = "sample quantile at (n + 1) p, binomial interval of order statistics"
    else:
        weighed = "targets weighing the same, " if len(structure.codes) == 1 else ""
        how = (f"sample quantile, {weighed}binomial interval at {shared.effective:.0f} effective pairs "
               "(Woodruff 1952; Korn & Graubard 1998)")
    rows = []
    for name, probability in PROBABILITY.items():
        if shared is None:
            value, low, high = quantile_interval(group.difference, probability, level)
        else:
            value, (low, high) = shared.at(probability), shared.interval(probability, level)
        said = how.replace("sample quantile", "sample median", 1) if name == BIAS else how
        if not (math.isfinite(low) and math.isfinite(high)):
            said += f"; an end without bound needs {pairs_needed(probability, level)} independent pairs or more"
        rows.append(LimitRow(variant=NONPARAMETRIC, limit=name, value=value, low=low, high=high, unit=unit,
                             method=said))
    return rows


def of_repeated(structure: Structure, group: Group, level: float) -> SharedQuantiles:
    """Return the ordered differences of repeated pairs with what they are worth."""
    return shared_quantiles(group.difference, structure.codes, probability=TAIL, level=level)


def one_sided(structure: Structure, group: Group, limit: str, confidence: float) -> tuple[float, float]:
    """Return lower and upper one-sided bounds of a nonparametric limit; -/+ infinity where there is none."""
    level = 2 * confidence - 1
    if structure.kind == "repeated":
        low, high = of_repeated(structure, group, level).interval(PROBABILITY[limit], level)
    else:
        _, low, high = quantile_interval(group.difference, PROBABILITY[limit], level)
    return (low if np.isfinite(low) else -math.inf, high if np.isfinite(high) else math.inf)
