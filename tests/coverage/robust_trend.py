"""How often the robust drift and Kendall's p hold: ``python -m tests.coverage robust_trend``.

Sensors with their own start and slope, seven checks; normal errors, errors of three degrees of freedom, and one check
in twenty wild. Beside the interval of the sensors' Theil-Sen slopes stands the t interval of least-squares slopes.
Kendall's p is judged on sensors that do not drift: it "holds" where it is above 0.05, so that its row shows one less
its size; beside the exact one stands the normal approximation without continuity correction.
"""

from __future__ import annotations

import math

import numpy as np

from drift.engine.comparison.theil_sen import theil_sen
from drift.engine.robust_trend import mann_kendall, pooled_kendall, walsh_centre
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED = FOLDER / "robust_trend.csv", 20260601
USES = np.array([0, 5, 10, 15, 20, 25, 30], dtype=np.float64)
SLOPE, SLOPE_SD, ERROR_SD = -0.007, 0.0015, 0.012
KINDS = ("", ", errors with long tails", ", wild checks")
DESIGNS = [f"{n} sensors{kind}" for n in (6, 12, 24) for kind in KINDS]
NAMED, T = "signed-rank interval of Theil-Sen slopes", "t interval of least-squares slopes (shortcut)"
EXACT, NORMAL = "exact", "normal approximation (shortcut)"


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its intervals held."""
    from scipy.special import stdtrit

    n = int(name.split()[0])
    e = rng.standard_normal((n, len(USES)))
    if "long tails" in name:
        e = rng.standard_t(3, (n, len(USES))) / math.sqrt(3)
    elif "wild" in name:
        e = np.where(rng.random(e.shape) < 0.05, 8 * e, e)
    e *= ERROR_SD
    true = SLOPE + SLOPE_SD * rng.standard_normal(n)
    y = true[:, None] * USES + e
    robust = np.array([theil_sen(USES, row).slope for row in y])
    _, low, high = walsh_centre(robust, level=LEVEL)
    dx = USES - USES.mean()
    slopes = y @ dx / (dx @ dx)
    half = float(stdtrit(n - 1, 0.975)) * float(slopes.std(ddof=1)) / math.sqrt(n)
    one = theil_sen(USES, y[0])
    held: dict[tuple[str, str], tuple[bool, float]] = {
        ("robust drift per use", NAMED): (low <= SLOPE <= high, high - low),
        ("robust drift per use", T): (abs(slopes.mean() - SLOPE) <= half, 2 * half)}
    if math.isfinite(one.slope_low):
        held["slope of one sensor of 7 checks", "Theil-Sen, exact ranks"] = (
            one.slope_low <= true[0] <= one.slope_high, one.slope_high - one.slope_low)
    for checks in (4, 7):
        k = mann_kendall(USES[:checks], e[0, :checks])
        held[f"p of one sensor of {checks} checks above 0.05", EXACT] = (k.p > 0.05, 0.0)
        z = k.s / math.sqrt(k.variance)
        held[f"p of one sensor of {checks} checks above 0.05", NORMAL] = (math.erfc(abs(z) / math.sqrt(2)) > 0.05, 0.0)
    pooled = pooled_kendall([mann_kendall(USES, row) for row in e])
    held["p of all sensors above 0.05", EXACT] = (pooled.p > 0.05, 0.0)
    return held


FAMILY = Family("robust_trend", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=1000, cheap="6 sensors")
