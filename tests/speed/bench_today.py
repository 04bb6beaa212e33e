"""Time of ``drift today`` from a cold start on a ledger of 200 sensors x 200 uses.

The ledger holds 40,000 sessions and a check of every sensor each 20 uses (2,200 mountings); with ``--checks`` it holds
40,000 checks, one a use; with ``--stated`` a count and an interval are asked for and worked out. Best of a few runs in
fresh processes, beside a process that imports numpy alone.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from drift.ledger import Entry, Ledger

ROOT = Path(__file__).parents[2]
SENSORS, USES, EVERY = 200, 200, 20
TOML = """[study]
title = "many sensors"
[files]
sensors = "sensors.csv"
ledger = "ledger.sqlite"
[units.checks]
reading = "count"
reference = "kPa"
[limits]
sensitivity_change = "25 %"
"""
STATED = """[sensitivity]
scale = "log"
[retirement]
content = 0.9
[recalibration]
tolerance = "5 %"
"""


def make(folder: Path, *, every: int, stated: bool = False) -> None:
    """Write the study."""
    rng = np.random.default_rng(1)
    toml = TOML.replace("[files]", 'use_is = "one visit"\n[files]') + STATED if stated else TOML
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    names = [f"S{i:03d}" for i in range(SENSORS)]
    (folder / "sensors.csv").write_text("sensor,construction,role\n" + "".join(f"{n},plain,worn\n" for n in names)
                                        + "CS1,,check standard\n", encoding="utf-8")
    start, slope = rng.normal(0, 0.03, SENSORS), rng.normal(-0.001, 0.0002, SENSORS)
    entries = []
    for use in range(USES + 1):
        day = f"{date(2026, 1, 1) + timedelta(days=use)}T08:00"
        if use <= 40:
            entries.append(Entry(kind="standard", body={
                "sensor": "CS1", "use": str(use), "reference": "500", "time": day,
                "reading": f"{500 + rng.normal(0, 2):.1f}"}))
        for i, name in enumerate(names):
            if use and every > 1:
                entries.append(Entry(kind="session", body={"sensor": name, "use": str(use), "time": day}))
            if use % every == 0:
                reading = 500 * np.exp(start[i] + slope[i] * use + rng.normal(0, 0.01))
                entries.append(Entry(kind="check", body={"sensor": name, "use": str(use), "replicate": "1",
                                                         "reading": f"{reading:.1f}", "reference": "500", "time": day}))
    with Ledger(folder / "ledger.sqlite", create=True) as ledger:
        ledger.append(entries, who="Bo")
    print(f"{len(entries)} entries, {(folder / 'ledger.sqlite').stat().st_size / 1e6:.1f} MB")


def seconds(*words: str, runs: int = 5) -> float:
    """Return the best time of a fresh process."""
    best = float("inf")
    for _ in range(runs):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], cwd=ROOT, check=True, capture_output=True)
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    """Print the times."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, every=1 if "--checks" in sys.argv else EVERY, stated="--stated" in sys.argv)
        print(f"{'import numpy':34}{seconds('-c', 'import numpy'):7.2f} s")
        for words in (("--sensor", "S017"), ()):
            took = seconds("-m", "drift", "today", str(folder), *words, runs=5 if words else 2)
            print(f"{'drift today ' + ' '.join(words):34}{took:7.2f} s" + ("   target 1.50 s" if words else ""))


if __name__ == "__main__":
    main()
