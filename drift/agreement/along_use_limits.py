"""How long agreement lasts: where bias and limits leave the harmless difference, and the protocol limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.agreement.along_use_model import Along
from drift.agreement.equivalence import CONFIDENCE
from drift.engine.agreement_along_bounds import (
    Crossing,
    bias_crossing,
    grid_to,
    limit_crossing,
    protocol_limit,
    remembered,
)
from drift.engine.crossing import whole

NOT_READ, NOT_SHOWN = "fresh sensors were not read", "not even fresh sensors are shown to agree"


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """Uses, or hours and the like: one, several, and the unit for tables."""

    unit: str

    @property
    def per(self) -> str:
        """``use`` or the unit."""
        return self.unit or "use"

    @property
    def several(self) -> str:
        """``uses``, or ``exposures (h)`` where they have a unit."""
        return "uses" if self.per == "use" else f"exposures ({self.unit})"

    def show(self, value: float) -> str:
        """``41 uses``, ``1 use``, ``3,210 h``."""
        text = f"{value:,.0f}" if value == round(value) or abs(value) >= 1000 else f"{value:,.3g}"
        return f"{text} {'uses' if self.per == 'use' and value != 1 else self.per}"

    def at(self, value: float) -> str:
        """``use 41``, ``3,210 h``."""
        text = f"{value:,.0f}" if value == round(value) or abs(value) >= 1000 else f"{value:,.3g}"
        return f"use {text}" if self.per == "use" else f"{text} {self.per}"


@dataclass(frozen=True, kw_only=True)
class Lasting:
    """How long agreement within the harmless difference lasts.

    Parameters
    ----------
    bias, limits : Crossing
        Infinity stands for "not up to ``cap``", the start for "from the start on".
    protocol : float
        Largest use up to which the outer one-sided 95 % bounds of both limits stay inside from use 0 on, in whole
        uses; NaN where they are outside already there, or where the uses seen do not reach down to it.
    at_least : bool
        The bounds never leave up to ``cap``: ``protocol`` is that cap.
    """

    harmless: float
    bias: Crossing
    limits: Crossing
    protocol: float
    at_least: bool
    start: float
    cap: float
    step: float

    @property
    def why_none(self) -> str:
        """Why there is no protocol limit; empty where there is one."""
        if not math.isnan(self.protocol):
            return ""
        return NOT_READ if self.start > 0 else NOT_SHOWN

    @property
    def most(self) -> float:
        """``cap`` in whole steps."""
        return float(whole(self.cap, self.step))


def lasting(along: Along, harmless: float, *, level: float, multiplier: float) -> Lasting:
    """Find where bias and limits leave the harmless difference.

    Notes
    -----
    Intervals turn the pointwise intervals of bias and limits round, as Fieller's theorem does: an end is where a bound
    leaves the harmless difference. Nothing is said beyond 1.25 times the span of uses seen.
    """
    grid = grid_to(along.start, along.cap)
    at = remembered(along.at, grid)
    bias = bias_crossing(at, grid, harmless, level=level)
    limits = limit_crossing(at, grid, harmless, level=level, multiplier=multiplier)
    protocol = protocol_limit(at, grid, harmless, confidence=CONFIDENCE, multiplier=multiplier)
    step = step_of(along)
    if protocol < 0 or along.start > 0:
        return Lasting(harmless=harmless, bias=bias, limits=limits, protocol=math.nan, at_least=False,
                       start=along.start, cap=along.cap, step=step)
    never = math.isinf(protocol)
    count = float(whole(along.cap if never else protocol, step))
    return Lasting(harmless=harmless, bias=bias, limits=limits, protocol=count, at_least=never, start=along.start,
                   cap=along.cap, step=step)


def step_of(along: Along) -> float:
    """Return what counts are multiples of: whole units, finer where the span is short and uses are no whole numbers."""
    if np.all(along.use == np.round(along.use)) or along.cap >= 20:
        return 1.0
    return float(10.0 ** (math.floor(math.log10(along.cap)) - 2))
