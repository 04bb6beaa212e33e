"""How often the recalibration interval keeps its promise in simulated worlds.

``python -m tests.coverage recalibration``. A study is unsafe if more than 1 - P of all sensors (of new batches) are
truly out of tolerance at the end of the stated interval, in the worst stretch of life. Slopes of mean 0.7 % a use and
SD 0.12 %, checks at uses 0, 5, ..., 40 with an SD of 1.2 %, tolerance 5 %, P = 0.90, C = 0.95, intervals on a grid of a
quarter of a use. Break-in is a change of 2 % (or 1, or 0.5 %) over the first uses, with checks at uses 1, 2 and 3
besides; acceleration a wear per use that rises from a half to one and a half of its mean (mild: from three quarters to
five quarters). The rule is that of the command throughout: the interval is always shortened to what the worst stretch
of the mean path allows, whether or not a test shows a bend. The width is the interval.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from drift.engine.crossing import fit_lines
from drift.retirement.bound import Counts
from drift.retirement.interval_rule import distance_of, interval_arrays, shortened
from drift.retirement.recalibration_groups import mean_path, path_excess
from tests.coverage.family import FOLDER, Drawn, Family

Floats = NDArray[np.float64]

TABLE, SEED, STUDIES = FOLDER / "recalibration.csv", 20261126, 4000
CONTENT, CONFIDENCE, GRID, CAP = 0.90, 0.95, 0.25, 50.0
MEAN, SD, CHECK_SD, LAST = 0.007, 0.0012, 0.012, 40.0
BREAK_IN = {"break-in": 0.02, "break-in of 1 %": 0.01, "break-in of 0.5 %": 0.005}
# Wear per use at the start and at the last check, over its mean.
FASTER = {"acceleration": 0.5, "mild acceleration": 0.25}
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
    found += [World(n, shape=s) for s in (*BREAK_IN, *FASTER) for n in (6, 12, 24)]
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


def bend(w: World, uses: Floats | float) -> Floats:
    """Change that all sensors have beside their lines, at some uses."""
    u = np.asarray(uses, dtype=np.float64)
    if w.shape in BREAK_IN:
        return np.asarray(BREAK_IN[w.shape] * -np.expm1(-u / 1.5))
    return FASTER.get(w.shape, 0.0) * w.mean * (u**2 / LAST - u)


def share_out(w: World, m: Floats) -> Floats:
    """True share of sensors out of tolerance m uses after a calibration, in the worst stretch of life."""
    total = float(np.hypot(w.between, w.sd))
    error = CHECK_SD if w.inside else 0.0
    shift = bend(w, m) if w.shape in BREAK_IN else bend(w, LAST) - bend(w, np.maximum(LAST - m, 0.0))
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
    count = np.concatenate([_block(w, rng, n, EARLY if w.shape in BREAK_IN else CHECKS) for rng, n in drawn])
    return {("recalibrate every", RULE[w.batches >= 4]): (share_out(w, count) <= 1 - CONTENT + 1e-12, count)}


def _block(w: World, rng: np.random.Generator, n: int, uses: Floats) -> Floats:
    """Return the intervals that ``drift recalibrate`` would state."""
    b = slopes(w, rng, n)
    y = rng.normal(0, 0.02, b.shape)[..., None] + b[..., None] * uses + bend(w, uses)
    y = y + rng.normal(0, CHECK_SD, y.shape)
    if w.removed:  # after the first check beyond 25 %, three checks kept at least
        beyond = np.cumsum(y > -np.log(0.75), axis=-1)
        gone = np.concatenate([np.zeros((*b.shape, 1)), beyond[..., :-1]], axis=-1) > 0
        gone[..., :3] = False
        y = np.where(gone, np.nan, y)
    lines = fit_lines(uses, y)
    rest = y - lines.intercept[..., None] - lines.slope[..., None] * uses
    here = np.isfinite(rest)
    error = np.sqrt(np.nansum(rest**2, axis=(1, 2)) / (here.sum((1, 2)) - 2 * w.n))
    codes = np.repeat(np.arange(w.batches), w.n // w.batches) if w.batches else None

    def rule(of: Floats, error_sd: float = 0.0) -> Counts:
        return interval_arrays(of, DISTANCE, content=CONTENT, confidence=CONFIDENCE, batch=codes, step=GRID,
                               cap=np.full(of.shape[:-1], CAP), error_sd=error_sd)

    together = None if w.inside else rule(lines.slope)
    found = []
    for i, slope in enumerate(lines.slope):
        one = rule(slope, float(error[i])) if together is None else Counts(
            together.line[i], together.companion[i], together.count[i], together.capped[i])
        path = mean_path(np.broadcast_to(uses, rest[i].shape), rest[i], float(slope.mean()))
        excess = path_excess(*path, slope, float(error[i]),
                             GRID * np.arange(1.0, round(max(float(one.count), 0.0) / GRID) + 1))
        found.append(max(float(shortened(one, excess, DISTANCE, step=GRID).count), 0.0))
    return np.array(found)


FAMILY = Family("recalibration", __doc__ or "", list(NAMED), None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap="12 sensors, normal")
