"""Share of sensors ever used past a limit under policies, for each draw of the population, with little noise."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.policy import BLOCK, Criteria, Policy
from drift.engine.population import Population, kronecker

Floats = NDArray[np.float64]
PARTS = 8


def ever_past(population: Population, criteria: Criteria, policies: Sequence[Policy], *, horizon: int,
              rng: np.random.Generator, lives: int = 200) -> Floats:
    """Return the share of sensors ever used past a limit, shape (n_policies, n_draws).

    Parameters
    ----------
    population : Population
    criteria : Criteria
    policies : sequence of Policy
    horizon : int
        Uses after which a life is cut off.
    rng : numpy.random.Generator
    lives : int
        Lines drawn for each draw of the population.

    Notes
    -----
    A quantile over draws of a share that was counted among a few lives is mostly the scatter of those lives, and too
    high. Here lines are quasi-random, and the errors of checks are not drawn but integrated over: a sensor is used past
    a limit if its line leaves the limits before its count and no check until then reads beyond the threshold, whose
    probability is a product of normal ones. With several limits, whose errors at one check are correlated, each factor
    is worked out one limit after another (Geweke, Hajivassiliou, Keane). A change from the fresh value holds the error
    of the fresh check, which is drawn.

    References
    ----------
    Casella, G. and Robert, C. P. (1996), Biometrika 83, 81-94 (expectation in place of counting); Hajivassiliou, V.,
    McFadden, D. and Ruud, P. (1996), Journal of Econometrics 72, 85-134 (normal rectangles).
    """
    k = population.n_draws
    shares = np.zeros((len(policies), k))
    points = kronecker(lives, population.mean.shape[1])
    for first, child in zip(range(0, k, BLOCK), rng.spawn(-(-k // BLOCK)), strict=True):
        part = Population(population.mean[first:first + BLOCK], population.root[first:first + BLOCK])
        lines = _Lines(part, criteria, points, horizon, child)
        known: dict[tuple[int, float, bytes], Floats] = {}
        for i, p in enumerate(policies):
            key = p.check_every, p.retire_after, b"" if p.threshold is None else p.threshold.tobytes()
            if key not in known:  # recalibration and failures noticed afterwards change nothing in it
                known[key] = lines.past(p).reshape(part.n_draws, lives).mean(1)
            shares[i, first:first + BLOCK] = known[key]
    return shares


def bound_error(shares: ArrayLike, confidence: float, *, parts: int = PARTS) -> float:
    """Return the Monte Carlo error of a quantile over draws that were made in parts, each apart from the others.

    The standard error of the mean of the parts' own quantiles: draws of one part are quasi-random and not independent,
    so that no formula for independent ones would be right.

    References
    ----------
    Owen, A. B. (1995), Randomly permuted (t,m,s)-nets and (t,s)-sequences, Springer (replicates of shifted sequences).
    """
    x = np.asarray(shares, dtype=np.float64)
    each = np.array([np.quantile(part, confidence) for part in np.array_split(x, parts)])
    return float(each.std(ddof=1) / math.sqrt(parts))


class _Lines:
    """Lines of the sensors of some draws."""

    def __init__(self, population: Population, criteria: Criteria, points: Floats, horizon: int,
                 rng: np.random.Generator) -> None:
        from scipy.special import ndtri

        u = (points + rng.random((population.n_draws, 1, points.shape[1]))) % 1
        z = ndtri(np.clip(u, 1e-12, 1 - 1e-12))
        x = (population.mean[:, None] + z @ population.root.transpose(0, 2, 1)).reshape(-1, points.shape[1])
        # Lines without a limit take no part.
        mine = np.flatnonzero(np.isfinite(criteria.limit))
        start = criteria.start[mine]
        self.limit, self.horizon, self.rng, self.mine = criteria.limit[mine], horizon, rng, mine
        self.start = np.where(start >= 0, x[:, np.maximum(start, 0)], 0.0)
        self.slope = x[:, criteria.slope[mine]]
        cov = criteria.check[np.ix_(mine, mine)]
        values, vectors = np.linalg.eigh(cov)
        root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        self.lower = _cholesky(cov)
        self.fresh = np.where(start < 0, rng.standard_normal((len(x), len(mine))) @ root, 0.0)
        gap = self.limit - self.start
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(self.slope > 0, gap / self.slope, np.inf)
        self.out = (np.floor(np.where(gap < 0, 0.0, t) * (1 + 1e-12)) + 1).min(axis=1)

    def past(self, policy: Policy) -> Floats:
        """Return the probability of each sensor to be used past a limit."""
        found = (self.out <= min(policy.retire_after, self.horizon)).astype(np.float64)
        c = policy.check_every
        if not c:
            return np.asarray(found)
        threshold = self.limit if policy.threshold is None else np.asarray(policy.threshold)[self.mine]
        left = np.flatnonzero((found > 0) & (self.out > c))
        use = c
        while len(left):
            room = threshold - self.start[left] - self.slope[left] * use + self.fresh[left]
            found[left] *= self._all_below(room)
            use += c
            left = left[(self.out[left] > use) & (found[left] > 1e-9)]
        return np.asarray(found)

    def _all_below(self, room: Floats) -> Floats:
        """Return the probability that every error of one check is below its room."""
        from scipy.special import ndtr, ndtri

        m = room.shape[1]
        p, drawn = np.ones(len(room)), np.zeros_like(room)
        for j in range(m):
            with np.errstate(divide="ignore", over="ignore"):
                inside = ndtr((room[:, j] - drawn[:, :j] @ self.lower[j, :j]) / max(self.lower[j, j], 1e-300))
            p *= inside
            if j < m - 1:
                drawn[:, j] = ndtri(np.clip(inside * self.rng.random(len(room)), 1e-300, 1 - 1e-16))
        return p


def _cholesky(cov: Floats) -> Floats:
    """Return the lower root of a covariance that may be singular."""
    n = len(cov)
    lower = np.zeros((n, n))
    for j in range(n):
        rest = float(cov[j, j] - lower[j, :j] @ lower[j, :j])
        lower[j, j] = math.sqrt(max(rest, 0.0))
        if lower[j, j] > 1e-9 * math.sqrt(max(float(cov[j, j]), 1e-300)):
            lower[j + 1:, j] = (cov[j + 1:, j] - lower[j + 1:, :j] @ lower[j, :j]) / lower[j, j]
    return lower
