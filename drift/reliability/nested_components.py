"""Nested variance components (runs, days within runs, readings within days) and the uncertainty they make.

References
----------
Searle SR, Casella G, McCulloch CE (1992). Variance Components. Wiley, section 5.3 and appendix F (nested
    classifications, unequal numbers).
CLSI EP05-A3 (2014). Evaluation of Precision of Quantitative Measurement Procedures.
NIST/SEMATECH e-Handbook of Statistical Methods, sections 2.4.3 and 2.6.1 (three-level nested gauge study).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.meansquares import Interval, centred, chi_square_sd
from drift.engine.readonly import frozen_array
from drift.reliability.measurement_error import pooled_repeatability

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class NestedComponents:
    """Analysis of variance of a nested layout; arrays run over the levels, outermost first, residual last.

    Parameters
    ----------
    mean : float
    df, ss, ms : array, shape (n_levels + 1,)
        Degrees of freedom, sums of squares and mean squares.
    variances : array, shape (n_levels + 1,)
        Unbiased estimates; they may be negative.
    total_variance, total_df : float
        Sum of the estimates, negative ones as zero, and the Satterthwaite degrees of freedom of the unbiased sum.
    total_sd, repeatability_sd : tuple of float
        Intervals of the total SD (Satterthwaite) and of the SD of readings (exact chi-square).
    """

    mean: float
    df: FloatArray
    ss: FloatArray
    ms: FloatArray
    variances: FloatArray
    total_variance: float
    total_df: float
    total_sd: Interval
    repeatability_sd: Interval

    def __post_init__(self) -> None:
        for name in ("df", "ss", "ms", "variances"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    @property
    def sds(self) -> FloatArray:
        """Standard deviations, 0 where a variance was estimated below zero."""
        return np.sqrt(np.maximum(self.variances, 0.0))


def nested_components(values: ArrayLike, levels: Sequence[Sequence[Hashable] | NDArray[np.generic]], *,
                      level: float = 0.95) -> NestedComponents:
    """Estimate nested variance components by equating mean squares with their expectations.

    Parameters
    ----------
    values : array_like of float, shape (n_readings,)
        Finite readings.
    levels : sequence of sequences, each shape (n_readings,)
        Labels of the levels, outermost first; a label need only be unique within its parent.
    level : float
        Confidence level of the intervals.

    Raises
    ------
    ValueError
        If a level has no degrees of freedom.

    Notes
    -----
    With unequal numbers the coefficients of the expected mean squares are those of the sequential (type I)
    analysis (Searle et al. 1992, appendix F); with equal numbers they are the textbook ones.
    """
    y, mean = centred(values)
    codes = _nested_codes(levels, len(y))
    sizes = [np.bincount(c).astype(np.float64) for c in codes]
    means = [np.bincount(c, weights=y) / n for c, n in zip(codes, sizes, strict=True)]
    n_levels = len(codes) - 1  # codes[0] is the whole, codes[-1] the single reading
    ss = np.array([float(((means[i][codes[i]] - means[i - 1][codes[i - 1]]) ** 2).sum())
                   for i in range(1, n_levels + 1)])
    df = np.array([float(len(sizes[i]) - len(sizes[i - 1])) for i in range(1, n_levels + 1)])
    if np.any(df < 1):
        raise ValueError("a level of the nested layout has no degrees of freedom")
    ms, expected = ss / df, np.zeros((n_levels, n_levels))
    for j in range(1, n_levels + 1):
        first = np.unique(codes[j], return_index=True)[1]
        spread = [float((sizes[j] ** 2 / sizes[i][codes[i][first]]).sum()) for i in range(n_levels + 1)]
        for i in range(1, j + 1):
            expected[i - 1, j - 1] = (spread[i] - spread[i - 1]) / df[i - 1]
    inverse = np.linalg.inv(expected)
    variances, parts = inverse @ ms, inverse.sum(axis=0) * ms
    total_df = float(parts.sum() ** 2 / (parts**2 / df).sum()) if ms.any() else math.nan
    return NestedComponents(mean=mean, df=df, ss=ss, ms=ms, variances=variances,
                            total_variance=float(np.maximum(variances, 0.0).sum()), total_df=total_df,
                            total_sd=chi_square_sd(float(parts.sum()), total_df, level),
                            repeatability_sd=chi_square_sd(float(ms[-1]), float(df[-1]), level))


def _nested_codes(levels: Sequence[Sequence[Hashable] | NDArray[np.generic]], n: int) -> list[NDArray[np.intp]]:
    codes = [np.zeros(n, dtype=np.intp)]
    for labels in levels:
        own = np.unique(np.asarray(labels), return_inverse=True)[1]
        codes.append(np.unique(codes[-1] * (int(own.max()) + 1) + own, return_inverse=True)[1])
    return [*codes, np.arange(n)]


@dataclass(frozen=True, kw_only=True)
class NestedLevels:
    """Standard deviations of a three-level gauge study in which each row is a day's mean of ``j`` readings.

    ``s1`` of readings in a day, ``s2`` of day means in a run, ``s3`` of run means, each pooled, with their
    degrees of freedom; ``s_days`` and ``s_runs`` with the smaller scatter taken out (0 where nothing is left).
    """

    s1: float
    s2: float
    s3: float
    df1: int
    df2: int
    df3: int
    s_days: float
    s_runs: float


def nested_levels(day_means: ArrayLike, reading_sd: ArrayLike, reading_n: ArrayLike,
                  artefact: Sequence[Hashable] | NDArray[np.generic],
                  run: Sequence[Hashable] | NDArray[np.generic]) -> NestedLevels:
    """Pool a nested gauge study over artefacts: readings within days, days within runs, runs.

    Parameters
    ----------
    day_means, reading_sd, reading_n : array_like of float, shape (n_rows,)
        Mean, SD and number of the readings of one day, in one unit.
    artefact, run : sequence, shape (n_rows,)
        What was measured, and in which run; a row is one day.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, sections 2.4.3.3 and 2.6.1.2: s_days = sqrt(s2^2 - s1^2 / J),
    s_runs = sqrt(s3^2 - s2^2 / K), J readings a day and K days a run.
    """
    y, _ = centred(day_means)
    _, item, run_in_item, _ = _nested_codes([artefact, run], len(y))
    n_run = np.bincount(run_in_item).astype(np.float64)
    run_means = np.bincount(run_in_item, weights=y) / n_run
    first = np.unique(run_in_item, return_index=True)[1]
    parent = item[first]
    s1, df1 = pooled_repeatability(reading_sd, reading_n)
    df2 = len(y) - len(n_run)
    s2 = math.sqrt(float(((y - run_means[run_in_item]) ** 2).sum()) / df2) if df2 > 0 else math.nan
    centre = np.bincount(parent, weights=run_means) / np.bincount(parent)
    df3 = len(n_run) - len(centre)
    s3 = math.sqrt(float(((run_means - centre[parent]) ** 2).sum()) / df3) if df3 > 0 else math.nan
    j = float(np.nanmean(np.asarray(reading_n, dtype=np.float64)))
    k = len(y) / len(n_run)
    return NestedLevels(s1=s1, s2=s2, s3=s3, df1=df1, df2=df2, df3=df3,
                        s_days=math.sqrt(max(s2**2 - s1**2 / j, 0.0)), s_runs=math.sqrt(max(s3**2 - s2**2 / k, 0.0)))


def combine_uncertainty(terms: Sequence[tuple[float, float, float]], *, level: float = 0.95,
                        ) -> tuple[float, float, float]:
    """Combine standard uncertainties and expand them.

    Parameters
    ----------
    terms : sequence of (sd, squared sensitivity, degrees of freedom)
        The combined variance is the sum of squared sensitivity times sd^2.
    level : float
        Coverage probability of the expanded uncertainty.

    Returns
    -------
    u, df, expanded : float
        Standard uncertainty, Welch-Satterthwaite degrees of freedom, t quantile (whole degrees of freedom,
        rounded down) times u.

    References
    ----------
    JCGM 100:2008 (GUM), annex G.4, equation (G.2b).
    """
    from scipy.special import stdtrit

    parts = np.array([a * s**2 for s, a, _ in terms])
    dof = np.array([d for *_, d in terms])
    u = math.sqrt(float(parts.sum()))
    df = u**4 / float((parts**2 / dof).sum()) if u > 0 else math.nan
    return u, df, float(stdtrit(math.floor(df), 0.5 + level / 2)) * u if u > 0 else math.nan


def relative_bias(values: ArrayLike, artefact: Sequence[Hashable] | NDArray[np.generic],
                  instrument: Sequence[Hashable] | NDArray[np.generic],
                  run: Sequence[Hashable] | NDArray[np.generic]) -> dict[tuple[str, str, str], float]:
    """Mean of each instrument on each artefact in each run, less the mean over instruments there.

    Returns
    -------
    dict
        ``(instrument, artefact, run)``, as text, to the difference in the reading's unit.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 2.6.1.3 (differences among probes).
    """
    y, _ = centred(values)
    keys = [(str(i), str(a), str(r)) for i, a, r in zip(instrument, artefact, run, strict=True)]
    names = sorted(set(keys))
    index = {name: j for j, name in enumerate(names)}
    code = np.array([index[key] for key in keys])
    means = np.bincount(code, weights=y) / np.bincount(code)
    places: dict[tuple[str, str], list[int]] = {}
    for j, (_, item, when) in enumerate(names):
        places.setdefault((item, when), []).append(j)
    return {names[j]: float(means[j] - means[group].mean()) for group in places.values() for j in group}
