"""Comparison lines from points: estimates, the interval that holds in simulation, and the published one beside it."""

from __future__ import annotations

from typing import Literal

import numpy as np

from drift.agreement.line_deming import fit_deming
from drift.agreement.line_found import LineFound
from drift.agreement.line_points import LEAST, NoLineError, Points, ratio_of, target_means
from drift.agreement.line_ranks import fit_passing_bablok
from drift.agreement.line_york import fit_york


def fit_line(line: str, points: Points, asked: float | Literal["replicates"] | None, *, level: float, target: str,
             rng: np.random.Generator) -> LineFound:
    """Fit one line.

    Raises
    ------
    NoLineError
        Where the points allow no line of that kind, with the reason.
    """
    if points.units < LEAST:
        raise NoLineError("few-pairs", f"{points.units} independent units are fewer than {LEAST}",
                          "Add targets that differ in size; thirty or more make a useful line.")
    for side, values in (("a", points.a), ("b", points.b)):
        if not np.ptp(values) > 1e-12 * float(np.max(np.abs(values))):
            raise NoLineError("constant-readings", f"{side} reads the same throughout, and a line needs readings that "
                              "differ", "Measure targets of different size.")
    if line == "passing-bablok":
        return fit_passing_bablok(target_means(points, target), level, crossed=len(points.codes) > 1)
    if line == "york":
        return fit_york(points, level)
    return fit_deming(points, ratio_of(points, asked, relative=line == "weighted deming"),
                      level, rng, weighted=line == "weighted deming")
