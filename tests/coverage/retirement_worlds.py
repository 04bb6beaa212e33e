"""Simulated worlds for the retire-after rule: what sensors do, what checks see, what is true.

Every world starts at log saturation pressure 0 (SD 0.03), wears 0.020 a use on average (SD 0.004), is checked
at uses 0, 5, ..., 30 with SD 0.03, and has its limit at log(5/3).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import SensorLines, fit_lines

Floats = NDArray[np.float64]

CHECKS = np.arange(0.0, 31.0, 5.0)
LIMIT = float(np.log(5 / 3))
START_SD = CHECK_SD = 0.03
SLOPE = 0.020
SHAPES = ("normal", "heavy-tailed", "skewed", "break-in", "accelerating")


@dataclass(frozen=True)
class World:
    """How slopes vary: total SD from batches and within batches, and the shape of slopes or paths."""

    shape: str = "normal"
    between_sd: float = 0.0
    within_sd: float = 0.004
    drop_out: bool = False

    @property
    def sd(self) -> float:
        """SD of the slope of a sensor from a new batch."""
        return float(np.hypot(self.between_sd, self.within_sd))


def slopes(world: World, rng: np.random.Generator, n_studies: int, n_batches: int, per_batch: int) -> Floats:
    """True slopes, shape (n_studies, n_batches * per_batch)."""
    n = n_batches * per_batch
    if world.shape == "heavy-tailed":  # t with 4 degrees of freedom, scaled to the same SD
        return SLOPE + world.sd * rng.standard_t(4, (n_studies, n)) / np.sqrt(2)
    share = world.between_sd**2 / world.sd**2
    z = np.sqrt(share) * np.repeat(rng.standard_normal((n_studies, n_batches)), per_batch, axis=1)
    z += np.sqrt(1 - share) * rng.standard_normal((n_studies, n))
    if world.shape == "skewed":  # lognormal with the same mean and SD
        s2 = np.log1p((world.sd / SLOPE) ** 2)
        return SLOPE * np.exp(np.sqrt(s2) * z - s2 / 2)
    return SLOPE + world.sd * z


def path(world: World, start: Floats, slope: Floats, use: Floats) -> Floats:
    """True value of each sensor at each use (arrays broadcast)."""
    if world.shape == "break-in":
        return start + slope * use + 0.06 * -np.expm1(-use / 1.5)
    if world.shape == "accelerating":
        return start + slope * (0.75 * use + 0.0125 * use**2)
    return start + slope * use


def simulate(world: World, rng: np.random.Generator, n_studies: int, n_batches: int, per_batch: int) -> SensorLines:
    """Lines of the sensors of many simulated studies, shape (n_studies, n_sensors)."""
    b = slopes(world, rng, n_studies, n_batches, per_batch)
    a = rng.normal(0.0, START_SD, b.shape)
    y = path(world, a[..., None], b[..., None], CHECKS) + rng.normal(0.0, CHECK_SD, (*b.shape, len(CHECKS)))
    if world.drop_out:  # removed after the first check beyond the limit, three checks kept at least
        beyond = np.cumsum(y > LIMIT, axis=-1)
        gone = np.concatenate([np.zeros((*b.shape, 1)), beyond[..., :-1]], axis=-1) > 0
        gone[..., :3] = False
        y = np.where(gone, np.nan, y)
    return fit_lines(CHECKS, y)


@lru_cache(maxsize=32)
def true_crossings(world: World, n: int = 400_000) -> Floats:
    """Sorted true crossing uses of sensors from new batches (fixed seed)."""
    rng = np.random.default_rng(20240611)
    b = slopes(world, rng, n, 1, 1)[:, 0]
    a = rng.normal(0.0, START_SD, n)
    low, high = np.zeros(n), np.full(n, 400.0)
    for _ in range(40):
        middle = (low + high) / 2
        beyond = path(world, a, b, middle) > LIMIT
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.sort(high)


def share_beyond_true(world: World, count: Floats) -> Floats:
    """True share of sensors beyond the limit at each count."""
    times = true_crossings(world)
    return np.searchsorted(times, np.asarray(count), side="right") / len(times)


def oracle(world: World, content: float, step: float = 1.0) -> float:
    """Largest count at which the true share beyond is at most 1 - content."""
    times = true_crossings(world)
    return float(np.floor(times[int((1 - content) * len(times))] / step) * step)
