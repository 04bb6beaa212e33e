"""Times of the command line from a cold start: ``python tests/speed/bench_cli.py [STUDY]``.

Each line is the best of a few runs in a fresh process, with the target beside it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


def seconds(*words: str, runs: int = 3) -> float:
    """Return the best time of ``python -m drift WORDS`` over a few fresh processes."""
    best = float("inf")
    for _ in range(runs):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-m", "drift", *words], cwd=ROOT, check=True, capture_output=True)
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    """Print the table."""
    study = sys.argv[1] if len(sys.argv) > 1 else str(ROOT / "demo_trials")
    with tempfile.TemporaryDirectory() as folder:
        small = Path(folder) / "study"
        seconds("new", str(small), runs=1)
        rows = (("drift --help", 0.25, ("--help",), 5),
                ("drift wear, small table", 1.5, ("wear", f"{small}/checks.csv"), 3),
                ("drift run, new study", 20.0, ("run", str(small), "--out", f"{folder}/a"), 2),
                ("drift run, demo trials", 20.0, ("run", study, "--out", f"{folder}/b"), 2))
        print(f"{'command':28}{'seconds':>9}{'target':>9}")
        for name, target, words, runs in rows:
            print(f"{name:28}{seconds(*words, runs=runs):9.2f}{target:9.2f}", flush=True)


if __name__ == "__main__":
    main()
