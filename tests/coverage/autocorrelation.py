"""How often the drift holds the truth where near checks are alike: ``python -m tests.coverage autocorrelation``.

Sensors with their own start and slope at twelve unequal uses; errors independent, or of which seven tenths decay by 0.8
a use, or by 0.95. The interval with autocorrelated errors stands beside that of independent errors with random slopes,
and beside the t interval of one line through all checks; the correlation of errors one use apart is held where its
profile likelihood interval holds it. All sensors share one schedule, so that means and products over them say
everything and many studies are fitted at once; tests compare them with the fits that are printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.optimise import newton_hessian, quasi_newton
from drift.sensitivity.autocorrelation import NAMED, NEAR, PROFILE
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

Floats = NDArray[np.float64]

TABLE, SEED, STUDIES = FOLDER / "autocorrelation.csv", 20260604, 2000
USES = np.array([0, 1, 2, 4, 6, 8, 11, 14, 18, 22, 26, 30], dtype=np.float64)
SLOPE, SLOPE_SD, START_SD, ERROR_SD, DECAYING = -0.007, 0.001, 0.03, 0.02, 0.7
DECAYS = {"": 0.0, ", decay 0.8": 0.8, ", decay 0.95": 0.95}
DESIGNS = [f"{n} sensors{w}" for n in (6, 12, 24) for w in DECAYS]
PLAIN, LINE = "REML with independent errors, t over sensors", "one line through all checks (shortcut)"
_BOUND = 9.0
_K = len(USES)
_LOWER = (np.array([0, 1, 1]), np.array([0, 0, 1]))
_LAG = np.abs(USES[:, None] - USES[None, :])
_OFF = ~np.eye(_K, dtype=bool)
_Z = np.column_stack([np.ones(_K), USES / math.sqrt(float((USES**2).mean()))])
_X = np.column_stack([np.ones(_K), USES])


@dataclass(frozen=True, eq=False)
class Fits:
    """Restricted fits of many studies: -2 log likelihood up to a constant, slopes, errors and what was searched."""

    deviance: Floats
    slope: Floats
    error: Floats
    t: Floats


class Studies:
    """Means and products over sensors of many studies on one schedule.

    Parameters
    ----------
    y : array, shape (n_studies, n_sensors, n_uses)
    """

    def __init__(self, y: Floats) -> None:
        self.n = y.shape[1]
        self.scale = y.std(axis=(1, 2))
        y = y / self.scale[:, None, None]
        self.mean = y.mean(axis=1)
        d = y - self.mean[:, None]
        self.products = np.swapaxes(d, 1, 2) @ d
        self.df = self.n * _K - 2

    def _parts(self, v: Floats, which: Any) -> tuple[Floats, Floats, Floats, Floats]:
        """Deviance, its slope by V, coefficients and their covariance over sigma2."""
        w = np.linalg.inv(v)
        wx = w @ _X
        inverse = np.linalg.inv(np.swapaxes(wx, 1, 2) @ _X)
        mean, products = self.mean[which], self.products[which]
        beta = np.einsum("bij,bkj,bk->bi", inverse, wx, mean)
        wr = np.einsum("bij,bj->bi", w, mean - beta @ _X.T)
        rss = np.einsum("bij,bij->b", w, products) + self.n * np.einsum("bi,bi->b", wr, mean - beta @ _X.T)
        value = (self.n * np.linalg.slogdet(v)[1] - np.linalg.slogdet(inverse)[1] + self.df * np.log(rss))
        pull = w @ products @ w + self.n * wr[:, :, None] * wr[:, None, :]
        gradient = self.n * w - wx @ inverse @ np.swapaxes(wx, 1, 2) - (self.df / rss)[:, None, None] * pull
        return value, gradient, beta, inverse * (rss / self.df / self.n)[:, None, None]

    def fit(self, kind: str, *, near: float = 0.0, start: Floats | None = None) -> Fits:
        """Fit errors that are ``plain``, ``correlated``, or correlated by ``near`` one use apart (``held``)."""
        b = len(self.mean)
        begin = np.tile([1.0, 0.0, 1.0], (b, 1)) if start is None else start[:, :3]
        more = {"plain": [[]], "correlated": [[-1.0, 0.0], [1.5, 0.0]], "held": [[-1.0], [1.5]]}[kind]
        found = [self._searched(kind, near, np.column_stack([begin, np.tile(m, (b, 1))])) for m in more]
        least = np.argmin([f.deviance for f in found], axis=0)
        return Fits(*(np.array([getattr(f, name) for f in found])[least, np.arange(b)]
                      for name in ("deviance", "slope", "error", "t")))

    def _searched(self, kind: str, near: float, start: Floats) -> Fits:
        def objective(t: Floats, which: Any) -> tuple[Floats, Floats]:
            v, slopes = _covariance(kind, near, t)
            value, gradient, _, _ = self._parts(v, which)
            return value, np.einsum("bij,bpij->bp", gradient, slopes)

        # One metric for all: the mean Hessian of the first few, kept away from 0.
        values, vectors = np.linalg.eigh(newton_hessian(objective, start[:8]).mean(axis=0))
        metric = (vectors / np.maximum(np.abs(values), 1e-2 * np.abs(values).max())) @ vectors.T
        t = quasi_newton(objective, start, metric, tolerance=1e-3).x
        v, _ = _covariance(kind, near, t)
        value, _, beta, covariance = self._parts(v, np.arange(len(t)))
        return Fits(value, beta[:, 1] * self.scale, np.sqrt(covariance[:, 1, 1]) * self.scale, t)


def _covariance(kind: str, near: float, t: Floats) -> tuple[Floats, Floats]:
    """Covariance over the variance of an error, and its slopes by what is searched."""
    factor = np.zeros((len(t), 2, 2))
    factor[:, _LOWER[0], _LOWER[1]] = t[:, :3]
    zl = _Z @ factor
    v = np.eye(_K) + zl @ np.swapaxes(zl, 1, 2)
    slopes = np.zeros((len(t), t.shape[1], _K, _K))
    for j, (row, column) in enumerate(zip(*_LOWER, strict=True)):
        one = _Z[None, :, row, None] * zl[:, None, :, column]
        slopes[:, j] = one + np.swapaxes(one, 1, 2)
    if kind == "plain":
        return v, slopes
    s = 1 / (1 + np.exp(-np.clip(t[:, 3:], -_BOUND, _BOUND)))
    ds = s * (1 - s) * (np.abs(t[:, 3:]) < _BOUND)
    with np.errstate(under="ignore"):
        if kind == "held":
            one = (near + (1 - near) * s[:, 0])[:, None, None]
            off = np.where(_OFF, near * one ** (_LAG - 1), 0.0)
            slopes[:, 3] = np.where(_OFF, near * (_LAG - 1) * one ** (_LAG - 2), 0.0) * (
                (1 - near) * ds[:, 0])[:, None, None]
            return v + off, slopes
        phi, left = s[:, 0, None, None], (1 - s[:, 1])[:, None, None]
        decay = np.where(_OFF, phi**_LAG, 0.0)
        slopes[:, 3] = left * np.where(_OFF, _LAG * phi ** (_LAG - 1), 0.0) * ds[:, 0, None, None]
        slopes[:, 4] = -decay * ds[:, 1, None, None]
        return v + left * decay, slopes


def batch(name: str, drawn: Drawn) -> dict[tuple[str, str], tuple[Floats, Floats]]:
    """Simulate many studies at once and report what their intervals held."""
    from scipy.special import chdtri, stdtrit

    n, phi = int(name.split()[0]), DECAYS[name.partition(" sensors")[2]]
    y = np.concatenate([draw(n, phi, rng, count) for rng, count in drawn])
    studies = Studies(y)
    plain = studies.fit("plain")
    correlated = studies.fit("correlated", start=plain.t)
    t = float(stdtrit(n - 1, 0.5 + LEVEL / 2))
    held: dict[tuple[str, str], tuple[Floats, Floats]] = {}
    for method, fit in ((NAMED, correlated), (PLAIN, plain)):
        held["drift per use", method] = np.abs(fit.slope - SLOPE) <= t * fit.error, 2 * t * fit.error
    dx = USES - USES.mean()
    slope = y.mean(axis=1) @ dx / (dx @ dx)
    rest = y - y.mean(axis=(1, 2), keepdims=True) - slope[:, None, None] * dx
    half = 1.96 * np.sqrt((rest**2).sum(axis=(1, 2)) / (n * _K - 2) / (n * (dx @ dx)))
    held["drift per use", LINE] = np.abs(slope - SLOPE) <= half, 2 * half
    true = plain if not phi else studies.fit("held", near=DECAYING * phi, start=plain.t)
    rise = true.deviance - np.minimum(correlated.deviance, true.deviance)
    nugget = 1 / (1 + np.exp(-np.clip(correlated.t[:, 4], -_BOUND, _BOUND)))
    held[NEAR, PROFILE] = rise <= float(chdtri(1, 1 - LEVEL)), np.where(nugget < 1 - 1e-3, 0.0, np.nan)
    return held


def draw(n: int, phi: float, rng: np.random.Generator, count: int) -> Floats:
    """Draw responses (count, n, uses)."""
    v = np.eye(_K)
    if phi:
        v = (1 - DECAYING) * v + DECAYING * phi**_LAG
    e = ERROR_SD * rng.standard_normal((count, n, _K)) @ np.linalg.cholesky(v).T
    slope = SLOPE + SLOPE_SD * rng.standard_normal((count, n, 1))
    return START_SD * rng.standard_normal((count, n, 1)) + slope * USES + e


FAMILY = Family("autocorrelation", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap="6 sensors")
