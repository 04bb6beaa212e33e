"""How often what is said of checking holds, each laboratory with its own guard band: ``python -m tests.coverage``.

The sensors, checks and costs of the table of policies; sensors are checked every 5 uses. The guard band is worked out
from each laboratory's own checks, as for its users, and its cost is held against the true cost of that band. An upper
bound of the share ever past a limit is held against the true share, for that band and for a threshold at which 11 % of
sensors are past, where the statement (90 % with 95 % confidence) is broken and no laboratory should be told it is kept.
The truth is 400,000 lives at each of 41 thresholds, interpolated.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from drift.engine.crossing import fit_lines
from drift.engine.ever_past import ever_past
from drift.engine.policy import Criteria, Policy, simulate
from drift.engine.population import Population, population_draws
from tests.coverage.family import FOLDER, LEVEL, Family, Held
from tests.coverage.policy import COST, DRAWS, HORIZON, LIVES, SLOPE_SD
from tests.coverage.retirement_worlds import CHECK_SD, CHECKS, LIMIT, SLOPE, START_SD

Floats = NDArray[np.float64]

TABLE, SEED = FOLDER / "policy_checks.csv", 20261129
DESIGNS = {f"{n} sensors": n for n in (6, 12, 24)}
EVERY, ALLOWED, BROKEN = 5, 0.10, 0.11
CONFIDENCE, BOUND_LIVES = 0.95, 50
BAND, BOUND = "band over draws of the population", "bound over draws of the population"


def criteria(check_sd: float) -> Criteria:
    """Return the one limit, with the error of a check."""
    return Criteria(start=np.array([0]), slope=np.array([1]), limit=np.array([LIMIT]), check=np.array([[check_sd**2]]))


def checking(threshold: float) -> Policy:
    """Return the policy that checks and retires past a threshold."""
    return Policy(check_every=EVERY, threshold=np.array([threshold]))


@cache
def truth() -> tuple[Floats, Floats, Floats]:
    """Return thresholds, and the true cost per use and share ever past a limit at each."""
    n, at = 100, np.linspace(0.20, LIMIT, 41)
    known = Population(np.tile([0.0, SLOPE], (n, 1)), np.tile(np.diag([START_SD, SLOPE_SD]), (n, 1, 1)))
    policies = [checking(t) for t in at]
    rates = simulate(known, criteria(CHECK_SD), policies, lives=4000, horizon=HORIZON, rng=np.random.default_rng(1))
    past = ever_past(known, criteria(CHECK_SD), policies, horizon=HORIZON, rng=np.random.default_rng(2), lives=4000)
    return at, rates.per_use(COST)[0].mean(1), past.mean(1)


@cache
def breaking() -> float:
    """Return the threshold at which the share ever past a limit is BROKEN."""
    at, _, past = truth()
    return float(np.interp(BROKEN, past, at))


def study(design: str, rng: np.random.Generator) -> Held:
    """Run one study."""
    n = DESIGNS[design]
    y = rng.normal(0, START_SD, n)[:, None] + (SLOPE + SLOPE_SD * rng.standard_normal(n))[:, None] * CHECKS
    y = y + rng.normal(0, CHECK_SD, y.shape)
    lines = fit_lines(CHECKS, y)
    df = n * (len(CHECKS) - 2)
    rest = y - lines.intercept[:, None] - lines.slope[:, None] * CHECKS
    variance = float((rest**2).sum()) / df
    design_of = np.stack([np.ones(len(CHECKS)), CHECKS], axis=1)
    draws = population_draws(np.stack([lines.intercept, lines.slope], axis=1),
                             variance * np.linalg.inv(design_of.T @ design_of), n_draws=DRAWS, rng=rng, error_df=df)
    mine = criteria(math.sqrt(variance))
    slope = max(float(lines.slope.mean()), 0.0)
    guard = LIMIT - float(ndtri(0.95)) * math.sqrt(variance) - EVERY * slope
    at, cost, past = truth()
    cost_here = simulate(draws, mine, [checking(guard)], lives=LIVES, horizon=HORIZON, rng=rng).per_use(COST)[0][0]
    low, high = np.quantile(cost_here, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    true = float(np.interp(guard, at, cost))
    ever = ever_past(draws, mine, [checking(guard), checking(breaking())], horizon=HORIZON, rng=rng, lives=BOUND_LIVES)
    upper = np.quantile(ever, CONFIDENCE, axis=1)
    return {("cost per use, check every 5, own guard band", BAND): (bool(low <= true <= high), float(high - low)),
            ("share ever past a limit, own guard band", BOUND): (
                bool(upper[0] >= np.interp(guard, at, past)), float(upper[0])),
            ("keeps the statement, said only where it does", BOUND): (bool(upper[1] > ALLOWED), float(upper[1]))}


FAMILY = Family("policy_checks", __doc__ or "", list(DESIGNS), study, TABLE, SEED, cheap="6 sensors")
