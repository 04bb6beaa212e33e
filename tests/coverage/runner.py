"""Run many seeded studies of a design, count what held, and write the table: shared by the coverage commands.

Every study has its own child of one seed, so that the table does not depend on how the work is split.
"""

from __future__ import annotations

import argparse
import csv
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).resolve().parents[2] / "drift" / "handbook" / "coverage"
LEVEL = 0.95
Held = Mapping[tuple[str, str], tuple[bool, float]]
Study = Callable[[str, np.random.Generator], Held]


def one(study: Study, design: str, child: np.random.SeedSequence) -> Held:
    """Run one study from its own seed."""
    return study(design, np.random.default_rng(child))


def rows_of(study: Study, design: str, *, studies: int, seed: int,
            mapper: Callable[..., Iterable[Held]] = map) -> list[dict[str, object]]:
    """Return one row a quantity and method: coverage, mean width, share without an interval."""
    children = np.random.SeedSequence(seed).spawn(studies)
    held = list(mapper(partial(one, study, design), children))
    made = []
    for quantity, method in dict.fromkeys(key for h in held for key in h):
        found = [h[quantity, method] for h in held if (quantity, method) in h]
        widths = [w for _, w in found if np.isfinite(w)]
        made.append({"design": design, "quantity": quantity, "method": method, "nominal": LEVEL,
                     "coverage": f"{np.mean([ok for ok, _ in found]):.4f}",
                     "mean_width": f"{np.mean(widths):.4g}" if widths else "", "studies": studies,
                     "without_interval": studies - len(found)})
    return made


def write_table(rows: Sequence[Mapping[str, object]], out: Path, **seed: int) -> None:
    """Write the rows with seed (under the name given), date and versions."""
    from drift.results import run_versions

    stamp = {**seed, "date": datetime.now(UTC).date().isoformat(),
             "versions": "; ".join(f"{k} {v}" for k, v in run_versions().items())}
    out.parent.mkdir(parents=True, exist_ok=True)
    with out.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=[*rows[0], *stamp], lineterminator="\n")
        writer.writeheader()
        writer.writerows({**row, **stamp} for row in rows)


def command(study: Study, designs: Sequence[str], *, out: Path, seed: int, about: str) -> None:
    """Run all designs on all cores with a progress bar, and write the table."""
    from rich.progress import Progress, TimeRemainingColumn

    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, default=out)
    given = parser.parse_args()
    made: list[dict[str, object]] = []
    with ProcessPoolExecutor(given.workers) as pool, Progress(*Progress.get_default_columns(),
                                                              TimeRemainingColumn()) as bar:
        task = bar.add_task("designs", total=len(designs))
        for design in designs:
            made += rows_of(study, design, studies=given.studies, seed=seed, mapper=partial(pool.map, chunksize=50))
            bar.advance(task)
            write_table(made, given.out, seed=seed)  # a run cut short leaves what it has
