"""A break in a straight line: where it may lie, whether there is one, and the form for one series."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.curve_shapes import BREAKS, break_range, broken
from drift.engine.sensor_curves import CurveFit, Curves

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Break:
    """A break found over sensors.

    Parameters
    ----------
    at, low, high : float
        NaN ends where the checks do not bound it on that side.
    before, after : float
        Drift before and after it.
    p : float
        Of the bootstrap test that there is no break.
    draws : int
    profile : array, shape (n, 2)
        Break and the rise of -2 log likelihood above the best.
    reach : float
        Rise up to which a break is inside the interval.
    """

    at: float
    low: float
    high: float
    before: float
    after: float
    p: float
    draws: int
    profile: Floats
    reach: float


def find_break(curves: Curves, x: Floats, line: CurveFit, *, level: float, rng: np.random.Generator,
               draws: int = 999) -> Break:
    """Locate a break over all sensors by profile likelihood, and test it by parametric bootstrap.

    Parameters
    ----------
    curves : Curves
    x : array, shape (n_rows,)
    line : CurveFit
        Of the straight line.
    level, rng, draws

    Returns
    -------
    Break

    Notes
    -----
    The interval holds every break whose -2 log likelihood, variances fitted anew, exceeds the least by no more than
    n log(1 + F/df), F the quantile of F(1, df) and df the checks less two a sensor less one: the likelihood-ratio
    interval with the variance estimated. The test is the largest F over all breaks, at the variance ratios of the
    straight line, against the same of normal data drawn from that line: a plain t or chi-square test of the kink
    ignores that the break was searched.

    References
    ----------
    Davies RB (1987), Biometrika 74:33-43 (the break exists only under the alternative).
    Seber GAF, Wild CJ (1989), Nonlinear Regression, section 9.3 (profile of the join point).
    """
    ends = break_range(x)
    if ends is None:
        raise ValueError("a break needs two check uses on either side")
    grid = np.linspace(*ends, BREAKS)
    first = curves.fit(broken(x, grid))
    step = (grid[1] - grid[0]) / 8
    near = grid[first.best] + step * np.arange(-8, 9)
    near = near[(near > ends[0]) & (near < ends[1]) & ~np.isclose(near, grid[first.best])]
    second = curves.fit(broken(x, near), start=first.theta[first.best])
    psi = np.concatenate([grid, near])
    deviance = np.concatenate([first.deviance, second.deviance])
    beta = np.concatenate([first.beta, second.beta])
    order = np.argsort(psi)
    psi, deviance, beta = psi[order], deviance[order], beta[order]
    best = int(np.argmin(deviance))
    df = max(curves.n - 2 * curves.m - 1, 1)
    reach = curves.n * math.log1p(_f_quantile(level, df) / df)
    rise = deviance - deviance[best]
    low, high = _crossing(psi[: best + 1][::-1], rise[: best + 1][::-1], reach), _crossing(psi[best:], rise[best:],
                                                                                          reach)
    p = _bootstrap(curves, x, line, grid, rng, draws)
    before, after = beta[best][1] * curves.scale, (beta[best][1] + beta[best][2]) * curves.scale
    return Break(at=float(psi[best]), low=low, high=high, before=float(before), after=float(after), p=p, draws=draws,
                 profile=np.column_stack([psi, rise]), reach=reach)


def _f_quantile(level: float, df: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + level / 2)) ** 2


def _crossing(psi: Floats, rise: Floats, reach: float) -> float:
    """Outermost break inside, walking outwards from the best, by the line between neighbours; NaN at the end."""
    inside = np.flatnonzero(rise <= reach)
    last = int(inside[-1])
    if last == len(psi) - 1:
        return math.nan
    a, b = rise[last], rise[last + 1]
    return float(psi[last] + (psi[last + 1] - psi[last]) * (reach - a) / (b - a))


def _bootstrap(curves: Curves, x: Floats, line: CurveFit, grid: Floats, rng: np.random.Generator, draws: int) -> float:
    """Return p of the largest F over breaks, at the variance ratios of the straight line."""
    one = np.column_stack([np.ones_like(x), x])
    hinges = np.maximum(x[:, None] - grid[None, :], 0.0)
    y = np.empty(curves.n)
    y[curves.order] = curves.y
    w = curves.whitened(np.column_stack([one, hinges, y]), one, line.theta[0])
    base, _ = np.linalg.qr(w[:, :2])
    rest = w[:, 2:] - base @ (base.T @ w[:, 2:])
    h, r = rest[:, :-1], rest[:, -1]
    h = h / np.sqrt((h**2).sum(axis=0))
    seen = _largest(r[None], h)[0]
    e = rng.standard_normal((draws, curves.n))
    e -= (e @ base) @ base.T
    return float(1 + np.sum(_largest(e, h) >= seen)) / (draws + 1)


def _largest(e: Floats, h: Floats) -> Floats:
    """Largest share of the residual sum of squares that one hinge explains: increasing in F."""
    return np.asarray(((e @ h) ** 2).max(axis=1) / (e**2).sum(axis=1))


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
