"""How often the retire-after rules keep their promise in simulated worlds: ``python -m tests.coverage.retirement``.

A study is unsafe if more than 1 - P of all sensors (of new batches) are truly beyond the limit at the stated count.
The nominal share of unsafe studies is 1 - C = 0.05. Writes ``drift/handbook/coverage/retirement.csv``.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import first_crossing, summarise_lines
from drift.engine.tolerance import binomial_interval
from drift.retirement.bound import retire_arrays
from tests.coverage import runner
from tests.coverage.family import FOLDER, Family
from tests.coverage.retirement_worlds import LIMIT, SHAPES, World, oracle, share_beyond_true, simulate

Floats = NDArray[np.float64]

TABLE = FOLDER / "retirement.csv"
SEED, STUDIES = 20240612, 2000
CONTENT, CONFIDENCE = 0.90, 0.95
BATCH_DESIGNS = ((4, 6), (6, 2), (6, 4), (8, 5), (12, 2))
BATCH_SDS = ((0.0035, 0.0020), (0.0020, 0.0035), (0.0, 0.0040))


@dataclass(frozen=True)
class Case:
    """One world and design."""

    table: str
    world: World
    n_batches: int
    per_batch: int
    grid: float

    @property
    def label(self) -> str:
        """Name that also seeds the case, so that rows do not depend on which others are run."""
        w = self.world
        return f"{self.table}|{w}|{self.n_batches}x{self.per_batch}"


def cases() -> Iterator[Case]:
    """All rows, in the order of the table."""
    for drop_out in (False, True):
        for n in (5, 10, 20):
            yield Case("rules", World(drop_out=drop_out), n, 1, 0.25)
    for shape in SHAPES:
        for drop_out in (False, True):
            for n in (6, 12, 24):
                yield Case("departures", World(shape=shape, drop_out=drop_out), n, 1, 1.0)
    for shape in ("normal", "skewed"):
        for between, within in BATCH_SDS:
            for b, m in BATCH_DESIGNS:
                yield Case("batches", World(shape=shape, between_sd=between, within_sd=within), b, m, 0.25)


def run(case: Case, n_studies: int) -> list[dict[str, Any]]:
    """Simulate one case and return one row a rule."""
    rng = np.random.default_rng(np.random.SeedSequence([SEED, zlib.crc32(case.label.encode())]))
    lines = simulate(case.world, rng, n_studies, case.n_batches, case.per_batch)
    one = retire_arrays(lines.intercept, lines.slope, LIMIT, content=CONTENT, confidence=CONFIDENCE)
    rules: dict[str, Floats] = {}
    if case.table == "rules":
        summary = summarise_lines(lines.intercept, lines.slope)
        rules["mean line crosses (not a policy)"] = first_crossing(summary, 0.0, LIMIT)
        rules["plug-in 90 % quantile of the lines"] = first_crossing(summary, 1.2815515655446004, LIMIT)
    rules["line bound"] = one.line
    rules["smaller of line bound and companion"] = np.fmin(one.line, one.companion)
    if case.table == "batches":
        batch = np.repeat(np.arange(case.n_batches), case.per_batch)
        two = retire_arrays(lines.intercept, lines.slope, LIMIT, content=CONTENT, confidence=CONFIDENCE, batch=batch)
        rules["two-level bound"] = two.line
        rules["smaller of two-level bound and one-level companion"] = np.fmin(two.line, one.companion)
        rules["smaller of two-level bound and two-level companion"] = np.fmin(two.line, two.companion)
    return [_row(case, name, np.floor(np.maximum(count, 0) / case.grid) * case.grid) for name, count in rules.items()]


def _row(case: Case, rule: str, count: Floats) -> dict[str, Any]:
    unsafe = share_beyond_true(case.world, count) > 1 - CONTENT
    low, high = binomial_interval(int(unsafe.sum()), len(unsafe), level=0.95)
    return {**_labels(case), "rule": rule, "grid": case.grid, "studies": len(unsafe),
            "unsafe": f"{unsafe.mean():.4f}", "unsafe_low": f"{float(low):.4f}", "unsafe_high": f"{float(high):.4f}",
            "nominal": "0.05", "median_count": f"{np.median(count):g}",
            "oracle": f"{oracle(case.world, CONTENT, case.grid):g}"}


@cache
def named() -> dict[str, Case]:
    """Return the cases by name."""
    return {name_of(_labels(c)): c for c in cases()}


def _labels(case: Case) -> dict[str, Any]:
    w = case.world
    return {"table": case.table, "shape": w.shape, "drop_out": "yes" if w.drop_out else "no", "batch_sd": w.between_sd,
            "within_sd": w.within_sd, "batches": case.n_batches if case.table == "batches" else "",
            "sensors": case.n_batches * case.per_batch}


def name_of(row: Mapping[str, object]) -> str:
    """Return the case that a row of the table belongs to."""
    batches = f" of {row['batches']} batches" if row["batches"] else ""
    spread = f", SD of slopes {row['batch_sd']} + {row['within_sd']}" if row["table"] == "batches" else ""
    gone = ", worn ones removed" if row["drop_out"] == "yes" else ""
    return f"{row['table']}: {row['sensors']} {row['shape']} sensors{batches}{spread}{gone}"


def rows_of(name: str, *, studies: int, seed: int, mapper: object = map) -> list[dict[str, Any]]:
    """Simulate one case: all its studies at once, with numbers of its own."""
    assert seed == SEED, "every case is seeded by SEED and its own name"
    return run(named()[name], studies)


def stamp(seed: int) -> dict[str, object]:
    """Return the columns that say how a row was made."""
    import scipy

    assert scipy.__version__  # loaded, so that its version is in the stamp
    return runner.stamp_of(seed=seed)


FAMILY = Family("retirement", __doc__ or "", list(named()), None, TABLE, SEED, studies=STUDIES, rows=rows_of,
                design_of=name_of, stamp=stamp, parallel="designs")

if __name__ == "__main__":
    raise SystemExit(runner.run(FAMILY, runner.arguments(FAMILY.sentence).parse_args()))
