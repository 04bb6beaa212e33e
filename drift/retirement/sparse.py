"""The retire-after bound where some sensors have too few checks for a line of their own: bootstrap-t on a mixed model.

A sensor that left after two checks because it wore fast is the evidence that must not be lost; in the model it counts
for what it shows, and the data sets drawn from the fit have the study's own holes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.engine.crossing import companion_crossing, own_crossings
from drift.engine.sparse_lines import MOST_ZERO, Checks, LineModel, SparseBound, sparse_bounds
from drift.engine.tolerance import one_sided_factor

RULE = "smaller of bootstrap-t bound and companion"
SETS = 2000
FARTHEST = 20  # times the last exposure checked: the end of the search


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
    return [_counts(c.part(i), b, limit, relative) for i, b in enumerate(found)]


def _counts(c: Checks, bound: SparseBound, limit: float, relative: bool) -> SparseCounts | None:
    fit = bound.fit
    rise = float(fit.beta1) / fit.scale
    gap = limit - (0.0 if relative else float(fit.beta0))
    # The bound lies above the mean line, so it crosses no later than the mean does.
    end = min(max(gap, 1e-9) / rise if rise > 0 else math.inf, FARTHEST * c.scale)
    if not float(fit.sigma2) > 0 or bound.factor(end)[1] > MOST_ZERO:
        return None
    line = bound.crossing(limit, end)
    own = c.own_line
    intercept = np.zeros_like(c.d0[own]) if relative else c.d0[own]
    times = own_crossings(intercept, c.d1[own] / c.scale, np.asarray(limit))
    k = one_sided_factor(int(own.sum()), bound.content, bound.confidence)
    return SparseCounts(line, float(companion_crossing(times, k)), bound)
