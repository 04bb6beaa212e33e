"""10,000 lives of sensors under 50 policies, against a life followed use by use; run by hand.

Usage: ``python -m tests.speed.bench_policy``. Target: under 5 s on one core. The first peer follows each life use by
use in plain Python (500 lives, scaled up), the second all lives at once, one numpy step a use and policy; both
take the same sensors, and the counts are checked to agree.
"""

from __future__ import annotations

import math
import time

import numpy as np
from numpy.typing import NDArray

from drift.engine.policy import Criteria, Policy, Sensors, simulate
from drift.engine.population import Population, kronecker
from tests.coverage.policy import CRITERIA, GUARD, HORIZON
from tests.coverage.retirement_worlds import SLOPE, START_SD
from tests.speed.stopwatch import best

Floats = NDArray[np.float64]

DRAWS, LIVES, FEW = 200, 50, 500
POLICIES = [*(Policy(retire_after=n) for n in range(5, 35)),
            *(Policy(check_every=c, threshold=np.array([g])) for c in range(1, 10) for g in (GUARD, 0.9 * GUARD)),
            Policy(noticed_after=1), Policy(noticed_after=2)]


def population(n: int) -> Population:
    """The population of the retirement worlds."""
    return Population(np.tile([0.0, SLOPE], (n, 1)), np.tile(np.diag([START_SD, 0.004]), (n, 1, 1)))


def by_use(sensors: Sensors, criteria: Criteria, policy: Policy) -> Floats:
    """Uses made and uses past the limit, all lives together, one step a use."""
    alive = np.ones(len(sensors.first_out), dtype=bool)
    uses, past = np.zeros(len(alive)), np.zeros(len(alive))
    for u in range(1, HORIZON + 1):
        state = sensors.start[:, 0] + sensors.slope[:, 0] * u
        beyond = state > criteria.limit[0]
        uses += alive
        past += alive & beyond
        gone = u >= policy.retire_after
        if policy.noticed_after:
            gone = gone | (past >= policy.noticed_after)
        if policy.check_every and u % policy.check_every == 0 and policy.threshold is not None:
            seen = state + sensors.errors[int(np.searchsorted(sensors.checked, u)), :, 0]
            gone = gone | (seen > policy.threshold[0])
        alive = alive & ~gone
    return np.stack([uses, past])


def by_life(sensors: Sensors, criteria: Criteria, policy: Policy) -> Floats:
    """The same, one life after another, in plain Python."""
    found = np.zeros((2, len(sensors.first_out)))
    limit = float(criteria.limit[0])
    threshold = math.inf if policy.threshold is None else float(policy.threshold[0])
    for i, (a, b) in enumerate(zip(sensors.start[:, 0].tolist(), sensors.slope[:, 0].tolist(), strict=True)):
        u = past = 0
        while u < HORIZON:
            u += 1
            state = a + b * u
            past += state > limit
            if u >= policy.retire_after or (policy.noticed_after and past >= policy.noticed_after):
                break
            if policy.check_every and u % policy.check_every == 0 and (
                    state + float(sensors.errors[int(np.searchsorted(sensors.checked, u)), i, 0]) > threshold):
                break
        found[:, i] = u, past
    return found


def sensors_of(n: int) -> Sensors:
    """Sensors of the peers."""
    return Sensors(population(n // LIVES), CRITERIA, kronecker(LIVES, 2), POLICIES, HORIZON, np.random.default_rng(1))


def main() -> None:
    """Print times and ratios."""
    many, few = sensors_of(DRAWS * LIVES), sensors_of(FEW)
    mine = best(lambda: simulate(population(DRAWS), CRITERIA, POLICIES, lives=LIVES, horizon=HORIZON,
                                 rng=np.random.default_rng(1)), 3)
    start = time.perf_counter()
    steps = [by_use(many, CRITERIA, p) for p in POLICIES]
    together = time.perf_counter() - start
    start = time.perf_counter()
    plain = [by_life(few, CRITERIA, p) for p in POLICIES]
    alone = (time.perf_counter() - start) * DRAWS * LIVES / FEW
    assert all(np.array_equal(many.under(p)[1:3], s) for p, s in zip(POLICIES, steps, strict=True))
    assert all(np.array_equal(few.under(p)[1:3], s) for p, s in zip(POLICIES, plain, strict=True))
    print(f"{DRAWS * LIVES:,} lives x {len(POLICIES)} policies: {mine:.2f} s")
    print(f"  numpy, one step a use: {together:.2f} s, {together / mine:.1f} times as long")
    print(f"  plain Python, scaled up from {FEW} lives: {alone:.1f} s, {alone / mine:.0f} times as long")


if __name__ == "__main__":
    main()
