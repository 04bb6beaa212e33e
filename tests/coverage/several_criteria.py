"""How often the band of the use by which a tenth are past any of two limits holds it: ``python -m tests.coverage``.

Sensors wear against two limits along lines that start at 0 with an SD of 0.02; slopes of 0.012 and 0.011 a use, each
with an SD of 0.003, are correlated by one half. Checks at uses 0, 5, ..., 30 err by 0.02 against either limit, apart
from each other; both limits are at 0.3. The truth is the quantile of 2,000,000 sensors.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.joint_passage import joint_lines, passages, simulate_first
from tests.coverage.family import FOLDER, LEVEL, Family, Held

Floats = NDArray[np.float64]

TABLE, SEED = FOLDER / "several_criteria.csv", 20261128
CHECKS = np.arange(0.0, 31.0, 5.0)
MEAN, SD = np.array([0.0, 0.012, 0.0, 0.011]), np.array([0.02, 0.003, 0.02, 0.003])
TOGETHER, CHECK_SD, EDGE, SHARE = 0.5, 0.02, np.array([0.3, 0.3]), 0.10
DRAWS, DRAWN = 200, 1000
DESIGNS = {f"{n} sensors": n for n in (6, 12, 24)}
QUANTITY, METHOD = "use by which 10 % are past any limit", "quantiles over draws of the population"


@cache
def covariance() -> Floats:
    """Return the covariance of the true lines."""
    correlation = np.eye(4)
    correlation[1, 3] = correlation[3, 1] = TOGETHER
    return np.asarray(correlation * np.outer(SD, SD))


@cache
def truth() -> float:
    """Return the true use."""
    z = np.random.default_rng(1).standard_normal((2_000_000, 4))
    return float(np.quantile(passages(MEAN, covariance(), EDGE, z).min(axis=1), SHARE))


def study(design: str, rng: np.random.Generator) -> Held:
    """Run one study."""
    n = DESIGNS[design]
    theta = MEAN + rng.standard_normal((n, 4)) @ np.linalg.cholesky(covariance()).T
    y = theta[:, 0::2].T[:, :, None] + theta[:, 1::2].T[:, :, None] * CHECKS
    y = y + CHECK_SD * rng.standard_normal(y.shape)
    lines = joint_lines(np.broadcast_to(CHECKS, y.shape), y, EDGE)
    _, low, high = simulate_first(lines, np.zeros(0), SHARE, LEVEL, rng, drawn=DRAWN, draws=DRAWS).first
    width = min(high, 1e3) - low  # without wear in some draws the upper end is infinite
    return {(QUANTITY, METHOD): (bool(low <= truth() <= high), width)}


FAMILY = Family("several_criteria", __doc__ or "", list(DESIGNS), study, TABLE, SEED, cheap="6 sensors")
