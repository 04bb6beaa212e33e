"""Deming lines of points: exact, clustered, or with a ratio from replicates."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.agreement.line_found import JACKKNIFE, MOST_REFITS, Band, Ends, FloatArray, LineFound, check_direction
from drift.agreement.line_points import NoLineError, Points, Ratio
from drift.engine.comparison import deming as dm
from drift.engine.comparison.replicates import drawn_lines
from drift.engine.comparison.straightness import straightness
from drift.engine.comparison.weighted_deming import weighted_deming
from drift.engine.limits_of_agreement import t_quantile

N_DRAWS = 20_000
EXACT, PIVOTAL = "exact interval (Creasy)", "pivotal interval over the ratio"


def fit_deming(points: Points, ratio: Ratio, level: float, rng: np.random.Generator, *, weighted: bool) -> LineFound:
    """Deming or weighted Deming line."""
    x, y, lam = points.b, points.a, ratio.of_points
    weights, converged = None, True
    if weighted:
        if np.any(x <= 0) or np.any(y <= 0):
            raise NoLineError("not-positive", "weights in proportion to the reading need readings above zero",
                              "Take deming, whose errors are the same throughout.")
        sums, weights, done = weighted_deming(x, y, lam)
        converged = bool(done)
    else:
        sums = dm.scatter(x, y)
    slope = float(dm.slope_of(sums, lam))
    if not converged or not math.isfinite(slope) or (weights is not None and not np.all(np.isfinite(weights))):
        raise NoLineError("no-convergence", "the weights and the line do not settle, as the line meets zero among the "
                          "readings", "Take deming, whose errors are the same throughout.")
    check_direction(slope)
    intercept = float(dm.intercept_of(sums, slope))
    axes, t = dm.axes_of(sums, lam), t_quantile(0.5 + level / 2, points.df)
    jack = _Jackknife(points, ratio, sums, weights, weighted=weighted)
    published = {k: Ends(v - t * se, v + t * se, JACKKNIFE, se)
                 for k, v, se in (("slope", slope, jack.error(0.0, 1.0)),
                                  ("intercept", intercept, jack.error(1.0, 0.0)))}
    at, how, ends = _deming_interval(points, ratio, sums, axes, slope, intercept, jack, level, rng, published)
    gap = (y - intercept - slope * x) / np.sqrt(lam + slope**2) * (1 if weights is None else np.sqrt(weights))
    sd = float(np.sqrt(np.sum(gap**2) / (len(x) - 2)))
    error_x = sd**2 if weights is None else math.nan
    joint_p, joint_how = _joint(points, sums, lam, slope, intercept, jack)
    return LineFound(
        line="weighted deming" if weighted else "deming", points=points, slope=slope, intercept=intercept, ends=ends,
        fit=("weighted Deming, errors in proportion to the reading" if weighted else "Deming"), published=published,
        at=at, values_how=how, across=gap / sd if sd > 0 else 0 * gap, ratio=ratio, joint_p=joint_p,
        joint_how=joint_how, reliability=1 - error_x / (float(sums.sxx) / (len(x) - 1)),
        spread_p=_spread_p(x + y, gap) if not points.codes else math.nan,
        linearity=straightness(x, y, slope, intercept, ratio=lam, spread=1.0 if weights is None else weights**-0.5)
        if not points.codes else (math.nan, math.nan))


class _Jackknife:
    """Slopes and intercepts without each point or cluster, and the standard errors that follow."""

    def __init__(self, points: Points, ratio: Ratio, sums: dm.Scatter, weights: FloatArray | None, *,
                 weighted: bool) -> None:
        ways: list[NDArray[np.int64] | None] = [*points.clusters] or [None]
        self.parts: list[tuple[FloatArray, FloatArray]] = []
        self.centre = float(sums.mean_x)
        for number, code in enumerate(ways):
            lam: float | FloatArray = ratio.of_points
            if ratio.source == "linked replicates" and ratio.left_out is not None and number < len(ratio.left_out):
                lam = ratio.left_out[number]
            units = len(points.a) if code is None else int(code.max()) + 1
            if weighted and units * len(points.a) <= MOST_REFITS:
                left = _refits(points, ratio.of_points, code, units)
            else:
                left = dm.without_each(points.b, points.a, code, weights)
            b = dm.slope_of(left, lam)
            self.parts.append((b, dm.intercept_of(left, b)))

    def error(self, of_intercept: float, of_slope: float) -> float:
        """Return the standard error of a sum of both."""
        return math.sqrt(dm.sandwich([of_intercept * a + of_slope * b for b, a in self.parts]))

    def covariance(self) -> FloatArray:
        """Return the covariance of slope and height at the mean reading, shape (2, 2)."""
        made = np.empty((2, 2))
        made[0, 0], made[1, 1] = self.error(0, 1) ** 2, self.error(1, self.centre) ** 2
        both = self.error(1, self.centre + 1) ** 2
        made[0, 1] = made[1, 0] = 0.5 * (both - made[0, 0] - made[1, 1])
        return made


def _refits(points: Points, lam: float, code: NDArray[np.int64] | None, units: int) -> dm.Scatter:
    inside = np.arange(len(points.a)) if code is None else code
    include = (np.arange(units)[:, None] != inside[None, :]).astype(float)
    return weighted_deming(points.b, points.a, lam, include=include)[0]


def _deming_interval(points: Points, ratio: Ratio, sums: dm.Scatter, axes: dm.Axes, slope: float, intercept: float,
                     jack: _Jackknife, level: float, rng: np.random.Generator, published: dict[str, Ends]
                     ) -> tuple[Band, str, dict[str, Ends]]:
    """Return the band, how it was made, and the intervals of slope and intercept."""
    df, t = points.units - 2, t_quantile(0.5 + level / 2, points.df)
    centre = float(sums.mean_x)

    def line(b: FloatArray) -> FloatArray:
        return intercept + slope * np.asarray(b, float)

    if points.codes:
        ends = dict(published)
        cov = jack.covariance()

        def clustered(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            p = np.asarray(b, float) - centre
            half = t * np.sqrt(np.maximum(cov[1, 1] + 2 * p * cov[0, 1] + p * p * cov[0, 0], 0.0))
            return line(b), line(b) - half, line(b) + half

        return clustered, JACKKNIFE, ends
    if ratio.source == "unlinked replicates":
        drawn = drawn_lines(sums, points.units, ratio.of_points, *ratio.df, n_draws=N_DRAWS, rng=rng)
        tails = [0.5 - level / 2, 0.5 + level / 2]
        b_low, b_high = np.quantile(drawn.slope, tails)
        a_low, a_high = np.quantile(drawn.values(np.zeros(1))[0], tails)

        def pivotal(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            low, high = np.quantile(drawn.values(b), tails, axis=1)
            return line(b), low, high

        return pivotal, PIVOTAL, {"slope": Ends(float(b_low), float(b_high), PIVOTAL, published["slope"].std_error),
                                  "intercept": Ends(float(a_low), float(a_high), PIVOTAL,
                                                    published["intercept"].std_error)}
    half, middle = dm.exact_half_angle(axes, df, t), dm.exact_centre(axes, df, t)

    def exact(b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        low, high = dm.value_limits(axes, np.asarray(b, float), half, middle)
        return line(b), low, high

    b_low, b_high = dm.slope_limits(axes, half)
    _, a_low, a_high = exact(np.zeros(1))
    return exact, EXACT, {"slope": Ends(float(b_low), float(b_high), EXACT, published["slope"].std_error),
                          "intercept": Ends(float(a_low[0]), float(a_high[0]), EXACT,
                                            published["intercept"].std_error)}


def _joint(points: Points, sums: dm.Scatter, lam: float, slope: float, intercept: float, jack: _Jackknife
           ) -> tuple[float, str]:
    """Test slope 1 and intercept 0 together: exactly, or with repeats from the jackknife covariance."""
    from scipy.special import fdtrc

    df: float = points.units - 2
    if not points.codes:
        f = float(dm.joint_f(sums, lam, df))
        return (float(fdtrc(2, df, f)) if f == f else math.nan), "exact F test (Bradley & Blackwood for ratio 1)"
    gap = np.array([slope - 1, intercept + (slope - 1) * jack.centre])
    cov = jack.covariance()
    if not np.linalg.det(cov) > 0 or df < 3:
        return math.nan, ""
    df = max(points.df, 2.0)
    f = float(gap @ np.linalg.solve(cov, gap)) * (df - 1) / (2 * df)
    return float(fdtrc(2, df - 1, f)), "F test from the jackknife covariance over what repeats (Hotelling)"


def _spread_p(along: FloatArray, gap: FloatArray) -> float:
    """Return p of no correlation of the distance from the line with the position along it."""
    from scipy.special import stdtr

    size = np.abs(gap)
    if len(gap) < 8 or not np.ptp(size) > 0:
        return math.nan
    rank = [np.argsort(np.argsort(v)).astype(float) for v in (along, size)]
    r = float(np.corrcoef(rank[0], rank[1])[0, 1])
    df = len(gap) - 2
    return 2 * float(stdtr(df, -abs(r) * math.sqrt(df / max(1 - r * r, 1e-12))))
