"""A break in a straight line: where it fits best over sensors, and the form for one series."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.break_set import Hinges, break_set, reference, slope_intervals
from drift.engine.curve_shapes import BREAKS, break_range, broken
from drift.engine.sensor_curves import Curves

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Break:
    """A break found over sensors.

    Parameters
    ----------
    at : float
        Of largest likelihood.
    low, high : float
        Of the set of breaks that are not rejected; NaN where it reaches the outermost break that can be tested.
    before, after : float
        Drift before and after ``at``.
    slopes : array, shape (2, 2)
        Ends of the intervals of the drift before and after, over all breaks of the set that misses half as often; NaN
        where that set is not bounded on both sides.
    p : float
        That there is no break.
    draws : int
    profile : array, shape (n, 3)
        Break, rise of -2 log likelihood above the best, and largest T over its critical value.
    fits : bool
        Whether any break fits.
    """

    at: float
    low: float
    high: float
    before: float
    after: float
    slopes: Floats
    p: float
    draws: int
    profile: Floats
    fits: bool

    @property
    def slopes_told(self) -> bool:
        """Whether the drift before and after has an interval."""
        return bool(np.isfinite(self.slopes).all())

    @property
    def anywhere(self) -> bool:
        """Whether the set leaves the break open on both sides."""
        return self.fits and math.isnan(self.low) and math.isnan(self.high)


def find_break(curves: Curves, x: Floats, *, level: float, rng: np.random.Generator, draws: int = 999) -> Break:
    """Locate a break over all sensors by likelihood, and test and bound it by the scatter of sensors.

    Parameters
    ----------
    curves : Curves
    x : array, shape (n_rows,)
    level, rng, draws

    Returns
    -------
    Break

    Raises
    ------
    ValueError
        Where no break can lie.

    Notes
    -----
    See :func:`drift.engine.break_set.break_set`. The likelihood takes sensors to bend alike: tests and intervals
    from it count a bend in which sensors differ as a break of all.
    """
    ends = break_range(x)
    if ends is None:
        raise ValueError("a break needs two check uses on either side")
    y, sensor = np.empty(curves.n), np.empty(curves.n, dtype=np.int64)
    y[curves.order], sensor[curves.order] = curves.y, curves.sensor
    hinges = Hinges.over(x, sensor, ends)
    found = break_set(hinges, y, reference(hinges, rng, level=level, draws=draws))
    psi, deviance, beta = _profile(curves, x, ends)
    best = int(np.argmin(deviance))
    low, high = found.ends(hinges.at)
    fits, at = bool(found.inside.any()), float(psi[best])
    if fits:  # the likeliest break may lie between two that were tested
        low, high = min(low, at) if low == low else low, max(high, at) if high == high else high
    intervals = np.full((2, 2), np.nan)
    if found.slopes_told:
        intervals = slope_intervals(hinges, y, hinges.at[found.wider], level=level) * curves.scale
    before, after = beta[best][1] * curves.scale, (beta[best][1] + beta[best][2]) * curves.scale
    return Break(at=at, low=low, high=high, before=float(before), after=float(after), slopes=intervals, p=found.p,
                 draws=draws, fits=fits, profile=np.column_stack(
                     [hinges.at, np.interp(hinges.at, psi, deviance - deviance[best]), found.ratio]))


def _profile(curves: Curves, x: Floats, ends: tuple[float, float]) -> tuple[Floats, Floats, Floats]:
    """Return breaks, -2 log likelihood and coefficients, on a grid that is finer near the best."""
    grid = np.linspace(*ends, BREAKS)
    first = curves.fit(broken(x, grid))
    step = (grid[1] - grid[0]) / 8
    near = grid[first.best] + step * np.arange(-8, 9)
    near = near[(near > ends[0]) & (near < ends[1]) & ~np.isclose(near, grid[first.best])]
    second = curves.fit(broken(x, near), start=first.theta[first.best])
    psi = np.concatenate([grid, near])
    order = np.argsort(psi)
    return (psi[order], np.concatenate([first.deviance, second.deviance])[order],
            np.concatenate([first.beta, second.beta])[order])


@dataclass(frozen=True, kw_only=True, eq=False)
class BrokenLine:
    """A broken line of one series, with standard errors of the linearised model.

    ``covariance`` belongs to (intercept, slope before, change of slope, break).
    """

    intercept: float
    before: float
    change: float
    at: float
    covariance: Floats
    deviance: float
    deviance_straight: float

    @property
    def std_errors(self) -> Floats:
        """Of (intercept, slope before, change of slope, break)."""
        return np.sqrt(np.diag(self.covariance))


def broken_line(x: ArrayLike, y: ArrayLike, *, trials: ArrayLike | None = None, start: float | None = None,
                tolerance: float = 1e-10) -> BrokenLine:
    """Fit a broken line to one series by linearising the break: least squares, or logits of counts.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    trials : array_like, shape (n,), optional
        y counts successes out of so many: the line is that of the log odds (binomial maximum likelihood).
    start : float, optional
        Break to start from; by default the best of a grid over the range of x.

    Returns
    -------
    BrokenLine

    Raises
    ------
    ValueError
        If no break inside the range is found.

    References
    ----------
    Muggeo VMR (2003), Statistics in Medicine 22:3055-3071, equations 4 to 6.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = None if trials is None else np.asarray(trials, float)
    inner = np.unique(x)[1:-1]
    one = np.ones_like(x)
    if start is None:
        grid = np.linspace(inner[0], inner[-1], 41)
        start = float(grid[int(np.argmin([_glm(np.column_stack([one, x, np.maximum(x - g, 0)]), y, n)[1]
                                          for g in grid]))])
    psi, columns = start, np.empty(0)
    for _ in range(200):
        hinge = np.maximum(x - psi, 0.0)
        columns = np.column_stack([one, x, hinge, -(x > psi).astype(float)])
        beta = _glm(columns, y, n)[0]
        step = float(np.clip(beta[3] / beta[2], -0.2 * np.ptp(x), 0.2 * np.ptp(x)))
        psi = float(np.clip(psi + step, inner[0], inner[-1]))
        if abs(step) <= tolerance * np.ptp(x):
            break
    else:
        raise ValueError("no break inside the range was found")
    beta, deviance, _ = _glm(np.column_stack([one, x, np.maximum(x - psi, 0.0)]), y, n)
    _, _, full = _glm(np.column_stack([one, x, np.maximum(x - psi, 0.0), -beta[2] * (x > psi)]), y, n)
    scale = 1.0 if n is not None else deviance / (len(x) - 4)
    straight = _glm(np.column_stack([one, x]), y, n)[1]
    return BrokenLine(intercept=float(beta[0]), before=float(beta[1]), change=float(beta[2]), at=psi,
                      covariance=np.asarray(scale * np.linalg.inv(full)), deviance=deviance, deviance_straight=straight)


def _glm(columns: Floats, y: Floats, trials: Floats | None) -> tuple[Floats, float, Floats]:
    """Coefficients, deviance and information of least squares, or of a logistic line by scoring."""
    if trials is None:
        beta = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0])
        return beta, float(((y - columns @ beta) ** 2).sum()), columns.T @ columns
    p = (y + 0.5) / (trials + 1)
    eta = np.log(p / (1 - p))
    deviance = math.inf
    for _ in range(100):
        p = 1 / (1 + np.exp(-eta))
        w = trials * p * (1 - p)
        working = eta + (y - trials * p) / w
        information = (columns * w[:, None]).T @ columns
        beta = np.asarray(np.linalg.solve(information, columns.T @ (w * working)))
        eta = columns @ beta
        before, deviance = deviance, _binomial_deviance(y, trials, 1 / (1 + np.exp(-eta)))
        if abs(before - deviance) <= 1e-13 * (1 + deviance):
            break
    return beta, deviance, information


def _binomial_deviance(y: Floats, n: Floats, p: Floats) -> float:
    from scipy.special import xlogy

    return float(2 * (xlogy(y, y / (n * p)) + xlogy(n - y, (n - y) / (n * (1 - p)))).sum())
