"""Fit one series: variance model, curves tried, the one chosen, and its covariance over mountings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.calibration.curve import CalibrationCurve, curve_of
from drift.calibration.rows import Series
from drift.engine.curve_averaged import SURE, averaged
from drift.engine.curve_choice import (
    Candidate,
    VarianceModel,
    brought_together,
    candidates,
    choose,
    variance_model,
)
from drift.engine.curve_models import COEFFICIENTS, Model
from drift.engine.curves import CurveFit, fit_curve, over_mountings, spread_of
from drift.engine.repeated_ends import SIDES, RepeatedEnd, repeated_end
from drift.engine.reversals import Reversal, reversal
from drift.study import CalibrationQuestion

FEWEST_MOUNTINGS = 3
POWERS = {"constant": 0.0, "root": 0.5, "proportional": 1.0}


@dataclass(frozen=True, kw_only=True, eq=False)
class Fitted:
    """What was fitted to one series.

    ``reason`` says why the curve was chosen: "asked", or a word of :func:`drift.engine.curve_choice.choose`.
    ``refusal`` is a sentence where there is none; ``reversal`` says where readings turn back as the load rises;
    ``ends`` are readings that look like an end of scale nobody declared.
    """

    series: Series
    spread: VarianceModel
    tried: dict[Model, Candidate]
    model: Model | None
    fit: CurveFit | None
    reason: str
    refusal: str = ""
    mend: str = ""
    reversal: Reversal | None = None
    ends: tuple[RepeatedEnd, ...] = ()

    @property
    def curve(self) -> CalibrationCurve | None:
        """The curve as a value."""
        s = self.series
        return None if self.fit is None else curve_of(
            self.fit, full_scale=s.full_scale, reference_unit=s.reference_unit, reading_unit=s.reading_unit,
            sensor=s.sensor, use=s.use, cal_id=s.cal_id, date=s.date)


def fit_series(series: Series, question: CalibrationQuestion) -> Fitted:
    """Fit the curves that the readings can carry and take one.

    Notes
    -----
    The choice is made on readings from which the mountings' own offsets and slopes are taken off, so that the
    difference of mountings does not pass for lack of fit or hide it. With three or more mountings the curve is the mean
    of theirs and its error comes from how they differ, because readings of one mounting are not independent.
    """
    exact, s = series.exact, series
    ends = suspected_ends(s)
    nothing = Fitted(series=s, spread=VarianceModel(theta=0.0, how="assumed"), tried={}, model=None, fit=None,
                     reason="", ends=ends)
    refusal = _refusal(s)
    if refusal:
        return _refused(nothing, *refusal)
    sure = [e for e in ends if e.sure]
    if sure and question.model == "auto":
        return _refused(nothing, *_end_not_declared(sure[0], s))
    together, taken = without_mountings(s)
    x, y = s.x[s.curve], together[s.curve]
    right, left = s.right[s.curve], s.left[s.curve]
    spread = (variance_model(s.x[exact], together[exact], s.cells[exact]) if question.spread == "auto" else
              VarianceModel(theta=POWERS[question.spread], how="assumed"))
    tried = candidates(x, y, s.level[s.curve], theta=spread.theta, right=right, left=left, taken=taken)
    back = reversal(x[~(right | left)], y[~(right | left)], s.level[exact], spread_of(s.x[exact], spread.theta),
                    [c.fit for c in tried.values()], taken=taken)
    if question.model == "auto":
        if back is not None and back.large:
            return replace(_refused(nothing, *_turned(back, s)), reversal=back, tried=tried, spread=spread)
        if not _responds(x[~(right | left)], y[~(right | left)]):
            return replace(_refused(nothing, *_unmoved(s)), tried=tried, spread=spread)
        model, reason = choose(tried)
    else:
        model, reason = (question.model if question.model in tried else None), "asked"
    if model is None:
        return _refused(nothing, *_no_model(s, question))
    fit = _averaged(s, model, spread)
    return Fitted(series=s, spread=spread, tried=tried, model=model, fit=fit, reason=reason, reversal=back,
                  ends=ends)


def _refused(nothing: Fitted, sentence: str, mend: str) -> Fitted:
    return replace(nothing, refusal=sentence, mend=mend)


def _refusal(s: Series) -> tuple[str, str] | None:
    """Return why no curve can be fitted at all, and what would allow one."""
    exact = s.exact
    if not exact.any():
        if s.right[s.curve].all():
            return ("every reading is at full scale: they say only that the load is at least so much",
                    "Calibrate at loads below saturation.")
        return "no reading is a value: all are at full scale or at zero", "Calibrate at loads the sensor can show."
    levels = len(np.unique(s.level[exact]))
    if levels < 2:
        return ("all exact readings stand at one load: a curve needs at least two, and three to tell a line from a "
                "curve", "Read two more loads, one near the lowest and one near the highest of use.")
    if np.ptp(s.y[exact]) == 0:
        return "the reading does not change with the load", "Look at the sensor and its connection."
    return None


RESPONSE = 0.05


def _responds(x: NDArray[np.float64], y: NDArray[np.float64]) -> bool:
    """Tell whether readings change with the load at all: F test of a line and a bend against one mean, at 5 %."""
    from scipy.special import fdtrc

    y = y / max(float(np.abs(y).max()), 1e-300)
    columns = np.column_stack([np.ones_like(x), x / np.abs(x).max(), (x / np.abs(x).max()) ** 2])
    terms = min(3, len(np.unique(x)))
    df = len(x) - terms
    if df < 1:
        return True  # nothing to judge by; what a curve then says has intervals of its own
    beta = np.linalg.lstsq(columns[:, :terms], y, rcond=None)[0]
    rest = float(((y - columns[:, :terms] @ beta) ** 2).sum())
    all_ = float(((y - y.mean()) ** 2).sum())
    if not rest > 1e-12 * all_:
        return True
    return bool(fdtrc(terms - 1, df, (all_ - rest) / (terms - 1) / (rest / df)) < RESPONSE)


def _unmoved(s: Series) -> tuple[str, str]:
    y = s.y[s.exact]
    unit = f" {s.reading_unit}" if s.reading_unit else ""
    return (f"the readings, {y.min():.4g} to {y.max():.4g}{unit}, do not change with the load by more than chance "
            "makes (F test of a line and a bend)", "Look at the sensor and its connection, or calibrate over a wider "
            "range of loads.")


def suspected_ends(s: Series) -> tuple[RepeatedEnd, ...]:
    """Return readings that look like a full scale or a floor, where none is declared and none is marked."""
    exact = s.exact
    open_ends = [side for side in SIDES if not (
        (np.isfinite(s.full_scale) or s.right.any()) if side == "highest" else s.left.any())]
    found = [repeated_end(s.x[exact], s.y[exact], side) for side in open_ends]
    return tuple(e for e in found if e is not None)


def end_words(e: RepeatedEnd, unit: str) -> str:
    """Return what stands still where (``12 readings at loads of 550 to 700 are all exactly 1023``), and as what."""
    many = "both" if e.n == 2 else "all"
    return (f"{e.n} readings at loads of {e.loads[0]:.4g} to {e.loads[-1]:.4g}{unit} are {many} exactly "
            f"{e.reading:.10g}: this looks like a {end_name(e)} that is not declared")


def end_name(e: RepeatedEnd) -> str:
    """Return what such an end is called."""
    return "full scale" if e.side == "highest" else "floor"


def end_mend(e: RepeatedEnd) -> str:
    """Return how an end of scale is declared."""
    key = "full_scale" if e.side == "highest" else "floor"
    return f"Declare it: {key} = {e.reading:.10g}, and readings there count as bounds"


def _end_not_declared(e: RepeatedEnd, s: Series) -> tuple[str, str]:
    """Return why no curve is chosen on readings at an end of scale that is not declared."""
    unit = f" {s.reference_unit}" if s.reference_unit else ""
    return (f"{end_words(e, unit)}, and readings at it would bend every curve if they passed for values",
            f"{end_mend(e)}; or, if they are values, name a curve with --model")


def _turned(back: Reversal, s: Series) -> tuple[str, str]:
    """Return why readings that turn back as the load rises carry no curve, and what would."""
    way, unit = ("rise", "fall") if back.rises else ("fall", "rise"), f" {s.reference_unit}" if s.reference_unit else ""
    (load, reading), (further, then) = back.start, back.end
    return (f"the readings {way[0]} and then {way[1]} as the load grows (from {reading:.4g} at {load:.4g}{unit} to "
            f"{then:.4g} at {further:.4g}{unit}, more than chance makes): one reading would belong to two loads",
            f"Calibrate where the readings {way[0]} throughout, look at the rows there, or name a curve with --model")


def _no_model(s: Series, question: CalibrationQuestion) -> tuple[str, str]:
    levels = len(np.unique(s.x[s.exact]))
    asked = question.model
    if asked == "power of logs" and (np.any(s.x[s.exact] <= 0) or np.any(s.y[s.exact] <= 0)):
        return ("a power law through logs needs loads and readings above zero, and some are zero",
                "Use --model power, whose errors add, or leave the zero loads out with where.")
    need = len(COEFFICIENTS[asked]) if asked != "auto" else 2
    return (f"{asked} could not be fitted to {levels} loads; it needs {need} with exact readings",
            "Read more loads, or ask for a curve with fewer coefficients.")


def without_mountings(s: Series) -> tuple[np.ndarray, int]:
    """Return readings with the mountings' own offsets and slopes taken off, and the degrees of freedom that takes.

    With fewer than three levels their factors alone. As they are where mountings were read at different levels.
    """
    exact, m = s.exact, len(s.mountings)
    if m < 2 or not _same_levels(s):
        return s.y, 0
    if len(np.unique(s.level[exact])) < 3:
        return np.asarray(s.y / mounting_factors(s)[s.mounting]), 0
    away, taken = brought_together(s.x[exact], s.y[exact], s.level[exact], s.mounting[exact])
    y = s.y - away[s.mounting, 0] - away[s.mounting, 1] * s.x
    if np.any((y <= 0) & (s.y > 0) & exact):  # a line through logs would lose its lowest readings
        factor = mounting_factors(s)
        return np.asarray(s.y / factor[s.mounting]), 0 if np.all(factor == 1) else m - 1
    return np.asarray(y), taken


def mounting_factors(s: Series) -> np.ndarray:
    """Return each mounting's sensitivity over the geometric mean of all, shape (n_mountings,); 1 where unknown."""
    m = len(s.mountings)
    top = np.zeros(m)
    for j in range(m):
        rows = s.exact & (s.mounting == j)
        x, y = s.x[rows], s.y[rows]
        top[j] = float(x @ y / (x @ x)) if rows.any() and float(x @ x) > 0 else np.nan
    good = np.isfinite(top) & (top > 0)
    if good.sum() < 2 or not good.all() or not _same_levels(s):
        return np.ones(m)
    return np.asarray(top / np.exp(np.log(top).mean()))


def _same_levels(s: Series) -> bool:
    """Tell whether all mountings were read at the same levels: else their factors mix with the shape."""
    each = {tuple(np.unique(s.level[s.exact & (s.mounting == j)])) for j in range(len(s.mountings))}
    return len(each) == 1


def final_fit(fitted: Fitted, model: Model) -> CurveFit | None:
    """Return the curve of another model from the same readings and weights; None where it cannot be fitted."""
    alone = len(fitted.series.mountings) < 2 and (fitted.spread.sd < SURE or model == "power of logs")
    if alone and model in fitted.tried:
        return fitted.tried[model].fit
    try:
        return _averaged(fitted.series, model, fitted.spread)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _averaged(s: Series, model: Model, power: VarianceModel) -> CurveFit:
    """Return the fit averaged over the power of the variance model where that was estimated."""
    if power.sd < SURE or model == "power of logs":
        return _final(s, model, power.theta)
    return averaged([_final(s, model, power.theta + sign * power.sd) for sign in (-1, 1)])


def _final(s: Series, model: Model, theta: float) -> CurveFit:
    """Return the fit to the readings as they are, over mountings where there are enough."""
    def one(rows: np.ndarray) -> CurveFit:
        return fit_curve(s.x[rows], s.y[rows], model=model, theta=theta, right=s.right[rows], left=s.left[rows])

    pooled = one(s.curve)
    if len(s.mountings) < FEWEST_MOUNTINGS:
        return pooled
    fits = []
    for j in range(len(s.mountings)):
        try:
            fits.append(one(s.curve & (s.mounting == j)))
        except (ValueError, np.linalg.LinAlgError):
            return pooled
    if not all(f.converged and f.df >= 1 and np.all(np.isfinite(f.coefficients)) for f in fits):
        return pooled
    return over_mountings(fits, pooled)
