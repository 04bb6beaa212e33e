"""How often what is said of checking holds, each laboratory with its own guard band: ``python -m tests.coverage``.

The sensors, checks and costs of the table of policies; sensors are checked every 5 uses. The guard band is worked out
from each laboratory's own checks, as for its users, and its cost is held against the true cost of that band. An upper
bound of the share ever past a limit is held against the true share, for that band and for a threshold at which 11 % of
sensors are past, where the statement (90 % with 95 % confidence) is broken and no laboratory should be told it is kept.
The truth is 400,000 lives at each of 41 thresholds, interpolated.
"""

from __future__ import annotations

import math

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
# The truth at each threshold, as `truth_again` works it out; kept because that takes ten seconds.
AT = np.linspace(0.20, LIMIT, 41)
TRUE_COST = np.array([
    0.097368486, 0.095009497, 0.092780779, 0.090658393, 0.088657805, 0.086760234, 0.084981185, 0.083292251,
    0.081700946, 0.080194268, 0.078743784, 0.077397887, 0.076104362, 0.074884533, 0.073721855, 0.072625131,
    0.071632989, 0.070746277, 0.070031106, 0.069588712, 0.069534264, 0.070015357, 0.071332654, 0.073572713,
    0.077287077, 0.082781027, 0.090581489, 0.10095926, 0.11414475, 0.13100334, 0.1518417, 0.17691018,
    0.20590456, 0.23985697, 0.27838804, 0.32077009, 0.36670957, 0.4152991, 0.46766776, 0.5214527, 0.57640852])
TRUE_PAST = np.array([
    1.1401965e-10, 3.3572112e-10, 1.1211326e-09, 3.7241919e-09, 1.1858308e-08, 3.6017247e-08, 1.0480177e-07,
    2.9379072e-07, 7.9698516e-07, 2.0967821e-06, 5.3485563e-06, 1.3201088e-05, 3.1437929e-05, 7.2048362e-05,
    0.00015859105, 0.00033491519, 0.00067829036, 0.0013175363, 0.0024556321, 0.0043945143, 0.007557679,
    0.012504448, 0.019929071, 0.030638791, 0.045507826, 0.065408707, 0.091127754, 0.12327623, 0.16221095,
    0.2079765, 0.26027535, 0.31846458, 0.38157173, 0.44832153, 0.51717078, 0.5863581, 0.65398157, 0.7181163,
    0.77697167, 0.82907006, 0.87341177])
BAND, BOUND = "band over draws of the population", "bound over draws of the population"


def criteria(check_sd: float) -> Criteria:
    """Return the one limit, with the error of a check."""
    return Criteria(start=np.array([0]), slope=np.array([1]), limit=np.array([LIMIT]), check=np.array([[check_sd**2]]))


def checking(threshold: float) -> Policy:
    """Return the policy that checks and retires past a threshold."""
    return Policy(check_every=EVERY, threshold=np.array([threshold]))


def truth_again() -> tuple[Floats, Floats]:
    """Simulate the true cost per use and share ever past a limit at each threshold."""
    n = 100
    known = Population(np.tile([0.0, SLOPE], (n, 1)), np.tile(np.diag([START_SD, SLOPE_SD]), (n, 1, 1)))
    policies = [checking(t) for t in AT]
    rates = simulate(known, criteria(CHECK_SD), policies, lives=4000, horizon=HORIZON, rng=np.random.default_rng(1))
    past = ever_past(known, criteria(CHECK_SD), policies, horizon=HORIZON, rng=np.random.default_rng(2), lives=4000)
    return rates.per_use(COST)[0].mean(1), past.mean(1)


def breaking() -> float:
    """Return the threshold at which the share ever past a limit is BROKEN."""
    return float(np.interp(BROKEN, TRUE_PAST, AT))


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
    cost_here = simulate(draws, mine, [checking(guard)], lives=LIVES, horizon=HORIZON, rng=rng).per_use(COST)[0][0]
    low, high = np.quantile(cost_here, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    true = float(np.interp(guard, AT, TRUE_COST))
    ever = ever_past(draws, mine, [checking(guard), checking(breaking())], horizon=HORIZON, rng=rng, lives=BOUND_LIVES)
    upper = np.quantile(ever, CONFIDENCE, axis=1)
    return {("cost per use, check every 5, own guard band", BAND): (bool(low <= true <= high), float(high - low)),
            ("share ever past a limit, own guard band", BOUND): (
                bool(upper[0] >= np.interp(guard, AT, TRUE_PAST)), float(upper[0])),
            ("keeps the statement, said only where it does", BOUND): (bool(upper[1] > ALLOWED), float(upper[1]))}


FAMILY = Family("policy_checks", __doc__ or "", list(DESIGNS), study, TABLE, SEED, cheap="6 sensors")
