"""Search for the size of an ICC(A,1) study, sketched first, against the search that works every design out finely.

Usage: ``python -m tests.speed.bench_plan``. Processor time in one process, calibrations forgotten in between. Both must
choose the same design.
"""

from __future__ import annotations

import time
from dataclasses import fields

from drift.engine import agreement_interval
from drift.planning.asked import asked_of
from drift.planning.icc import IccQuestion
from drift.planning.search import Found, search

CASES = ({"icc": 0.9, "width": 0.15, "facet_share": 0.01}, {"icc": 0.7, "width": 0.35, "facet_share": 0.01,
                                                            "levels": (3, 4)})


class Fine(IccQuestion):
    """The same question without sketches."""

    slow = False  # type: ignore[assignment]


def timed(question: IccQuestion) -> tuple[Found, float]:
    """Search, and the processor time it took."""
    agreement_interval._calibration.cache_clear()
    start = time.process_time()
    return search(question, seed=1, studies=1000, tell=lambda *_: None), time.process_time() - start


def main() -> None:
    """Print times and ratios."""
    for asked in CASES:
        question = asked_of("icc", asked).question
        assert isinstance(question, IccQuestion)
        ours, quick = timed(question)
        peer, slow = timed(Fine(**{f.name: getattr(question, f.name) for f in fields(question)}))
        assert ours.nearest.design == peer.nearest.design, (ours.nearest.design, peer.nearest.design)
        print(f"{question.worded(ours.nearest.design)}: {quick:.1f} s, every design finely {slow:.1f} s, "
              f"ratio {slow / quick:.1f}", flush=True)


if __name__ == "__main__":
    main()
