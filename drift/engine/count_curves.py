"""Uses made and uses spoilt up to every retire-after count at once, from the same sensors as the policies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.policy import BLOCK, Criteria, Policy, Sensors
from drift.engine.population import Population, kronecker
from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class CountCurve:
    """Means per life when sensors are retired after N = 1, ..., n_counts uses; arrays (n_draws, n_counts).

    ``recalibrations`` has shape (n_counts,), since without checks they depend on the count alone.
    """

    uses: Floats
    spoilt: Floats
    recalibrations: Floats

    def __post_init__(self) -> None:
        for name in ("uses", "spoilt", "recalibrations"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def count_curves(population: Population, criteria: Criteria, ways: list[tuple[int, int]], *, lives: int, top: int,
                 rng: np.random.Generator) -> list[CountCurve]:
    """Follow sensors use by use under each way of working.

    Parameters
    ----------
    population : Population
    criteria : Criteria
    ways : list of (recalibrate_every, noticed_after)
        As in :class:`~drift.engine.policy.Policy`; 0 for neither.
    lives : int
        Sensors of each draw.
    top : int
        Largest count.
    rng : numpy.random.Generator

    Returns
    -------
    list of CountCurve
        One a way. With a failure that is noticed a life may end before the count, and recalibrations are not counted.
    """
    k, use = population.n_draws, np.arange(1, top + 1)
    made, bad = np.zeros((len(ways), k, top)), np.zeros((len(ways), k, top))
    points = kronecker(lives, population.mean.shape[1])
    policies = [Policy(recalibrate_every=m) for m, _ in ways]
    for first, child in zip(range(0, k, BLOCK), rng.spawn(-(-k // BLOCK)), strict=True):
        part = Population(population.mean[first:first + BLOCK], population.root[first:first + BLOCK])
        sensors = Sensors(part, criteria, points, policies, top, child)
        rows = slice(first, first + part.n_draws)
        for i, (m, noticed) in enumerate(ways):
            for u in use:
                out = sensors.first_out <= u
                spoilt = out | sensors.off_at(int(u), m)
                if noticed:
                    there = u <= sensors.first_out - 1 + noticed
                    made[i, rows, u - 1] = there.reshape(part.n_draws, lives).mean(1)
                    spoilt &= there
                else:
                    made[i, rows, u - 1] = 1.0
                bad[i, rows, u - 1] = spoilt.reshape(part.n_draws, lives).mean(1)
    again = [np.floor((use - 1.0) / m) if m else np.zeros(top) for m, _ in ways]
    return [CountCurve(uses=a.cumsum(-1), spoilt=b.cumsum(-1), recalibrations=c)
            for a, b, c in zip(made, bad, again, strict=True)]
