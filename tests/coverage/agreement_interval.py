"""Six intervals of ICC(A,1) over 144 complete designs: what the default is chosen from.

Sizes n in 8, 15, 30, 60 and k in 2, 3, 5, 8, ICC 0.5, 0.8, 0.95 and the facet's share of the variance 0, 0.02, 0.1 and
0.3 as far as the two leave something for the residual. The default is the narrowest, on average over the grid, of those
whose coverage is at least 0.935 in every design (two Monte-Carlo errors allowed).
``python -m tests.coverage agreement_interval``.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from tests.coverage.agreement_candidates import SHORTEST, candidates
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

TABLE, SEED, STUDIES = FOLDER / "agreement_interval.csv", 20261125, 10_000
FloatArray = NDArray[np.float64]
DESIGNS = [f"{n} x {k}, ICC {icc:g}, facet share {share:g}" for k in (2, 3, 5, 8) for n in (8, 15, 30, 60)
           for icc in (0.5, 0.8, 0.95) for share in (0, 0.02, 0.1, 0.3) if icc + share < 1]
_DESIGN = re.compile(r"(\d+) x (\d+), ICC ([0-9.]+), facet share ([0-9.]+)")


def ratios(design: str, drawn: Drawn) -> tuple[FloatArray, FloatArray]:
    """Draw the two ratios of sums of squares that carry a study."""
    n, k, icc, share = parsed(design)
    noise = 1 - icc - share
    squares = np.concatenate([np.column_stack([rng.chisquare(df, size) for df in (n - 1, k - 1, (n - 1) * (k - 1))])
                              for rng, size in drawn])
    return ((1 + k * icc / noise) * squares[:, 0] / squares[:, 2],
            (1 + n * share / noise) * squares[:, 1] / squares[:, 2])


def parsed(design: str) -> tuple[int, int, float, float]:
    """Return targets, levels, coefficient and facet share of a design."""
    found = _DESIGN.fullmatch(design)
    assert found is not None
    return int(found[1]), int(found[2]), float(found[3]), float(found[4])


def batch(design: str, drawn: Drawn) -> dict[tuple[str, str], tuple[NDArray[np.bool_], FloatArray]]:
    """Simulate many studies and say which intervals held the truth, and their widths."""
    n, k, icc, _ = parsed(design)
    u, v = ratios(design, drawn)
    held = {}
    for name, interval in candidates(n, k, LEVEL).items():
        low, high = interval(u, v)
        held["ICC(A,1)", name] = (low <= icc) & (icc <= high), high - low
        if name == SHORTEST:
            # Which side it misses on: an end is held when the truth is not beyond it.
            held["ICC(A,1), lower end", name] = low <= icc, high - low
            held["ICC(A,1), upper end", name] = icc <= high, high - low
    return held


FAMILY = Family("agreement_interval", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap=DESIGNS[-1])

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["agreement_interval"]))
