"""Input quantities that the checks give: calibration, scatter, mountings, days and drift."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drift.budget.curve import Curve
from drift.budget.evidence import Drift, Evidence
from drift.budget.quantities import Quantity, first_coefficient

Floats = NDArray[np.float64]
Covariances = dict[tuple[str, str], float]
SCATTER, MOUNTING, DAY, DRIFT = "scatter of a reading", "mounting", "day", "drift per use"
AT_CALIBRATION, OF_READING = " of the calibration", " of the reading"


def of_calibration(curve: Curve, pressure: float, *, reading_unit: str, sensitivity_unit: str, mean_of: int
                   ) -> tuple[list[Quantity], Covariances]:
    """Return the coefficients with their covariance, and the scatter of the reading about the curve."""
    if curve.df <= 0:
        return [Quantity(name=n, estimate=float(c), unit=_unit(curve, j, reading_unit, sensitivity_unit),
                         kind="A", place="coefficient", source="as many readings as the line has coefficients: its "
                         "uncertainty is unknown") for j, (n, c) in enumerate(zip(curve.names, curve.coefficients,
                                                                                  strict=True))], {}
    source = f"covariance of the {curve.model} through {curve.mountings} mounting{'s' * (curve.mountings != 1)}"
    made = [Quantity(name=n, estimate=float(c), u=float(np.sqrt(curve.covariance[j, j])), kind="A", distribution="t",
                     unit=_unit(curve, j, reading_unit, sensitivity_unit), df=curve.df, place="coefficient",
                     pool=SCATTER, source=source)
            for j, (n, c) in enumerate(zip(curve.names, curve.coefficients, strict=True))]
    joint = {(a, b): float(curve.covariance[i, j]) for i, a in enumerate(curve.names)
             for j, b in enumerate(curve.names) if i < j}
    each = f" of {mean_of}" if mean_of > 1 else ""
    made.append(Quantity(name=SCATTER, u=curve.scatter_at(pressure) / mean_of**0.5, unit=reading_unit, kind="A",
                         distribution="t", df=curve.df, place="reading", pool=SCATTER,
                         source=f"scatter of readings about the calibration lines, pooled{each and ', mean' + each}"))
    return made, joint


def _unit(curve: Curve, j: int, reading_unit: str, sensitivity_unit: str) -> str:
    if j == curve.slope:
        return sensitivity_unit
    return reading_unit if curve.slope >= 0 or (curve.zero is first_coefficient and j == 0) else ""


def of_occasions(found: Evidence, curve: Curve, *, mean_of: int, scale: float) -> list[Quantity]:
    """Return mounting and day, each of the reading and of the calibration.

    ``scale`` turns an SD of the response into a share: 1 for logarithms, else one over the sensitivity.
    """
    made: list[Quantity] = []
    # Mountings and days of reading and calibration are different ones, with one SD: they share a pool.
    if found.mounting is not None and not found.joint:
        sd = found.mounting.sd * scale
        text = "SD between mountings of one occasion, less what the scatter about each line explains"
        for suffix, k in ((OF_READING, mean_of), (AT_CALIBRATION, curve.mountings)):
            made.append(_type_a(MOUNTING + suffix, sd / k**0.5, found.mounting.df, MOUNTING, text + _mean(k),
                                calibration=suffix == AT_CALIBRATION))
    if found.day is not None:
        sd = found.day.sd * scale
        text = "scatter of checks about the sensors' lines, day and mounting together" if found.joint else (
            "SD between occasions (day, rig, hands)")
        for suffix in (OF_READING, AT_CALIBRATION):
            made.append(_type_a(DAY + suffix, sd, found.day.df, DAY, text, calibration=suffix == AT_CALIBRATION))
    if found.joint and found.mounting is not None:
        extra = max(1.0 / mean_of - 1.0 / curve.mountings, 0.0)
        if extra > 0:
            made.append(_type_a(MOUNTING + OF_READING, found.mounting.sd * scale * extra**0.5, found.mounting.df,
                                MOUNTING, "SD between mountings, beyond the mean of them that the checks are"))
    return made


def _mean(k: int) -> str:
    return f", mean of {k}" if k > 1 else ""


def _type_a(name: str, u: float, df: float, pool: str, source: str, *, calibration: bool = False) -> Quantity:
    return Quantity(name=name, u=u, kind="A", distribution="t", df=df, pool=pool, source=source,
                    place="calibration" if calibration else "response")


def of_drift(drift: Drift, made: list[Quantity], curve: Curve, *, unit: str, log: bool, joint_day: bool
             ) -> tuple[Quantity, Covariances]:
    """Return the drift with its covariances with the errors of the calibration that entered it.

    Notes
    -----
    The calibration is one of the checks behind the drift: with w the sum of the weights of its mountings, an error V of
    that day moves the predicted drift by w V, so that cov(drift, V) = -w var(V) for the true drift about the predicted
    one; the error of the slope of the line enters with the other sign, being an error of the coefficient itself. The
    slope of a sensor's own line owes its error to the scatter about the lines that the days have too, so that both are
    of one pool: taken apart, one doubtful variance would count as two.
    """
    own = Quantity(name=DRIFT, estimate=drift.value, u=drift.u, unit=unit, kind="A", distribution="t", df=drift.df,
                   place="drift", source=drift.method, pool=DAY if drift.of_days else "")
    if not drift.weight:
        return own, {}
    s = 1.0 if log else curve.sensitivity
    joint: Covariances = {(q.name, DRIFT): -drift.weight * q.u**2 * s for q in made if q.place == "calibration"}
    # Of a curve no one coefficient is the sensitivity. With joint days the scatter about each line is in that of days.
    if not joint_day and curve.slope >= 0:
        for j, name in enumerate(curve.names):
            joint[name, DRIFT] = drift.weight * float(curve.covariance[j, curve.slope]) * s / curve.sensitivity
    return own, _possible(joint, made, own)


def _possible(joint: Covariances, made: list[Quantity], own: Quantity) -> Covariances:
    """Shrink covariances that rounding of variance components has made larger than the variances allow."""
    by_name = {q.name: q for q in made}
    explained = sum(c * c / by_name[a].u ** 2 for (a, _), c in joint.items()
                    if by_name[a].u > 0 and by_name[a].place == "calibration")
    slope = max((c * c / by_name[a].u ** 2 for (a, _), c in joint.items()
                 if by_name[a].place == "coefficient" and by_name[a].u > 0), default=0.0)
    most = 0.98 * own.u**2
    factor = min(1.0, (most / (explained + slope)) ** 0.5) if explained + slope > 0 else 1.0
    return {k: factor * v for k, v in joint.items()}
