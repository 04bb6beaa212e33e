"""York lines of points whose uncertainties the table states."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.agreement.line_found import JACKKNIFE, MOST_REFITS, Ends, FloatArray, LineFound, check_direction
from drift.agreement.line_points import NoLineError, Points
from drift.engine.comparison import deming as dm
from drift.engine.comparison.straightness import straightness
from drift.engine.comparison.york import YorkLine, robust_variances, york
from drift.engine.limits_of_agreement import t_quantile

KNOWN_FROM = 30  # readings behind an SD from which on it counts as known
SCALED, WIDER = "scaled t interval", "wider of jackknife and scaled t interval"


def fit_york(points: Points, level: float) -> LineFound:
    """York's line from the uncertainty of every reading."""
    if points.known is None:
        raise NoLineError("no-uncertainty", "york needs the uncertainty of every reading, and the table has no columns "
                          "reading_sd and reading_n", "Add both columns, or take deming.")
    sd_a, n_a, sd_b, n_b = points.known
    ua, ub = sd_a / np.sqrt(n_a), sd_b / np.sqrt(n_b)
    if not (np.all(ua > 0) and np.all(ub > 0) and np.all(np.isfinite(ua + ub))):
        bad = int(np.sum(~((ua > 0) & (ub > 0) & np.isfinite(ua + ub))))
        raise NoLineError("no-uncertainty", f"the uncertainty of {bad} of {len(ua)} pairs is zero or not stated",
                          "Fill in reading_sd and reading_n, or take deming.")
    x, y = points.b, points.a
    line = york(x, y, ub, ua)
    slope, intercept = float(line.slope), float(line.intercept)
    if not bool(line.converged) or not math.isfinite(slope):
        raise NoLineError("no-convergence", "York's equations do not settle", "Take deming.")
    check_direction(slope)
    t = t_quantile(0.5 + level / 2, points.df)
    scale = math.sqrt(float(line.reduced))
    centre = float(line.centre)
    fewest = float(min(np.min(n_a[n_a > 1], initial=np.inf), np.min(n_b[n_b > 1], initial=np.inf)))
    known = fewest >= KNOWN_FROM and not points.codes
    own = np.array([float(line.centre_se) ** 2, float(line.slope_se) ** 2])
    robust = np.zeros(2) if known else _york_errors(points, line, ua, ub)
    how = SCALED if known else WIDER if not points.codes else JACKKNIFE

    def error(p: FloatArray) -> FloatArray:
        model = scale * np.sqrt(own[0] + p * p * own[1])
        free = np.sqrt(robust[0] + p * p * robust[1])
        return np.asarray(free if points.codes else np.maximum(model, free), dtype=np.float64)

    def at(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        fit = intercept + slope * np.asarray(b, float)
        half = t * error(np.asarray(b, float) - centre)
        return fit, fit - half, fit + half

    _, a_low, a_high = at(np.zeros(1))
    se_b = math.sqrt(robust[1]) if points.codes else max(scale * float(line.slope_se), math.sqrt(robust[1]))
    ends = {"slope": Ends(slope - t * se_b, slope + t * se_b, how, se_b),
            "intercept": Ends(float(a_low[0]), float(a_high[0]), how, float(error(np.array([-centre]))[0]))}
    published = {k: Ends(v - t * scale * se, v + t * scale * se, SCALED, scale * se) for k, v, se in
                 (("slope", slope, float(line.slope_se)), ("intercept", intercept, float(line.intercept_se)))}
    gap = (y - intercept - slope * x) / np.sqrt(ua**2 + slope**2 * ub**2)
    spread = float(np.var(x, ddof=1))
    return LineFound(line="york", fit="York 2004", points=points, slope=slope, intercept=intercept, ends=ends,
                     published=published, at=at, values_how=how, across=gap / max(scale, 1e-300),
                     reliability=1 - float(np.mean(ub**2)) / spread,
                     joint_p=_york_joint(slope, intercept, centre, own * scale**2, robust, points),
                     joint_how="F test from the standard errors at the adjusted centre",
                     linearity=straightness(x, y, slope, intercept, ratio=(ua / ub) ** 2,
                                            spread=np.sqrt(ua**2 + slope**2 * ub**2))
                     if not points.codes else (math.nan, math.nan),
                     notes=(("S / (n - 2)", float(line.reduced), "scatter over what the stated uncertainties allow"),
                            ("standard error of the slope, stated", float(line.slope_se), "adjusted points, York 2004"),
                            ("standard error of the intercept, stated", float(line.intercept_se),
                             "adjusted points, York 2004")))


def _york_errors(points: Points, line: YorkLine, ua: FloatArray, ub: FloatArray) -> FloatArray:
    """Return variances of height at the centre and of the slope, by jackknife, or by the sandwich in long tables."""
    x, y, n = points.b, points.a, len(points.a)
    centre = float(line.centre)
    ways: list[NDArray[np.int64] | None] = [*points.clusters] or [None]
    units = [n if c is None else int(c.max()) + 1 for c in ways]
    if max(units) * n > MOST_REFITS // 20:
        each = [robust_variances(line, x, y, ub, ua, code) for code in ways]
        return np.array([dm.together([v[1] for v in each]), dm.together([v[0] for v in each])])
    heights, slopes = [], []
    for code, k in zip(ways, units, strict=True):
        inside = np.arange(n) if code is None else code
        left = york(x, y, ub, ua, include=(np.arange(k)[:, None] != inside[None, :]).astype(float))
        slopes.append(left.slope)
        heights.append(left.intercept + left.slope * centre)
    return np.array([dm.sandwich(heights), dm.sandwich(slopes)])


def _york_joint(slope: float, intercept: float, centre: float, own: FloatArray, robust: FloatArray, points: Points
                ) -> float:
    from scipy.special import fdtrc

    height, turn = robust if points.codes else np.maximum(own, robust)
    if not (height > 0 and turn > 0):
        return math.nan
    f = ((intercept + (slope - 1) * centre) ** 2 / height + (slope - 1) ** 2 / turn) / 2
    return float(fdtrc(2, points.df, f))
