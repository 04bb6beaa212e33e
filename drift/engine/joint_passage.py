"""Several limits at once: which is passed first, and when, from lines that vary together over sensors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.population import population_draws

Floats = NDArray[np.float64]
BLOCK = 50  # draws worked on at once


@dataclass(frozen=True, eq=False)
class JointLines:
    """Lines of n sensors against k limits, wear upwards.

    Parameters
    ----------
    theta : ndarray, shape (n_sensors, 2 n_limits)
        Start and slope against each limit in turn.
    error : ndarray, shape (2 n_limits, 2 n_limits)
        Mean covariance that the checks' own error gives them.
    edge : ndarray, shape (n_limits,)
        Value at which each limit is passed.
    error_df : int
        Degrees of freedom behind ``error``; 0 takes it as known.
    """

    theta: Floats
    error: Floats
    edge: Floats
    error_df: int = 0


def joint_lines(x: Floats, y: Floats, edge: Floats) -> JointLines:
    """Fit the lines of every sensor against every limit.

    Parameters
    ----------
    x : ndarray, shape (n_limits, n_sensors, n_checks)
    y : ndarray, same shape
        Wear upwards; NaN where there is no check.

    Notes
    -----
    Errors of two limits at one check go together where both come from one reading; their covariance is that of the
    residuals at the checks that both have.
    """
    k, n = y.shape[:2]
    theta, error, spent = np.empty((n, 2 * k)), np.zeros((2 * k, 2 * k)), 0
    for i in range(n):
        pick, left = [], []
        for j in range(k):
            ok = np.isfinite(x[j, i]) & np.isfinite(y[j, i])
            design = np.column_stack([np.ones(int(ok.sum())), x[j, i][ok]])
            solve = np.zeros((2, len(ok)))
            solve[:, ok] = np.linalg.pinv(design)
            theta[i, 2 * j:2 * j + 2] = solve[:, ok] @ y[j, i][ok]
            residual = np.zeros(len(ok))
            residual[ok] = y[j, i][ok] - design @ theta[i, 2 * j:2 * j + 2]
            pick.append(solve)
            left.append((residual, max(int(ok.sum()) - 2, 0)))
        spent += min(df for _, df in left)
        for a in range(k):
            for b in range(k):
                df = min(left[a][1], left[b][1])
                cov = float(left[a][0] @ left[b][0]) / df if df > 0 else 0.0
                error[2 * a:2 * a + 2, 2 * b:2 * b + 2] += cov * (pick[a] @ pick[b].T) / n
    return JointLines(theta, error, np.asarray(edge, np.float64), spent)


def between(lines: JointLines, theta: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance between sensors, the checks' own error taken out and made a covariance again."""
    total = np.atleast_2d(np.cov(theta, rowvar=False))
    value, vector = np.linalg.eigh((total - lines.error + (total - lines.error).T) / 2)
    return theta.mean(axis=0), (vector * np.maximum(value, 0.0)) @ vector.T


def passages(mean: Floats, cov: Floats, edge: Floats, z: Floats) -> Floats:
    """Return times at which simulated sensors pass each limit, shape (n_drawn, n_limits); infinite where never."""
    value, vector = np.linalg.eigh(cov)
    return _times(mean + z @ (vector * np.sqrt(np.maximum(value, 0.0))).T, edge)


def _times(theta: Floats, edge: Floats) -> Floats:
    """Return the times at which lines pass each limit."""
    start, slope = theta[..., 0::2], theta[..., 1::2]
    with np.errstate(divide="ignore", invalid="ignore"):
        time = np.where(slope > 0, (edge - start) / slope, np.inf)
    return np.where(start > edge, 0.0, np.maximum(time, 0.0))


@dataclass(frozen=True, eq=False)
class Incidence:
    """Share of sensors whose first limit each one was, by each time, with bands; shape (n_limits, n_times).

    ``first`` is the use by which a share has passed any limit, with its interval; ``alone`` what multiplying the
    survival curves of the limits would make of it.
    """

    time: Floats
    share: Floats
    low: Floats
    high: Floats
    first: tuple[float, float, float]
    alone: float


def simulate_first(lines: JointLines, time: Floats, share: float, level: float, rng: np.random.Generator, *,
                   drawn: int = 2000, draws: int = 400) -> Incidence:
    """Simulate which limit comes first; bands over draws of the population from its pivotal distribution.

    Notes
    -----
    Mean and size of the covariance of the sensors' lines are drawn as in :mod:`drift.engine.population`: with few
    sensors the size of a variance is hardly known, and upwards more than downwards. Studies simulated from the
    estimates as if they were the truth (a parametric bootstrap) leave that out, and their bands are too short.

    References
    ----------
    Crowder, M. J. (2001), Classical Competing Risks, Chapman & Hall, chapters 1 and 3; Krishnamoorthy, K. and Mathew,
    T. (2009), Statistical Tolerance Regions, Wiley, chapter 1 (pivotal quantities).
    """
    q = lines.theta.shape[1]
    z = rng.standard_normal((drawn, q))
    mean, cov = between(lines, lines.theta)
    here = passages(mean, cov, lines.edge, z)
    own = _incidence(here, time)
    population = population_draws(lines.theta, (lines.error + lines.error.T) / 2, n_draws=draws, rng=rng,
                                  error_df=lines.error_df)
    uses, curves = np.empty(draws), np.empty((draws, *own.shape))
    some = z[:max(drawn // 2, 1)]
    for at in range(0, draws, BLOCK):
        part = slice(at, at + BLOCK)
        theta = population.mean[part, None] + some @ population.root[part].transpose(0, 2, 1)
        again = _times(theta, lines.edge)
        uses[part] = np.quantile(again.min(axis=-1), share, axis=1, method="higher")
        if len(time):
            curves[part] = [_incidence(one, time) for one in again]
    alpha = (1 - level) / 2
    first = float(np.quantile(here.min(axis=1), share, method="higher"))
    low, high = np.quantile(uses, [alpha, 1 - alpha], method="nearest")
    band = np.quantile(curves, [alpha, 1 - alpha], axis=0)
    return Incidence(time, own, np.minimum(band[0], own), np.maximum(band[1], own),
                     (first, min(float(low), first), max(float(high), first)), _alone(here, share))


def _incidence(time: Floats, at: Floats) -> Floats:
    first, which = time.min(axis=1), time.argmin(axis=1)
    return np.array([np.searchsorted(np.sort(first[which == j]), at, side="right") / len(first)
                     for j in range(time.shape[1])])


def _alone(time: Floats, share: float) -> float:
    """Use by which the share is reached if the limits were independent: survival curves multiplied."""
    at = np.unique(time[np.isfinite(time)])
    if not len(at):
        return float("inf")
    survival = np.ones(len(at))
    for column in time.T:
        survival *= 1 - np.searchsorted(np.sort(column), at, side="right") / len(column)
    past = np.flatnonzero(1 - survival >= share)
    return float(at[past[0]]) if len(past) else float("inf")
