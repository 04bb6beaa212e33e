"""One raw reading through two calibrations: lines of the difference, one a sensor, and strata of such lines.

With ``reading = intercept + slope x pressure`` on both sides, the difference of the two pressures that one reading
stands for is an exact line in either of them. Noise of the reading cancels; what is left differs from sensor to
sensor and from one calibration to the next, so that sensors are the units, however many readings there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    limit_factor,
    linked_strata,
    one_stratum,
)
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEAST_OF_MEAN = 1e-4  # of the variance of one difference


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationLines:
    """Lines ``reading = intercept + slope x pressure`` with their errors; every array has shape (n_lines,).

    Parameters
    ----------
    intercept, slope : array
        [reading unit] and [reading unit per pressure unit]; slopes above zero.
    var_intercept, var_slope, covariance : array
        Error variances of the two and their covariance; NaN where not known.
    """

    intercept: FloatArray
    slope: FloatArray
    var_intercept: FloatArray
    var_slope: FloatArray
    covariance: FloatArray

    def __post_init__(self) -> None:
        for name in ("intercept", "slope", "var_intercept", "var_slope", "covariance"):
            object.__setattr__(self, name, frozen_array(np.atleast_1d(np.asarray(getattr(self, name), float))))

    def take(self, index: ArrayLike) -> CalibrationLines:
        """Return the lines at some positions, in that order and as often."""
        at = np.asarray(index, dtype=np.int64)
        return CalibrationLines(**{n: getattr(self, n)[at] for n in ("intercept", "slope", "var_intercept",
                                                                      "var_slope", "covariance")})

    def pressure(self, reading: ArrayLike) -> FloatArray:
        """Return the pressure a reading stands for, element by element."""
        return np.asarray((np.asarray(reading, float) - self.intercept) / self.slope)

    def reading(self, pressure: ArrayLike) -> FloatArray:
        """Return the reading that was shown as a pressure, element by element."""
        return np.asarray(self.intercept + self.slope * np.asarray(pressure, float))


@dataclass(frozen=True, kw_only=True, eq=False)
class DifferenceLines:
    """Difference of two pressures against the pressure by b: ``d(x) = constant + tilt x``, shape (n_lines,).

    ``a`` and ``b`` are the calibration lines behind it.
    """

    constant: FloatArray
    tilt: FloatArray
    a: CalibrationLines
    b: CalibrationLines

    def at(self, level: float) -> FloatArray:
        """Return every line's difference at a pressure shown by b, shape (n_lines,)."""
        return np.asarray(self.constant + self.tilt * level)

    def over(self, levels: ArrayLike, scale: str = "difference") -> FloatArray:
        """Return every line's difference at every pressure, shape (n_lines, n_levels); ``"log"``: log ratio a / b."""
        x = np.asarray(levels, float)
        d = self.constant[:, None] + self.tilt[:, None] * x
        if scale == "log":
            return np.asarray(np.log(x + d) - np.log(x))
        return np.asarray(d)

    def error_variance(self, level: float) -> FloatArray:
        """Return the variance that the errors of both calibrations give the difference at a pressure shown by b.

        First order: with p the pressure by a of the reading that b shows as x,
        ``[v(i_b) + x^2 v(s_b) + 2 x c_b + v(i_a) + p^2 v(s_a) + 2 p c_a] / s_a^2``. NaN where errors are not known.
        """
        x, p = level, level + self.at(level)
        found = (self.b.var_intercept + x**2 * self.b.var_slope + 2 * x * self.b.covariance
                 + self.a.var_intercept + p**2 * self.a.var_slope + 2 * p * self.a.covariance) / self.a.slope**2
        # One line on both sides errs alike on both, and its difference from itself not at all.
        return np.where((self.constant == 0) & (self.tilt == 0), 0.0, found)


def difference_lines(a: CalibrationLines, b: CalibrationLines) -> DifferenceLines:
    """Return the lines of the difference of pressures by a and by b, for lines in the same order."""
    return DifferenceLines(constant=(b.intercept - a.intercept) / a.slope, tilt=b.slope / a.slope - 1.0, a=a, b=b)


def _means(values: FloatArray, sensor: IntArray) -> FloatArray:
    return np.asarray(np.bincount(sensor, weights=values) / np.bincount(sensor))


def line_strata(values: ArrayLike, sensor: ArrayLike) -> Strata:
    """Strata of one value a line: independent where every sensor has one line, else lines within sensors.

    Parameters
    ----------
    values : array, shape (n_lines,)
    sensor : array of int, shape (n_lines,)
        Codes 0..n_sensors - 1.

    Raises
    ------
    ValueError
        With fewer than two sensors.

    Notes
    -----
    Several lines a sensor (calibrated more than once): unweighted means of sensors, and the variance within them
    (Zou 2013, true value varying). Where lines of a sensor do not differ at all, each sensor counts once.
    """
    d, code = np.asarray(values, float), np.asarray(sensor, dtype=np.int64)
    means = _means(d, code)
    if len(means) < 2:
        raise ValueError("one sensor has no spread between sensors")
    within = float(np.sum((d - means[code]) ** 2))
    if len(means) == len(d) or within <= 1e-12 * float(np.sum((d - d.mean()) ** 2)):
        return one_stratum(means)
    return linked_strata(d, code)


def mix_strata(values: ArrayLike, sensor: ArrayLike) -> Strata:
    """One stratum for the difference on a new sensor at a pressure drawn from those that were met.

    Parameters
    ----------
    values : array, shape (n_lines, n_levels)
        Difference of every line at every pressure that was met; their mix is taken as given.
    sensor : array of int, shape (n_lines,)

    Returns
    -------
    Strata
        Mean: of the sensors' mean differences. Variance: of these means for a new sensor (and new calibrations of it),
        plus the mean over sensors of the variance within a sensor's line.

    Notes
    -----
    For ``d = c + e x`` with (c, e) of a new sensor and x of the mix, ``Var d = Var(c + e m) + s_x^2 E[e^2]`` with m and
    s_x the mean and SD of x. Both parts are known from the sensors alone and depend on each other (with no offset
    they are one), so that they get the degrees of freedom of sensors together, n_sensors - 1: exact where tilts alone
    differ with mean zero, on the safe side elsewhere.
    """
    d, code = np.asarray(values, float), np.asarray(sensor, dtype=np.int64)
    of_means = line_strata(d.mean(axis=1), code)
    k = int(code.max()) + 1
    variance = of_means.variance + float(np.mean(_means(d.var(axis=1), code)))
    # Lines that happen to cross at the mean pressure would give it no error at all, which no data can show.
    of_mean = max(of_means.mean_variance / variance, LEAST_OF_MEAN) if variance > 0 else 1.0 / k
    return Strata(of_means.mean, np.array([variance]), np.array([k - 1.0]), np.ones(1), np.array([of_mean]))


def bound_paths(values: ArrayLike, sensor: ArrayLike, probability: float) -> tuple[FloatArray, FloatArray]:
    """Return the one-sided outer bounds of the lower and the upper limit at each pressure, shape (n_levels,).

    ``values`` has shape (n_lines, n_levels). Exact noncentral t where every sensor has one line; MOVER otherwise.
    """
    d, code = np.asarray(values, float), np.asarray(sensor, dtype=np.int64)
    k = int(code.max()) + 1
    if k == len(code):
        mean, sd = d.mean(axis=0), d.std(axis=0, ddof=1)
        factor = limit_factor(k, probability)
        return np.asarray(mean - factor * sd), np.asarray(mean + factor * sd)
    low, high = _mover_bound(-d, code, probability), _mover_bound(d, code, probability)
    return -low, high


def _mover_bound(d: FloatArray, code: IntArray, probability: float) -> FloatArray:
    """Return the outer bound of the upper limit of :func:`line_strata`, for every column at once (Zou 2013)."""
    from scipy import special

    number = np.bincount(code).astype(float)
    k, rest = len(number), len(code) - len(number)
    means = np.stack([np.bincount(code, weights=column) for column in d.T], axis=1) / number[:, None]
    within = np.sum((d - means[code]) ** 2, axis=0)
    one = within <= 1e-12 * np.sum((d - d.mean(axis=0)) ** 2, axis=0)  # lines of a sensor that do not differ count once
    share = np.where(one, 0.0, 1 - np.mean(1 / number))
    squares = np.stack([means.var(axis=0, ddof=1), share * within / rest])
    mean, sd = means.mean(axis=0), np.sqrt(squares.sum(axis=0))
    df = np.array([k - 1.0, float(rest)])[:, None]
    reach = squares * (df / special.chdtri(df, probability) - 1)
    spread = np.sqrt(sd**2 + np.sqrt(np.sum(reach**2, axis=0))) - sd
    t = special.stdtrit(k - 1.0, probability)
    mover = mean + MULTIPLIER * sd + np.sqrt(t**2 * squares[0] / k + (MULTIPLIER * spread) ** 2)
    return np.asarray(np.where(one, mean + limit_factor(k, probability) * np.sqrt(squares[0]), mover))


def shown_range(values: ArrayLike, sensor: ArrayLike, levels: ArrayLike, harmless: float, *,
                probability: float = 0.975) -> tuple[float, float] | None:
    """Return the longest stretch of pressures over which both limits are shown to be harmless; None if there is none.

    Parameters
    ----------
    values : array, shape (n_lines, n_levels)
        Differences (or log ratios) of every line at each of ``levels``, which rise.
    sensor : array of int, shape (n_lines,)
    harmless : float
        On the scale of ``values``.
    probability : float
        Of each bound; either end of the stretch errs with no more than the rest.

    Notes
    -----
    Of straight lines the lower limit is concave and the upper convex in the pressure (a line less or plus a multiple
    of the root of a sum of squares of lines), so that the pressures at which both are truly harmless are one stretch.
    """
    x = np.asarray(levels, float)
    below, above = bound_paths(values, sensor, probability)
    edges = np.flatnonzero(np.diff(np.r_[False, (below > -harmless) & (above < harmless), False].astype(int)))
    if not len(edges):
        return None
    starts, ends = edges[::2], edges[1::2]
    best = int(np.argmax(ends - starts))
    return float(x[starts[best]]), float(x[ends[best] - 1])
