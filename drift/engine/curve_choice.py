"""Which calibration curve: variance model from replicates, lack of fit against level means, AICc."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.curve_models import COEFFICIENTS, MODELS, Model, design, response, values, vertex
from drift.engine.curves import CurveFit, fit_curve, spread_of
from drift.engine.lines import fit_lines

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
THETAS = (0.0, 0.5, 1.0)
FEWEST_REPLICATES = 4
SAME = 0.02
CLOSE = 2.0  # AICc within which the simpler curve is taken (Burnham and Anderson 2002, section 2.6)
REJECTED = 0.01
SHOWN = 1.92  # log likelihood by which a growing SD must win: half of chi-square with 1 df at 5 %


@dataclass(frozen=True, kw_only=True)
class VarianceModel:
    """Power of the variance model and how it was found: "replicates", "REML likelihood" or "assumed"."""

    theta: float
    how: Literal["replicates", "REML likelihood", "assumed"]


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
    Four or more replicates in the median cell and three loads above zero: log SD on log load, weighted by degrees of
    freedom, limited to 0 .. 2. Else theta in {0, 1/2, 1} by the restricted likelihood of a quadratic (a line where
    there are fewer than four loads), -[(n - q) log RSS_w - sum log w + log det X'WX]/2; a constant
    SD stands unless another wins by 1.92.

    References
    ----------
    R. J. Carroll and D. Ruppert (1988), Transformation and Weighting in Regression, ch. 3; D. A. Harville (1977), JASA
    72, 320-338.
    """
    load, reading = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    count = np.bincount(codes)
    count = count[count > 0]
    if len(count) and np.median(count) >= FEWEST_REPLICATES:
        found = _from_replicates(load, reading, codes)
        if np.isfinite(found):
            return VarianceModel(theta=found, how="replicates")
    levels = len(np.unique(load))
    model: Model = "quadratic" if levels >= 4 else "line"
    q = len(COEFFICIENTS[model])
    if levels < q or len(load) - q < 3 or np.sum(np.unique(load) > 0) < 3:
        return VarianceModel(theta=0.0, how="assumed")
    scores = [_restricted(model, load, reading, t) for t in THETAS]
    best = int(np.argmax(scores))
    return VarianceModel(theta=THETAS[best] if scores[best] > scores[0] + SHOWN else 0.0, how="REML likelihood")


def _from_replicates(x: Floats, y: Floats, codes: Ints) -> float:
    _, cell = np.unique(codes, return_inverse=True)
    n = np.bincount(cell)
    mean = np.bincount(cell, weights=y) / n
    squares = np.bincount(cell, weights=(y - mean[cell]) ** 2)
    load = np.bincount(cell, weights=x) / n
    level, of = np.unique(np.round(load, 12), return_inverse=True)
    squares, df = np.bincount(of, weights=squares), np.bincount(of, weights=n - 1.0)
    use = (level > 0) & (df > 0) & (squares > 0)
    if use.sum() < 3:
        return float("nan")
    line = fit_lines(0.5 * np.log(squares[use] / df[use]), np.log(level[use]), weights=df[use])
    return float(np.clip(line.slope[0], 0.0, 2.0))


def _restricted(model: Model, x: Floats, y: Floats, theta: float) -> float:
    w = 1 / spread_of(x, theta).variance(x)
    columns = design(model, x / float(np.abs(x).max())) * np.sqrt(w)[:, None]
    q, r = np.linalg.qr(columns)
    target = np.sqrt(w) * y
    residual = target - q @ (q.T @ target)
    sse = max(float(residual @ residual), 1e-300)
    logs = float(np.log(np.abs(np.diag(r))).sum())
    return float(-0.5 * (len(x) - columns.shape[1]) * float(np.log(sse)) + 0.5 * float(np.log(w).sum()) - logs)


def lack_of_fit_of(fit: CurveFit, x: ArrayLike, y: ArrayLike, codes: Ints) -> LackOfFit:
    """Test a curve against the means of its levels, weighted.

    Notes
    -----
    F = [(SSE - SSPE)/(k - q)]/[SSPE/(n - k)], k levels. SSPE is taken from the residuals, so that loads of a level that
    differ a little do no harm.

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
    top, bottom = float(k - fit.q), float(len(at) - k)
    if top < 1 or bottom < 1 or not pure > 0:
        return LackOfFit(F=float("nan"), df_lack=top, df_pure=bottom, p=float("nan"))
    F = (lack / top) / (pure / bottom)
    return LackOfFit(F=F, df_lack=top, df_pure=bottom, p=float(fdtrc(top, bottom, F)))


def candidates(x: ArrayLike, y: ArrayLike, codes: Ints, *, theta: float, right: Bools, left: Bools,
               models: tuple[Model, ...] = MODELS) -> dict[Model, Candidate]:
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
        made[model] = Candidate(fit=fit, lack=lack_of_fit_of(fit, load[exact], reading[exact], codes[exact]),
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
