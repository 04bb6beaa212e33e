"""The ratio of error variances from repeated readings of the same targets, and a line whose ratio is only estimated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.comparison.deming import Scatter, axes_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
MOST_STEPS = 200


@dataclass(frozen=True)
class WithinVariance:
    """Pooled variance of the readings of a target about their mean, and its degrees of freedom."""

    variance: float
    df: int


def within_variance(readings: ArrayLike, codes: ArrayLike) -> WithinVariance:
    """Pool the variance within targets. NaN without a target that was read twice."""
    y, code = np.asarray(readings, float), np.asarray(codes)
    n = np.bincount(code).astype(float)
    means = np.bincount(code, weights=y) / np.maximum(n, 1)
    df = int(np.sum(np.maximum(n - 1, 0)))
    left = float(np.sum((y - means[code]) ** 2))
    return WithinVariance(left / df if df else float("nan"), df)


@dataclass(frozen=True, eq=False)
class Linked:
    """Linked replicates: sums within each target, and its means.

    Parameters
    ----------
    n, mean_x, mean_y, sxx, syy, sxy : arrays, shape (n_targets,)
    """

    n: FloatArray
    mean_x: FloatArray
    mean_y: FloatArray
    sxx: FloatArray
    syy: FloatArray
    sxy: FloatArray


def linked(x: ArrayLike, y: ArrayLike, codes: IntArray) -> Linked:
    """Gather linked replicates target by target."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = np.bincount(codes).astype(float)
    mx, my = (np.bincount(codes, weights=v) / np.maximum(n, 1) for v in (x, y))
    dx, dy = x - mx[codes], y - my[codes]
    sums = [np.asarray(np.bincount(codes, weights=v), dtype=np.float64) for v in (dx * dx, dy * dy, dx * dy)]
    return Linked(n, mx, my, *sums)


def linked_ratio(found: Linked, *, without_each: bool = False) -> FloatArray:
    """Return the ratio of error variances (y over x) from linked replicates, whose true value may move in between.

    Within targets the covariance of the two methods is the part that the true values share: with a line of slope b,
    error variance of y = s_yy - b s_xy and of x = s_xx - s_xy / b. The slope is that of the target means under the
    ratio, and the two are solved by turns. NaN where a variance does not stay above zero.

    Parameters
    ----------
    found : Linked
    without_each : bool
        Give the ratios without each target instead, shape (n_targets,).
    """
    from drift.engine.comparison.deming import scatter, slope_of
    from drift.engine.comparison.deming import without_each as delete

    within = [s.sum() - s if without_each else s.sum() for s in (found.sxx, found.syy, found.sxy)]
    sxx, syy, sxy = (np.asarray(v, float) for v in within)
    between = (delete(found.mean_x, found.mean_y, weights=found.n) if without_each
               else scatter(found.mean_x, found.mean_y, found.n))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(sxx > 0, syy / sxx, np.nan)
        new = ratio
        for _ in range(MOST_STEPS):
            b = slope_of(between, ratio)
            top, bottom = syy - b * sxy, sxx - sxy / b
            new = np.where((top > 0) & (bottom > 0), top / bottom, np.nan)
            if not np.any(np.abs(new - ratio) > 1e-12 * new):
                break
            ratio = 0.5 * (ratio + new)
    return np.asarray(new, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Drawn:
    """Draws from the confidence distributions of slope and height of a line, shape (n_draws,) each."""

    slope: FloatArray
    mean_x: float
    height: FloatArray

    def values(self, at: ArrayLike) -> FloatArray:
        """Draws of the line's value at x, shape (n_at, n_draws)."""
        return np.asarray(self.height + (np.asarray(at, float)[:, None] - self.mean_x) * self.slope, dtype=np.float64)


def drawn_lines(sums: Scatter, n: int, ratio: float, df_y: int, df_x: int, *, n_draws: int,
                rng: np.random.Generator) -> Drawn:
    """Draw lines when the ratio of error variances is estimated by independent within-target variances.

    A generalised pivotal quantity: the ratio is drawn from its F distribution, and given the ratio the slope from the
    distribution whose quantiles are Creasy's exact limits. Where those have no end the line is drawn at right angles.

    Parameters
    ----------
    sums : Scatter
        Of one fit.
    n : int
        Points.
    ratio : float
        Estimated variance of the errors of y over that of x, of the points as they enter.
    df_y, df_x : int
        Degrees of freedom behind its two parts.

    References
    ----------
    Weerahandi S (1993), Generalized confidence intervals, J Am Stat Assoc 88:899-905. Creasy MA (1956), J R Stat Soc
    B 18:65-69.
    """
    lam = ratio * (rng.chisquare(df_x, n_draws) / df_x) / (rng.chisquare(df_y, n_draws) / df_y)
    one = np.ones(n_draws)
    axes = axes_of(Scatter(*(one * float(getattr(sums, k)) for k in ("weight", "mean_x", "mean_y", "sxx", "syy",
                                                                      "sxy"))), lam)
    df = n - 2
    root = np.sqrt(rng.chisquare(df, n_draws) / df)
    t, z = rng.standard_normal(n_draws) / root, rng.standard_normal(n_draws) / root
    with np.errstate(divide="ignore", invalid="ignore"):
        sine = np.nan_to_num(2 * t * np.sqrt(axes.along * axes.across / df) / (axes.along - axes.across), nan=1.0)
    angle = axes.angle + np.where(np.abs(sine) < 1, 0.5 * np.arcsin(np.clip(sine, -1, 1)), 0.5 * np.pi * np.sign(sine))
    height = float(sums.mean_y) + z * np.sqrt(axes.across / df / float(sums.weight)) / np.cos(angle)
    return Drawn(np.tan(angle) * axes.scale, float(sums.mean_x), height)
