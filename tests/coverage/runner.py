"""Run the studies of a family on all cores and write its table: behind ``python -m tests.coverage``.

A table under way is written beside its place (``NAME.csv.part``) after every design and moved there when it is whole,
so that a run can be cut short and taken up again, and a committed table is never left half written.
"""

from __future__ import annotations

import argparse
import csv
import fnmatch
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.coverage.family import (
    FOLDER,
    LEVEL,
    RECORD_COLUMNS,
    Family,
    Held,
    Mapper,
    Row,
    Study,
    held_of,
    one,
    read_rows,
    record_of,
    tabulate,
)

if TYPE_CHECKING:
    from multiprocessing.pool import Pool

__all__ = ["FOLDER", "LEVEL", "Family", "Held", "Study", "arguments", "command", "one", "rows_of", "run", "write_table"]
TRIAL_DESIGNS, TRIAL_STUDIES = 8, 4
LONG_TRIAL = 2.0  # seconds of a study beyond which one is trial enough


def rows_of(study: Study, design: str, *, studies: int, seed: int, mapper: Mapper = map) -> list[dict[str, object]]:
    """Return one row a quantity and method: coverage, mean width, studies without an interval."""
    return tabulate(design, held_of(study, design, studies=studies, seed=seed, mapper=mapper))


def stamp_of(**seed: int) -> Row:
    """Return the columns that say how a row was made: seed (under the name given), date and versions."""
    from drift.results import run_versions

    return {**seed, "date": datetime.now(UTC).date().isoformat(),
            "versions": "; ".join(f"{k} {v}" for k, v in run_versions().items())}


def write_rows(rows: Sequence[Mapping[str, object]], out: Path) -> None:
    """Write rows as they stand, whole or not at all."""
    out.parent.mkdir(parents=True, exist_ok=True)
    under_way = out.with_name(out.name + ".new")
    with under_way.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    under_way.replace(out)


def write_table(rows: Sequence[Mapping[str, object]], out: Path, **seed: int) -> None:
    """Write the rows with seed (under the name given), date and versions."""
    stamp = stamp_of(**seed)
    write_rows([{**row, **stamp} for row in rows], out)


def command(study: Study, designs: Sequence[str], *, out: Path, seed: int, about: str) -> None:
    """Answer ``python -m tests.coverage.NAME``: run all designs on all cores and write the table."""
    family = Family(out.stem, about, designs, study, out, seed)
    given = arguments(about).parse_args()
    raise SystemExit(run(family, given))


def arguments(about: str) -> argparse.ArgumentParser:
    """Return what a run can be told."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--studies", type=int, metavar="N", help="studies a row (default: as committed)")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, metavar="N",
                        help="processes; the numbers do not depend on it (default: all cores)")
    parser.add_argument("--only", metavar="PATTERN", help="designs that hold this text or match this pattern; their "
                        "rows are replaced in the table, the others stay")
    parser.add_argument("--out", type=Path, metavar="PATH", help="table to write (default: the committed one)")
    parser.add_argument("--resume", action="store_true", help="take up a run that was cut short")
    return parser


def chosen(family: Family, pattern: str | None) -> list[str]:
    """Return the designs that hold a text or match a pattern."""
    if not pattern:
        return list(family.designs)
    return [d for d in family.designs if pattern in d or fnmatch.fnmatchcase(d, pattern)]


def run(family: Family, given: argparse.Namespace) -> int:
    """Make the table of a family as told; return an exit code."""
    out, studies = given.out or family.table, given.studies or family.studies
    todo = chosen(family, given.only)
    if not todo:
        _say(f"{family.name}: no design holds or matches {given.only!r}; there are: {'; '.join(family.designs)}")
        return 2
    part = _part(out, given.only)
    kept, refused = _kept(family, part, studies, todo, resume=given.resume)
    if refused:
        _say(refused)
        return 2
    todo = [d for d in todo if d not in kept.designs]
    if given.only:  # the others of the table stay as they are
        kept.take([r for r in read_rows(out) if family.design_of(r) not in {*todo, *kept.designs}],
                  [r for r in read_rows(record_of(out)) if r["design"] not in {*todo, *kept.designs}])
    done = 0
    try:
        with workers_of(given.workers) as pool:
            if todo:
                _say(estimate_text(family, todo, studies=studies, workers=given.workers))
            for rows, recorded in _made(family, todo, studies, pool, given.workers):
                stamp = family.stamp(family.seed) if family.stamp is not None else stamp_of(seed=family.seed)
                kept.take([{**row, **stamp} for row in rows], recorded)
                kept.write(family, part)
                done += 1
    except KeyboardInterrupt:
        _say(f"\n{family.name}: stopped after {done} of {len(todo)} designs; the same command with --resume goes on "
             "from there." if done else f"\n{family.name}: stopped before the first design was done; nothing is kept.")
        return 130
    kept.write(family, out)
    for left in (part, record_of(part)):
        left.unlink(missing_ok=True)
    _say(f"{family.name}: {len(kept.rows)} rows in {out}")
    return 0


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _part(out: Path, only: str | None) -> Path:
    # Rows that --only keeps are older ones, which a run of the whole table must not take for its own.
    return out.with_name(out.name + (".only.part" if only else ".part"))


class _Kept:
    """Rows of a table and of its record, so far."""

    def __init__(self) -> None:
        self.rows: list[Mapping[str, object]] = []
        self.recorded: list[Mapping[str, object]] = []
        self.designs: set[str] = set()

    def take(self, rows: Iterable[Mapping[str, object]], recorded: Iterable[Mapping[str, object]]) -> None:
        """Add rows."""
        self.rows += rows
        self.recorded += recorded

    def write(self, family: Family, out: Path) -> None:
        """Write both, in the order of the designs."""
        place = {d: i for i, d in enumerate(family.designs)}
        write_rows(sorted(self.rows, key=lambda r: place.get(family.design_of(r), len(place))), out)
        if self.recorded:
            write_rows([{c: r[c] for c in RECORD_COLUMNS} for r in
                        sorted(self.recorded, key=lambda r: place.get(str(r["design"]), len(place)))], record_of(out))


def _kept(family: Family, part: Path, studies: int, todo: Sequence[str], *, resume: bool) -> tuple[_Kept, str]:
    """Return what a run cut short has left, and why it cannot be taken up."""
    kept, rows = _Kept(), read_rows(part)
    if not resume or not rows:
        if resume:
            _say(f"{family.name}: nothing was left by an earlier run; starting at the first design")
        return kept, ""
    stamp = next((k for k in rows[0] if k.endswith("seed")), "seed")
    # Rows of designs that were not asked for may be older ones that --only has kept.
    mine = [r for r in rows if family.design_of(r) in todo]
    made = {(r[stamp], r["studies"]) for r in mine}
    if made - {(str(family.seed), str(studies))}:
        return kept, (f"{family.name}: {part} holds rows of another seed or number of studies "
                      f"({', '.join(f'seed {a}, {b} studies' for a, b in sorted(made))}); run without --resume to "
                      "start again")
    kept.designs = {family.design_of(r) for r in mine}
    kept.take(mine, [r for r in read_rows(record_of(part)) if r["design"] in kept.designs])
    _say(f"{family.name}: {len(kept.designs)} of {len(todo)} designs are there already")
    return kept, ""


@contextmanager
def workers_of(n: int) -> Iterator[Pool | None]:
    """Start processes that leave Ctrl-C to this one; none for one worker."""
    if n <= 1:
        yield None
        return
    with multiprocessing.Pool(n, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_IGN)) as pool:
        yield pool


def _made(family: Family, todo: Sequence[str], studies: int, pool: Pool | None,
          workers: int) -> Iterator[tuple[list[Row], list[Row]]]:
    """Make the rows design by design, with a progress bar."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TextColumn("studies"),
               TimeElapsedColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(file=sys.stderr)) as bar:
        task = bar.add_task(family.name, total=len(todo) * studies)
        chunk = max(1, min(50, studies // (4 * workers)))

        def spread(function: Callable[[Any], Any], items: Sequence[Any]) -> Iterator[Any]:
            for made in pool.imap(function, items, chunksize=chunk) if pool is not None else map(function, items):
                yield made
                bar.advance(task, len(made) if family.batch is not None else 1)

        if family.parallel == "designs":
            work = partial(_whole, family, studies)
            for made in pool.imap(work, todo) if pool else map(work, todo):
                bar.advance(task, studies)
                yield made
            return
        for number, design in enumerate(todo, 1):
            rows, recorded = family.make(design, studies=studies, mapper=spread)
            bar.update(task, completed=number * studies)
            yield rows, recorded


def _whole(family: Family, studies: int, design: str) -> tuple[list[Row], list[Row]]:
    return family.make(design, studies=studies)


def spread_over(items: Sequence[str], n: int) -> list[str]:
    """Return at most ``n`` items, evenly from the first to the last."""
    return [items[i] for i in np.unique(np.linspace(0, len(items) - 1, min(n, len(items))).round().astype(int))]


def estimate_seconds(family: Family, todo: Sequence[str], *, studies: int, workers: int) -> tuple[float, int]:
    """Return the seconds that a run will take, from a few studies of some of its designs, and of how many.

    What a design costs once (tables it builds) and what each study costs are told apart by two trials.
    """
    if family.batch is not None:
        # Many studies at once: what counts is how fast a hundred go once the tables of a design are built.
        start = time.perf_counter()
        family.make(todo[0], studies=100)
        middle = time.perf_counter()
        family.make(todo[0], studies=200)
        each = max(time.perf_counter() - middle, 1e-9) / 200
        return (middle - start + studies * each) * len(todo) / workers, 1
    tried = spread_over(todo, TRIAL_DESIGNS)
    family.make(tried[0], studies=1)  # imports
    total = 0.0
    for design in tried:
        start = time.perf_counter()
        family.make(design, studies=1)
        middle = time.perf_counter()
        each = middle - start
        if each < LONG_TRIAL:
            few = TRIAL_STUDIES if family.parallel == "studies" else max(TRIAL_STUDIES, studies // 20)
            family.make(design, studies=few)
            each = (time.perf_counter() - middle) / few
        total += max(0.0, middle - start - each) + studies * each
    return total / len(tried) * len(todo) / workers, len(tried)


def estimate_text(family: Family, todo: Sequence[str], *, studies: int, workers: int) -> str:
    """Say how long a run will take."""
    seconds, tried = estimate_seconds(family, todo, studies=studies, workers=workers)
    many = f"{len(todo)} design{'s' if len(todo) > 1 else ''} x {studies:,} studies"
    return (f"{family.name}: {many} on {workers} worker{'s' if workers > 1 else ''} will take about "
            f"{duration(seconds)} (from a trial of {tried}); Ctrl-C stops, --resume goes on")


def duration(seconds: float) -> str:
    """Return a time in words: ``40 seconds``, ``12 minutes``, ``2.5 hours``."""
    for size, unit in ((3600.0, "hour"), (60.0, "minute")):
        if seconds >= 1.5 * size:
            n = f"{seconds / size:.1f}" if seconds < 10 * size and unit == "hour" else f"{seconds / size:.0f}"
            return f"{n} {unit}s"
    return f"{max(1, round(seconds))} second{'s' if round(seconds) > 1 else ''}"
