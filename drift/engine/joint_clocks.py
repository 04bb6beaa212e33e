"""Drift by several clocks at once, sensors differing in their drift by each, starts and offsets taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.mixed import NestedDesign, fit_mixed, kenward_roger

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, eq=False)
class JointSlopes:
    """Drift by each clock with the others held.

    Parameters
    ----------
    slopes, std_errors, df : array, shape (k,)
    sd : array, shape (k,)
        Between sensors.
    sensors : int
        That have something to say.
    """

    slopes: Floats
    std_errors: Floats
    df: Floats
    sd: Floats
    sensors: int

    def intervals(self, level: float) -> tuple[Floats, Floats]:
        """Return the ends of the t intervals."""
        from scipy.special import stdtrit

        half = stdtrit(self.df, 0.5 + level / 2) * self.std_errors
        return self.slopes - half, self.slopes + half


@dataclass(frozen=True, kw_only=True, eq=False)
class Contrasts:
    """Differences inside strata: free of every stratum's own offset, errors as independent as those of the rows."""

    y: Floats
    clocks: Floats
    sensor: Ints


def contrasts(y: Floats, clocks: Floats, sensor: Ints, stratum: Ints) -> Contrasts:
    """Take the offset of every stratum out by orthonormal contrasts.

    Parameters
    ----------
    y : array, shape (n,)
    clocks : array, shape (n, k)
    sensor, stratum : array of int, shape (n,)
        A stratum is a sensor, or a calibration of a sensor; one with a single row is gone.
    """
    rows, code = [np.zeros((0, 1 + clocks.shape[1]))], [np.zeros(0, dtype=np.int64)]
    both = np.column_stack([y, clocks])
    for s in np.unique(stratum):
        mine = np.flatnonzero(stratum == s)
        rows.append(helmert(len(mine)) @ both[mine])
        code.append(np.full(len(mine) - 1, sensor[mine[0]], dtype=np.int64))
    out = np.concatenate(rows)
    kept = np.unique(np.concatenate(code), return_inverse=True)[1].astype(np.int64)
    return Contrasts(y=out[:, 0], clocks=out[:, 1:], sensor=kept)


def helmert(n: int) -> Floats:
    """Return orthonormal contrasts of n values, shape (n - 1, n)."""
    out = np.zeros((n - 1, n))
    for j in range(1, n):
        out[j - 1, :j] = 1 / math.sqrt(j * (j + 1))
        out[j - 1, j] = -j / math.sqrt(j * (j + 1))
    return out


def joint_slopes(c: Contrasts) -> JointSlopes:
    """Fit drift by all clocks together with random slopes by each, REML.

    Parameters
    ----------
    c : Contrasts

    Returns
    -------
    JointSlopes
        Kenward-Roger standard errors; degrees of freedom from one to the sensors less one, also where a variance
        between sensors is estimated as 0.

    Raises
    ------
    ValueError
        Where so few rows cannot tell the model.

    Notes
    -----
    Starts and offsets are parameters of their own, which restricted likelihood takes out with the same contrasts. A
    clock without a random slope would be judged by the scatter of checks alone, although sensors differ in it. Random
    slopes by different clocks are independent of each other: few sensors do not tell a correlation, and the attempt
    leaves the errors without degrees of freedom.

    References
    ----------
    Kenward MG, Roger JH (1997), Biometrics 53:983-997. Laird NM, Ware JH (1982), Biometrics 38:963-974.
    """
    size = np.sqrt((c.clocks**2).mean(axis=0))
    scale = float(np.sqrt((c.y**2).mean())) or 1.0
    x = c.clocks / size
    design = NestedDesign.build(c.y / scale, x, [(x, c.sensor, False)])
    fit = fit_mixed(design)
    errors = kenward_roger(design, fit)
    sensors = int(c.sensor.max()) + 1
    between = np.sqrt(np.maximum(np.diag(np.atleast_2d(fit.covariances[0])), 0.0))
    return JointSlopes(slopes=fit.beta * scale / size, std_errors=errors.std_error * scale / size,
                       df=np.clip(errors.df, 1.0, max(sensors - 1.0, 1.0)), sd=between * scale / size, sensors=sensors)


def left_out_scores(c: Contrasts) -> Floats:
    """Log predictive density of each sensor's contrasts from a fit to all others, shape (n_sensors,)."""
    m = int(c.sensor.max()) + 1
    out = np.empty(m)
    size = np.sqrt((c.clocks**2).mean(axis=0))
    x = c.clocks / size
    for i in range(m):
        own, rest = c.sensor == i, c.sensor != i
        code = np.unique(c.sensor[rest], return_inverse=True)[1]
        fit = fit_mixed(NestedDesign.build(c.y[rest], x[rest], [(x[rest], code, False)]))
        covariance = np.atleast_2d(fit.covariances[0]) + np.atleast_2d(fit.cov_beta)
        v = x[own] @ covariance @ x[own].T + fit.sigma2 * np.eye(int(own.sum()))
        root = np.linalg.cholesky(v)
        u = np.linalg.solve(root, c.y[own] - x[own] @ fit.beta)
        out[i] = -0.5 * (u @ u) - np.log(np.diag(root)).sum() - len(u) * 0.5 * math.log(2 * math.pi)
    return out


def condition_number(c: Contrasts) -> float:
    """Ratio of the largest to the smallest singular value of the clocks, each scaled to unit length; above 30 is high.

    References
    ----------
    Belsley DA, Kuh E, Welsch RE (1980), Regression Diagnostics, section 3.2.
    """
    length = np.sqrt((c.clocks**2).sum(axis=0))
    if not (length > 0).all():
        return math.inf
    values = np.linalg.svd(c.clocks / length, compute_uv=False)
    return float(values[0] / values[-1]) if values[-1] > 1e-12 * values[0] else math.inf
