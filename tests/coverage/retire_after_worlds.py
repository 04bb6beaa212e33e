"""Worlds and designs of the retire-after rule as studies really are: schedules, removals, batches of any size.

Slopes and paths are those of :mod:`tests.coverage.retirement_worlds`; this module adds who is checked when, who is
removed, and which batch each sensor came from.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tests.coverage.retirement_worlds import CHECK_SD, CHECKS, LIMIT, SLOPE, START_SD, World, path

Floats = NDArray[np.float64]
KEPT_AT_LEAST = 3
BATCH_SDS = ((0.0035, 0.0020), (0.0020, 0.0035), (0.0, 0.0040))
UNEVEN = ((1, 2, 3, 8), (1, 1, 1, 9), (1, 1, 2, 4, 8), (1, 1, 2, 2, 3, 5, 8, 10), (1, 1, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4))


@dataclass(frozen=True)
class Design:
    """One design: how many sensors of which batches, how they wear, when they are checked, what the limit is about.

    Parameters
    ----------
    sizes : tuple of int
        Sensors of each batch; of one batch each where batches do not matter.
    shape : str
        Of slopes or paths.
    batch_sd, within_sd, batch_start_sd : float
        SDs of slopes between and within batches, and of starts between batches.
    schedule : str
        ``"equal"``: 0, 5, ..., 30 for all; ``"unequal"``: 4 to 9 checks at uses of their own, the first at 0.
    removed : bool
        Worn sensors leave after their first check beyond the limit.
    relative : bool
        The limit is on the change from the sensor's own fresh value.
    told : str
        Of the batches: ``"none"``, ``"known"``, ``"no column"``.
    broken : str
        The assumption that does not hold; empty where all hold.
    """

    sizes: tuple[int, ...]
    shape: str = "normal"
    batch_sd: float = 0.0
    within_sd: float = 0.004
    batch_start_sd: float = 0.0
    schedule: str = "equal"
    removed: bool = False
    relative: bool = False
    told: str = "none"
    broken: str = ""

    @property
    def n(self) -> int:
        """Number of sensors."""
        return sum(self.sizes)

    @property
    def world(self) -> World:
        """How slopes vary."""
        return World(shape=self.shape, between_sd=self.batch_sd, within_sd=self.within_sd)

    @property
    def text(self) -> str:
        """Words of the design, which also find it for a user's own study."""
        known = self.told == "known"
        head = f"{self.n} sensors of {len(self.sizes)} batches" if known else f"{self.n} sensors"
        said = [head, self.shape]
        if known and len(set(self.sizes)) > 1:
            said.append("sizes " + "-".join(map(str, self.sizes)))
        if self.told != "none":
            said.append(f"slopes SD {self.batch_sd:g} + {self.within_sd:g}")
        if self.told == "no column":
            said.append(f"{len(self.sizes)} batches not told")
        if self.batch_start_sd:
            said.append("starts of batches differ")
        if self.schedule != "equal":
            said.append("unequal schedules")
        if self.removed:
            said.append("worn ones removed")
        if self.relative:
            said.append("change from fresh")
        return ", ".join(said)


def designs() -> Iterator[Design]:
    """All designs, in the order of the table."""
    for n in (5, 10, 20, 40):
        yield Design((1,) * n)
    for n in (5, 12, 24, 40):
        yield Design((1,) * n, schedule="unequal", removed=True)
    for shape in ("skewed", "heavy-tailed"):
        for n in (6, 12, 24, 40):
            yield Design((1,) * n, shape)
            yield Design((1,) * n, shape, schedule="unequal", removed=True)
    for shape in ("break-in", "accelerating"):
        for n in (12, 24):
            yield Design((1,) * n, shape, broken="lines are not straight")
            yield Design((1,) * n, shape, schedule="unequal", removed=True, broken="lines are not straight")
    for shape in ("normal", "skewed"):
        for n in (6, 12, 40):
            yield Design((1,) * n, shape, relative=True)
            yield Design((1,) * n, shape, schedule="unequal", removed=True, relative=True)
    for shape, sizes in (("break-in", (6, 12, 24)), ("accelerating", (12,))):
        for n in sizes:
            yield Design((1,) * n, shape, relative=True, broken="lines are not straight")
            yield Design((1,) * n, shape, schedule="unequal", removed=True, relative=True,
                         broken="lines are not straight")
    yield from _batch_designs()


def _batch_designs() -> Iterator[Design]:
    for shape in ("normal", "skewed"):
        for between, within in BATCH_SDS:
            for sizes in ((6,) * 4, *UNEVEN):
                yield Design(sizes, shape, between, within, told="known")
    for sizes in (UNEVEN[0], (1, 1, 2, 4, 8), UNEVEN[3]):
        for shape in ("normal", "skewed"):
            yield Design(sizes, shape, *BATCH_SDS[0], batch_start_sd=0.02, schedule="unequal", removed=True,
                         told="known")
    for sizes in ((6, 6), (4, 4, 4)):
        yield Design(sizes, "normal", *BATCH_SDS[0], told="known")
    for sizes in ((6,) * 4, (5,) * 8):
        yield Design(sizes, "normal", *BATCH_SDS[0], told="no column", broken="batches differ and are not told")


@dataclass(frozen=True)
class Drawn:
    """Simulated studies: checks, true lines and batch means; arrays over (n_studies, n_sensors[, n_checks])."""

    use: Floats
    value: Floats
    start: Floats
    slope: Floats
    batch_slope: Floats
    gone: NDArray[np.bool_]


def _slopes(d: Design, rng: np.random.Generator, n_studies: int) -> tuple[Floats, Floats]:
    """Return true slopes and those of the mean sensor of each batch (skewed ones multiply)."""
    shape, sd = (n_studies, d.n), d.world.sd
    if d.shape == "heavy-tailed":
        return SLOPE + sd * rng.standard_t(4, shape) / np.sqrt(2), np.full((n_studies, len(d.sizes)), SLOPE)
    share = d.batch_sd**2 / sd**2
    of_batch = np.sqrt(share) * rng.standard_normal((n_studies, len(d.sizes)))
    z = np.repeat(of_batch, d.sizes, axis=1) + np.sqrt(1 - share) * rng.standard_normal(shape)
    if d.shape == "skewed":
        s2 = np.log1p((sd / SLOPE) ** 2)
        return SLOPE * np.exp(np.sqrt(s2) * z - s2 / 2), of_batch
    return SLOPE + sd * z, SLOPE + sd * of_batch


def _schedule(d: Design, rng: np.random.Generator, n_studies: int) -> Floats:
    if d.schedule == "equal":
        return np.broadcast_to(CHECKS, (n_studies, d.n, len(CHECKS)))
    # 4 to 9 checks: the fresh one, then at steps of 2 to 8 uses, ended by the budget of the sensor.
    steps = rng.integers(2, 9, (n_studies, d.n, 8)).astype(float)
    use = np.concatenate([np.zeros((n_studies, d.n, 1)), np.cumsum(steps, axis=-1)], axis=-1)
    many = rng.integers(4, 10, (n_studies, d.n, 1))
    return np.where((np.arange(9) < many) & (use <= 36), use, np.nan)


def draw(d: Design, rng: np.random.Generator, n_studies: int) -> Drawn:
    """Simulate studies of one design."""
    slope, batch_slope = _slopes(d, rng, n_studies)
    start = rng.normal(0.0, START_SD, slope.shape)
    if d.batch_start_sd:
        start += np.repeat(rng.normal(0.0, d.batch_start_sd, (n_studies, len(d.sizes))), d.sizes, axis=1)
    use = _schedule(d, rng, n_studies)
    value = path(d.world, start[..., None], slope[..., None], use) + rng.normal(0.0, CHECK_SD, use.shape)
    out = np.zeros(slope.shape, dtype=bool)
    if d.removed:
        seen = value - (start[..., None] if d.relative else 0.0)
        beyond = np.cumsum(np.nan_to_num(seen, nan=-np.inf) > LIMIT, axis=-1)
        gone = np.concatenate([np.zeros((*slope.shape, 1)), beyond[..., :-1]], axis=-1) > 0
        gone[..., :KEPT_AT_LEAST] = False
        out = beyond[..., -1] > 0
        value = np.where(gone, np.nan, value)
    return Drawn(np.where(np.isfinite(value), use, np.nan), value, start, slope, batch_slope, out)


@lru_cache(maxsize=64)
def true_crossings(d: Design, n: int = 400_000) -> Floats:
    """Sorted true crossing uses of sensors from new batches (fixed seed)."""
    rng = np.random.default_rng(20240613)
    from dataclasses import replace

    one = replace(d, sizes=(1,))
    slope = _slopes(one, rng, n)[0][:, 0]
    spread = 0.0 if d.relative else float(np.hypot(START_SD, d.batch_start_sd))
    start = rng.normal(0.0, spread, n) if spread else np.zeros(n)
    low, high = np.zeros(n), np.full(n, 400.0)
    for _ in range(40):
        middle = (low + high) / 2
        beyond = path(d.world, start, slope, middle) > LIMIT
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.sort(high)


def share_beyond(d: Design, drawn: Drawn, count: Floats) -> Floats:
    """True share of sensors beyond the limit at each study's count: of new batches, or of the study's own."""
    if d.told == "known" and len(d.sizes) < 4:
        return _share_of_these(d, drawn, count)
    times = true_crossings(d)
    return np.searchsorted(times, np.asarray(count), side="right") / len(times)


def _share_of_these(d: Design, drawn: Drawn, count: Floats) -> Floats:
    """Share beyond of sensors of the very batches of each study, in their proportions (normal slopes)."""
    from scipy.special import ndtr

    at = np.asarray(count, dtype=np.float64)[:, None]
    sd = np.sqrt((0.0 if d.relative else START_SD**2) + (at * d.within_sd) ** 2)
    beyond = ndtr((drawn.batch_slope * at - LIMIT) / np.maximum(sd, 1e-12))
    return np.asarray(beyond @ (np.array(d.sizes) / d.n))


def oracle(d: Design, content: float) -> float:
    """Exposure at which the true share beyond is 1 - content."""
    times = true_crossings(d)
    return float(times[int((1 - content) * len(times))])
