"""How often the recalibration interval keeps its promise in simulated worlds.

``python -m tests.coverage recalibration``. A study is unsafe if more than 1 - P of all sensors (of new batches) are
truly out of tolerance at the end of the stated interval, in the worst stretch of life. Slopes of mean 0.7 % a use and
SD 0.12 %, checks at uses 0, 5, ..., 40 with an SD of 1.2 %, tolerance 5 %, P = 0.90, C = 0.95, intervals on a grid of a
quarter of a use. The width is the interval.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from drift.engine.crossing import fit_lines
from drift.engine.worst_window import worst_excess
from drift.retirement.interval_rule import distance_of, interval_arrays, shortened
from tests.coverage.family import FOLDER, Drawn, Family

Floats = NDArray[np.float64]

TABLE, SEED, STUDIES = FOLDER / "recalibration.csv", 20261126, 4000
CONTENT, CONFIDENCE, GRID = 0.90, 0.95, 0.25
MEAN, SD, CHECK_SD, BREAK_IN = 0.007, 0.0012, 0.012, 0.02
DISTANCE = distance_of(0.05)
CHECKS = np.arange(0.0, 41.0, 5.0)
EARLY = np.concatenate([[0.0, 1.0, 2.0, 3.0], CHECKS[1:]])
RULE = {False: "smaller of slope bound and companion", True: "smaller of two-level bound and two-level companion"}


@dataclass(frozen=True)
class World:
    """One design: sensors, batches, shape of slopes, and what else happens."""

    n: int
    batches: int = 0
    shape: str = "normal"
    mean: float = MEAN
    sd: float = SD
    between: float = 0.0
    removed: bool = False
    inside: bool = False
    cap: float = np.inf

    @property
    def words(self) -> str:
        """The design as the table has it."""
        of = f" of {self.batches} batches" if self.batches else ""
        flat = ", no drift" if self.mean == 0 else ", slopes both ways" if self.mean < self.sd else ""
        return (f"{self.n} sensors{of}, {self.shape}{flat}{', worn ones removed' if self.removed else ''}"
                f"{', calibration error inside' if self.inside else ''}"
                f"{f', batch share {self.between**2 / (self.between**2 + self.sd**2):.2f}' if self.batches else ''}")


def worlds() -> dict[str, World]:
    """Return every world by its words."""
    found = [World(n, shape=s) for s in ("normal", "heavy-tailed", "skewed") for n in (6, 12, 24)]
    found += [World(n, removed=True) for n in (6, 12, 24)]
    found += [World(n, shape="break-in") for n in (6, 12, 24)]
    found += [World(n, mean=m, sd=0.002) for m in (0.0, 0.001) for n in (6, 12)]
    found += [World(n, inside=True) for n in (6, 12, 24)]
    for b, m in ((4, 3), (6, 2), (8, 3)):
        for between, sd in ((0.001, 0.0007), (0.0, SD)):
            found.append(World(b * m, b, between=between, sd=sd))
    found.append(World(12, 6, shape="skewed", between=0.001, sd=0.0007))
    found.append(World(12, 6, between=0.001, sd=0.0007, inside=True))
    return {w.words: w for w in found}


NAMED = worlds()


def slopes(w: World, rng: np.random.Generator, n_studies: int) -> Floats:
    """True slopes, shape (n_studies, n_sensors)."""
    z = rng.standard_normal((n_studies, w.n)) if w.shape != "heavy-tailed" else (
        rng.standard_t(4, (n_studies, w.n)) / np.sqrt(2))
    total = np.hypot(w.between, w.sd)
    if w.batches:
        each = np.repeat(rng.standard_normal((n_studies, w.batches)), w.n // w.batches, axis=1)
        z = (w.between * each + w.sd * z) / total
    if w.shape == "skewed":
        s2 = np.log1p((total / w.mean) ** 2)
        return np.asarray(w.mean * np.exp(np.sqrt(s2) * z - s2 / 2))
    return np.asarray(w.mean + total * z)


def share_out(w: World, m: Floats) -> Floats:
    """True share of sensors out of tolerance m uses after a calibration, in the worst stretch of life."""
    total = float(np.hypot(w.between, w.sd))
    error = CHECK_SD if w.inside else 0.0
    shift = BREAK_IN * -np.expm1(-m / 1.5) if w.shape == "break-in" else 0.0
    if w.shape in ("heavy-tailed", "skewed"):
        one = replace(w, n=1, batches=0, between=0.0, sd=total)
        many = np.abs(slopes(one, np.random.default_rng(7), 400_000)[:, 0])
        order = np.sort(many)
        with np.errstate(divide="ignore"):
            return np.asarray(1 - np.searchsorted(order, DISTANCE / m, side="right") / len(order))
    spread = np.sqrt((total * m) ** 2 + error**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = ndtr((w.mean * m + shift - DISTANCE) / spread) + ndtr((-DISTANCE - w.mean * m - shift) / spread)
    return np.where(spread > 0, found, 0.0)


def batch(design: str, drawn: Drawn) -> dict[tuple[str, str], tuple[NDArray[np.bool_], Floats]]:
    """Run the studies of one design."""
    w = NAMED[design]
    uses = EARLY if w.shape == "break-in" else CHECKS
    found = [_block(w, rng, n, uses) for rng, n in drawn]
    count = np.concatenate(found)
    return {("recalibrate every", RULE[w.batches >= 4]): (share_out(w, count) <= 1 - CONTENT + 1e-12, count)}


def _block(w: World, rng: np.random.Generator, n: int, uses: Floats) -> Floats:
    b = slopes(w, rng, n)
    shift = BREAK_IN * -np.expm1(-uses / 1.5) if w.shape == "break-in" else np.zeros(len(uses))
    y = rng.normal(0, 0.02, b.shape)[..., None] + b[..., None] * uses + shift
    y = y + rng.normal(0, CHECK_SD, y.shape)
    if w.removed:  # after the first check beyond 25 %, three checks kept at least
        beyond = np.cumsum(y > -np.log(0.75), axis=-1)
        gone = np.concatenate([np.zeros((*b.shape, 1)), beyond[..., :-1]], axis=-1) > 0
        gone[..., :3] = False
        y = np.where(gone, np.nan, y)
    lines = fit_lines(uses, y)
    codes = np.repeat(np.arange(w.batches), w.n // w.batches) if w.batches else None
    counts = interval_arrays(lines.slope, DISTANCE, content=CONTENT, confidence=CONFIDENCE, batch=codes, step=GRID,
                             cap=np.full(n, 50.0), error_sd=CHECK_SD if w.inside else 0.0)
    if w.shape != "break-in":
        return np.maximum(counts.count, 0.0)
    rest = y - lines.intercept[..., None] - lines.slope[..., None] * uses
    lengths = GRID * np.arange(1, 201)
    return np.array([max(float(shortened(
        interval_arrays(lines.slope[i], DISTANCE, content=CONTENT, confidence=CONFIDENCE, step=GRID, cap=50.0),
        worst_excess(uses, lines.slope[i].mean() * uses + rest[i].mean(0), float(lines.slope[i].mean()), lengths)
        + CHECK_SD * np.sqrt(2 / w.n),
        DISTANCE, step=GRID, cap=50.0).count), 0.0) for i in range(n)])


FAMILY = Family("recalibration", __doc__ or "", list(NAMED), None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap="12 sensors, normal")
