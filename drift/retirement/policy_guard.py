"""The guard band as a number: what a check shows at which a sensor is retired, as it is read on the bench."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.retirement.limits import Limit
from drift.retirement.policy_lines import Population
from drift.study import PolicySpec

Floats = NDArray[np.float64]

STEPS = 200  # at least so many steps of the printed number lie between fresh and the limit
QUANTITIES = {"saturation_pressure": "saturation pressure", "reading": "reading"}


@dataclass(frozen=True, kw_only=True)
class RetireAt:
    """What a check shows, for one limit, at which the sensor is retired.

    ``value`` is in ``unit``: the percentage by which a sensor has fallen from its own fresh value where the limit is
    such a fall, else the pressure or reading itself. ``average`` is that fall for a sensor of average fresh value
    ``fresh``, both in ``own_unit``; NaN for other limits.
    """

    key: str
    quantity: str
    value: float
    unit: str
    decimals: int
    side: str
    average: float = math.nan
    fresh: float = math.nan
    own_unit: str = ""

    @property
    def number(self) -> str:
        """The value as it is printed: ``19.5 %``, ``1,312 kPa``."""
        return f"{self.value:,.{self.decimals}f} {self.unit}".rstrip()

    @property
    def short(self) -> str:
        """Few words for a table: ``sensitivity 19.5 % down``, ``saturation pressure 1,312 kPa``."""
        return f"{self.quantity} {self.number}{' down' if self.key == 'sensitivity_change' else ''}"

    @property
    def words(self) -> str:
        """Words that follow "retire at a check that shows"."""
        if self.key != "sensitivity_change":
            return f"a {self.quantity} of {self.number} or {self.side}"
        told = f"a {self.quantity} {self.number} or more below the sensor's own fresh value"
        if not math.isfinite(self.average):
            return told
        shows = f"{self.average:.3g} {self.own_unit}".rstrip()
        return (f"{told} (that is {shows} for an average one, {self.fresh:.3g} fresh, and no threshold for another "
                "sensor)")


def thresholds(population: Population, every: int, spec: PolicySpec) -> tuple[Floats, str] | None:
    """Threshold of a check on each line, and its words; None where fresh sensors would be retired by it.

    The guard band is L - z u - b m: what a check may err, and what a sensor wears until the next check; it is rounded
    towards the fresh value to a number that can be read off, and the simulation uses that number. With a share g it is
    g times the declared limit.
    """
    from scipy.special import ndtri

    c = population.criteria
    limit, mean = np.array(c.limit), population.lines.mean(0)
    fresh = population.at_fresh
    if spec.guard is not None:
        for i, x in enumerate(population.limits):
            limit[i] = x.threshold(spec.guard if x.relative or x.sign > 0 else 1 / spec.guard) - population.shift[i]
        words = f"{100 * spec.guard:g} % of the limit"
    else:
        z = float(ndtri(spec.guard_confidence))
        limit = limit - z * c.check_sd - np.maximum(mean[c.slope], 0.0) * every
        words = f"guard band ({100 * spec.guard_confidence:g} %)"
        if np.any(limit <= fresh):
            return None
        for i, x in enumerate(population.limits):
            moved = population.shift[i]
            limit[i] = upward(x, _rounded(x, float(limit[i]) + moved, float(fresh[i]))) - moved
    return None if np.any(limit <= fresh) else (limit, words)


def shown(limit: Limit, value: float) -> float:
    """Turn a value on the upward scale of the lines into what a check shows: a fall in percent, or the value itself."""
    if limit.relative:
        return -100 * math.expm1(-value) if limit.log else 100 * value
    return math.exp(limit.sign * value) if limit.log else limit.sign * value


def upward(limit: Limit, value: float) -> float:
    """Turn what a check shows into a value on the upward scale of the lines; the inverse of :func:`shown`."""
    if limit.relative:
        return -math.log1p(-value / 100) if limit.log else value / 100
    return limit.sign * (math.log(value) if limit.log else value)


def step_of(limit: Limit, fresh: float) -> float:
    """Power of ten of which at least ``STEPS`` lie between the fresh value and the declared limit, as shown."""
    gap = abs(shown(limit, limit.threshold()) - shown(limit, fresh))
    return 10.0 ** math.floor(math.log10(gap / STEPS)) if gap > 0 else 1.0


def _rounded(limit: Limit, value: float, fresh: float) -> float:
    """Round a threshold, as shown, towards the fresh value."""
    step = step_of(limit, fresh)
    places = max(-round(math.log10(step)), 0)
    rising = limit.relative or limit.sign > 0
    in_steps = shown(limit, value) / step
    return round((math.floor(in_steps + 1e-9) if rising else math.ceil(in_steps - 1e-9)) * step, places)


def retire_at(population: Population, threshold: Floats | None) -> tuple[RetireAt, ...]:
    """Return what a check shows at which a sensor is retired, one entry a limit; nothing without checks."""
    if threshold is None:
        return ()
    starts = population.at_fresh
    made = []
    for i, x in enumerate(population.limits):
        fresh = float(starts[i])
        value = shown(x, float(threshold[i]) + population.shift[i])
        places = max(-round(math.log10(step_of(x, fresh))), 0)
        while places < 6 and not math.isclose(value, round(value, places), rel_tol=1e-9):
            places += 1  # a share of the limit is printed as it is used
        if x.relative:
            at_start = population.fresh
            made.append(RetireAt(key=x.key, quantity=population.quantity, value=round(value, places), unit="%",
                                 decimals=places, side="below", average=at_start * (1 - value / 100), fresh=at_start,
                                 own_unit=population.quantity_unit))
        else:
            made.append(RetireAt(key=x.key, quantity=QUANTITIES[x.key], value=round(value, places), unit=x.unit,
                                 decimals=places, side="above" if x.sign > 0 else "below"))
    return tuple(made)


def or_words(found: tuple[RetireAt, ...]) -> str:
    """Join the limits: passing one of them is enough."""
    return " or ".join(g.words for g in found)
