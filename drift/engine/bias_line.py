"""Bias of a gauge against reference values, and its line along them (linearity).

References
----------
Measurement Systems Analysis Reference Manual, 4th ed. (2010). Automotive Industry Action Group, chapter III section B
    (bias and linearity).
Draper NR, Smith H (1998). Applied Regression Analysis, 3rd ed. Wiley, section 2.1 (lack of fit and pure error).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.meansquares import Interval

FloatArray = NDArray[np.float64]
NOTHING: Interval = (math.nan, math.nan)


@dataclass(frozen=True, kw_only=True)
class Line:
    """A straight line of bias on reference; ``s`` is the residual SD and ``df`` its degrees of freedom."""

    intercept: float
    intercept_error: float
    slope: float
    slope_error: float
    s: float
    df: int
    r_squared: float

    def ends(self, what: str, level: float) -> Interval:
        """Return the t interval of ``"slope"`` or ``"intercept"``."""
        value, error = getattr(self, what), getattr(self, f"{what}_error")
        if not error > 0:
            return NOTHING
        from scipy.special import stdtrit

        half = float(stdtrit(self.df, 0.5 + level / 2)) * error
        return value - half, value + half


@dataclass(frozen=True, kw_only=True, eq=False)
class BiasStudy:
    """Bias of each part, the line over readings and over parts, and what the line leaves over.

    ``line`` is None with fewer than two distinct references, ``over_parts`` with fewer than three parts.
    """

    references: FloatArray
    biases: FloatArray
    lows: FloatArray
    highs: FloatArray
    counts: FloatArray
    mean: float
    mean_ends: Interval
    line: Line | None
    over_parts: Line | None
    f_lack: float
    p_lack: float


def straight_line(x: FloatArray, y: FloatArray) -> Line:
    """Ordinary least squares; at least three points and two distinct ``x``."""
    d = x - x.mean()
    spread = float(d @ d)
    centre = float(y.mean())
    slope = float(d @ (y - centre)) / spread
    resid = y - centre - slope * d
    df = len(x) - 2
    left, total = float(resid @ resid), float(((y - centre) ** 2).sum())
    s = math.sqrt(left / df)
    return Line(intercept=centre - slope * float(x.mean()), slope=slope, slope_error=s / math.sqrt(spread), s=s, df=df,
                intercept_error=s * math.sqrt(1 / len(x) + float(x.mean()) ** 2 / spread),
                r_squared=1 - left / total if total > 0 else math.nan)


def bias_study(values: ArrayLike, parts: ArrayLike, references: ArrayLike, *, level: float) -> BiasStudy:
    """Estimate bias and linearity.

    Parameters
    ----------
    values : array_like of float, shape (n_readings,)
    parts : array_like of int, shape (n_readings,)
        Codes 0, 1, ...; every number used.
    references : array_like of float, shape (n_readings,)
        The same for all readings of a part.
    level : float

    Notes
    -----
    A part's bias has its own t interval. The line through all readings takes them as independent; where the parts'
    biases do not lie on it (lack of fit against pure error), the line through part means, with parts as units, has the
    honest standard error.
    """
    from scipy.special import fdtrc, stdtrit

    y, code, ref = (np.asarray(v) for v in (values, parts, references))
    bias = y.astype(np.float64) - ref
    counts = np.bincount(code).astype(np.float64)
    means = np.bincount(code, weights=bias) / counts
    resid = bias - means[code]
    own = np.bincount(code, weights=resid**2)
    x = np.bincount(code, weights=ref) / counts
    half = np.full(len(counts), np.nan)
    several = (counts > 1) & (own > 0)
    half[several] = (stdtrit(counts[several] - 1, 0.5 + level / 2)
                     * np.sqrt(own[several] / (counts[several] - 1) / counts[several]))
    k = len(counts)
    line = straight_line(ref, bias) if np.ptp(x) > 0 and len(bias) > 2 else None
    over = straight_line(x, means) if np.ptp(x) > 0 and k > 2 else None
    f, p = math.nan, math.nan
    distinct = len(np.unique(x))
    pure_df, pure = len(bias) - k, float(own.sum())
    if line is not None and distinct > 2 and pure_df > 0 and pure > 0:
        fit = line.intercept + line.slope * x
        f = float(counts @ (means - fit) ** 2) / (k - 2) / (pure / pure_df)
        p = float(fdtrc(k - 2, pure_df, f))
    mean = float(means.mean())
    error = float(means.std(ddof=1)) / math.sqrt(k) if k > 1 else (
        math.sqrt(own[0] / (counts[0] - 1) / counts[0]) if counts[0] > 1 else 0.0)
    df = k - 1 if k > 1 else counts[0] - 1
    wide = float(stdtrit(df, 0.5 + level / 2)) * error if error > 0 else math.nan
    return BiasStudy(references=x, biases=means, lows=means - half, highs=means + half, counts=counts, mean=mean,
                     mean_ends=(mean - wide, mean + wide), line=line, over_parts=over, f_lack=f, p_lack=p)


@dataclass(frozen=True, kw_only=True)
class LinesOfOperators:
    """Mean of the operators' own lines of bias on reference, and of their mean biases; t intervals over operators."""

    slope: float
    slope_error: float
    slope_ends: Interval
    intercept: float
    intercept_error: float
    intercept_ends: Interval
    mean: float
    mean_ends: Interval
    df: int


def lines_of_operators(values: ArrayLike, operators: ArrayLike, references: ArrayLike, *,
                       level: float) -> LinesOfOperators | None:
    """Fit a line for each operator and average them.

    Parameters
    ----------
    values, references : array_like of float, shape (n_readings,)
    operators : array_like of int, shape (n_readings,)
    level : float

    Returns
    -------
    LinesOfOperators or None
        None where an operator has fewer than three readings or a single reference.

    Notes
    -----
    Readings of one operator share its offset and its slope, so that a line through all readings is about these
    operators; with operators as units the interval is about others too.
    """
    from scipy.special import stdtrit

    y, code, x = (np.asarray(v) for v in (values, operators, references))
    fits, biases = [], []
    for j in np.unique(code):
        own = code == j
        if own.sum() < 3 or np.ptp(x[own]) == 0:
            return None
        fits.append(straight_line(x[own], y[own] - x[own]))
        biases.append(float(np.mean(y[own] - x[own])))
    n = len(fits)
    if n < 2:
        return None
    reach = float(stdtrit(n - 1, 0.5 + level / 2)) / math.sqrt(n)

    def over(v: list[float]) -> tuple[float, float, Interval]:
        mean, sd = float(np.mean(v)), float(np.std(v, ddof=1))
        return mean, sd / math.sqrt(n), (mean - reach * sd, mean + reach * sd)

    slope, zero, mean = over([f.slope for f in fits]), over([f.intercept for f in fits]), over(biases)
    return LinesOfOperators(slope=slope[0], slope_error=slope[1], slope_ends=slope[2], intercept=zero[0],
                            intercept_error=zero[1], intercept_ends=zero[2], mean=mean[0], mean_ends=mean[2], df=n - 1)
