"""How often the shape of drift is told, and the break located: ``python -m tests.coverage shapes``.

Sensors with their own start and slope, checked at nine uses; drift that is straight, breaks, breaks in or quickens.
"Held" means: of a shape, that a straight line was kept where it is true, or a bend of the right kind was chosen where
it is; of the test of a break, that p was above 0.05; of the break, that its profile interval holds it. Beside the test
stands a plain chi-square of one degree of freedom for the searched kink.
"""

from __future__ import annotations

import numpy as np

from drift.sensitivity.shapes import judge_rows
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "shapes.csv", 20260603, 50
USES = np.array([0, 2, 5, 10, 15, 20, 25, 30, 40], dtype=np.float64)
SLOPE, SLOPE_SD, START_SD, ERROR_SD, BREAK = -0.004, 0.0008, 0.03, 0.011, 20.0
BENDS = {"": lambda u: 0 * u, ", true break": lambda u: -0.004 * np.maximum(u - BREAK, 0),
         ", true break-in": lambda u: -0.05 * (1 - np.exp(-u / 4)), ", quickening": lambda u: -0.00006 * u**2}
RIGHT = {"": {"straight line"}, ", true break": {"broken line", "accelerating"},
         ", true break-in": {"break-in", "log of use", "root of use", "broken line"},
         ", quickening": {"accelerating", "broken line"}}
DESIGNS = [f"{n} sensors{bend}" for n in (6, 12, 24) for bend in BENDS]
CHOICE, PLAIN = "simplest within one standard error, sensors left out", "chi-square of one df (shortcut)"
PROFILE, BOOTSTRAP = "profile likelihood", "parametric bootstrap"
DRAWS = 199


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what was chosen and held."""
    n, bend = int(name.split()[0]), name.partition(" sensors")[2]
    code, u = np.repeat(np.arange(n), len(USES)), np.tile(USES, n)
    y = (START_SD * rng.standard_normal(n))[code] + (SLOPE + SLOPE_SD * rng.standard_normal(n))[code] * u
    y = y + BENDS[bend](u) + ERROR_SD * rng.standard_normal(len(u))
    x = u / USES.max()
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    s = judge_rows(x, y, code, sign=-1.0, first=1 / USES.max(), span=USES.max(), level=LEVEL, rng=rng, draws=DRAWS)
    held["shape", CHOICE] = (s.shape.name in RIGHT[bend], 0.0)
    assert s.found is not None
    if not bend:
        held["p of no break above 0.05", BOOTSTRAP] = (s.found.p > 0.05, 0.0)
        broken = next(j for j in s.judged if j.name == "broken line")
        fall = float(s.judged[0].fit.deviance[0] - broken.fit.deviance.min())
        held["p of no break above 0.05", PLAIN] = (fall <= 3.841, 0.0)
    if bend == ", true break":
        low, high = (v * USES.max() if v == v else end for v, end in ((s.found.low, -np.inf), (s.found.high, np.inf)))
        held["break at use", PROFILE] = (low <= BREAK <= high, min(high, 40.0) - max(low, 0.0))
    return held


FAMILY = Family("shapes", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, cheap="6 sensors")
