"""A calibration curve whose SD grows with a power of the load that is itself estimated: averaged over that power.

A curve fitted as if the estimated power were the true one has intervals that are too short, most of all at the ends of
the range. Here two curves stand for the distribution of the power: one fitted at its mean less its SD, one at its mean
plus its SD, each with half the weight, so that mean and variance of the power are kept.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from drift.engine.curve_models import Model
from drift.engine.curves import CurveFit, Spread, fit_curve

if TYPE_CHECKING:
    from drift.engine.curve_choice import VarianceModel

SURE = 1e-3  # SD of the power below which it counts as known


def fit_averaged(reference: ArrayLike, reading: ArrayLike, power: VarianceModel, *, model: Model = "line",
                 right: ArrayLike | None = None, left: ArrayLike | None = None) -> CurveFit:
    """Fit one calibration curve, averaged over the power of the variance model where that was estimated.

    Parameters
    ----------
    reference, reading, model, right, left
        As in :func:`drift.engine.curves.fit_curve`.
    power : VarianceModel
        Mean and SD of the power; a power without SD is taken as known.

    Returns
    -------
    CurveFit
    """
    powers = (power.theta,) if power.sd < SURE or model == "power of logs" else (power.theta - power.sd,
                                                                                power.theta + power.sd)
    return averaged([fit_curve(reference, reading, model=model, theta=theta, right=right, left=left)
                     for theta in powers])


def averaged(sides: list[CurveFit]) -> CurveFit:
    """Join curves fitted at different powers of the variance model, each with the same weight.

    Notes
    -----
    Coefficients are the mean of theirs; the covariance is the mean of theirs and that of the coefficients between them
    (law of total variance). How much the variance at a load depends on the power takes from its degrees of freedom,
    see :func:`drift.engine.inverse_prediction.degrees`.

    References
    ----------
    R. J. Carroll and D. Ruppert (1988), Transformation and Weighting in Regression, section 3.3 (the cost of estimated
    weights); J. A. Hoeting and others (1999), Statistical Science 14, 382-417, equations 1 to 3 (averaging).
    """
    if len(sides) == 1:
        return sides[0]
    each = np.array([f.coefficients for f in sides])
    apart = each - each.mean(axis=0)
    first = sides[0]

    def mean(name: str) -> float:
        return float(np.mean([getattr(f, name) for f in sides]))

    spread = Spread(theta=float(np.mean([f.spread.theta for f in sides])), lowest=first.spread.lowest,
                    middle=first.spread.middle)
    covariance = np.mean([f.covariance for f in sides], axis=0) + apart.T @ apart / len(sides)
    return replace(first, coefficients=each.mean(axis=0), covariance=covariance, spread=spread,
                   between=np.mean([f.between for f in sides], axis=0), sse=mean("sse"), aicc=mean("aicc"),
                   sigma=float(np.sqrt(np.mean([f.sigma**2 for f in sides]))), log_likelihood=mean("log_likelihood"),
                   converged=all(f.converged for f in sides), sides=tuple(sides))
