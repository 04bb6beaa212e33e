"""Static errors of a calibrated sensor: deviations from a named line, hysteresis, creep, repeatability."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.engine.inverse_prediction import t_quantile

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Line = Literal["end-point", "zero-based", "best fit"]
LINES: tuple[Line, ...] = ("end-point", "zero-based", "best fit")


@dataclass(frozen=True, kw_only=True)
class Largest:
    """The largest of several deviations, with ends that hold for the largest true one."""

    value: float
    low: float
    high: float
    at: int


def largest(deviation: Floats, error: Floats, df: float, *, level: float) -> Largest:
    """Return the largest absolute deviation and an interval for the largest true one.

    Notes
    -----
    Every deviation gets t_df ends at level 1 - (1 - level)/k (Bonferroni); the largest true one lies between the
    largest lower end of an absolute value and the largest upper end. Chance makes the largest of k deviations too
    large, never too small: the lower end is often 0.

    References
    ----------
    R. G. Miller (1981), Simultaneous Statistical Inference, section 2.2.3.
    """
    size = np.abs(deviation)
    at = int(np.argmax(size))
    t = t_quantile(1 - (1 - level) / len(size), df)
    if not np.isfinite(t) or df < 3 or not np.all(np.isfinite(error)):
        return Largest(value=float(size[at]), low=float("nan"), high=float("nan"), at=at)
    return Largest(value=float(size[at]), low=float(max(0.0, (size - t * error).max())),
                   high=float((size + t * error).max()), at=at)


def deviation_operator(line: Line, x: Floats, n: Floats) -> Floats:
    """Return the matrix that takes level means to their deviations from a line, shape (k, k).

    Parameters
    ----------
    line : {"end-point", "zero-based", "best fit"}
        Through the means of the lowest and the highest level; through that of the lowest level, its slope by least
        squares; least squares in both.
    x, n : array, shape (k,)
        Loads of the levels in rising order, readings of each.
    """
    k = len(x)
    d = x - x[0]
    if line == "end-point":
        fit = np.zeros((k, k))
        fit[:, 0], fit[:, -1] = 1 - d / d[-1], d / d[-1]
    elif line == "zero-based":
        slope = n * d / (n * d * d).sum()
        fit = np.outer(d, slope)
        fit[:, 0] += 1 - d * slope.sum()
    else:
        columns = np.column_stack([np.ones(k), x])
        fit = columns @ np.linalg.solve(columns.T @ (n[:, None] * columns), columns.T * n)
    return np.asarray(np.eye(k) - fit)


def pooled_within(y: Floats, cells: Ints) -> tuple[float, float]:
    """Return the SD of replicates within cells, pooled by degrees of freedom, and these; NaN and 0 without any."""
    _, code = np.unique(cells, return_inverse=True)
    n = np.bincount(code)
    rest = y - (np.bincount(code, weights=y) / n)[code]
    df = float(len(y) - len(n))
    return (float(np.sqrt(rest @ rest / df)), df) if df > 0 else (float("nan"), 0.0)


def sd_interval(sd: float, df: float, level: float) -> tuple[float, float]:
    """Return the chi-square interval of an SD; NaN without degrees of freedom."""
    from scipy.special import chdtri

    if not df >= 1 or not np.isfinite(sd):
        return float("nan"), float("nan")
    return float(sd * np.sqrt(df / chdtri(df, (1 - level) / 2))), float(sd * np.sqrt(df / chdtri(df, (1 + level) / 2)))


def mean_interval(values: Floats, level: float) -> tuple[float, float, float, float, float]:
    """Return mean, standard error, t interval and degrees of freedom of independent values; NaN ends for one."""
    n = len(values)
    mean = float(values.mean())
    if n < 2:
        return mean, float("nan"), float("nan"), float("nan"), 0.0
    se = float(values.std(ddof=1) / np.sqrt(n))
    t = t_quantile(level, n - 1)
    return mean, se, mean - t * se, mean + t * se, float(n - 1)


def creep_of(y: Floats, hold: Floats) -> float:
    """Return k of R(t) = R(t0)[1 + k log10(t/t0)] by least squares, t0 the shortest hold; NaN for fewer than two.

    The series is one load held once.
    """
    good = np.isfinite(hold) & (hold > 0) & np.isfinite(y)
    y, hold = y[good], hold[good]
    if len(np.unique(hold)) < 2:
        return float("nan")
    x = np.log10(hold / hold.min())
    d = x - x.mean()
    slope = float(d @ y / (d @ d))
    start = float(y.mean() - slope * x.mean())
    return slope / start if start else float("nan")
