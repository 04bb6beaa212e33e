"""Tables of calibration curves: those tried, points, lines to draw, loads, static errors, components."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from drift.calibration.curve import SATURATED
from drift.calibration.curve_words import formula, reason, set_words, spread_words
from drift.calibration.saturated import bound_of, bound_words
from drift.engine.curve_models import COEFFICIENTS, Model, values
from drift.engine.inverse_prediction import (
    InverseSet,
    band_quantile,
    degrees,
    mean_variance,
    reading_variance,
    t_quantile,
)
from drift.results import ResultTable
from drift.study import CalibrationQuestion

if TYPE_CHECKING:
    from drift.calibration.curves import Answered

LABELS = ("sensor", "use", "cal_id")
Rows = list[Mapping[str, object]]


def _labels(one: Answered) -> dict[str, object]:
    of = one.fitted.series.of
    return {k: of.get(k, "") for k in LABELS}


def curve_tables(done: Sequence[Answered], question: CalibrationQuestion, *, level: float) -> tuple[ResultTable, ...]:
    """Return the tables of all series below one another; empty ones are left out."""
    units = {s.reference_unit for s in (d.fitted.series for d in done)}
    reading_units = {s.reading_unit for s in (d.fitted.series for d in done)}
    unit, of_reading = (u.pop() if len(u) == 1 else "" for u in (units, reading_units))
    load = dict.fromkeys(("load", "from", "to", "low", "high", "standard uncertainty", "saturation pressure",
                          "saturation low", "saturation high"), unit)
    reading = dict.fromkeys(("reading", "curve", "band low", "band high", "prediction low", "prediction high",
                             "simultaneous low", "simultaneous high", "residual", "mean reading", "residual SD"),
                            of_reading)
    made = [
        ("calibration curves", "Calibration curves", _chosen(done)),
        ("curves tried", "Curves that were tried, with lack of fit and AICc", _tried(done)),
        ("coefficient covariance", "Covariance of the coefficients", _covariance(done)),
        ("loads at readings", f"Loads behind readings, {100 * level:g} % sets", _loads(done)),
        ("saturation", "Saturation pressure: parts of its standard uncertainty", _saturation(done)),
        ("relative errors by level", "Relative errors by level, percent of the mean reading", _levels(done)),
        ("static components", "Parts of the uncertainty of a pressure that the calibration shows", _components(done)),
        ("calibration points", "Readings of the calibration", _points(done)),
        ("curve lines", "Curves with their bands", _lines(done, level))]
    parts = dict.fromkeys(("saturation pressure", "curve", "reference", "resolution", "spread of curves", "combined"),
                          unit)
    own = {"static components": {}, "saturation": parts}
    return tuple(_table(name, rows, own.get(name, {**load, **reading}), caption)
                 for name, caption, rows in made if rows)


def _table(name: str, rows: Rows, units: Mapping[str, str], caption: str) -> ResultTable:
    keys = list(rows[0])
    keep = [k for k in keys if k not in LABELS or any(r[k] != "" for r in rows)]
    columns = {k: np.array([r[k] for r in rows], dtype=np.float64 if isinstance(rows[0][k], (int, float)) else object)
               for k in keep}
    if name == "static components":  # other code asks for the labels
        columns = {k: np.array([r[k] for r in rows], dtype=object) for k in LABELS} | columns
    return ResultTable.build(name, columns, units=units, caption=caption)


def _chosen(done: Sequence[Answered]) -> Rows:
    rows: Rows = []
    for one in done:
        f, fit = one.fitted, one.fitted.fit
        curve = f.curve
        nan = math.nan
        rows.append({**_labels(one), "model": f.model or "none", "curve": formula(f) if fit else "",
                     "why": reason(f) if fit else f.refusal, "spread": spread_words(f) if fit else "",
                     "from": fit.low if fit else nan, "to": fit.high if fit else nan,
                     "readings": float(fit.n) if fit else 0.0, "bounds": float(fit.n_censored) if fit else 0.0,
                     "mountings": float(len(f.series.mountings)), "residual SD": fit.sigma if fit else nan,
                     "df": fit.curve_df if fit else nan,
                     "as value": json.dumps(curve.to_dict()) if curve is not None else ""})
    return rows


def _tried(done: Sequence[Answered]) -> Rows:
    return [{**_labels(one), "model": m, "coefficients": float(len(COEFFICIENTS[m])), "AICc": finite(c.fit.aicc),
             "F": c.lack.F, "df of lack": c.lack.df_lack, "df of pure error": c.lack.df_pure, "p": c.lack.p,
             "rises or falls throughout": "yes" if c.monotone else "no",
             "saturation pressure": one.saturation.others.get(m, math.nan) if one.saturation else math.nan,
             "saturation low": finite(_set(one, m)[0]), "saturation high": finite(_set(one, m)[1]),
             "taken": "yes" if m == one.fitted.model else "no"}
            for one in done for m, c in one.fitted.tried.items()]


def _set(one: Answered, model: Model) -> tuple[float, float]:
    """Return the ends of the saturation pressure by one curve, where it has a part in the hull."""
    return one.saturation.sets.get(model, (math.nan, math.nan)) if one.saturation else (math.nan, math.nan)


def _covariance(done: Sequence[Answered]) -> Rows:
    rows: Rows = []
    for one in done:
        fit = one.fitted.fit
        if fit is None:
            continue
        names = COEFFICIENTS[fit.model]
        for i, a in enumerate(names):
            for j, b in enumerate(names[:i + 1]):
                v, root = fit.covariance[i, j], math.sqrt(fit.covariance[i, i] * fit.covariance[j, j])
                rows.append({**_labels(one), "a": a, "b": b, "covariance": float(v),
                             "correlation": float(v / root) if root > 0 else math.nan})
    return rows


def _loads(done: Sequence[Answered]) -> Rows:
    return [{**_labels(one), "reading": y, **_load(one, s, mark), "mark": mark}
            for one in done for y, s, mark in one.loads]


def _load(one: Answered, s: InverseSet, mark: str) -> dict[str, object]:
    """Return load and set behind a reading; a saturated one has a bound alone."""
    if mark != SATURATED:
        return {"load": finite(s.estimate), "low": s.low, "high": s.high,
                "standard uncertainty": finite(s.std_error), "df": finite(s.df), "set": set_words(s, "")}
    word, end = bound_of(one.fitted, s)
    nan = math.nan
    return {"load": nan, "low": end if word == "at least" else nan, "high": end if word == "at most" else nan,
            "standard uncertainty": nan, "df": finite(s.df), "set": bound_words(one.fitted, s, "")}


def _saturation(done: Sequence[Answered]) -> Rows:
    return [{**_labels(one), "saturation pressure": a.value, "curve": a.u_fit, "reference": a.u_reference,
             "resolution": a.u_resolution, "spread of curves": a.u_model, "combined": finite(a.u), "df": finite(a.df),
             "top level over it": a.ratio} for one in done if (a := one.saturation) is not None
            and math.isfinite(a.value)]


def _levels(done: Sequence[Answered]) -> Rows:
    return [row for one in done if one.statics for row in one.statics.by_level]


def _components(done: Sequence[Answered]) -> Rows:
    return [{**_labels(one), "component": c.name, "standard uncertainty": c.value, "unit": c.unit, "type": c.kind,
             "distribution": c.distribution, "df": finite(c.df), "note": c.note}
            for one in done if one.statics for c in one.statics.components]


def _points(done: Sequence[Answered]) -> Rows:
    rows: Rows = []
    for one in done:
        s, curve = one.fitted.series, one.fitted.curve
        fitted = curve.reading(s.x) if curve is not None else np.full(len(s.x), np.nan)
        for i in range(len(s.x)):
            state = ("at least" if s.right[i] else "at most" if s.left[i] else "in the curve" if s.curve[i] else
                     "unloading" if s.direction[i] == "down" else "held longer")
            rows.append({**_labels(one), "row": float(s.row[i]), "load": float(s.x[i]), "reading": float(s.y[i]),
                         "mounting": s.mountings[s.mounting[i]], "state": state,
                         "residual": float(s.y[i] - fitted[i])})
    return rows


def _lines(done: Sequence[Answered], level: float) -> Rows:
    rows: Rows = []
    for one in done:
        fit, curve = one.fitted.fit, one.fitted.curve
        if fit is None or curve is None:
            continue
        at = one.saturation
        top = fit.high if at is None or not math.isfinite(at.value) else max(fit.high, min(at.value, 2 * fit.high))
        low = fit.low if fit.model not in ("power", "power of logs") or fit.low > 0 else 1e-3 * fit.high
        x = np.unique(np.concatenate([np.linspace(low, fit.high, 61), np.linspace(fit.high, top, 21)]))
        f = np.asarray(values(fit.model, np.asarray(fit.coefficients), x), dtype=np.float64)
        mean, new = np.sqrt(mean_variance(fit, x)), np.sqrt(reading_variance(fit, x))
        both = band_quantile(fit, level)
        t = np.array([t_quantile(level, d) for d in degrees(fit, x, problem="regulation")])
        of_new = np.array([t_quantile(level, d) for d in degrees(fit, x)])
        back = np.exp if fit.model == "power of logs" else np.asarray
        for i in range(len(x)):
            row = {**_labels(one), "load": float(x[i]), "curve": float(back(f[i]))}
            for name, h in (("band", t[i] * mean[i]), ("prediction", of_new[i] * new[i]), ("simultaneous",
                                                                                        both * mean[i])):
                row |= {f"{name} low": float(back(f[i] - h)), f"{name} high": float(back(f[i] + h))}
            rows.append(row)
    return rows


def finite(value: float) -> float:
    """Return the value, NaN where it is not finite."""
    return float(value) if math.isfinite(value) else math.nan
