"""The load behind a reading: the exact set of loads that a calibration curve and its errors do not rule out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.curve_models import gradient, inverse, response, slope, values, vertex
from drift.engine.curves import CurveFit

Floats = NDArray[np.float64]
Problem = Literal["calibration", "regulation"]
Kind = Literal["interval", "two pieces", "one side open", "everything", "nothing", "not known"]
REACH = 20.0  # how many spans beyond the calibrated range the set of a curve without closed form is looked for
GRID = 801


@dataclass(frozen=True, kw_only=True)
class InverseSet:
    """A set of loads.

    Parameters
    ----------
    estimate : float
        Load at which the curve takes the reading; NaN where it never does.
    pieces : tuple of (float, float)
        Its pieces in order; an end that is infinite is open.
    kind : str
        "nothing" where no load makes the reading; "not known" where the error of the curve is not known (too few
        readings or mountings) or the reading has no place on its scale.
    std_error : float
        First order: the SD of the reading about the curve over the slope there.
    df : float
        Degrees of freedom of the t quantile.
    g : float
        Share of the squared t ratio of the slope that chance makes: below 0.05 the first-order interval will do, from 1
        on the set is unbounded. NaN for curves without a closed form.
    """

    estimate: float
    pieces: tuple[tuple[float, float], ...]
    kind: Kind
    std_error: float
    df: float
    g: float

    @property
    def low(self) -> float:
        """Lowest load of a set in one piece; NaN where there is none."""
        return self.pieces[0][0] if len(self.pieces) == 1 and np.isfinite(self.pieces[0][0]) else float("nan")

    @property
    def high(self) -> float:
        """Highest load of a set in one piece; NaN where there is none."""
        return self.pieces[0][1] if len(self.pieces) == 1 and np.isfinite(self.pieces[0][1]) else float("nan")


def t_quantile(level: float, df: float) -> float:
    """Return the two-sided t quantile; normal for infinite degrees of freedom, NaN below one."""
    from scipy.special import ndtri, stdtrit

    if not df >= 1:
        return float("nan")
    return float(ndtri((1 + level) / 2) if np.isinf(df) else stdtrit(df, (1 + level) / 2))


def band_quantile(fit: CurveFit, level: float) -> float:
    """Return sqrt(q F): the multiplier of a band that holds at all loads at once.

    Where the power of the variance model was estimated, with the fewest degrees of freedom of any calibrated load.

    References
    ----------
    H. Working and H. Hotelling (1929), JASA 24, 73-85; H. Scheffe (1959), The Analysis of Variance, section 3.5. Over
    mountings Hotelling's T^2 with M - 1 degrees of freedom stands in for q F.
    """
    from scipy.special import fdtri

    if fit.mountings > 1:
        m, q = fit.mountings, fit.q
        return float(np.sqrt(q * (m - 1) / (m - q) * fdtri(q, m - q, level))) if m > q else float("nan")
    df = fit.df
    if fit.sides:
        df = float(degrees(fit, np.linspace(fit.low, fit.high, 21), problem="regulation").min())
    return float(np.sqrt(fit.q * fdtri(fit.q, df, level))) if df >= 1 else float("nan")


def mean_variance(fit: CurveFit, x: ArrayLike) -> Floats:
    """Return the variance of the curve at each load, on the scale of its response."""
    j = gradient(fit.model, np.asarray(fit.coefficients), np.atleast_1d(np.asarray(x, dtype=np.float64)))
    return np.asarray(np.maximum(np.einsum("ni,ij,nj->n", j, fit.covariance, j), 0.0))


def reading_variance(fit: CurveFit, x: ArrayLike, *, m: float = 1, problem: Problem = "calibration") -> Floats:
    """Return the variance of a mean of m new readings about the estimated curve.

    ``regulation`` asks for the load at which the mean response takes a value that is known, so that the new readings
    have no error; in ``calibration`` they have, and come from a new mounting where the curve is one over mountings.
    """
    at = np.atleast_1d(np.asarray(x, dtype=np.float64))
    made = mean_variance(fit, at)
    if problem == "regulation":
        return made
    j = gradient(fit.model, np.asarray(fit.coefficients), at)
    own = fit.own_variance(at) / m
    return np.asarray(made + np.einsum("ni,ij,nj->n", j, fit.between, j) + own)


def degrees(fit: CurveFit, x: ArrayLike, *, m: float = 1, problem: Problem = "calibration") -> Floats:
    """Return the degrees of freedom of :func:`reading_variance` (Welch-Satterthwaite over mountings).

    Notes
    -----
    Where the power theta of the variance model was estimated, 1/df = 1/df_known + Var_theta(log variance)/2: the log of
    a variance with df degrees of freedom has variance 2/df, and what theta leaves open at this load adds to it. Never
    below one. Over mountings only the part of the reading itself loses by it: how mountings differ is seen, whatever
    the weights.
    """
    at = np.atleast_1d(np.asarray(x, dtype=np.float64))
    known = _known_degrees(fit, at, m=m, problem=problem)
    if not fit.sides or fit.mountings > 1:
        return known
    with np.errstate(divide="ignore"):
        logs = np.log([reading_variance(f, at, m=m, problem=problem) for f in fit.sides])
    return fewer(known, logs)


def coefficient_degrees(fit: CurveFit) -> Floats:
    """Return the degrees of freedom of the variance of each coefficient, as in :func:`degrees`."""
    known = np.full(fit.q, fit.curve_df)
    if not fit.sides or fit.mountings > 1:
        return known
    with np.errstate(divide="ignore", invalid="ignore"):
        return fewer(known, np.log([np.diag(f.covariance) for f in fit.sides]))


def fewer(df: ArrayLike, logs: ArrayLike) -> Floats:
    """Return degrees of freedom of variances whose logarithms differ between powers, shape (powers, n)."""
    known = np.asarray(df, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        extra = np.nan_to_num(np.var(np.asarray(logs), axis=0) / 2)
        return np.asarray(np.where(known >= 1, np.maximum(1 / (1 / known + extra), 1.0), known))


def _known_degrees(fit: CurveFit, at: Floats, *, m: float, problem: Problem) -> Floats:
    """Return the degrees of freedom as if the power of the variance model were known."""
    if problem == "regulation" or fit.mountings < 2:
        return np.full(len(at), fit.curve_df)
    whole = reading_variance(fit, at, m=m)
    # A new mounting adds S - W: its error is that of all of S, which M - 1 mountings show, and the rest is of readings.
    seen = np.minimum((fit.mountings + 1) * mean_variance(fit, at), whole)
    with np.errstate(divide="ignore", invalid="ignore"):
        of_own = fewer(np.full(len(at), fit.df), np.log([f.own_variance(at) for f in fit.sides or (fit,)]))
        rest = (whole - seen) ** 2 / of_own
        return np.asarray(np.maximum(whole**2 / (seen**2 / fit.curve_df + rest), 1.0))


def inverse_set(fit: CurveFit, y0: float, *, level: float = 0.95, m: float = 1,
                problem: Problem = "calibration", simultaneous: bool = False) -> InverseSet:
    """Return every load p with (y0 - f(p))^2 <= t^2 var(y0 - f(p)).

    Parameters
    ----------
    fit : CurveFit
    y0 : float
        (Mean of the) new reading(s).
    level : float
    m : float
        Number of new readings behind y0.
    problem : {"calibration", "regulation"}
        Whether y0 has the error of readings, or is a value of the mean response.
    simultaneous : bool
        Use the band that holds for every reading ever made with this curve (regulation part).

    Returns
    -------
    InverseSet

    Notes
    -----
    Line and line through zero with constant SD: the quadratic inequality is solved exactly (Fieller). Else its ends are
    bracketed on a grid that reaches 20 ranges beyond the calibrated one (never below zero for curves defined from zero
    on) and polished by false position; what holds at the last grid point is taken as open. Of a quadratic that turns
    outside the calibrated range only the branch of the calibration counts: the other is no calibration.

    References
    ----------
    E. C. Fieller (1954), JRSS B 16, 175-185; F. A. Graybill and H. K. Iyer (1994), Regression Analysis, section 6.2.
    """
    theta = np.asarray(fit.coefficients)
    target = float(response(fit.model, np.array([y0]))[0])
    estimate = float(inverse(fit.model, theta, np.array([y0]), inside=(fit.low, fit.high))[0])
    g = float("nan")
    if np.isfinite(estimate):
        at = np.array([estimate])
        steep = abs(float(slope(fit.model, theta, at)[0]))
        error = float(np.sqrt(reading_variance(fit, at, m=m, problem=problem)[0])) / steep if steep > 0 else np.inf
        df = float(degrees(fit, at, m=m, problem=problem)[0])
    else:
        error, df = float("nan"), fit.curve_df
    t = band_quantile(fit, level) if simultaneous else t_quantile(level, df)
    if not np.isfinite(t) or not np.isfinite(target):
        return InverseSet(estimate=estimate, pieces=(), kind="not known", std_error=error, df=df, g=g)
    if fit.model in ("line", "through-zero") and not fit.spread.theta and not fit.sides:
        pieces, g = _closed(fit, target, t, m if problem == "calibration" else np.inf)
    else:
        pieces = _searched(fit, target, t, m, problem)
    return InverseSet(estimate=estimate, pieces=pieces, kind=_kind(pieces), std_error=error, df=df, g=g)


def _kind(pieces: tuple[tuple[float, float], ...]) -> Kind:
    if not pieces:
        return "nothing"
    if len(pieces) > 1:
        return "two pieces"
    low, high = (np.isfinite(end) for end in pieces[0])
    return "interval" if low and high else "everything" if not low and not high else "one side open"


def _closed(fit: CurveFit, y0: float, t: float, m: float) -> tuple[tuple[tuple[float, float], ...], float]:
    """Solve A p^2 - 2 B p + C <= 0 in loads centred on the calibrated range."""
    theta, V = np.asarray(fit.coefficients), np.asarray(fit.covariance)
    extra = np.asarray(fit.between) if np.isfinite(m) else np.zeros_like(V)
    total = V + extra
    own = fit.sigma**2 / m if np.isfinite(m) else 0.0
    if fit.model == "through-zero":
        centre, a, s, vaa, vas, vss = 0.0, 0.0, theta[0], 0.0, 0.0, total[0, 0]
    else:  # centred where the two coefficients are uncorrelated
        centre = -total[0, 1] / total[1, 1] if total[1, 1] > 0 else 0.0
        a, s = theta[0] + theta[1] * centre, theta[1]
        vss = total[1, 1]
        vaa = max(total[0, 0] + 2 * centre * total[0, 1] + centre**2 * vss, 0.0)
        vas = 0.0
    gap = y0 - a
    A, B, C = s * s - t * t * vss, gap * s + t * t * vas, gap * gap - t * t * (vaa + own)
    g = t * t * vss / (s * s) if s else float("inf")
    disc = B * B - A * C
    if A > 0:
        if disc < 0:
            return (), g
        half = np.sqrt(disc)
        return ((float(centre + (B - half) / A), float(centre + (B + half) / A)),), g
    if A == 0 or disc <= 0:
        return ((-np.inf, np.inf),), g
    ends = sorted((centre + (B - np.sqrt(disc)) / A, centre + (B + np.sqrt(disc)) / A))
    return ((-np.inf, float(ends[0])), (float(ends[1]), np.inf)), g


def excess(fit: CurveFit, x: Floats, y0: float, *, t: float, m: float, problem: Problem) -> Floats:
    """Return (y0 - f)^2 - t^2 var at each load, on the scale of the response: at most zero inside the set."""
    gap = y0 - values(fit.model, np.asarray(fit.coefficients), x)
    return np.asarray(gap * gap - t * t * reading_variance(fit, x, m=m, problem=problem))


def _searched(fit: CurveFit, y0: float, t: float, m: float, problem: Problem) -> tuple[tuple[float, float], ...]:
    span = max(fit.high - fit.low, 0.05 * fit.high)
    bounded = fit.model in ("through-zero", "power", "power of logs", "saturating")
    if bounded:
        far = fit.high * (1 + REACH)
        x = np.unique(np.concatenate([[far * 1e-9], np.geomspace(far * 1e-6, far, GRID), np.linspace(
            fit.low, fit.high, GRID)]))
        x = x[x > 0]
    else:
        out = span * np.geomspace(1e-4, REACH, GRID)
        x = np.concatenate([(fit.low - out)[::-1], np.linspace(fit.low, fit.high, GRID), fit.high + out])
        x = _own_branch(fit, x)
    root = float(inverse(fit.model, np.asarray(fit.coefficients), np.array(
        [np.exp(y0) if fit.model == "power of logs" else y0]), inside=(fit.low, fit.high))[0])
    turn = vertex(fit.model, np.asarray(fit.coefficients))
    extra = [root, 2 * turn - root, turn]
    x = np.unique(np.concatenate([x, [e for e in extra if np.isfinite(e) and x[0] < e < x[-1]]]))
    h = excess(fit, x, y0, t=t, m=m, problem=problem)
    inside = h <= 0
    if not inside.any():
        return ()
    edge = np.flatnonzero(inside[1:] != inside[:-1])
    ends = [_polished(fit, (x[i], x[i + 1]), (h[i], h[i + 1]), y0, t, m, problem) for i in edge]
    points = ([0.0 if bounded else -np.inf] if inside[0] else []) + ends + ([np.inf] if inside[-1] else [])
    return tuple((float(points[i]), float(points[i + 1])) for i in range(0, len(points), 2))


def _own_branch(fit: CurveFit, x: Floats) -> Floats:
    """Leave out what lies beyond the turning point of a quadratic that turns outside the calibrated range."""
    turn = vertex(fit.model, np.asarray(fit.coefficients))
    if turn >= fit.high:
        return x[x < turn]
    return x[x > turn] if turn <= fit.low else x


def _polished(fit: CurveFit, ends: tuple[float, float], heights: tuple[float, float], y0: float, t: float, m: float,
              problem: Problem) -> float:
    """Return where the excess changes sign between two loads: false position, its stale end halved (Illinois)."""
    (low, high), (below, above) = ends, heights
    side = 0
    for _ in range(100):
        middle = (low * above - high * below) / (above - below) if above != below else 0.5 * (low + high)
        here = float(excess(fit, np.array([middle]), y0, t=t, m=m, problem=problem)[0])
        if here * above > 0:
            high, above = middle, here
            below = below / 2 if side == -1 else below
            side = -1
        else:
            low, below = middle, here
            above = above / 2 if side == 1 else above
            side = 1
        if here == 0 or abs(high - low) <= 1e-12 * max(abs(low), abs(high)) or abs(here) <= 1e-13 * (y0 * y0 + 1e-300):
            break
    return float(middle)
