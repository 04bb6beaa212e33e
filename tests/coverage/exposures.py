"""How often the drift by each of two clocks holds the truth, together: ``python -m tests.coverage exposures``.

Sensors that differ in their start and in their drift by either clock, seven checks. The second clock is independent of
uses, nearly in step with them (variance inflation about 15), or counts uses since a recalibration that half of the
sensors had; the drifts of a sensor by both clocks are independent, or correlated by 0.6; or pressures were displayed
under two calibrations. Beside the printed interval stands that of a model in which sensors differ in their drift by the
first clock alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drift.engine.clocks import clock_fit
from drift.engine.joint_clocks import contrasts, joint_slopes
from tests.coverage.family import FOLDER, LEVEL, Family, Held

Floats = NDArray[np.float64]

TABLE, SEED = FOLDER / "exposures.csv", 20260605
USES = np.array([0, 5, 10, 15, 20, 25, 30], dtype=np.float64)
SLOPES, SLOPE_SD, START_SD, ERROR_SD, OFFSET_SD = (-0.004, -0.004), 0.001, 0.03, 0.011, 0.05
KINDS = (", clocks independent", ", clocks nearly in step", ", uses since recalibration", ", drifts correlated",
         ", displayed, clocks independent")
DESIGNS = [f"{n} sensors{kind}" for n in (6, 12) for kind in KINDS]
QUANTITIES = ("drift by exposure, first clock", "drift by exposure, second clock")
METHOD, NAIVE = "REML with random slopes by each clock, Kenward-Roger t interval", (
    "sensors differ in the first clock alone (shortcut)")


def clocks_of(n: int, kind: str, rng: np.random.Generator) -> Floats:
    """Return both clocks at every check, (n, uses, 2)."""
    use = np.tile(USES, (n, 1))
    if "since" in kind:
        at = np.where(np.arange(n) % 2 == 0, rng.choice(USES[1:-2], n), -1.0)
        return np.stack([use, np.where((at[:, None] >= 0) & (use > at[:, None]), use - at[:, None], use)], axis=2)
    if "step" in kind:
        pace = 5 * np.exp(0.4 * rng.standard_normal((n, len(USES) - 1)))
    else:
        pace = rng.choice([0.5, 9.5], (n, len(USES) - 1))
    return np.stack([use, np.concatenate([np.zeros((n, 1)), np.cumsum(pace, axis=1)], axis=1)], axis=2)


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its intervals held."""
    from scipy.special import stdtrit

    n, kind = int(name.split()[0]), name.partition(" sensors")[2]
    x = clocks_of(n, kind, rng)
    own = rng.standard_normal((n, 2))
    if "correlated" in kind:
        own[:, 1] = 0.6 * own[:, 0] + 0.8 * own[:, 1]
    slopes = np.array(SLOPES) + SLOPE_SD * own
    epoch = np.repeat([0, 1], [4, 3]) if "displayed" in kind else np.zeros(len(USES), dtype=np.int64)
    start = START_SD * rng.standard_normal((n, 1))
    offset = OFFSET_SD * rng.standard_normal((n, 2))[:, epoch] * (epoch > 0)
    y = start + np.einsum("nuk,nk->nu", x, slopes) + offset + ERROR_SD * rng.standard_normal((n, len(USES)))
    code = np.repeat(np.arange(n), len(USES))
    stratum = 2 * code + np.tile(epoch, n)
    fit = joint_slopes(contrasts(y.ravel(), x.reshape(-1, 2), code, stratum))
    low, high = fit.intervals(LEVEL)
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    naive = clock_fit(y.ravel(), x.reshape(-1, 2), code)
    t = float(stdtrit(n - 1, 0.5 + LEVEL / 2))
    for j, quantity in enumerate(QUANTITIES):
        held[quantity, METHOD] = (bool(low[j] <= SLOPES[j] <= high[j]), float(high[j] - low[j]))
        if "displayed" not in kind:
            half = t * float(naive.std_errors[j])
            held[quantity, NAIVE] = (abs(float(naive.slopes[j]) - SLOPES[j]) <= half, 2 * half)
    return held


FAMILY = Family("exposures", __doc__ or "", DESIGNS, study, TABLE, SEED, cheap="6 sensors, clocks independent")
