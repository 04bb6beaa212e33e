"""Least squares of never-worn sensors on their own means, their steps, and one slope over days."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.shared_steps import SharedStep
from drift.sensitivity.model import t_interval

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ends = tuple[float, float, float]  # value, low, high
#: Size of the tests whether one sensor's slope differs, and whether the common one is carried into answers.
SIZE = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class Moved:
    """A step with the sensors that made it and how large it is: one size for all, or one a sensor."""

    step: SharedStep
    who: tuple[str, ...]
    stayed: tuple[str, ...]
    common: Ends | None
    own: tuple[Ends, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit:
    """What never-worn sensors did.

    Parameters
    ----------
    names : tuple of str
    steps : tuple of Moved
        In the order of time.
    slope : tuple
        A day, beside the steps; ``sure`` tells whether it differs from zero at 1 % too.
    alone : str
        The one sensor that drifts while no other does; ``apart`` tells that slopes differ in another way.
    own : dict of str to tuple
        Slope of each sensor by itself.
    days : int
    """

    names: tuple[str, ...]
    steps: tuple[Moved, ...]
    slope: Ends
    sure: bool
    alone: str
    apart: bool
    own: dict[str, Ends]
    days: int


def fit_controls(y: Floats, x: Floats, code: Ints, names: tuple[str, ...], steps: tuple[SharedStep, ...],
                 level: float) -> Fit | None:
    """Fit steps and slope; None where the days leave no degree of freedom.

    Notes
    -----
    Sizes of steps are estimated without a slope, since a few days on one side of a step cannot tell the two apart; the
    slope is estimated beside the steps. Intervals are t intervals on the scatter of day means, given the days of the
    steps.
    """
    if len(y) - len(names) - 1 < 1 or len(np.unique(x)) < 2:
        return None
    means = (code[:, None] == np.arange(len(names))).astype(np.float64)
    moved = tuple(_sized(y, x, code, names, steps, k, means, level) for k in range(len(steps)))
    columns = np.column_stack([means, *(c for k in range(len(steps)) for c in _columns(x, code, steps[k]))])
    mid = x - (means.T @ x / means.sum(axis=0))[code]
    fit = _solve(np.column_stack([columns, mid]), y)
    if fit is None:
        return None if not steps else Fit(names=names, steps=moved, slope=(math.nan,) * 3, sure=False, alone="",
                                          apart=False, own={}, days=len(np.unique(x)))
    beta, cov, rss, df = fit
    slope, se = float(beta[-1]), math.sqrt(float(cov[-1, -1]))
    low, high = t_interval(slope, se, df, level)
    sure = t_interval(slope, se, df, 1 - SIZE)
    own = _own_slopes(y, x, code, names, steps, level)
    alone, apart = _apart(y, np.column_stack([columns, means * mid[:, None]]), rss, df, names,
                          _own_slopes(y, x, code, names, steps, 1 - SIZE))
    return Fit(names=names, steps=moved, slope=(slope, low, high), sure=sure[0] > 0 or sure[1] < 0, alone=alone,
               apart=apart, own=own, days=len(np.unique(x)))


def _columns(x: Floats, code: Ints, step: SharedStep, *, common: bool = False) -> list[Floats]:
    """Return the step as one column, or one for each sensor that made it."""
    late = x >= step.at
    who = np.flatnonzero(step.moved)
    if common:
        return [(late & np.isin(code, who)).astype(np.float64)]
    return [(late & (code == s)).astype(np.float64) for s in who]


def _sized(y: Floats, x: Floats, code: Ints, names: tuple[str, ...], steps: tuple[SharedStep, ...], k: int,
           means: Floats, level: float) -> Moved:
    """Estimate one step beside the others."""
    step = steps[k]
    others = [c for j, s in enumerate(steps) if j != k for c in _columns(x, code, s)]
    who = np.flatnonzero(step.moved)

    def sizes(columns: list[Floats]) -> list[Ends]:
        fit = _solve(np.column_stack([means, *others, *columns]), y)
        if fit is None:
            return [(float(step.shift[s]), math.nan, math.nan) for s in who[:len(columns)]]
        beta, cov, _, df = fit
        at = range(len(beta) - len(columns), len(beta))
        return [(float(beta[i]), *t_interval(float(beta[i]), math.sqrt(float(cov[i, i])), df, level)) for i in at]

    read = np.isfinite(step.shift)
    return Moved(step=step, who=tuple(names[s] for s in who), own=tuple(sizes(_columns(x, code, step))),
                 stayed=tuple(names[s] for s in np.flatnonzero(read & ~step.moved)),
                 common=sizes(_columns(x, code, step, common=True))[0] if step.alike else None)


def _solve(columns: Floats, y: Floats) -> tuple[Floats, Floats, float, float] | None:
    """Return coefficients, covariance, residual sum of squares and degrees of freedom; None where they are not told."""
    df = float(len(y) - columns.shape[1])
    if df < 1 or np.linalg.matrix_rank(columns) < columns.shape[1]:
        return None
    inverse = np.asarray(np.linalg.inv(columns.T @ columns), dtype=np.float64)
    beta = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=np.float64)
    rss = float(((y - columns @ beta) ** 2).sum())
    return beta, inverse * (rss / df), rss, df


def _own_slopes(y: Floats, x: Floats, code: Ints, names: tuple[str, ...], steps: tuple[SharedStep, ...],
                level: float) -> dict[str, Ends]:
    made = {}
    for s, name in enumerate(names):
        mine = code == s
        at, values = x[mine], y[mine]
        stepped = [(at >= step.at).astype(np.float64) for step in steps if step.moved[s]]
        fit = _solve(np.column_stack([np.ones(len(at)), *stepped, at - at.mean()]), values)
        if fit is not None:
            slope, se = float(fit[0][-1]), math.sqrt(float(fit[1][-1, -1]))
            made[name] = (slope, *t_interval(slope, se, fit[3], level))
    return made


def _apart(y: Floats, columns: Floats, rss: float, df: float, names: tuple[str, ...], own: dict[str, Ends]
           ) -> tuple[str, bool]:
    """Tell whether slopes differ (F test against one for all), and whether one sensor alone drifts.

    References
    ----------
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, 3rd ed., ch. 6 (extra sum of squares).
    """
    from scipy.special import fdtrc

    full = _solve(columns, y) if len(names) > 1 else None
    if full is None or not full[3] < df:
        return "", False
    extra = df - full[3]
    f = ((rss - full[2]) / extra) / max(full[2] / full[3], 1e-300)
    if float(fdtrc(extra, full[3], max(f, 0.0))) >= SIZE:
        return "", False
    moved = [n for n, (_, low, high) in own.items() if low > 0 or high < 0]
    return (moved[0], False) if len(moved) == 1 and len(own) == len(names) else ("", True)
