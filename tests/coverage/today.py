"""Forecast of one sensor: uses left and the check of its path, after few checks among few or many sensors.

Sensors start at a log sensitivity of SD 0.03 and wear by 0.0125 (SD 0.0025) a use, read with an SD of 0.03 at uses 0,
5, ..., 30; the limit is log(5/3) above fresh. One sensor has been checked a few times only. ``plug-in`` takes the
variances and the mean line for known, as empirical-Bayes forecasts do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drift.engine.sensor_forecast import (
    LEAST_ESS,
    Mixture,
    Population,
    fit_population,
    line_of,
    remaining_uses,
    surprise,
)
from tests.coverage.family import FOLDER, Family, Held, Row, tabulate

TABLE = FOLDER / "today.csv"
SEED = 20261126
STUDIES = 2000
POSTERIOR, PLUG_IN = "posterior of start and slope", "plug-in variances"
USES = np.arange(0.0, 31.0, 5.0)
LIMIT = math.log(5 / 3)
CHECKS = (1, 2, 3, 6)
NOMINAL = {"bound": 0.95, "median": 0.5, "path": 0.99}


@dataclass(frozen=True)
class World:
    """One population: sensors, and what is not as assumed."""

    sensors: int
    slopes: str = "normal"
    batches: int = 0
    errors: str = "normal"
    removed: bool = False


def named() -> dict[str, World]:
    """Return the designs by their words."""
    found = {f"{n} sensors": World(n) for n in (5, 8, 12, 24)}
    found["12 sensors, skewed slopes"] = World(12, slopes="skewed")
    found["12 sensors, heavy-tailed errors"] = World(12, errors="heavy")
    found["12 sensors, 3 batches"] = World(12, batches=3)
    found["12 sensors, worn ones removed"] = World(12, removed=True)
    return found


def study(design: str, rng: np.random.Generator) -> Held:
    """Simulate one population and judge one of its sensors after 1 to 6 checks."""
    w = named()[design]
    n = w.sensors
    start = rng.normal(0, 0.03, n)
    z = (rng.gamma(4.0, 1.0, n) - 4) / 2 if w.slopes == "skewed" else rng.standard_normal(n)
    if w.batches:
        batch = rng.standard_normal(w.batches)[np.arange(n) % w.batches]
        z = math.sqrt(0.5) * z + math.sqrt(0.5) * batch
    slope = 0.0125 + 0.0025 * z
    noise = (rng.standard_t(4, (n, len(USES))) / math.sqrt(2) if w.errors == "heavy"
             else rng.standard_normal((n, len(USES))))
    y = start[:, None] + slope[:, None] * USES + 0.03 * noise
    seen = np.ones(y.shape, dtype=bool)
    if w.removed:  # after the check that shows a gain loss past 0.3; the reading that did stays
        past = y - y[:, :1] > 0.3
        seen = np.cumsum(past, axis=1) - past == 0
    row, column = np.nonzero(seen)
    try:
        p = fit_population(USES[column], y[seen], np.ones(seen.sum()), row, n, rng=rng)
    except ValueError:
        return {}
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for m in (m for m in CHECKS if m <= seen[0].sum()):
        at = float(USES[m - 1])
        left = math.floor((LIMIT - slope[0] * at) / slope[0]) if slope[0] > 0 else 10**6
        _judge(held, m, at, max(left, 0), y[0], p, rng, seen)
    return held


def _judge(held: dict[tuple[str, str], tuple[bool, float]], m: int, at: float, left: int, y: np.ndarray,
           p: Population, rng: np.random.Generator, seen: np.ndarray) -> None:
    checks = f"{m} check{'s' * (m > 1)}"
    ours = line_of(p, USES[:m], y[:m], np.ones(m), member=0)
    if 1 / (ours.weight**2).sum() < LEAST_ESS:
        return
    for method, line in ((POSTERIOR, ours), (PLUG_IN, _plugged(p, m, y, ours))):
        low, median = (remaining_uses(line, at, LIMIT, sign=1.0, relative=True, chance=c, most=120)
                       for c in (0.05, 0.5))
        held[f"lower bound of uses left, {checks}", method] = (low <= left, float(median - low))
        held[f"median of uses left, {checks}", method] = (median <= left, float(median))
        if m < len(USES) and seen[0, m]:
            s = surprise(line, float(USES[m]), float(y[m]), 1.0)
            held[f"check on its path, {checks} before", method] = (s.p >= 0.01, s.sd)


def _plugged(p: Population, m: int, y: np.ndarray, full: Mixture) -> Mixture:
    """Line of the sensor with the variances at their posterior means and the mean line without error."""
    theta = (full.weight @ p.theta)[None]
    from drift.engine.sensor_forecast import _parts

    one = Population(theta=theta, log_weight=np.zeros(1), sums=p.sums, parts=_parts(theta, p.sums), x_scale=p.x_scale,
                     y_scale=p.y_scale, y_origin=p.y_origin, ess=1.0)
    line = line_of(one, USES[:m], y[:m], np.ones(m), member=0)
    # The conditional covariance alone: M = (D^-1 + A)^-1.
    sa, sb, r, se = np.exp(theta[0, 0]), np.exp(theta[0, 1]), np.tanh(theta[0, 2]), np.exp(theta[0, 3])
    unit = np.array([p.y_scale, p.y_scale / p.x_scale])
    d = np.array([[sa**2, r * sa * sb], [r * sa * sb, sb**2]]) * np.outer(unit, unit)
    x = np.column_stack([np.ones(m), USES[:m]])
    a = x.T @ x / (se * p.y_scale) ** 2
    return line._replace(cov=(d @ np.linalg.inv(np.eye(2) + a @ d))[None])


def rows(design: str, held: Sequence[Held]) -> list[Row]:
    """Return the rows of one design, each with its own nominal level."""
    made = tabulate(design, held)
    for row in made:
        kind = "bound" if "bound" in str(row["quantity"]) else "median" if "median" in str(row["quantity"]) else "path"
        row["nominal"] = NOMINAL[kind]
    return made


DESIGNS = list(named())
FAMILY = Family("today", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, tabulate=rows,
                cheap="5 sensors")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["today"]))
