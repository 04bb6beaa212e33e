"""The stopwatch of the benchmarks."""

from __future__ import annotations

import time
from collections.abc import Callable


def best(job: Callable[[], object], repeats: int = 5) -> float:
    """Return the shortest of several runs, in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)
