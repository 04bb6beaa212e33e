"""Comparison lines from points: estimates, the interval that holds in simulation, and the published one beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from drift.agreement.line_deming import fit_deming
from drift.agreement.line_found import Ends, FloatArray, LineFound
from drift.agreement.line_points import LEAST, PLAUSIBLE, NoLineError, Points, ratio_of, target_means
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
        means, crossed = target_means(points, target)
        return fit_passing_bablok(means, level, crossed=crossed)
    if line == "york":
        return fit_york(points, level)
    weighted = line == "weighted deming"
    ratio = ratio_of(points, asked, relative=weighted)
    if ratio.source != "not told":
        return fit_deming(points, ratio, level, rng, weighted=weighted)
    return over_ratios([fit_deming(points, replace(ratio, value=v, of_points=v), level, rng, weighted=weighted)
                        for v in PLAUSIBLE])


def over_ratios(lines: Sequence[LineFound]) -> LineFound:
    """Return the line at ratio 1 with intervals as wide as those at every plausible ratio together."""
    middle = lines[PLAUSIBLE.index(1.0)]
    how = f"{middle.values_how}, widest over ratios from {PLAUSIBLE[0]:g} to {PLAUSIBLE[-1]:g}"

    def at(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        each = [x.at(b) for x in lines]
        return middle.at(b)[0], np.min([e[1] for e in each], axis=0), np.max([e[2] for e in each], axis=0)

    ends = {k: Ends(min(x.ends[k].low for x in lines), max(x.ends[k].high for x in lines), how,
                    middle.ends[k].std_error) for k in middle.ends}
    p = max(x.joint_p for x in lines)
    return replace(middle, ends=ends, at=at, values_how=how, joint_p=p)
