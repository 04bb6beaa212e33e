"""Small-sample corrections of a fitted life distribution, by simulating studies like the one in hand from the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.life_fit import LifeFit, _Profile, fit_lives, fitted_only, standard_quantile
from drift.engine.life_rows import Family, Floats, Lives

DRAWS = 999
LEAST_FAILURES = 2


@dataclass(frozen=True, eq=False)
class Schedule:
    """How the units of one study were looked at.

    Parameters
    ----------
    end : ndarray, shape (n_units,)
        Time up to which each unit was followed; infinite for one that failed with nobody followed longer.
    checked : ndarray of bool, shape (n_units,)
        Units that were only looked at now and then.
    grid : ndarray
        All times at which units were looked at.
    entry : ndarray or float
        Time from which on each unit was watched.
    """

    end: Floats
    checked: NDArray[np.bool_]
    grid: Floats
    entry: Floats | float = 0.0


def schedule_of(lives: Lives) -> Schedule:
    """Work out how the units of one study were looked at.

    A unit that failed is given the end of those that were followed longer, in order, since its own was never seen.
    """
    low, high = lives.lower, lives.upper
    censored = np.sort(low[~lives.failed])
    end = np.where(lives.failed, np.inf, low)
    number = 0
    for i in np.argsort(high):
        if lives.failed[i]:
            longer = censored[censored >= high[i]]
            end[i] = longer[number % len(longer)] if len(longer) else np.inf
            number += 1
    between = lives.failed & ~lives.exact
    only_checked = bool(between.any()) and not bool((lives.exact & lives.failed).any())
    ends = np.concatenate([low[low > 0], high[np.isfinite(high)]])
    return Schedule(end, between | (only_checked & ~lives.failed), np.unique(ends),
                    np.asarray(lives.entry) if lives.late else 0.0)


def draw_lives(fit: LifeFit, schedule: Schedule, rng: np.random.Generator, n: int) -> Lives:
    """Simulate ``n`` studies of one fit, looked at as the study in hand was; shape (n, n_units)."""
    u = rng.random((n, len(schedule.end)))
    if np.any(np.asarray(schedule.entry) > 0):
        life = lasting_to(fit.family, fit.mu, fit.sigma, np.asarray(schedule.entry), u)
    else:
        life = np.exp(fit.mu + fit.sigma * standard_quantile(fit.family, u))
    return looked_at(np.maximum(life, 1e-300), schedule.end, schedule.checked, schedule.grid, schedule.entry)


def lasting_to(family: Family, mu: ArrayLike, sigma: ArrayLike, entry: Floats, u: Floats) -> Floats:
    """Draw lives of units that are known to have lasted to their entry, from uniform numbers ``u``."""
    from scipy.special import ndtr, ndtri

    mu, sigma = np.asarray(mu, np.float64), np.asarray(sigma, np.float64)
    with np.errstate(divide="ignore"):
        z = (np.log(entry) - mu) / sigma
    # S(life) = S(entry) (1 - u)
    if family == "weibull":
        at = np.log(np.exp(np.minimum(z, 700.0)) - np.log1p(-u))
    else:
        at = -ndtri(np.maximum(ndtr(-z) * (1 - u), 1e-300))
    life = np.exp(np.clip(mu + sigma * at, -690.0, 690.0))
    return np.asarray(np.maximum(life, np.nextafter(entry, np.inf)))


def looked_at(life: Floats, end: Floats, checked: NDArray[np.bool_], grid: Floats, entry: Floats | float = 0.0
              ) -> Lives:
    """Turn true lives into what is seen of them."""
    at = np.searchsorted(grid, life, side="left")
    before = np.concatenate([[0.0], grid])[at]
    after = np.concatenate([grid, [np.inf]])[at]
    low, high = np.where(checked, before, life), np.where(checked, after, life)
    # A unit followed to the end of the grid or to its own end is still fit there.
    gone = np.where(checked, high > end, life > end)
    low = np.where(gone, np.where(checked, np.minimum(np.maximum(before, 0.0), end), end), low)
    if np.any(np.asarray(entry) > 0):  # nobody looked before a unit entered
        low = np.maximum(low, entry)
    return Lives.build(low, np.where(gone, np.inf, high), 1.0, entry)


@dataclass(frozen=True, eq=False)
class SmallSample:
    """What simulation says about one fit.

    Parameters
    ----------
    shape_factor : float
        Median over simulated studies of the estimated shape over the true one.
    roots : ndarray
        Signed roots of the likelihood ratio of the log quantile at its true value.
    shape_roots : ndarray
        The same of the log shape.
    usable : float
        Share of simulated studies that have an estimate.
    """

    shape_factor: float
    roots: Floats
    shape_roots: Floats
    usable: float

    def lower_root(self, confidence: float) -> float:
        """Root to which the lower bound of the quantile must go to hold with that confidence."""
        return float(np.quantile(self.roots, confidence))

    def ends(self, level: float, *, shape: bool = False) -> tuple[float, float]:
        """Roots of the lower and the upper end of a two-sided interval (both as distances)."""
        roots = self.shape_roots if shape else self.roots
        return float(np.quantile(roots, (1 + level) / 2)), -float(np.quantile(roots, (1 - level) / 2))


def small_sample(lives: Lives, fit: LifeFit, p: float, rng: np.random.Generator, draws: int = DRAWS) -> SmallSample:
    """Simulate studies from one fit and collect what is off in them.

    Notes
    -----
    For complete samples and samples stopped at a number of failures the simulated quantities do not depend on the
    parameters and the corrections are exact but for simulation; else they are right to second order.

    References
    ----------
    Jeng, S.-L. and Meeker, W. Q. (2000), Comparisons of approximate confidence interval procedures for type I censored
    data, Technometrics 42:135-148 (bootstrap of the signed root); Lawless, J. F. (2003), Statistical Models and Methods
    for Lifetime Data, Wiley, section 5.2.
    """
    made = draw_lives(fit, schedule_of(lives), rng, draws)
    enough = made.failures() >= LEAST_FAILURES
    made = Lives.build(made.lower[enough], made.upper[enough], 1.0, np.asarray(made.entry)[enough])
    again = fit_lives(made, fit.family)
    ok = again.found
    if ok.sum() < draws / 4:
        empty = np.zeros(0)
        return SmallSample(np.nan, empty, empty, float(ok.sum()) / draws)
    roots = signed_root(made, again, np.log(fit.quantile(p)), p)[ok]
    shapes = signed_root(made, again, -np.log(fit.sigma), None)[ok]
    return SmallSample(float(np.median((fit.sigma / again.sigma)[ok])), roots, shapes, float(ok.sum()) / draws)


def signed_root(lives: Lives, fit: LifeFit, true: Floats, p: float | None) -> Floats:
    """Return the signed root of the likelihood ratio at a true log quantile or shape: positive below the estimate."""
    if fit.found.ndim and not fit.found.all():
        made = np.full(fit.found.shape, np.nan)
        if fit.found.any():
            part = np.broadcast_to(np.asarray(true, np.float64), fit.found.shape)[fit.found]
            made[fit.found] = signed_root(*fitted_only(lives, fit), part, p)
        return made
    w = 0.0 if p is None else float(standard_quantile(fit.family, p))
    profile = _Profile(lives, fit.family, w, p is None)
    with np.errstate(invalid="ignore"):
        centre = -np.log(fit.sigma) if p is None else fit.mu + fit.sigma * w
        other = fit.mu if p is None else -np.log(fit.sigma)
    centre, other = np.where(fit.found, centre, 0.0), np.where(fit.found, other, 0.0)
    top, _ = profile.at(centre, other)
    here, _ = profile.at(np.broadcast_to(np.asarray(true, np.float64), centre.shape) + 0.0, other)
    return np.asarray(np.sign(centre - true) * np.sqrt(np.maximum(2 * (top - here), 0.0)))
