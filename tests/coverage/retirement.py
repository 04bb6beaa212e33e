"""How often the retire-after rules keep their promise in simulated worlds: ``python -m tests.coverage.retirement``.

A study is unsafe if more than 1 - P of all sensors (of new batches) are truly beyond the limit at the stated count.
The nominal share of unsafe studies is 1 - C = 0.05. Writes ``drift/handbook/coverage/retirement.csv``.
"""

from __future__ import annotations

import argparse
import csv
import sys
import zlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import first_crossing, summarise_lines
from drift.engine.tolerance import binomial_interval
from drift.retirement.bound import retire_arrays
from tests.coverage.retirement_worlds import LIMIT, SHAPES, World, oracle, share_beyond_true, simulate

Floats = NDArray[np.float64]

TABLE = Path(__file__).resolve().parents[2] / "drift" / "handbook" / "coverage" / "retirement.csv"
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
    w = case.world
    return {"table": case.table, "shape": w.shape, "drop_out": "yes" if w.drop_out else "no",
            "batch_sd": w.between_sd, "within_sd": w.within_sd,
            "batches": case.n_batches if case.table == "batches" else "",
            "sensors": case.n_batches * case.per_batch, "rule": rule, "grid": case.grid, "studies": len(unsafe),
            "unsafe": f"{unsafe.mean():.4f}", "unsafe_low": f"{float(low):.4f}", "unsafe_high": f"{float(high):.4f}",
            "nominal": 1 - CONFIDENCE, "median_count": f"{np.median(count):g}",
            "oracle": f"{oracle(w, CONTENT, case.grid):g}"}


def main() -> None:
    """Run all cases and write the table."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    from drift.results import run_versions

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=STUDIES)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, default=TABLE)
    given = parser.parse_args()
    todo = list(cases())
    rows: list[dict[str, Any]] = []
    with (ProcessPoolExecutor(given.workers) as pool,
          Progress("{task.description}", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
                   console=Console(file=sys.stderr)) as bar):
        task = bar.add_task("worlds", total=len(todo))
        for found in pool.map(run, todo, [given.studies] * len(todo)):
            rows += found
            bar.advance(task)
    rows = [{k: "0.05" if k == "nominal" else v for k, v in row.items()} for row in rows]
    import scipy

    assert scipy.__version__  # loaded, so that its version is in the stamp
    stamp = {"seed": SEED, "date": datetime.now(UTC).date().isoformat(),
             "versions": "; ".join(f"{k} {v}" for k, v in run_versions().items())}
    given.out.parent.mkdir(parents=True, exist_ok=True)
    with given.out.open("w", encoding="utf-8", newline="") as f:
        writer = csv.DictWriter(f, fieldnames=[*rows[0], *stamp], lineterminator="\n")
        writer.writeheader()
        writer.writerows({**row, **stamp} for row in rows)
    worst = max((r for r in rows if r["rule"].startswith("smaller") and r["table"] != "batches"),
                key=lambda r: float(r["unsafe"]))
    print(f"{len(rows)} rows written to {given.out}; worst of the rule without batches: {worst['unsafe']} unsafe "
          f"({worst['shape']}, {worst['sensors']} sensors)")


if __name__ == "__main__":
    main()
