"""Lives of sensors under policies, simulated with common random numbers, many policies at once.

Every policy meets the same sensors and the same errors of checks and calibrations, so that differences between policies
are not noise. A use is spoilt if the true state after it is beyond a limit, or if the change since the last calibration
is beyond its tolerance. What happens in a life has closed forms in the use at which the sensor's line leaves its
limits, so that no path is stored.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.population import Population, kronecker
from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCK = 50  # draws worked on at once, so that arrays stay small
COUNTS = ("sensors", "uses", "past a limit", "out of tolerance", "checks", "recalibrations", "ever past")


@dataclass(frozen=True, kw_only=True)
class Criteria:
    """Lines and limits of a sensor; wear is upwards.

    Parameters
    ----------
    start, slope : ndarray of int, shape (n_limits,)
        Which coordinate of the population is the start (-1: the line starts at 0) and which the slope.
    limit : ndarray, shape (n_limits,)
        Largest value that is fit for use; ``inf`` for a line that has no limit.
    check : ndarray, shape (n_limits, n_limits)
        Covariance of the errors of one check.
    tolerance_slope : int
        Coordinate of the slope that the tolerance is about; -1 without one.
    distance : float
        Largest change since the last calibration, in either direction.
    calibration_sd : float
        SD of a calibration's own error, 0 where the tolerance is for drift alone.
    """

    start: Ints
    slope: Ints
    limit: Floats
    check: Floats
    tolerance_slope: int = -1
    distance: float = math.inf
    calibration_sd: float = 0.0

    def __post_init__(self) -> None:
        for name in ("limit", "check"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))
        for name in ("start", "slope"):
            codes = np.array(getattr(self, name), dtype=np.int64)
            codes.setflags(write=False)
            object.__setattr__(self, name, codes)

    @property
    def check_sd(self) -> Floats:
        """SD of a checked value against its limit; a change from the fresh value has the error of both checks."""
        return np.asarray(np.sqrt(np.diagonal(self.check) * np.where(self.start < 0, 2.0, 1.0)))


@dataclass(frozen=True, kw_only=True)
class Policy:
    """What is done with each sensor.

    Parameters
    ----------
    retire_after : float
        Uses made at most; ``inf`` for no count.
    check_every : int
        Uses between checks, 0 for none; a checked sensor beyond ``threshold`` is retired.
    threshold : ndarray, shape (n_limits,), optional
        The limits themselves if left out.
    recalibrate_every : int
        Uses between calibrations, 0 for the fresh one only.
    noticed_after : int
        Spoilt uses after which a failure is noticed without a check, 0 for never.
    """

    retire_after: float = math.inf
    check_every: int = 0
    threshold: Floats | None = None
    recalibrate_every: int = 0
    noticed_after: int = 0

    def __post_init__(self) -> None:
        if not self.retire_after >= 1 or min(self.check_every, self.recalibrate_every, self.noticed_after) < 0:
            raise ValueError("a policy retires after one use or more, and its intervals are not negative")
        if self.threshold is not None:
            object.__setattr__(self, "threshold", frozen_array(self.threshold))


@dataclass(frozen=True, kw_only=True)
class Rates:
    """Means per life, by policy and draw of the population.

    ``mean`` has shape (n_policies, n_draws, 7) in the order of ``COUNTS``; ``within`` (n_policies, 7, 7) is the mean
    covariance between lives of one draw; ``lives`` the number of lives in each draw; ``cut`` (n_policies,) the share of
    lives that ended at the horizon.
    """

    mean: Floats
    within: Floats
    lives: int
    cut: Floats

    def __post_init__(self) -> None:
        for name in ("mean", "within", "cut"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def per_use(self, weights: ArrayLike) -> tuple[Floats, Floats]:
        """Weighted counts per use, shape (n_policies, n_draws), and the Monte Carlo error of their mean over draws."""
        w = np.asarray(weights, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = self.mean @ w / self.mean[..., 1]
        centred = np.broadcast_to(w, (len(self.mean), len(COUNTS))).copy()
        centred[:, 1] -= rate.mean(1)
        variance = np.einsum("pi,pij,pj->p", centred, self.within, centred)
        n = self.mean.shape[1] * self.lives
        return rate, np.sqrt(np.maximum(variance, 0.0) / n) / self.mean[..., 1].mean(1)

    def share_past(self) -> Floats:
        """Share of lives that were ever past a limit, shape (n_policies, n_draws)."""
        return np.asarray(self.mean[..., 6])


def simulate(population: Population, criteria: Criteria, policies: Sequence[Policy], *, lives: int, horizon: int,
             rng: np.random.Generator) -> Rates:
    """Simulate sensors' lives under every policy.

    Parameters
    ----------
    population : Population
        Draws of the population; each gets ``lives`` sensors.
    criteria : Criteria
    policies : sequence of Policy
    lives : int
        Sensors of each draw.
    horizon : int
        Uses after which a life is cut off.
    rng : numpy.random.Generator

    Returns
    -------
    Rates

    Notes
    -----
    Starts and slopes are quasi-random (a Kronecker sequence, shifted at random for each draw); errors are
    pseudo-random.
    A sensor that starts beyond a limit is past it throughout.

    References
    ----------
    Barlow, R. E. and Proschan, F. (1965), Mathematical Theory of Reliability, Wiley, chapters 3 and 4; Owen, A. B.
    (1995) on randomised quasi-Monte Carlo.
    """
    k, q = population.n_draws, len(policies)
    mean, within, cut = np.zeros((q, k, len(COUNTS))), np.zeros((q, len(COUNTS), len(COUNTS))), np.zeros(q)
    points = kronecker(lives, population.mean.shape[1])
    for first, child in zip(range(0, k, BLOCK), rng.spawn(-(-k // BLOCK)), strict=True):
        part = Population(population.mean[first:first + BLOCK], population.root[first:first + BLOCK])
        sensors = Sensors(part, criteria, points, policies, horizon, child)
        for i, policy in enumerate(policies):
            counts = sensors.under(policy).reshape(len(COUNTS), part.n_draws, lives)
            m = counts.mean(-1)
            mean[i, first:first + BLOCK] = m.T
            cut[i] += float(np.count_nonzero(counts[1] >= horizon)) / (k * lives)
            flat = counts.reshape(len(COUNTS), -1)
            within[i] += (flat @ flat.T - lives * m @ m.T) / (max(lives - 1, 1) * k)
    return Rates(mean=mean, within=within, lives=lives, cut=cut)


class Sensors:
    """Sensors of some draws, and the errors that all policies share."""

    def __init__(self, population: Population, criteria: Criteria, points: Floats, policies: Sequence[Policy],
                 horizon: int, rng: np.random.Generator) -> None:
        from scipy.special import ndtri

        apart, = rng.spawn(1)
        u = (points + rng.random((population.n_draws, 1, points.shape[1]))) % 1
        z = ndtri(np.clip(u, 1e-12, 1 - 1e-12))
        x = (population.mean[:, None] + z @ population.root.transpose(0, 2, 1)).reshape(-1, points.shape[1])
        self.criteria, self.horizon = criteria, horizon
        self.start = np.where(criteria.start >= 0, x[:, np.maximum(criteria.start, 0)], 0.0)
        self.slope = x[:, criteria.slope]
        self.first_out = self._first_out()
        self.ends: dict[tuple[int, float, int, bytes], tuple[Floats, Floats]] = {}
        self.drift = x[:, criteria.tolerance_slope] if criteria.tolerance_slope >= 0 else np.zeros(len(x))
        self.checked = np.array(sorted({u for c in {p.check_every for p in policies} if c
                                        for u in range(c, horizon + 1, c)}), dtype=np.int64)
        self.errors, self.fresh = self._errors(rng, len(x))
        cycles = max((-(-horizon // p.recalibrate_every) for p in policies if p.recalibrate_every), default=1)
        # Of a stream of its own, cycle by cycle: neither the checks of other policies nor the horizon change them.
        self.calibration = (criteria.calibration_sd * apart.standard_normal((cycles, len(x)), dtype=np.float32).T
                            if criteria.calibration_sd > 0 else None)

    def _first_out(self) -> Floats:
        """First use after which the state is beyond a limit; horizon + 1 for none."""
        gap = self.criteria.limit - self.start
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(self.slope > 0, gap / self.slope, np.inf)
        out = np.floor(np.where(gap < 0, 0.0, t) * (1 + 1e-12)) + 1
        return np.asarray(np.minimum(np.nanmin(out, axis=1), self.horizon + 1.0))

    def _errors(self, rng: np.random.Generator, n: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        m = len(self.criteria.limit)
        values, vectors = np.linalg.eigh(self.criteria.check)
        # The symmetric root, as of the population.
        root = ((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T).astype(np.float32)
        shape = (len(self.checked), n, m)
        return (rng.standard_normal(shape, dtype=np.float32) @ root,
                rng.standard_normal((n, m), dtype=np.float32) @ root)

    def under(self, policy: Policy) -> Floats:
        """Return the counts of every life under a policy, shape (7, n)."""
        end = np.full(len(self.first_out), float(min(policy.retire_after, self.horizon)))
        if policy.noticed_after:
            end = np.minimum(end, self.first_out - 1 + policy.noticed_after)
        checks = np.zeros(len(end))
        if policy.check_every:
            # Recalibration changes nothing in when a sensor ends, so policies that differ in it alone share that.
            threshold = b"" if policy.threshold is None else policy.threshold.tobytes()
            key = policy.check_every, policy.retire_after, policy.noticed_after, threshold
            if key not in self.ends:
                self.ends[key] = self._checked(policy, end)
            end, checks = self.ends[key]
        past = np.maximum(end - self.first_out + 1, 0.0)
        m = policy.recalibrate_every
        recalibrations = np.floor((end - 1) / m) if m else np.zeros(len(end))
        out = self._out_of_tolerance(m, end, np.minimum(end, self.first_out - 1))
        found = np.empty((len(COUNTS), len(end)))
        for i, one in enumerate((1.0, end, past, out, checks, recalibrations, past > 0)):
            found[i] = one
        return found

    def _checked(self, policy: Policy, end: Floats) -> tuple[Floats, Floats]:
        """Return uses made, and checks; the check after a use that is the last anyway is not made."""
        c = policy.check_every
        threshold = self.criteria.limit if policy.threshold is None else policy.threshold
        uses = np.arange(c, int(end.max()) + 1, c)
        at = np.searchsorted(self.checked, uses)
        left, stop = np.arange(len(end)), end.copy()
        relative = (self.criteria.start < 0).astype(np.float32)
        for u, j in zip(uses, at, strict=True):
            left = left[end[left] > u]
            if not len(left):
                break
            seen = self.start[left] + self.slope[left] * u + self.errors[j, left] - relative * self.fresh[left]
            gone = (seen > threshold).any(1)
            stop[left[gone]] = u
            left = left[~gone]
        # A sensor retired by its check has had that check; one that ends otherwise had those before its last use.
        return stop, np.where(stop < end, np.floor(stop / c), np.floor((stop - 1) / c))

    def off_at(self, use: int, m: int) -> NDArray[np.bool_]:
        """Tell which sensors are more than the tolerance off their last calibration after a use."""
        d = self.criteria.distance
        if self.criteria.tolerance_slope < 0 or not math.isfinite(d):
            return np.zeros(len(self.first_out), dtype=bool)
        cycle, age = divmod(use - 1, m) if m else (0, use - 1)
        change = np.abs(self.drift) * (age + 1)
        if self.calibration is not None:
            change = np.abs(change + self.calibration[:, min(cycle, self.calibration.shape[1] - 1)])
        return np.asarray(change > d * (1 + 1e-12))

    def _out_of_tolerance(self, m: int, end: Floats, within: Floats) -> Floats:
        """Count uses within the limits, but more than the tolerance off the last calibration."""
        d = self.criteria.distance
        if self.criteria.tolerance_slope < 0 or not math.isfinite(d):
            return np.zeros(len(end))
        if self.calibration is None:
            with np.errstate(divide="ignore"):
                good = np.floor(np.minimum(d / np.abs(self.drift), self.horizon + 1.0) * (1 + 1e-12))
            if not m:
                return np.maximum(within - good, 0.0)
            cycles, rest = np.divmod(within, m)
            return np.asarray(cycles * np.maximum(m - good, 0.0) + np.maximum(rest - good, 0.0))
        total = np.zeros(len(end))
        length = float(m or self.horizon)
        for j in range(self.calibration.shape[1]):
            ages = np.clip(within - j * length, 0.0, length)
            if not ages.any():
                break
            e, b = self.calibration[:, j].astype(np.float64), np.abs(self.drift)
            with np.errstate(divide="ignore", invalid="ignore"):
                low, high = np.where(b > 0, (-d - e) / b, -np.inf), np.where(b > 0, (d - e) / b, np.inf)
            flat = (b == 0) & (np.abs(e) > d)
            first, last = np.maximum(np.ceil(low), 1.0), np.minimum(np.floor(high), ages)
            total += np.where(flat, ages, ages - np.maximum(last - first + 1, 0.0))
        return total
