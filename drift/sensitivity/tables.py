"""The tables of the drift-per-use result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.records import Tables
from drift.results import ResultTable
from drift.sensitivity.design import WearData, prepare
from drift.sensitivity.lines import Occasions, occasion_means
from drift.study import Study

if TYPE_CHECKING:
    from drift.sensitivity.fit import Analysis

Floats = NDArray[np.float64]


def sensitivity_unit(analysis: Analysis | Basics) -> str:
    """Return the unit of a sensitivity: reading unit per reference unit."""
    units = analysis.data.units
    if not analysis.data.has_reference:
        return units["reading"]
    return f"{units['reading']}/{units['reference']}" if units["reading"] and units["reference"] else ""


def response_unit(analysis: Analysis | Basics) -> str:
    """Return the unit of the response: none for a logarithm."""
    return "" if analysis.data.log else sensitivity_unit(analysis)


def slope_unit(analysis: Analysis) -> str:
    """Return the unit of drift per use on the response scale."""
    unit = response_unit(analysis)
    return f"{unit} per {analysis.data.per}" if unit else f"per {analysis.data.per}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Basics:
    """What the tables of sensitivities and occasions are made of, without any model."""

    data: WearData
    occasions: Occasions


def basic_tables(tables: Tables, study: Study) -> tuple[ResultTable, ResultTable]:
    """Return the tables "occasions" and "sensitivities" of a study without fitting a model of wear.

    Raises
    ------
    DriftError
        Without checks, without the exposure column, or when no row can be used.
    """
    return basic_tables_of(prepare(tables, study))


def basic_tables_of(data: WearData) -> tuple[ResultTable, ResultTable]:
    """Return the same two tables of checks that are prepared already."""
    found = Basics(data=data, occasions=occasion_means(data))
    return _occasions(found), _sensitivities(found)


def all_tables(analysis: Analysis) -> tuple[ResultTable, ...]:
    """Build every table, in the order in which they are read."""
    return (_sensor_lines(analysis), _components(analysis), _comparison(analysis), _population_line(analysis),
            _occasions(analysis), _sensitivities(analysis), _influence(analysis), _checks(analysis),
            _residuals(analysis), analysis.removals.table, analysis.data.screening.table, analysis.aliases.table)


def _sensitivities(analysis: Analysis | Basics) -> ResultTable:
    data, c = analysis.data, analysis.data.calibration
    unit, pressure = sensitivity_unit(analysis), data.units["reference"]
    return ResultTable.build("sensitivities", {
        "sensor": c.sensor, "construction": data.construction, "batch": data.batch, "use": c.use,
        "replicate": c.replicate, "reading": c.reading, "sensitivity": c.sensitivity,
        "sensitivity_se": c.sensitivity_se, "intercept": c.intercept,
        "saturation_pressure": c.saturation_pressure, "saturation_se": c.saturation_se, "levels": c.levels,
        "censored": c.censored, "dead": c.dead, "saturated": c.saturated, "cal_id": c.cal_id,
        "row": c.row.astype(np.float64),
    }, units={"use": data.per, "reading": data.units["reading"], "sensitivity": unit, "sensitivity_se": unit,
              "intercept": data.units["reading"], "saturation_pressure": pressure, "saturation_se": pressure},
        caption={"line": "Slope of the calibration line of each mounting.",
                 "ratio": "Reading over reference of each mounting (intercept assumed zero).",
                 "reading": "Mean reading of each mounting (no reference)."}[c.form])


def _occasions(analysis: Analysis | Basics) -> ResultTable:
    o, unit = analysis.occasions, response_unit(analysis)
    what = ("log " if analysis.data.log else "") + analysis.data.what
    return ResultTable.build("occasions", {
        "sensor": o.sensor, "construction": o.construction, "batch": o.batch, "use": o.use, "response": o.response,
        "response_se": o.response_se, "n": o.n,
    }, units={"use": analysis.data.per, "response": unit, "response_se": unit},
        caption=f"Mean over mountings of {what}, each sensor and {analysis.data.per} count.")


def _sensor_lines(analysis: Analysis) -> ResultTable:
    lines, data = analysis.lines, analysis.data
    blup_a, blup_b = np.full(len(lines), np.nan), np.full(len(lines), np.nan)
    for group in analysis.groups:
        for i in np.flatnonzero(group.pick):
            blup_a[i] = group.fit.blup_intercept.get(lines.sensor[i], np.nan)
            blup_b[i] = group.fit.blup_slope.get(lines.sensor[i], np.nan)
    unit, per = response_unit(analysis), slope_unit(analysis)
    return ResultTable.build("sensor lines", {
        "sensor": lines.sensor, "construction": lines.construction, "batch": lines.batch,
        "n_checks": lines.n_checks, "first_use": lines.first_use, "last_use": lines.last_use,
        "intercept": lines.intercept, "slope": lines.slope, "slope_se": lines.slope_se, "blup_intercept": blup_a,
        "blup_slope": blup_b, "fall_percent_at_last": fall_percent(analysis),
    }, units={"first_use": data.per, "last_use": data.per, "intercept": unit, "slope": per, "slope_se": per,
              "blup_intercept": unit, "blup_slope": per, "fall_percent_at_last": "%"},
        caption="Least-squares line of each sensor over its occasion means, and its line predicted by the model (drawn "
                "towards its construction). The fall is from the sensor's own fitted value at 0 to its last check.")


def fall_percent(analysis: Analysis) -> Floats:
    """Fall of each sensor at its last check from its own fitted value at 0; NaN without a natural zero."""
    lines, data = analysis.lines, analysis.data
    with np.errstate(divide="ignore", invalid="ignore"):
        if data.log:
            return np.asarray(-100 * np.expm1(lines.slope * lines.last_use))
        fall = -100 * lines.slope * lines.last_use / lines.intercept
    return np.where((lines.intercept > 0) & data.has_reference, fall, np.nan)


def _population_line(analysis: Analysis) -> ResultTable:
    parts = [(g.construction, *g.fit.band) for g in analysis.groups]
    unit = response_unit(analysis)
    return ResultTable.build("population line", {
        "construction": np.concatenate([np.full(len(p[1]), p[0], dtype=object) for p in parts]),
        "use": np.concatenate([p[1] for p in parts]), "fit": np.concatenate([p[2] for p in parts]),
        "low": np.concatenate([p[3] for p in parts]), "high": np.concatenate([p[4] for p in parts]),
    }, units={"use": analysis.data.per, "fit": unit, "low": unit, "high": unit},
        caption=f"Line of the average sensor with its {100 * analysis.level:g} % band (pointwise).")


def _components(analysis: Analysis) -> ResultTable:
    rows = [(g.construction, c) for g in analysis.groups for c in g.fit.components]
    return ResultTable.build("variance components", {
        "construction": np.array([r[0] for r in rows], dtype=object),
        "component": np.array([r[1].name for r in rows], dtype=object),
        "sd": np.array([r[1].sd for r in rows], dtype=np.float64),
        "low": np.array([r[1].low for r in rows], dtype=np.float64),
        "high": np.array([r[1].high for r in rows], dtype=np.float64),
        "share": np.array([r[1].share for r in rows], dtype=np.float64),
        "unit": np.array([component_unit(analysis, r[1].name) for r in rows], dtype=object),
        "method": np.array([r[1].method for r in rows], dtype=object),
    }, caption="SDs of the response, and the share of each source in the variance of one mounting at the mean "
               "exposure (start and drift of a source have no share apart, since they are correlated).")


def component_unit(analysis: Analysis, name: str) -> str:
    """Return the unit of one variance component's SD."""
    return slope_unit(analysis) if name.endswith("drift per use") else response_unit(analysis)


def _comparison(analysis: Analysis) -> ResultTable:
    rows, unit = analysis.comparison, slope_unit(analysis)
    values = {name: np.array([getattr(r, name) for r in rows], dtype=np.float64)
              for name in ("value", "std_error", "df", "low", "high", "equivalence_level", "equivalence_low",
                           "equivalence_high", "mean_slope")}
    return ResultTable.build("comparison of constructions", {
        "a": np.array([r.a for r in rows], dtype=object), "b": np.array([r.b for r in rows], dtype=object), **values,
    }, units=dict.fromkeys(("value", "std_error", "low", "high", "equivalence_low", "equivalence_high", "mean_slope"),
                           unit),
        caption="Difference of drift per use, a minus b, from one joint REML fit with Kenward-Roger t intervals; "
                "the equivalence interval serves two one-sided tests.")


def _influence(analysis: Analysis) -> ResultTable:
    rows = [(g.construction, s, v, v - g.fit.slope[0]) for g in analysis.groups for s, v in g.influence]
    unit = slope_unit(analysis)
    return ResultTable.build("influence", {
        "construction": np.array([r[0] for r in rows], dtype=object),
        "left out": np.array([r[1] for r in rows], dtype=object),
        "drift per use": np.array([r[2] for r in rows], dtype=np.float64),
        "change": np.array([r[3] for r in rows], dtype=np.float64),
    }, units={"drift per use": unit, "change": unit}, caption="Drift per use with one sensor left out.")


def _checks(analysis: Analysis) -> ResultTable:
    rows = analysis.checks
    return ResultTable.build("assumption checks", {
        "check": np.array([r.name for r in rows], dtype=object),
        "construction": np.array([r.construction for r in rows], dtype=object),
        "statistic": np.array([r.statistic for r in rows], dtype=np.float64),
        "p": np.array([r.p for r in rows], dtype=np.float64),
        "finding": np.array([r.words for r in rows], dtype=object),
    }, caption="What the model assumes, looked at, each check called at p below 0.01; nothing is dropped or refitted "
               "because of these.")


def _residuals(analysis: Analysis) -> ResultTable:
    o, lines, data = analysis.occasions, analysis.lines, analysis.data
    unit = response_unit(analysis)
    mounting = data.response - o.response[o.of_mounting] if not (data.epoch != "").any() else np.full(
        len(data.response), np.nan)
    return ResultTable.build("residuals", {
        "sensor": data.sensor, "construction": data.construction, "use": data.use,
        "replicate": data.calibration.replicate, "occasion off the sensor's line": lines.residual[o.of_mounting],
        "mounting off its occasion": mounting, "row": data.calibration.row.astype(np.float64),
    }, units={"use": data.per, "occasion off the sensor's line": unit, "mounting off its occasion": unit},
        caption="Where each mounting lies: its occasion against the sensor's own line, and itself against its "
                "occasion.")
