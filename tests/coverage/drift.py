"""How often the intervals of drift per use hold the truth: ``python -m tests.coverage.drift``.

Sensors with their own start and slope on log sensitivity, checks with an occasion effect and two mountings,
removal after the first check past a limit (the triggering check is kept), batches; fitted as the wear analysis
does, beside the shortcuts it replaces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.sensitivity.engine_calls import contrast_errors, fit_rows, spread_intervals
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "drift.csv", 20260411
USES = np.array([0, 5, 10, 15, 20, 25, 30], dtype=np.float64)
START_SD, SLOPE, SLOPE_SD = 0.03, -0.007, 0.0015
OCCASION_SD, MOUNTING_SD, BATCH_SLOPE_SD = 0.01, 0.008, 0.001
LIMIT = math.log(0.88)


@dataclass(frozen=True)
class Design:
    """Sensors, whether worn ones are removed, and batches (0: unknown)."""

    sensors: int
    removal: bool = False
    batches: int = 0


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    grid = {f"{n} sensors": Design(n) for n in (6, 12, 24)}
    grid |= {f"{n} sensors, worn ones removed": Design(n, removal=True) for n in (6, 12, 24)}
    grid |= {f"{n} sensors of 6 batches, worn ones removed": Design(n, removal=True, batches=6) for n in (12, 24)}
    return grid


DESIGNS, CHEAP = named(), "12 sensors"


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its intervals held."""
    from scipy.special import stdtrit

    d = DESIGNS[name]
    n, m = d.sensors, len(USES)
    start, slope = START_SD * rng.normal(size=n), SLOPE + SLOPE_SD * rng.normal(size=n)
    batch = np.arange(n) % d.batches if d.batches else np.zeros(n, dtype=int)
    if d.batches:
        slope = slope + (BATCH_SLOPE_SD * rng.normal(size=d.batches))[batch]
    level = start[:, None] + slope[:, None] * USES + OCCASION_SD * rng.normal(size=(n, m))
    z = level[:, :, None] + MOUNTING_SD * rng.normal(size=(n, m, 2))
    kept = np.ones((n, m), dtype=bool)
    if d.removal:
        past = z.mean(2) - z.mean(2)[:, :1] < LIMIT
        kept = np.cumsum(past, axis=1) - past == 0  # up to the check that triggered removal
        kept[:, :3] = True
    i, j, _ = np.nonzero(np.broadcast_to(kept[:, :, None], z.shape))
    y, x = z[kept].ravel(), USES[j]
    columns = np.column_stack([np.ones(len(x)), x])
    within = [(columns, i), (np.ones(len(x)), j)]
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, value: float, half: float, truth: float = SLOPE) -> None:
        held[quantity, method] = (abs(value - truth) <= half, 2 * half)

    try:
        design, fit = fit_rows(y, columns, [(columns, batch[i]), *within] if d.batches else within)
        se, df = contrast_errors(design, fit, np.array([[0.0, 1.0]]))
    except ValueError:
        return held
    put("drift per use", "REML, Kenward-Roger t", fit.beta[1], float(stdtrit(df[0], 0.975) * se[0]))
    put("drift per use", "REML, normal quantile (shortcut)", fit.beta[1], 1.959964 * math.sqrt(fit.cov_beta[1, 1]))
    sensors = 2 if d.batches else 1
    for ends_low, ends_high, _ in spread_intervals(design, fit, LEVEL).get((sensors, "sd"), [])[1:2]:
        held["SD between sensors, drift per use", "profile likelihood"] = (
            ends_low <= SLOPE_SD <= ends_high, ends_high - ends_low)
    if d.batches:
        flat, plain = fit_rows(y, columns, within)
        se, df = contrast_errors(flat, plain, np.array([[0.0, 1.0]]))
        put("drift per use", "batches left out (shortcut)", plain.beta[1], float(stdtrit(df[0], 0.975) * se[0]))
    beta, rest, *_ = np.linalg.lstsq(columns, y, rcond=None)
    spread = float(rest[0]) / (len(y) - 2) * np.linalg.inv(columns.T @ columns)[1, 1]
    put("drift per use", "one line through all rows (shortcut)", beta[1], 1.959964 * math.sqrt(spread))
    return held


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
