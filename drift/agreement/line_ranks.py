"""Passing-Bablok lines of points."""

from __future__ import annotations

import math

import numpy as np

from drift.agreement.line_found import Band, Ends, FloatArray, LineFound, check_direction
from drift.agreement.line_points import NoLineError, Points
from drift.engine.comparison import passing_bablok as pb
from drift.engine.comparison.straightness import straightness

RANKS, SCORES = "rank interval of 1983", "rank interval widened by the points' own scores"
HEIGHT = "MOVER of rank and median intervals"
BOTH = "wider of MOVER and the rank interval of 1983"


def wider(low: float, other_low: float, high: float, other_high: float) -> tuple[float, float]:
    """Return the farther of two lower and of two upper ends; in rounded readings either may fall short alone."""
    return float(np.minimum(low, other_low)), float(np.maximum(high, other_high))


def fit_passing_bablok(points: Points, level: float, *, crossed: bool) -> LineFound:
    """Passing-Bablok line through independent points."""
    x, y = points.b, points.a
    try:
        found = pb.passing_bablok(x, y, level=level)
    except ValueError as reason:
        raise NoLineError("no-slopes", str(reason), "Measure targets of different size.") from None
    line = found.line
    check_direction(line.slope, rising=True)
    published = {"slope": Ends(line.slope_low, line.slope_high, RANKS),
                 "intercept": Ends(line.intercept_low, line.intercept_high, RANKS)}
    nothing = Ends(math.nan, math.nan, "not computed")

    def bare(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        fit = line.intercept + line.slope * np.asarray(b, float)
        return fit, np.full_like(fit, np.nan), np.full_like(fit, np.nan)

    at: Band = bare
    how, ends = "not computed", {"slope": nothing, "intercept": nothing}
    if not crossed:
        limits = pb.holding_limits(x, y, found, level=level)

        def held(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            fit = line.intercept + line.slope * np.asarray(b, float)
            return (fit, *pb.value_limits(line, limits, b))

        zero = held(np.zeros(1))
        at, how = held, HEIGHT
        ends = {"slope": Ends(limits.low, limits.high, SCORES),
                "intercept": Ends(*wider(line.intercept_low, float(zero[1][0]), line.intercept_high, float(zero[2][0])),
                                  BOTH)}
    gap = y - line.intercept - line.slope * x
    spread = 1.4826 * float(np.median(np.abs(gap)))
    cusum, p_1983, _ = pb.linearity(x, y, line.slope, line.intercept)
    return LineFound(line="passing-bablok", fit="Passing-Bablok", points=points, slope=line.slope,
                     intercept=line.intercept, ends=ends, published={} if crossed else published, at=at, values_how=how,
                     across=gap / spread if spread > 0 else 0 * gap,
                     linearity=straightness(x, y, line.slope, line.intercept, ratio=line.slope**2),
                     notes=(("slopes used", float(line.n_slopes), "pairs of points with a slope other than -1"),
                            ("slopes below -1 (K)", float(found.below), "by which the median is shifted"),
                            ("lower rank (M1)", float(line.ranks[0]), "(N - C) / 2 rounded, as in 1983"),
                            *([("straight line, test of 1983", cusum, f"cumulative sum of signs, p = {p_1983:.3f} by "
                                "Kolmogorov-Smirnov, which calls too many straight lines bent")]
                              if math.isfinite(cusum) else [])))
