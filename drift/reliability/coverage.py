"""What the table of simulated coverage says about a printed interval, for the design nearest to the user's own."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

CLASSICAL = ("ICC(A,1)", "ANOVA, F/Satterthwaite interval")
_DESIGN = re.compile(r"(\d+) x (\d+), facet share ([0-9.]+)")


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """Coverage of a nominal 0.95 interval at one size, with a small and a large share of the facet in the variance."""

    n: int
    k: int
    studies: int
    small_share: float
    small: float
    large_share: float
    large: float


@cache
def _rows() -> dict[tuple[int, int], dict[float, tuple[float, int]]]:
    """Coverage and studies of the classical interval by size and facet share, shares of zero left out."""
    text = (files("drift") / "handbook" / "coverage" / "reliability.csv").read_text(encoding="utf-8")
    found: dict[tuple[int, int], dict[float, tuple[float, int]]] = {}
    for row in csv.DictReader(text.splitlines()):
        design = _DESIGN.fullmatch(row["design"])
        if design and (row["quantity"], row["method"]) == CLASSICAL and float(design[3]) > 0:
            size = int(design[1]), int(design[2])
            found.setdefault(size, {})[float(design[3])] = float(row["coverage"]), int(row["studies"])
    return found


def classical_coverage(n: int, k: int) -> Simulated:
    """Return how often the F/Satterthwaite interval of ICC(A,1) held the truth in studies of about n x k readings.

    Parameters
    ----------
    n, k : int
        Numbers of targets and facet levels; the nearest size of the table is taken, the levels first.
    """
    rows = _rows()
    size = min(rows, key=lambda s: (abs(math.log(s[1] / k)), abs(math.log(s[0] / n))))
    shares = rows[size]
    small, large = min(shares), max(shares)
    return Simulated(n=size[0], k=size[1], studies=shares[large][1], small_share=small, small=shares[small][0],
                     large_share=large, large=shares[large][0])
