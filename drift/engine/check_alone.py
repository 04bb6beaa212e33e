"""Whether a sensor is within a limit by its latest check alone, without leaning on the line through all its checks."""

from __future__ import annotations

import numpy as np

from drift.engine.sensor_forecast import Mixture, chance_above


def chance_by_check(before: Mixture, value: float, weight: float, since: float, limit: float, *, sign: float,
                    relative: bool, share: bool = False) -> float:
    """Probability of being past a limit, the state known from one check alone.

    Parameters
    ----------
    before : Mixture
        Posterior of the sensor's line from its earlier checks and the other sensors. Of it only the start enters, where
        the limit is relative to it, the slope for the uses since the check, and the error of a check.
    value : float
        The check: the mean of one reading or of a reading and its repeat.
    weight : float
        One over its relative variance.
    since : float
        Uses from the check to the use that is asked about.
    limit, sign, relative, share
        As for :func:`~drift.engine.sensor_forecast.chance_over`.

    Notes
    -----
    State = value + slope since, with the error of the check and, flat, no other knowledge of where the sensor stands.
    It says less than the line through all checks, and holds where that line bends just before the limit.
    """
    turned = np.sign(before.mean[:, 0]) if share else np.ones(len(before.weight))
    of_value = turned * sign
    of_start = -turned * (sign + limit) if share else np.full_like(turned, -sign if relative else 0.0)
    of_slope = of_value * since
    c = before.cov
    mean = of_value * value + of_start * before.mean[:, 0] + of_slope * before.mean[:, 1] - (0.0 if share else limit)
    var = (before.noise / weight + of_start**2 * c[:, 0, 0] + 2 * of_start * of_slope * c[:, 0, 1]
           + of_slope**2 * c[:, 1, 1])
    return float(chance_above(before, mean, var))
