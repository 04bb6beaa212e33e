"""Occasion means and each sensor's own straight line through them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import codes_of
from drift.sensitivity.design import WearData, occasion_codes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Occasions:
    """Means over mountings of each sensor and use; arrays of shape ``(n_occasions,)``.

    ``response`` is free of the offsets of displayed pressures between calibrations (the sensor's first calibration
    is the origin); ``of_mounting`` is the occasion of each mounting, shape ``(n_mountings,)``.
    """

    sensor: Words
    construction: Words
    batch: Words
    epoch: Words
    use: Floats
    response: Floats
    response_se: Floats
    n: Floats
    of_mounting: Ints

    def __len__(self) -> int:
        return len(self.sensor)

    @property
    def replicated(self) -> bool:
        """Whether any occasion holds two or more mountings."""
        return bool((self.n > 1).any())


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorLines:
    """Least-squares line of every sensor over its occasion means; arrays of shape ``(n_sensors,)``."""

    sensor: Words
    construction: Words
    batch: Words
    n_checks: Floats
    first_use: Floats
    last_use: Floats
    intercept: Floats
    slope: Floats
    slope_se: Floats
    df: Floats
    residual: Floats
    sensor_of_occasion: Ints

    def __len__(self) -> int:
        return len(self.sensor)


def occasion_means(data: WearData) -> Occasions:
    """Average the mountings of each sensor and use.

    The standard error is the SD between mountings over root n where there are two or more, else the mounting's own
    from its calibration line.
    """
    code, first = occasion_codes(data.sensor, data.use, data.epoch)
    n = np.bincount(code).astype(np.float64)
    mean = np.bincount(code, weights=data.response) / n
    squares = np.bincount(code, weights=(data.response - mean[code]) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        se = np.where(n > 1, np.sqrt(squares / (n - 1) / n), data.response_se[first])
    means = Occasions(sensor=data.sensor[first], construction=data.construction[first], batch=data.batch[first],
                      epoch=data.epoch[first], use=data.use[first], response=mean, response_se=se, n=n,
                      of_mounting=code)
    return _aligned(means) if bool((data.epoch != "").any()) else means


def _aligned(occasions: Occasions) -> Occasions:
    """Take out the offset of every calibration after a sensor's first, estimated with one slope per sensor."""
    from dataclasses import replace

    epoch, first = codes_of([occasions.sensor, occasions.epoch])
    sensor, _ = codes_of([occasions.sensor])
    x, y = occasions.use, occasions.response
    count = np.bincount(epoch)
    mean_x, mean_y = np.bincount(epoch, weights=x) / count, np.bincount(epoch, weights=y) / count
    dx, dy = x - mean_x[epoch], y - mean_y[epoch]
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.bincount(sensor, weights=dx * dy) / np.bincount(sensor, weights=dx * dx)
    slope = np.where(np.isfinite(slope), slope, 0.0)
    offset = mean_y - slope[sensor[first]] * mean_x
    start = np.full(len(first), np.inf)
    np.minimum.at(start, epoch, x)
    origin: dict[int, tuple[float, float]] = {}
    for e in np.lexsort((np.arange(len(first)), start)):
        origin.setdefault(int(sensor[first[e]]), (float(offset[e]), 0.0))
    base = np.array([origin[int(s)][0] for s in sensor])
    return replace(occasions, response=y - (offset[epoch] - base))


def sensor_lines(occasions: Occasions) -> SensorLines:
    """Fit one unweighted line per sensor over its occasion means.

    Where pressures are displayed under several calibrations the line shares one slope over offsets of its own
    (degrees of freedom are counted accordingly). NaN for a sensor with fewer than two distinct uses.

    Notes
    -----
    Ordinary least squares over occasion means, unweighted, so that a tolerance factor of the normal distribution
    stays exact for line values when all sensors share one schedule.
    """
    sensor, first = codes_of([occasions.sensor])
    epoch, epoch_first = codes_of([occasions.sensor, occasions.epoch])
    x, y = occasions.use, occasions.response
    n = np.bincount(sensor).astype(np.float64)
    count = np.bincount(epoch)
    dx = x - (np.bincount(epoch, weights=x) / count)[epoch]
    with np.errstate(divide="ignore", invalid="ignore"):
        sxx = np.bincount(sensor, weights=dx * dx)
        dy = y - (np.bincount(epoch, weights=y) / count)[epoch]
        slope = np.where(sxx > 0, np.bincount(sensor, weights=dx * dy) / sxx, np.nan)
        intercept = (np.bincount(sensor, weights=y) - slope * np.bincount(sensor, weights=x)) / n
        residual = dy - slope[sensor] * dx
        df = n - np.bincount(sensor[epoch_first]) - 1
        sse = np.bincount(sensor, weights=residual**2)
        slope_se = np.where(df > 0, np.sqrt(sse / df / sxx), np.nan)
    low, high = np.full(len(n), np.inf), np.full(len(n), -np.inf)
    np.minimum.at(low, sensor, x)
    np.maximum.at(high, sensor, x)
    return SensorLines(sensor=occasions.sensor[first], construction=occasions.construction[first],
                       batch=occasions.batch[first], n_checks=n, first_use=low, last_use=high, intercept=intercept,
                       slope=slope, slope_se=slope_se, df=df, residual=residual, sensor_of_occasion=sensor)
