"""Processor time of the command line from a cold start: ``python -m tests.speed.bench_cli [STUDY]``.

Each line is the best of a few runs in a fresh process, with the target beside it and the ratio to a process that only
imports numpy: on a busy machine both take longer.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]


def seconds(*words: str, runs: int = 3) -> float:
    """Return the least processor time of ``python WORDS`` over a few fresh processes."""
    best = float("inf")
    for _ in range(runs):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], cwd=ROOT, check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        best = min(best, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    return best


def main() -> None:
    """Print the table."""
    study = sys.argv[1] if len(sys.argv) > 1 else str(ROOT / "demo_trials")
    with tempfile.TemporaryDirectory() as folder:
        small = Path(folder) / "study"
        seconds("-m", "drift", "new", str(small), runs=1)
        rows = (("drift --help", 0.25, ("--help",), 5),
                ("drift run --help", 0.5, ("run", "--help"), 3),
                ("drift wear, small table", 1.5, ("wear", f"{small}/checks.csv"), 3),
                ("drift plan icc, width 0.15", 20.0, ("plan", "icc", "--icc", "0.9", "--facet-share", "0.01", "--width",
                                                      "0.15"), 1),
                ("drift run, new study", 20.0, ("run", str(small), "--out", f"{folder}/a"), 2),
                ("drift run, demo trials", 20.0, ("run", study, "--out", f"{folder}/b"), 2))
        print(f"{'command':28}{'seconds':>9}{'target':>9}{'ratio':>9}")
        alone = seconds("-c", "import numpy", runs=5)
        print(f"{'import numpy':28}{alone:9.2f}")
        for name, target, words, runs in rows:
            took = seconds("-m", "drift", *words, runs=runs)
            print(f"{name:28}{took:9.2f}{target:9.2f}{took / alone:9.1f}", flush=True)


if __name__ == "__main__":
    main()
