"""How often the bands of cost per use and spoilt sessions hold the truth: ``python -m tests.coverage policy``.

Sensors start at 0 with an SD of 0.03, wear 0.020 a use with an SD of 0.004, are checked at uses 0, 5, ..., 30 with an
SD of 0.03, and have their limit at log(5/3); a sensor costs 1, a spoilt session 5, a check 0.1. Policies: a fixed count
of 17 and of 20, and checks every 5 uses with the true guard band. The truth is a simulation of 4,000,000 lives.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.engine.policy import Criteria, Policy, Rates, simulate
from drift.engine.population import Population, population_draws
from tests.coverage.family import FOLDER, LEVEL, Family, Held
from tests.coverage.retirement_worlds import CHECK_SD, CHECKS, LIMIT, SLOPE, START_SD

Floats = NDArray[np.float64]

TABLE, SEED, STUDIES = FOLDER / "policy.csv", 20261127, 2000
SLOPE_SD = 0.004
DRAWS, LIVES, HORIZON = 200, 25, 60
GUARD = LIMIT - 1.6448536269514722 * CHECK_SD - 5 * SLOPE
POLICIES = {"retire after 17": Policy(retire_after=17), "retire after 20": Policy(retire_after=20),
            "check every 5": Policy(check_every=5, threshold=np.array([GUARD]))}
CRITERIA = Criteria(start=np.array([0]), slope=np.array([1]), limit=np.array([LIMIT]), check=np.array([[CHECK_SD**2]]))
COST, SPOILT = (1.0, 0.0, 5.0, 5.0, 0.1, 0.0, 0.0), (0.0, 0.0, 100.0, 100.0, 0.0, 0.0, 0.0)
# (batches, share of the variance of slopes between them); 0 for batches not known.
DESIGNS = {**{f"{n} sensors": (n, 0, 0.0) for n in (8, 12, 24)},
           **{f"{n} sensors, worn ones removed": (n, 0, 0.0) for n in (12,)},
           **{f"{b * m} sensors of {b} batches, batch share {share:g}": (b * m, b, share)
              for b, m in ((4, 3), (6, 2), (8, 3)) for share in (0.0, 0.5)}}


def rates(population: Population, rng: np.random.Generator, lives: int) -> Rates:
    """Simulate the policies."""
    return simulate(population, CRITERIA, list(POLICIES.values()), lives=lives, horizon=HORIZON, rng=rng)


@cache
def truth() -> dict[tuple[str, str], float]:
    """Return the true cost per use and spoilt sessions of each policy."""
    n = 200
    known = Population(np.tile([0.0, SLOPE], (n, 1)), np.tile(np.diag([START_SD, SLOPE_SD]), (n, 1, 1)))
    found = rates(known, np.random.default_rng(1), 20_000)
    cost, spoilt = found.per_use(COST)[0].mean(1), found.per_use(SPOILT)[0].mean(1)
    return {(q, p): float(v[i]) for q, v in (("cost per use", cost), ("spoilt sessions per 100 uses", spoilt))
            for i, p in enumerate(POLICIES)}


def study(design: str, rng: np.random.Generator) -> Held:
    """Run one study."""
    n, batches, share = DESIGNS[design]
    codes = np.repeat(np.arange(batches), n // batches) if batches else None
    z = rng.standard_normal(n)
    if codes is not None:
        z = np.sqrt(share) * rng.standard_normal(batches)[codes] + np.sqrt(1 - share) * z
    y = rng.normal(0, START_SD, n)[:, None] + (SLOPE + SLOPE_SD * z)[:, None] * CHECKS
    y = y + rng.normal(0, CHECK_SD, y.shape)
    if "removed" in design:  # after the first check beyond the limit, three checks kept at least
        beyond = np.cumsum(y > LIMIT, axis=-1)
        gone = np.concatenate([np.zeros((n, 1)), beyond[:, :-1]], axis=-1) > 0
        gone[:, :3] = False
        y = np.where(gone, np.nan, y)
    lines = fit_lines(CHECKS, y)
    here = np.isfinite(y)
    df = int(here.sum() - 2 * n)
    rest = np.where(here, y - lines.intercept[:, None] - lines.slope[:, None] * CHECKS, 0.0)
    inverse = np.mean([np.linalg.inv(x.T @ x) for x in (
        np.stack([np.ones(k.sum()), CHECKS[k]], axis=1) for k in here)], axis=0)
    draws = population_draws(np.stack([lines.intercept, lines.slope], axis=1), float((rest**2).sum()) / df * inverse,
                             n_draws=DRAWS, rng=rng, batch=codes, error_df=df)
    found = rates(draws, rng, LIVES)
    held = {}
    for q, w in (("cost per use", COST), ("spoilt sessions per 100 uses", SPOILT)):
        low, high = np.quantile(found.per_use(w)[0], [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=1)
        for i, p in enumerate(POLICIES):
            true = truth()[q, p]
            held[f"{q}, {p}", "band over draws of the population"] = (bool(low[i] <= true <= high[i]),
                                                                     float(high[i] - low[i]))
    return held


FAMILY = Family("policy", __doc__ or "", list(DESIGNS), study, TABLE, SEED, studies=STUDIES, cheap="12 sensors")
