"""Simulated wear: sensors with starts and slopes of their own, checks, mountings, and sensors lost on the way."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from drift.planning.question import Design, Floats, Question

EARLY = (0.0, 1.0, 2.0)  # checks that show breaking in, where five or more are planned
LEAST_CHECKS = 3  # fewer give no line with a standard error


@dataclass(frozen=True, kw_only=True)
class Wear:
    """Planning values on the log scale, a fall counted as positive.

    Parameters
    ----------
    slope, slope_sd : float
        Mean loss of log sensitivity per use, and its SD between sensors.
    start_sd, occasion_sd, mounting_sd : float
        SD of fresh sensors, of a check occasion, and of one mounting in it.
    until : float
        Uses completed at the last planned check.
    at : tuple of float
        Uses at which checks are planned; empty: by :func:`times`.
    drop_out : float
        Share of sensors lost before the last check, for reasons that have nothing to do with wear; each after a check
        of its own, any from the third on alike (of three checks after the second).
    """

    slope: float
    slope_sd: float
    occasion_sd: float
    mounting_sd: float
    until: float
    start_sd: float = 0.0
    at: tuple[float, ...] = ()
    drop_out: float = 0.0

    def times(self, checks: int) -> Floats:
        """Return the uses of the planned checks."""
        return np.array(self.at, dtype=np.float64) if self.at else times(checks, self.until)

    def scaled(self, error: float) -> Wear:
        """Return the same wear with SDs ``error`` times as large."""
        return replace(self, slope_sd=error * self.slope_sd, occasion_sd=error * self.occasion_sd,
                       mounting_sd=error * self.mounting_sd)

    def checked(self, checks: int, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.bool_]:
        """Draw which checks are made, shape (*shape, checks)."""
        n = len(self.times(checks))
        last = np.full(shape, n)
        if self.drop_out:
            # A fixed number is lost, as a plan would count it, but not always the same.
            lost = round(self.drop_out * shape[-1] + rng.random() - 0.5) if shape else 0
            order = np.argsort(rng.random(shape), axis=-1)
            last = np.where(order < lost, rng.integers(first_loss(n), n, shape), n)
        return np.asarray(np.arange(n) < last[..., None])


@dataclass(frozen=True, kw_only=True)
class WearQuestion(Question):
    """A question about sensors x checks x mountings.

    Parameters
    ----------
    wear : Wear
    groups : int
        Constructions, of ``sensors`` each.
    """

    scaled_words: ClassVar[str] = "differences between sensors and errors of checks"
    wear: Wear
    groups: int = 1

    def with_errors(self, factor: float) -> Self:
        """Scale the spread of slopes, of occasions and of mountings."""
        return replace(self, wear=self.wear.scaled(factor))

    def items(self, d: Design) -> dict[str, int]:
        """Sensors, checks, and readings."""
        n = self.groups * d["sensors"]
        return {"sensor": n, "check": n * d["checks"], "reading": n * d["checks"] * d["mountings"]}


def first_loss(checks: int) -> int:
    """Return the check after which a sensor is lost at the earliest: the third, or the last but one of three."""
    return min(LEAST_CHECKS, checks - 1)


def times(checks: int, until: float) -> Floats:
    """Return the uses of checks up to ``until``: fresh, after one and two uses, then evenly (evenly below five)."""
    if checks < 5 or until <= 2 * EARLY[-1]:
        return np.round(np.linspace(0.0, until, checks))
    return np.concatenate([EARLY, np.round(np.linspace(EARLY[-1], until, checks - 2)[1:])])


def t_shrink(df: float) -> float:
    """Mean of an estimated SD over the true one."""
    from scipy.special import gammaln

    return math.sqrt(2 / df) * math.exp(float(gammaln((df + 1) / 2) - gammaln(df / 2)))
