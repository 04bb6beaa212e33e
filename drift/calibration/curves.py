"""Answer a question of calibration: curves, loads behind readings, static errors, saturation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from drift.calibration.curve import SATURATED, CalibrationCurve
from drift.calibration.curve_findings import findings_of
from drift.calibration.curve_tables import curve_tables, finite
from drift.calibration.curve_words import NAMES, curve_sentence, number, set_words, spread_words
from drift.calibration.fitting import Fitted, fit_series
from drift.calibration.quoted import simulated
from drift.calibration.rows import prepare
from drift.calibration.saturated import bound_words, estimate_of_bound, refuse_above_full_scale
from drift.calibration.saturation import Saturation, saturation
from drift.calibration.statics import Component, Statics, statics
from drift.calibration.with_reference import ADDED, GIVEN, in_quadrature, moved_by_reference, set_with_reference
from drift.engine.inverse_prediction import InverseSet, coefficient_degrees, fewer, inverse_set, t_quantile
from drift.errors import Finding
from drift.records import CheckTable
from drift.results import Estimate, Provenance, Result, run_versions
from drift.study import CalibrationQuestion

SATURATION, LOG_SATURATION, RATIO = "saturation pressure", "log saturation pressure", "extrapolation ratio"
LOAD, SD = "load at a reading", "residual SD"
MOST_SAID = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationResult(Result):
    """Calibration curves with what can be said of them."""

    command: ClassVar[str] = "calibrate"

    @property
    def curves(self) -> tuple[CalibrationCurve, ...]:
        """The curves as values, in the order of the table "calibration curves"."""
        return curves_of(self)


@dataclass(frozen=True, kw_only=True, eq=False)
class Answered:
    """One series with everything made of it."""

    fitted: Fitted
    saturation: Saturation | None
    statics: Statics | None
    loads: tuple[tuple[float, InverseSet, str], ...]


def calibrate_curves(checks: CheckTable, question: CalibrationQuestion, *, level: float = 0.95, seed: int = 0,
                     full_scale: float | Mapping[str, float] | None = None) -> CalibrationResult:
    """Fit the calibration curve of every sensor, use and ``cal_id``.

    Parameters
    ----------
    checks : CheckTable
    question : CalibrationQuestion
    level : float
    seed : int
        Recorded; nothing here is random.
    full_scale : float or mapping, optional
        Ceiling of the reading (by sensor) where the question gives none.

    Returns
    -------
    CalibrationResult

    Raises
    ------
    DriftError
        If there is no reference or no usable row.
    """
    prepared = prepare(checks, question, full_scale=full_scale)
    refuse_above_full_scale(prepared.series, question)
    done: list[Answered] = []
    estimates: list[Estimate] = []
    findings: list[Finding] = []
    for series in prepared.series:
        fitted = fit_series(series, question)
        at = (saturation(fitted, full_scale=series.full_scale, level=level, reference=question.reference_uncertainty,
                         resolution=question.resolution)
              if fitted.fit is not None and math.isfinite(series.full_scale) else None)
        # Readings at an end of scale repeat exactly and bend away from any line: no static error is told from them.
        told = (None if fitted.fit is None and any(e.sure for e in fitted.ends) else
                statics(fitted, level=level, usable_at=question.usable_at, question=question.name))
        loads = _loads(fitted, question, level)
        one = Answered(fitted=fitted, saturation=at, statics=told, loads=loads)
        done.append(one)
        estimates += [*_of_curve(fitted, question, level), *_of_saturation(fitted, at, level),
                      *_of_loads(fitted, loads, question, level), *(told.estimates if told else ())]
        findings += [*findings_of(one, question), *(told.findings if told else ())]
    more, told_of = simulated(done, question, level=level)
    inputs = {checks.file: checks.sha256} if checks.sha256 else {}
    return CalibrationResult(
        question=question.name, answer=_answer(done), estimates=tuple(estimates),
        tables=(*curve_tables(done, question, level=level), *more),
        findings=(*prepared.findings, *dict.fromkeys(findings), *told_of),
        exclusions=prepared.exclusions,
        provenance=Provenance(accounts=(prepared.account,), inputs=inputs, seed=seed, level=level,
                              versions=run_versions(), settings=question.model_dump()))


def _loads(fitted: Fitted, question: CalibrationQuestion,
           level: float) -> tuple[tuple[float, InverseSet, str], ...]:
    curve = fitted.curve
    if curve is None or fitted.fit is None or not fitted.fit.df >= 1:
        return ()
    made = []
    for y in question.invert:
        mark = str(curve.pressure(y).mark[0])
        made.append((y, inverse_set(fitted.fit, y, level=level, m=question.mean_of, problem=question.problem,
                                    simultaneous=question.simultaneous), mark))
    return tuple(made)


def _of_curve(fitted: Fitted, question: CalibrationQuestion, level: float) -> list[Estimate]:
    fit, s = fitted.fit, fitted.series
    if fit is None:
        return [Estimate(name=SD, value=math.nan, of=s.of, unit=s.reading_unit, method="no curve")]
    degrees = coefficient_degrees(fit)
    curve = fitted.curve
    assert curve is not None
    how = (f"mean over {fit.mountings} mountings, each by itself; t interval from how they differ"
           if fit.mountings > 1 else
           f"{'maximum likelihood with bounds' if fit.n_censored else _method(fit.model)}, {spread_words(fitted)}; "
           "t interval")
    reference = question.reference_uncertainty or 0.0
    moved = np.abs(reference * moved_by_reference(fit.model, np.asarray(fit.coefficients)))
    given = f", {GIVEN}" if reference else ""
    made = []
    for name, value, variance, df, u in zip(curve.names, fit.coefficients, np.diag(fit.covariance), degrees, moved,
                                            strict=True):
        t = t_quantile(level, df)
        se = math.sqrt(variance) if variance >= 0 else math.nan
        ends = (value - t * se, value + t * se) if math.isfinite(t * se) else (math.nan, math.nan)
        made.append(Estimate(name=f"coefficient {name}", value=float(value), std_error=se, low=float(ends[0]),
                             high=float(ends[1]), level=level if math.isfinite(ends[0]) else math.nan, n=fit.n,
                             of={**s.of, "curve": fit.model}, method=f"{NAMES[fit.model]}; {how} ({df:.3g} df){given}"))
        if u > 0 and math.isfinite(ends[0]):
            made.append(_with_reference(made[-1], float(u), level))
    from drift.engine.static_errors import sd_interval

    df = float(fewer(fit.df, np.log([f.sigma**2 for f in fit.sides]))) if fit.sides and fit.sigma > 0 else fit.df
    low, high = sd_interval(fit.sigma, df, level)
    made.append(Estimate(name=SD, value=fit.sigma, low=low, high=high, level=level if math.isfinite(low) else math.nan,
                         unit="log" if fit.model == "power of logs" else s.reading_unit, n=fit.n,
                         of={**s.of, "curve": fit.model}, method=f"SD of a reading about its curve, {_middle(fitted)}; "
                         f"chi-square interval ({df:.3g} df)"))
    return made


def _with_reference(e: Estimate, u: float, level: float) -> Estimate:
    """Return a coefficient with the part of the reference, which the fit cannot show."""
    low, high = in_quadrature(e.value, e.low, e.high, u, level=level)
    return replace(e, name=f"{e.name}, {ADDED}", std_error=math.hypot(e.std_error, u), low=low, high=high,
                   method=f"{e.method.removesuffix(f', {GIVEN}')}, in quadrature with 1.96 u of the reference")


def _middle(fitted: Fitted) -> str:
    fit = fitted.fit
    assert fit is not None
    return f"at a load of {fit.spread.middle:.4g}" if fit.spread.theta or fit.sides else "the same at every load"


def _method(model: str) -> str:
    return {"power": "nonlinear least squares", "saturating": "nonlinear least squares",
            "power of logs": "least squares of logs"}.get(model, "least squares")


def _of_saturation(fitted: Fitted, at: Saturation | None, level: float) -> list[Estimate]:
    s = fitted.series
    if at is None:
        return []
    unit, there = s.reference_unit, math.isfinite(at.low)
    low, high = at.low if there else math.nan, finite(at.high)
    parts = [f"curve {number(at.u_fit, 3)}", *(f"{name} {number(u, 3)}" for name, u in (
        ("reference", at.u_reference), ("resolution", at.u_resolution), ("spread of curves", at.u_model)) if u > 0)]
    if at.sets and (there or at.open):
        which = (f"hull of the exact sets of {len(at.sets)} curves that lack of fit does not reject" if len(at.sets) > 1
                 else "exact set of the only curve that lack of fit does not reject")
        how = (f"where the curve reaches full scale, an extrapolation; {which}"
               + (", open above" if at.open else f"; standard uncertainty from {', '.join(parts)}"))
    elif not math.isfinite(at.u_fit):
        how = "where the curve reaches full scale; nothing tells its error"
    else:
        how = f"where the curve reaches full scale; standard uncertainty from {', '.join(parts)}; t interval of the log"
    end = level if there else math.nan
    alone = math.isfinite(at.of_fit.low) or math.isfinite(at.of_fit.high)
    return [
        Estimate(name=SATURATION, value=at.value, std_error=finite(at.u), low=low, high=high, level=end, unit=unit,
                 of=s.of, n=len(s.mountings), method=how),
        Estimate(name=f"{SATURATION}, curve alone", value=at.value, std_error=finite(at.u_fit), low=at.of_fit.low,
                 high=at.of_fit.high, level=level if alone else math.nan, unit=unit, of=s.of, n=len(s.mountings),
                 method="exact set of loads at which the mean response may be full scale"),
        Estimate(name=LOG_SATURATION, value=_log(at.value), std_error=finite(at.u / at.value),
                 low=_log(low), high=_log(high), level=end, of=s.of, n=len(s.mountings),
                 method=how),
        Estimate(name=RATIO, value=at.ratio, of=s.of, method="highest exact level over the saturation pressure")]


def _log(value: float) -> float:
    return math.log(value) if value > 0 else math.nan


def _of_loads(fitted: Fitted, loads: tuple[tuple[float, InverseSet, str], ...], question: CalibrationQuestion,
              level: float) -> list[Estimate]:
    s = fitted.series
    many = f"mean of {question.mean_of} new readings" if question.mean_of > 1 else "one new reading"
    what = ("the mean response takes this value (regulation)" if question.problem == "regulation" else many)
    reference = question.reference_uncertainty or 0.0
    made = []
    for y, found, mark in loads:
        if mark == "not invertible":
            made.append(Estimate(name=LOAD, value=math.nan, unit=s.reference_unit, of={**s.of, "reading": f"{y:.10g}"},
                                 method="none: the reading belongs to two loads of the calibrated range, or to none"))
            continue
        if mark == SATURATED:
            bare = Estimate(name=LOAD, value=math.nan, unit=s.reference_unit, of={**s.of, "reading": f"{y:.10g}"},
                            n=fitted.fit.n if fitted.fit else None)
            made.append(estimate_of_bound(bare, fitted, found, level=level))
            if reference:
                made.append(estimate_of_bound(replace(bare, name=f"{LOAD}, {ADDED}"), fitted, found, level=level,
                                              reference=reference))
            continue
        closed = math.isfinite(found.low) and math.isfinite(found.high)
        made.append(Estimate(
            name=LOAD, value=found.estimate, std_error=finite(found.std_error), low=found.low, high=found.high,
            level=level if math.isfinite(found.low) or math.isfinite(found.high) else math.nan, unit=s.reference_unit,
            of={**s.of, "reading": f"{y:.10g}"}, n=fitted.fit.n if fitted.fit else None,
            method=f"{what}; exact set by inversion{' of the simultaneous band' if question.simultaneous else ''}"
                   f"{'' if closed else ': ' + set_words(found, '')}{', ' + GIVEN if reference else ''}"))
        wide = set_with_reference(found, reference, level=level) if reference else None
        if wide is not None:
            u = reference * abs(found.estimate)
            made.append(replace(made[-1], name=f"{LOAD}, {ADDED}", std_error=math.hypot(found.std_error, u),
                                low=wide[0], high=wide[1], method=f"{what}; exact set by inversion, each side in "
                                "quadrature with 1.96 u of the reference"))
    return made


def _answer(done: list[Answered]) -> str:
    said = []
    for one in done[:MOST_SAID] if len(done) > MOST_SAID + 1 else done:
        text = curve_sentence(one.fitted)
        at, unit = one.saturation, f" {one.fitted.series.reference_unit}" if one.fitted.series.reference_unit else ""
        if at is not None:
            text += _of_full_scale(at, unit)
        for y, found, mark in one.loads[:2]:
            if mark == SATURATED:
                least = bound_words(one.fitted, found, one.fitted.series.reference_unit)
                text += f"; at a reading of {number(y)}, full scale, the load is {least}"
                continue
            there = math.isfinite(found.estimate) and mark != "not invertible"
            text += (f"; a reading of {number(y)} is {number(found.estimate)}{unit} ({set_words(found, unit)})" if there
                     else f"; a reading of {number(y)} has no load on this curve")
            text += f", {mark}" if mark not in ("inside", "not invertible") else ""
        said.append(text.rstrip(".") + ".")
    if len(done) > len(said):
        said.append(f"{len(done) - len(said)} more calibrations stand in the table of curves.")
    return " ".join(said)


def _of_full_scale(at: Saturation, unit: str) -> str:
    """Return where the curve reaches full scale, as a clause of the answer."""
    least = f"at least {number(at.low)}{unit}" if math.isfinite(at.low) else "not bounded"
    if not math.isfinite(at.value):
        return f"; as fitted it never reaches full scale, and the readings allow a saturation pressure of {least}"
    span = least if at.open else (f"{number(at.low)} to {number(at.high)}" if math.isfinite(at.low) else
                                  f"{number(at.high)} or less" if math.isfinite(at.high) else "no interval")
    beyond = f", an extrapolation: the top level is {100 * at.ratio:.0f} % of that" if at.extrapolated else ""
    return f"; it reaches full scale at {number(at.value)}{unit} ({span}){beyond}"


def curves_of(result: Result) -> tuple[CalibrationCurve, ...]:
    """Return the calibration curves that a result holds, as values."""
    import json

    table = next((t for t in result.tables if t.name == "calibration curves"), None)
    if table is None:
        return ()
    return tuple(CalibrationCurve.from_dict(json.loads(str(v))) for v in table["as value"] if v)


def static_components(result: Result, **of: Any) -> tuple[Component, ...]:
    """Return the parts of uncertainty that a calibration gives, each with type, distribution and degrees of freedom.

    Parameters
    ----------
    result : CalibrationResult
    **of : str
        Labels (``sensor``, ``use``, ``cal_id``) of the calibration wanted; all where none is given.
    """
    table = next((t for t in result.tables if t.name == "static components"), None)
    if table is None:
        return ()
    return tuple(
        Component(name=str(table["component"][i]), value=float(table["standard uncertainty"][i]),
                  unit=str(table["unit"][i]), kind=str(table["type"][i]), distribution=str(table["distribution"][i]),
                  df=math.inf if math.isnan(table["df"][i]) else float(table["df"][i]), note=str(table["note"][i]))
        for i in range(len(table)) if all(str(table[k][i]) == str(v) for k, v in of.items()))
