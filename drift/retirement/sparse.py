"""The retire-after bound where some sensors have too few checks for a line of their own: bootstrap-t on a mixed model.

A sensor that left after two checks because it wore fast is the evidence that must not be lost; in the model it counts
for what it shows, and the data sets drawn from the fit have the study's own holes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import LineSummary, companion_crossing, own_crossings
from drift.engine.sparse_lines import MOST_ZERO, Checks, LineModel, SparseBound, sparse_bounds, summarise_checks
from drift.engine.tolerance import one_sided_factor

RULE = "smaller of bootstrap-t bound and companion"
Floats = NDArray[np.float64]

SETS = 2000
SETS_WITHOUT_ONE = 199
FARTHEST = 20  # times the last exposure checked: the end of the search


@dataclass(frozen=True, eq=False)
class SparseModel:
    """The checks of a group that the mixed model takes in, with its fit and refits.

    Parameters
    ----------
    x, y : ndarray, shape (n_sensors, n_checks)
        Exposure and value, wear upwards; NaN where there is no check.
    relative : bool
        The limit is on the change from each sensor's own start.
    short : ndarray of bool, shape (n_sensors,)
        Which sensors have too few checks for a line of their own.
    seed : int
        Of the data sets drawn.
    """

    x: Floats
    y: Floats
    relative: bool
    short: NDArray[np.bool_]
    seed: int = 20240501

    @cached_property
    def bound(self) -> SparseBound:
        """Fit and refits of all sensors, at the default content and confidence."""
        return self._bound(np.ones(len(self.x), dtype=bool), SETS)

    def _bound(self, keep: NDArray[np.bool_], n_sets: int) -> SparseBound:
        rng = np.random.default_rng(np.random.SeedSequence([self.seed, 1]))
        return sparse_bounds(self.checks(keep), content=0.9, confidence=0.95, relative=self.relative, rng=rng,
                             n_sets=n_sets)[0]

    def checks(self, keep: NDArray[np.bool_] | slice = slice(None)) -> Checks:
        """Sufficient statistics of one study, shape (1, n_sensors)."""
        return summarise_checks(self.x[keep], self.y[keep][None])

    @property
    def refused(self) -> str:
        """Why the model cannot answer; empty where it can."""
        spread = self.bound.factor(float(np.nanmax(self.x)))[1]
        if not float(self.bound.fit.sigma2) > 0 or spread > MOST_ZERO:
            return (f"the spread between sensors cannot be told from check error ({100 * spread:.0f} % of the refits "
                    "have none), and leaving out the worn sensors with too few checks would make the count unsafe")
        return ""

    def counts(self, limit: float, *, content: float, confidence: float, without: int | None = None) -> SparseCounts:
        """Uncut crossings; with one sensor left out, from fewer refits."""
        if without is None:
            keep, bound = np.ones(len(self.x), dtype=bool), self.bound
        else:
            keep = np.arange(len(self.x)) != without
            bound = self._bound(keep, SETS_WITHOUT_ONE)
        return _counts(self.checks(keep).part(0), replace(bound, content=content, confidence=confidence), limit,
                       self.relative)

    def mean_lines(self) -> LineSummary:
        """Mean line, with the covariance that n independent lines would have whose mean is as uncertain."""
        fit, refits, n = self.bound.fit, self.bound.refits, len(self.x)
        start = np.zeros_like(refits.beta0) if self.relative else refits.beta0
        cov = n * np.cov(start, refits.beta1 / fit.scale)
        first = np.asarray(0.0 if self.relative else fit.beta0)
        return LineSummary(n, first, np.asarray(fit.beta1 / fit.scale), *(np.asarray(v) for v in (
            cov[0, 0], cov[0, 1], cov[1, 1])))

    def path(self, at: Floats, *, content: float, confidence: float) -> Floats:
        """Bound at exposures."""
        bound = replace(self.bound, content=content, confidence=confidence)
        return np.array([bound.bound(float(u)) for u in at])

    def share(self, at: float, limit: float, *, level: float) -> tuple[float, float, float]:
        """Share of sensors beyond the limit with its interval, the contents whose bound meets the limit there."""
        from scipy.special import ndtr

        def content_at(confidence: float) -> float:
            low, high = -8.0, 8.0
            for _ in range(50):
                z = (low + high) / 2
                b = replace(self.bound, content=min(max(float(ndtr(z)), 1e-15), 1 - 1e-15), confidence=confidence)
                low, high = (z, high) if b.bound(at) <= limit else (low, z)
            return float(ndtr(-low))

        return content_at(0.5), content_at((1 - level) / 2), content_at((1 + level) / 2)


@dataclass(frozen=True, eq=False)
class SparseCounts:
    """Uncut crossings of one limit, as in :class:`drift.retirement.bound.Counts`, and what they rest on."""

    line: float
    companion: float
    bound: SparseBound

    @property
    def fit(self) -> LineModel:
        """The REML fit."""
        return self.bound.fit


def sparse_counts(c: Checks, limit: float, *, content: float, confidence: float, relative: bool,
                  rng: np.random.Generator, n_sets: int = SETS) -> list[SparseCounts | None]:
    """Return bound and companion of each study; None where the spread of too many refits is zero.

    Parameters
    ----------
    c : Checks
        Shape (n_studies, n_sensors): values with wear upwards.
    limit : float
        Largest value that is fit for use; a distance for a relative limit.
    content, confidence : float
    relative : bool
        The limit is on the change from each sensor's own start.
    rng : numpy.random.Generator
    n_sets : int
        Data sets drawn from each fit.

    Notes
    -----
    The companion is that of the line bound, exp(mean - k1 sd) of the logs of own crossing counts, over all sensors with
    two or more checks. A line through two checks is a poor one, which spreads the crossings: the companion errs on the
    safe side, and it needs neither normal slopes nor that the model knows why a sensor left.
    """
    found = sparse_bounds(c, content=content, confidence=confidence, relative=relative, rng=rng, n_sets=n_sets)
    return [None if not float(b.fit.sigma2) > 0 or b.factor(c.scale)[1] > MOST_ZERO else
            _counts(c.part(i), b, limit, relative) for i, b in enumerate(found)]


def _counts(c: Checks, bound: SparseBound, limit: float, relative: bool) -> SparseCounts:
    fit = bound.fit
    rise = float(fit.beta1) / fit.scale
    gap = limit - (0.0 if relative else float(fit.beta0))
    # The bound lies above the mean line, so it crosses no later than the mean does.
    end = min(max(gap, 1e-9) / rise if rise > 0 else math.inf, FARTHEST * c.scale)
    line = bound.crossing(limit, end)
    own = c.own_line
    intercept = np.zeros_like(c.d0[own]) if relative else c.d0[own]
    times = own_crossings(intercept, c.d1[own] / c.scale, np.asarray(limit))
    k = one_sided_factor(int(own.sum()), bound.content, bound.confidence)
    return SparseCounts(line, float(companion_crossing(times, k)), bound)
