"""How often the bootstrap-t bound keeps its promise where some sensors have one or two checks: ``... retire_sparse``.

Sensors start at log saturation pressure 0 (SD 0.03) and wear 0.020 a use (SD 0.004), seen with SD 0.03 at uses 0, 10,
15, 20, 25, 30. ``worn ones removed early``: those that read highest at use 10 leave there, with two checks. ``entered
late``: some, whoever they are, have been checked at 0, or at 0 and 10, when the study ends.
A study is unsafe if more than 10 % of all sensors are truly beyond log(5/3) at the count, uncut; nominal 0.05.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.engine.sparse_lines import summarise_checks
from drift.retirement.bound import retire_arrays
from drift.retirement.sparse import RULE, sparse_counts
from tests.coverage.family import FOLDER, Drawn, Family, Held, Row
from tests.coverage.retire_after_worlds import Design as World
from tests.coverage.retire_after_worlds import _slopes, oracle, true_crossings
from tests.coverage.retirement_worlds import CHECK_SD, LIMIT, START_SD

Floats = NDArray[np.float64]

TABLE = FOLDER / "retire_sparse.csv"
SEED, STUDIES, SETS = 20260203, 1000, 199
CONTENT, CONFIDENCE = 0.90, 0.95
CHECKS = np.array([0.0, 10.0, 15.0, 20.0, 25.0, 30.0])
LINE, LEFT_OUT = "bootstrap-t bound alone", "lines of the sensors with three checks (not a policy)"


@dataclass(frozen=True)
class Design:
    """Sensors, the share of them that is sparse, why, and what slopes and limit are like."""

    n: int
    percent: int
    why: str = "worn ones removed early"
    shape: str = "normal"
    relative: bool = False

    @property
    def text(self) -> str:
        """Words of the design."""
        return (f"{self.n} sensors, {self.percent} % sparse, {self.why}, {self.shape}"
                + (", change from fresh" if self.relative else ""))

    @property
    def world(self) -> World:
        """How slopes vary."""
        return World((1,) * self.n, self.shape, relative=self.relative)

    @property
    def sparse(self) -> int:
        """Number of sensors with one or two checks."""
        return max(1, round(self.percent / 100 * self.n))


def designs() -> Iterator[Design]:
    """All designs, in the order of the table."""
    for n in (5, 8, 12, 24):
        for percent in ((10, 30, 60) if n in (12, 24) else (30, 60)):
            if (n, percent) != (24, 60):
                yield Design(n, percent)
    for n, percent in ((5, 30), (8, 30), (12, 30), (24, 30), (40, 30)):
        yield Design(n, percent, shape="skewed")
    yield Design(24, 30, shape="skewed", relative=True)
    yield Design(12, 60, "entered late")


@cache
def named() -> dict[str, Design]:
    """Return the designs by their words."""
    return {d.text: d for d in designs()}


def draw(d: Design, rng: np.random.Generator, n_studies: int) -> Floats:
    """Return the checks of simulated studies, shape (n_studies, n_sensors, n_checks), NaN where there is none."""
    slope, _ = _slopes(d.world, rng, n_studies)
    start = rng.normal(0.0, START_SD, slope.shape)
    y = start[..., None] + slope[..., None] * CHECKS + rng.normal(0.0, CHECK_SD, (*slope.shape, len(CHECKS)))
    key = y[..., 1] - (y[..., 0] if d.relative else 0.0) if d.why.startswith("worn") else rng.random(slope.shape)
    gone = np.argsort(np.argsort(-key, axis=1), axis=1) < d.sparse
    y[..., 2:] = np.where(gone[..., None], np.nan, y[..., 2:])
    if not d.why.startswith("worn"):  # every other one has been checked once only
        once = np.cumsum(gone, axis=1) % 2 == 0
        y[..., 1] = np.where(gone & once, np.nan, y[..., 1])
    return y


def batch(design: str, drawn: Drawn) -> Mapping[tuple[str, str], tuple[Any, Any]]:
    """Simulate many studies of one design."""
    d, own = named()[design], zlib.crc32(design.encode())
    found = np.concatenate([_studies(d, draw(d, mine, n), mine) for mine, n in (
        (np.random.default_rng([int(rng.integers(2**32)), own]), n) for rng, n in drawn)])
    made = {}
    times = true_crossings(d.world)
    for i, name in enumerate((RULE, LINE, LEFT_OUT)):
        at = np.minimum(np.maximum(found[:, i], 0.0), 1e3)
        beyond = np.searchsorted(times, np.nan_to_num(at, nan=0.0), side="right") / len(times)
        made["retire after", name] = (beyond <= 1 - CONTENT, at)
    return made


def _studies(d: Design, y: Floats, rng: np.random.Generator) -> Floats:
    """Return the three counts of each study, shape (n_studies, 3)."""
    # Sensors in the order of their number of checks: then all studies have one design and go through together.
    order = np.argsort(np.isfinite(y).sum(-1), axis=1, kind="stable")
    y = np.take_along_axis(y, order[..., None], 1)
    x = np.where(np.isfinite(y), CHECKS, np.nan)
    bounds = sparse_counts(summarise_checks(x[0], y), LIMIT, content=CONTENT, confidence=CONFIDENCE,
                           relative=d.relative, rng=rng, n_sets=SETS)
    found = np.full((len(y), 3), math.nan)
    for i, b in enumerate(bounds):
        if b is not None:
            found[i, :2] = np.fmin(b.line, b.companion), b.line
    lines = fit_lines(x, y)
    full = lines.n[0] >= 3
    if full.sum() >= 2:
        b1 = lines.slope[:, full]
        c = retire_arrays(np.zeros_like(b1) if d.relative else lines.intercept[:, full], b1, LIMIT, content=CONTENT,
                          confidence=CONFIDENCE)
        found[:, 2] = np.fmin(c.line, c.companion)
    return found


def tabulate(design: str, held: Sequence[Held]) -> list[Row]:
    """Return one row a rule."""
    rows: list[Row] = []
    d = named()[design]
    for name in (RULE, LINE, LEFT_OUT):
        found = [h["retire after", name] for h in held if ("retire after", name) in h]
        if not found:
            continue
        count = np.array([w for _, w in found])
        rows.append({"design": design, "quantity": "retire after", "method": name, "nominal": CONFIDENCE,
                     "coverage": f"{np.mean([ok for ok, _ in found]):.4f}", "mean_width": f"{count.mean():.4g}",
                     "studies": len(held), "without_interval": len(held) - len(found),
                     "unsafe": f"{1 - np.mean([ok for ok, _ in found]):.4f}", "median_uncut": f"{np.median(count):.2f}",
                     "oracle": f"{oracle(d.world, CONTENT):.2f}"})
    return rows


FAMILY = Family("retire_sparse", __doc__ or "", list(named()), None, TABLE, SEED, studies=STUDIES, batch=batch,
                tabulate=tabulate, cheap="5 sensors, 30 % sparse, worn ones removed early, normal")
