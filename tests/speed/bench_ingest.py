"""A million-row trial table from CSV to validated, timed in a process of its own; run by hand.

Usage: ``python -m tests.speed.bench_ingest [ROWS]``. Targets: under 10 s and 2 GB for a million rows; a thousand
planted faults in a hundred thousand rows all found in under 1 s beyond the reading itself.
"""

from __future__ import annotations

import csv
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

STUDY = """[study]
title = "Bench"
[files]
trials = "trials.csv"
[units.trials]
reading = { "peak pressure" = "kPa", "total force" = "N" }
[[reliability]]
name = "days"
target = "participant"
facet = "session"
where = { method = "bench", region = "heel", measure = "peak pressure", sensor = "I01" }
"""


def write_table(path: Path, n: int, seed: int = 1) -> None:
    """Write ``n`` rows with unique keys, two measures, readings of two decimals and times."""
    rng = np.random.default_rng(seed)
    reading = np.round(rng.gamma(20.0, 10.0, n), 2)
    with path.open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle)
        out.writerow(["participant", "session", "time", "sensor", "use", "operator", "method", "region", "measure",
                      "replicate", "reading"])
        for i in range(n):
            k, measure = divmod(i, 2)
            k, region = divmod(k, 3)
            k, method = divmod(k, 3)
            k, replicate = divmod(k, 2)
            k, sensor = divmod(k, 4)
            person, session = divmod(k, 3)
            day = 1 + person * 27 // (n // 432 + 1)
            time_ = f"2026-{session + 1:02d}-{day:02d}T09:{replicate:02d}"
            out.writerow([f"W{person:05d}", f"visit {session + 1}", time_,
                          f"I{sensor + 1:02d}", session * 28 + day - 1, f"op{person % 3}",
                          ("bench", "stance", "gait")[method], ("heel", "mid", "toes")[region],
                          ("peak pressure", "total force")[measure], replicate + 1, reading[i]])


def main(n: int = 1_000_000) -> None:
    """Time reading, and reading with planted faults."""
    from drift.ingest import read_tables
    from drift.study import read_study

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "study.toml").write_text(STUDY, encoding="utf-8")
        path = Path(folder) / "trials.csv"
        write_table(path, n)
        start = time.perf_counter()
        reading = read_tables(read_study(folder))
        took = time.perf_counter() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        bad = [str(f) for f in reading.findings if f.severity == "error"]
        print(f"{n:,} rows, {path.stat().st_size / 1e6:.0f} MB: {took:.2f} s, peak {peak:.2f} GB, errors {bad[:3]}")

        rows, planted = 100_000, 1000
        write_table(path, rows)
        start = time.perf_counter()
        read_tables(read_study(folder))
        clean = time.perf_counter() - start
        lines = path.read_text(encoding="utf-8").splitlines()
        at = np.random.default_rng(2).choice(rows, planted, replace=False) + 1
        for k, i in enumerate(at):
            cells = lines[i].split(",")
            j, value = ((10, "n/a"), (10, "12;5"), (4, "-3"), (2, "03/04/2026"), (4, "2.5"))[k % 5]
            cells[j] = value
            lines[i] = ",".join(cells)
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        start = time.perf_counter()
        reading = read_tables(read_study(folder))
        took = time.perf_counter() - start
        print(f"{planted} faults in {rows:,} rows: {took:.2f} s against {clean:.2f} s clean, "
              f"found {found_rows(reading.findings, set((at + 1).tolist()))} of {planted}")


def found_rows(findings: object, planted: set[int]) -> int:
    """Count the planted rows that findings name, alone or in a folded list."""
    named: set[int] = set()
    for f in findings:  # type: ignore[attr-defined]
        if f.row is not None:
            named.add(f.row)
        elif " more rows (" in f.message:
            for part in f.message.split("): ", 1)[1].split(", "):
                low, _, high = part.partition("-")
                named.update(range(int(low), int(high or low) + 1))
    return len(named & planted)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
