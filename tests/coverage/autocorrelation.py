"""How often the drift holds the truth where near checks are alike: ``python -m tests.coverage autocorrelation``.

Sensors with their own start and slope at twelve unequal uses; errors independent, or of which seven tenths decay by 0.8
a use, or by 0.95. The interval with autocorrelated errors stands beside that of independent errors with random slopes,
and beside the t interval of one line through all checks.
"""

from __future__ import annotations

import math

import numpy as np

from drift.sensitivity.autocorrelation import NAMED, both
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "autocorrelation.csv", 20260604, 60
USES = np.array([0, 1, 2, 4, 6, 8, 11, 14, 18, 22, 26, 30], dtype=np.float64)
SLOPE, SLOPE_SD, START_SD, ERROR_SD = -0.007, 0.001, 0.03, 0.02
DECAYS = {"": 0.0, ", decay 0.8": 0.8, ", decay 0.95": 0.95}
DESIGNS = [f"{n} sensors{w}" for n in (6, 12) for w in DECAYS]
PLAIN, LINE = "REML with independent errors, t over sensors", "one line through all checks (shortcut)"


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its intervals held."""
    from scipy.special import stdtrit

    n = int(name.split()[0])
    phi = DECAYS[name.partition(" sensors")[2]]
    v = np.eye(len(USES))
    if phi:
        v = 0.3 * v + 0.7 * phi ** np.abs(USES[:, None] - USES[None, :])
    e = ERROR_SD * rng.standard_normal((n, len(USES))) @ np.linalg.cholesky(v).T
    y = START_SD * rng.standard_normal((n, 1)) + (SLOPE + SLOPE_SD * rng.standard_normal((n, 1))) * USES + e
    x, code = np.tile(USES, n), np.repeat(np.arange(n), len(USES))
    b = both(x, y.ravel(), code, level=LEVEL, interval=False)
    t = float(stdtrit(n - 1, 0.975))
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for method, fit in ((NAMED, b.correlated), (PLAIN, b.plain)):
        half = t * float(fit.std_errors[1])
        held["drift per use", method] = (abs(float(fit.beta[1]) - SLOPE) <= half, 2 * half)
    dx = x - x.mean()
    slope = float(dx @ y.ravel() / (dx @ dx))
    r = y.ravel() - y.mean() - slope * dx
    half = 1.96 * math.sqrt(float(r @ r) / (len(r) - 2) / float(dx @ dx))
    held["drift per use", LINE] = (abs(slope - SLOPE) <= half, 2 * half)
    return held


FAMILY = Family("autocorrelation", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, cheap="6 sensors")
