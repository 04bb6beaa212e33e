"""Which calibration curve: variance model from replicates, lack of fit against level means, AICc."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.curve_models import MODELS, Model, design, response, values, vertex
from drift.engine.curves import CurveFit, fit_curve, spread_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
THETAS = np.arange(-0.25, 2.01, 0.25)
FEWEST_REPLICATES = 4
SAME = 0.02
CLOSE = 2.0  # AICc within which the simpler curve is taken (Burnham and Anderson 2002, section 2.6)
REJECTED = 0.01


@dataclass(frozen=True, kw_only=True)
class VarianceModel:
    """Power of the variance model and how it was found: "replicates", "REML likelihood" or "assumed".

    ``sd`` is what the readings leave open of an estimated power; zero where it was assumed.
    """

    theta: float
    how: Literal["replicates", "REML likelihood", "assumed"]
    sd: float = 0.0


@dataclass(frozen=True, kw_only=True)
class LackOfFit:
    """F of a curve against its level means; NaN where no level is repeated or none is left over."""

    F: float
    df_lack: float
    df_pure: float
    p: float


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One curve that was tried."""

    fit: CurveFit
    lack: LackOfFit
    monotone: bool


def level_codes(x: ArrayLike) -> Ints:
    """Return a number for each level: equal loads where any repeat exactly.

    Else neighbours within two per cent of the load and one of the range are one level.
    """
    at = np.asarray(x, dtype=np.float64)
    distinct, code = np.unique(at, return_inverse=True)
    if len(distinct) < len(at) or len(at) < 2:
        return code.astype(np.int64)
    close = np.minimum(SAME * np.abs(distinct[1:]), SAME / 2 * float(np.ptp(distinct)))
    step = np.r_[0, np.cumsum(np.diff(distinct) > close)]
    return np.asarray(step[code], dtype=np.int64)


def variance_model(x: ArrayLike, y: ArrayLike, codes: Ints) -> VarianceModel:
    """Return the power theta of SD(reading) proportional to load^theta.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Exact readings.
    codes : array of int, shape (n,)
        Cells of replicates: same level, mounting and direction.

    Notes
    -----
    Mean and SD of theta over -1/4 .. 2 in steps of 1/4, weighted by the restricted likelihood
    exp{-[(n - q) log RSS_w - sum log w + log det X'WX]/2}. With four or more replicates in the median cell every cell
    has a mean of its own, so that theta does not depend on a curve; else the mean is a quadratic (a line where there
    are fewer than four loads). The range starts below zero because a constant SD would else stand at its edge, and the
    mean of theta be biased there.

    References
    ----------
    R. J. Carroll and D. Ruppert (1988), Transformation and Weighting in Regression, ch. 3; D. A. Harville (1977), JASA
    72, 320-338, equation 3.8.
    """
    load, reading = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    _, cell, count = np.unique(codes, return_inverse=True, return_counts=True)
    levels = len(np.unique(load))
    if np.sum(np.unique(load) > 0) >= 3:
        if np.median(count) >= FEWEST_REPLICATES:
            columns = np.asarray(cell[:, None] == np.arange(len(count)), dtype=np.float64)
            found = _mean_power(columns, load, reading, "replicates")
            if found is not None:
                return found
        if levels >= 3:
            columns = design("quadratic" if levels >= 4 else "line", load / float(np.abs(load).max()))
            found = _mean_power(columns, load, reading, "REML likelihood")
            if found is not None:
                return found
    return VarianceModel(theta=0.0, how="assumed")


def _mean_power(columns: Floats, x: Floats, y: Floats,
                how: Literal["replicates", "REML likelihood"]) -> VarianceModel | None:
    """Return mean and SD of the power; None where too few residuals are left over, or none at all."""
    if len(x) - columns.shape[1] < 3:
        return None
    residual = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
    if float(residual @ residual) <= 1e-24 * float(y @ y):
        return None
    scores = np.array([_restricted(columns, x, y, float(t)) for t in THETAS])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    mean = float(weights @ THETAS)
    return VarianceModel(theta=mean, how=how, sd=float(np.sqrt(weights @ (THETAS - mean) ** 2)))


def _restricted(columns: Floats, x: Floats, y: Floats, theta: float) -> float:
    w = 1 / spread_of(x, theta).variance(x)
    columns = columns * np.sqrt(w)[:, None]
    q, r = np.linalg.qr(columns)
    target = np.sqrt(w) * y
    residual = target - q @ (q.T @ target)
    sse = max(float(residual @ residual), 1e-300)
    logs = float(np.log(np.abs(np.diag(r))).sum())
    return float(-0.5 * (len(x) - columns.shape[1]) * float(np.log(sse)) + 0.5 * float(np.log(w).sum()) - logs)


def lack_of_fit_of(fit: CurveFit, x: ArrayLike, y: ArrayLike, codes: Ints, *, taken: int = 0) -> LackOfFit:
    """Test a curve against the means of its levels, weighted.

    Parameters
    ----------
    fit : CurveFit
    x, y : array_like, shape (n,)
    codes : array of int, shape (n,)
        Levels.
    taken : int
        Degrees of freedom that bringing mountings together took, see :func:`brought_together`.

    Notes
    -----
    F = [(SSE - SSPE)/(k - q)]/[SSPE/(n - k - taken)], k levels. SSPE is taken from the residuals, so that loads of a
    level that differ a little do no harm.

    References
    ----------
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, section 2.1.
    """
    from scipy.special import fdtrc

    at, reading = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    w = 1 / fit.spread.variance(at)
    residual = response(fit.model, reading) - values(fit.model, np.asarray(fit.coefficients), at)
    _, cell = np.unique(codes, return_inverse=True)
    mean = np.bincount(cell, weights=w * residual) / np.bincount(cell, weights=w)
    pure = float((w * (residual - mean[cell]) ** 2).sum())
    lack = float((w * mean[cell] ** 2).sum())
    k = int(cell.max()) + 1
    top, bottom = float(k - fit.q), float(len(at) - k - taken)
    if top < 1 or bottom < 1 or not pure > 1e-24 * float((w * response(fit.model, reading) ** 2).sum()):
        return LackOfFit(F=float("nan"), df_lack=top, df_pure=bottom, p=float("nan"))
    F = (lack / top) / (pure / bottom)
    return LackOfFit(F=F, df_lack=top, df_pure=bottom, p=float(fdtrc(top, bottom, F)))


def brought_together(x: Floats, y: Floats, level: Ints, mounting: Ints) -> tuple[Floats, int]:
    """Return how far each mounting lies from all of them along a line in the load, and the degrees of freedom it takes.

    Parameters
    ----------
    x, y : array, shape (n,)
        Exact readings.
    level, mounting : array of int, shape (n,)
        Every mounting was read at every level, at three or more.

    Returns
    -------
    away : array, shape (n_mountings, 2)
        Offset and slope of each mounting less their mean.
    taken : int

    Notes
    -----
    Least squares of y = level + a_m + b_m x, a and b summing to zero over mountings. Taken off the readings they leave
    the level means as they are, and what is left in a level is how the mountings differ in their bends: the error that
    a bend of the mean curve is to be held against. A factor alone would leave offsets in it, which hide the bend.

    References
    ----------
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, section 2.1, with mountings as blocks.
    """
    m = int(mounting.max()) + 1
    scale = float(np.abs(x).max()) or 1.0
    d = x / scale
    effect = np.asarray(mounting[:, None] == np.arange(m - 1), dtype=np.float64) - (mounting == m - 1)[:, None]
    of_level = np.asarray(level[:, None] == np.unique(level)[None, :], dtype=np.float64)
    columns = np.hstack([of_level, effect, effect * d[:, None]])
    found, _, rank, _ = np.linalg.lstsq(columns, y, rcond=None)
    k = of_level.shape[1]
    parts = found[k:].reshape(2, m - 1)
    away = np.vstack([parts.T, -parts.sum(axis=1)])
    return np.asarray(away / np.array([1.0, scale])), int(rank) - k


def candidates(x: ArrayLike, y: ArrayLike, codes: Ints, *, theta: float, right: Bools, left: Bools,
               models: tuple[Model, ...] = MODELS, taken: int = 0) -> dict[Model, Candidate]:
    """Fit every curve that the data can carry; those with too few levels, or logs of zero, are left out."""
    load, reading = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    exact = ~(right | left)
    made: dict[Model, Candidate] = {}
    for model in models:
        try:
            fit = fit_curve(load, reading, model=model, theta=theta, right=right, left=left)
        except (ValueError, np.linalg.LinAlgError):
            continue
        if not (fit.converged and np.all(np.isfinite(fit.coefficients))):
            continue
        turn = vertex(model, np.asarray(fit.coefficients))
        made[model] = Candidate(fit=fit, lack=lack_of_fit_of(fit, load[exact], reading[exact], codes[exact],
                                                                  taken=taken),
                                monotone=not fit.low < turn < fit.high)
    return made


# A line through zero is shown and never chosen unasked: few readings near zero can tell it from one with an offset.
AUTOMATIC: tuple[Model, ...] = ("line", "power", "quadratic")


def choose(tried: dict[Model, Candidate]) -> tuple[Model | None, str]:
    """Return the chosen curve and the reason: "not rejected", "least rejected", "only one" or "AICc".

    Of the curves that rise (or fall) throughout and that the replicates do not reject at 1 %, those within 2 of the
    lowest AICc are kept and the one with the fewest coefficients taken; of two with as many, the one with the lower
    AICc.
    """
    from_auto = {m: c for m, c in tried.items() if m in AUTOMATIC}
    usable = {m: c for m, c in from_auto.items() if c.monotone and np.isfinite(c.fit.aicc)}
    if not usable:
        usable = {m: c for m, c in from_auto.items() if c.monotone} or from_auto
        first = next((m for m in ("line", *usable) if m in usable), None)
        return first, "only one"
    judged = {m: c for m, c in usable.items() if np.isfinite(c.lack.p)}
    kept = {m: c for m, c in usable.items() if not (m in judged and c.lack.p < REJECTED)}
    reason = "not rejected" if judged else "AICc"
    if not kept:
        kept, reason = usable, "least rejected"
        best_of = min(kept.items(), key=lambda item: item[1].fit.aicc)
        return best_of[0], reason
    best = min(c.fit.aicc for c in kept.values())
    near = [(c.fit.q, c.fit.aicc, m) for m, c in kept.items() if c.fit.aicc <= best + CLOSE]
    return min(near)[2], reason
