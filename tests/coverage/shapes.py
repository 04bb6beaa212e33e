"""How often the shape of drift is told: ``python -m tests.coverage shapes``.

Sensors with their own start and slope, checked at nine uses; drift that is straight, breaks, breaks in or quickens.
"Held" means that a straight line was kept where it is true, or a bend of the right kind was chosen where it is.
"""

from __future__ import annotations

import numpy as np

from drift.sensitivity.shapes import CHOICE, judge_rows
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "shapes.csv", 20260603, 400
USES = np.array([0, 2, 5, 10, 15, 20, 25, 30, 40], dtype=np.float64)
SLOPE, SLOPE_SD, START_SD, ERROR_SD, BREAK = -0.004, 0.0008, 0.03, 0.011, 20.0
BENDS = {"": lambda u: 0 * u, ", true break": lambda u: -0.004 * np.maximum(u - BREAK, 0),
         ", true break-in": lambda u: -0.05 * (1 - np.exp(-u / 4)), ", quickening": lambda u: -0.00006 * u**2}
RIGHT = {"": {"straight line"}, ", true break": {"broken line", "accelerating"},
         ", true break-in": {"break-in", "log of use", "root of use", "broken line"},
         ", quickening": {"accelerating", "broken line"}}
DESIGNS = [f"{n} sensors{bend}" for n in (6, 12, 24) for bend in BENDS]


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what was chosen and held."""
    n, bend = int(name.split()[0]), name.partition(" sensors")[2]
    code, u = np.repeat(np.arange(n), len(USES)), np.tile(USES, n)
    y = (START_SD * rng.standard_normal(n))[code] + (SLOPE + SLOPE_SD * rng.standard_normal(n))[code] * u
    y = y + BENDS[bend](u) + ERROR_SD * rng.standard_normal(len(u))
    x = u / USES.max()
    s = judge_rows(x, y, code, sign=-1.0, first=1 / USES.max(), span=USES.max(), level=LEVEL, rng=rng, located=False)
    return {("shape", CHOICE): (s.shape.name in RIGHT[bend], 0.0)}


FAMILY = Family("shapes", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, cheap="6 sensors")
