"""How often the intervals of an interlaboratory study hold the truth.

``python -m tests.coverage.interlaboratory``. Normal laboratories x results at one level, s_R of one; "laboratory share"
is the between-laboratory share of the reproducibility variance. "3 to 5" results are drawn evenly for each laboratory.
r and R are multiples of s_r and s_R and are held exactly as often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.engine.interlaboratory import precision
from drift.reliability.interlaboratory.tables import MLS, NAMES
from tests.coverage.family import FOLDER, LEVEL, Held
from tests.coverage.runner import command

TABLE, SEED, STUDIES = FOLDER / "interlaboratory.csv", 20261127, 2000
METHODS = {"m": "t interval of the laboratories' means", "s_r": "exact chi-square interval", "s_L": MLS, "s_R": MLS}


@dataclass(frozen=True)
class Design:
    """Laboratories, fewest and most results of one, share of the laboratories in the variance."""

    p: int
    least: int
    most: int
    share: float

    @property
    def name(self) -> str:
        """The design as it stands in the table."""
        results = f"{self.least} results each" if self.least == self.most else f"{self.least} to {self.most} readings"
        size = f"{self.p} laboratories x {self.least}" if self.least == self.most else f"{self.p} laboratories"
        return f"{size}, laboratory share {self.share:g}" + ("" if self.least == self.most else f", {results}")


NAMED = {d.name: d for d in [Design(p, n, n, share) for p, n in ((3, 3), (5, 2), (8, 3), (15, 2), (30, 2))
                             for share in (0.0, 0.5, 0.8)]
         + [Design(p, 3, 5, share) for p in (5, 8, 15) for share in (0.0, 0.5, 0.8)]
         + [Design(8, 2, 6, share) for share in (0.0, 0.5)]}
DESIGNS = list(NAMED)


def study(design: str, rng: np.random.Generator) -> Held:
    """Run one study."""
    d = NAMED[design]
    counts = rng.integers(d.least, d.most + 1, d.p)
    code = np.repeat(np.arange(d.p), counts)
    true = {"m": 0.0, "s_r": math.sqrt(1 - d.share), "s_L": math.sqrt(d.share), "s_R": 1.0}
    y = true["s_L"] * rng.standard_normal(d.p)[code] + true["s_r"] * rng.standard_normal(len(code))
    found = precision(y, code, level=LEVEL)
    return {(NAMES[k], m): (found.intervals[k][0] <= true[k] <= found.intervals[k][1],
                            found.intervals[k][1] - found.intervals[k][0]) for k, m in METHODS.items()}


if __name__ == "__main__":
    command(study, DESIGNS, out=TABLE, seed=SEED, about=__doc__ or "")
