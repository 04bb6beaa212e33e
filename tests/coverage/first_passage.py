"""How often intervals of the use at which a share is past the limit hold it: ``python -m tests.coverage "
  "first_passage``.

Checks at uses 0, 5, ..., 30 with error SD 0.03, starts of SD 0.03, mean slope 0.020 a use, limit log(5/3) above fresh;
slopes normal or lognormal with SD 0.004, or a Wiener or gamma process of SD 0.02 per root use. Each world is analysed
by its own family and by another one, which must not be trusted: its interval holds no uncertainty about the family.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.first_passage import (
    CURRENT,
    FIXED,
    GAMMA,
    LOGNORMAL,
    WIENER,
    PassageFit,
    Paths,
    draw_paths,
    fit_passage,
    paths_from_checks,
    reflected,
    use_at_share,
)
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

TABLE, SEED, STUDIES = FOLDER / "first_passage.csv", 20261127, 1000
CHECKS, LIMIT, SHARE, DRAWS = np.arange(0.0, 31.0, 5.0), math.log(5 / 3), 0.10, 99
SQUARE = math.log1p(0.04)
Floats = NDArray[np.float64]
TRUE = {CURRENT: (0.02, 0.004), FIXED: (0.02, 0.004), LOGNORMAL: (math.log(0.02) - SQUARE / 2, math.sqrt(SQUARE)),
        WIENER: (0.02, 0.02), GAMMA: (0.02, 0.02)}
OTHER = {CURRENT: WIENER, FIXED: WIENER, LOGNORMAL: CURRENT, WIENER: CURRENT, GAMMA: LOGNORMAL}
METHOD = "reflected on the log scale, widened by t over normal"
DESIGNS = [f"{n} sensors, {family}" for family in TRUE for n in ((6, 12, 24) if family == CURRENT else (12,))]


def truth_of(family: str) -> float:
    """Use at which a tenth is past the limit."""
    a, b = TRUE[family]
    start = 0.0 if family == FIXED else 0.03
    fit = PassageFit(family, *(np.asarray(v, np.float64) for v in (0.0, start, a, b, 0.0, 0.03)), np.asarray(True))
    return float(use_at_share(fit, SHARE, LIMIT, relative=False))


def batch(design: str, drawn: Drawn) -> dict[tuple[str, str], tuple[Any, Any]]:
    """Simulate blocks of studies."""
    found = re.match(r"(\d+) sensors, (.*)", design)
    assert found
    n, world = int(found[1]), found[2]
    true = truth_of(world)
    made = []
    for rng, k in drawn:
        p = _studies(world, n, k, rng)
        made.append({(f"use at which 10 % are past, by {family}", METHOD): _held(family, p, true, rng)
                     for family in (world, OTHER[world])})
    return {key: (np.concatenate([m[key][0] for m in made]), np.concatenate([m[key][1] for m in made]))
            for key in made[0]}


def _studies(world: str, n: int, k: int, rng: np.random.Generator) -> Paths:
    start = (0.0 if world == FIXED else 0.03) * rng.standard_normal((k, n, 1))
    a, b = TRUE[world]
    if world in (WIENER, GAMMA):
        gap = 5.0
        step = (rng.normal(a * gap, b * math.sqrt(gap), (k, n, 6)) if world == WIENER else
                rng.gamma(a**2 / b**2 * gap, b**2 / a, (k, n, 6)))
        path = np.concatenate([np.zeros((k, n, 1)), step.cumsum(axis=-1)], axis=-1)
    else:
        slope = a + b * rng.standard_normal((k, n, 1))
        path = (np.exp(slope) if world == LOGNORMAL else slope) * CHECKS
    y = start + path + 0.03 * rng.standard_normal((k, n, len(CHECKS)))
    one = paths_from_checks(np.broadcast_to(CHECKS, (n, 7)), y[0])
    design = np.column_stack([np.ones(7), CHECKS])
    beta = y @ np.linalg.pinv(design).T
    rss = ((y - beta @ design.T) ** 2).sum(axis=-1)
    return Paths(beta[..., 0], beta[..., 1], rss, one.df, one.v00, one.v01, one.v11, one.w1, one.w2)


def _held(family: str, p: Paths, true: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    fit = fit_passage(family, p)
    use = use_at_share(fit, SHARE, LIMIT, relative=False)
    again = fit_passage(family, draw_paths(fit, p, rng, DRAWS))
    drawn = use_at_share(again, SHARE, LIMIT, relative=False)
    ends = reflected(use, drawn, LEVEL, len(p.df) - 1)
    width = np.where(np.isfinite(use), ends[1] - ends[0], np.nan)
    return np.asarray((ends[0] <= true) & (true <= ends[1])), width


FAMILY = Family("first_passage", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap=DESIGNS[1])
