"""Estimates and tables of a question about two calibrations of the same raw trials."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from drift.agreement.along_use_tables import terms_table
from drift.agreement.recalculated_found import HIGH, LOW, MIDDLE, AtPressure, RecalculatedFound
from drift.engine.limits_of_agreement import (
    Strata,
    limits,
    lower_limit_bound,
    mean_interval,
    sd_interval,
    upper_limit_bound,
)
from drift.engine.shared_readings import line_strata
from drift.errors import MINUS
from drift.results import Estimate, ResultTable
from drift.study import AgreementQuestion

BY_PRESSURE, CURVES, LINES = "limits by pressure", "along pressure", "difference lines"
READINGS = "recalculated readings"
CURVE_POINTS = 41
LEVEL, USE = "change of difference with pressure", "change of difference with use between calibrations"
ERROR_SD, ERROR_SHARE = "calibration error of the difference, SD", "share of spread from calibration error"
FROM, TO = "interchangeable from pressure", "interchangeable to pressure"
OVER_MIX = "over the pressures met; noncentral t interval, degrees of freedom sensors less one"


def limit_method(strata: Strata) -> str:
    """Name the interval of a limit at one pressure."""
    return "noncentral t interval" if strata.exact else "MOVER interval (Zou 2013)"


def estimates_of(found: RecalculatedFound, of: Mapping[str, str], level: float, multiplier: float) -> list[Estimate]:
    """Return every estimate of one group; without values where there is one sensor."""
    data, k = found.data, found.data.k
    made = _over_mix(found, of, level, multiplier)
    for x in found.levels:
        if x.which in (LOW, MIDDLE, HIGH):
            made += _at_pressure(x, data.unit, of, level, multiplier, k)
    for term, name in zip(found.terms, (LEVEL, USE), strict=False):
        made.append(Estimate(name=name, value=term.value, low=term.low, high=term.high, level=level, unit=term.unit,
                             of=of, n=k, method=term.method))
    middle = found.at(MIDDLE)
    if np.isfinite(middle.error_variance) and not data.identical:
        made.append(Estimate(name=ERROR_SD, value=math.sqrt(middle.error_variance), unit=data.unit, of=of, n=k,
                             method=f"from the errors of both calibrations, first order, at {middle.pressure:g} "
                                    f"{data.unit}"))
        if middle.strata is not None:
            made.append(_error_share(middle, of, level, k))
    if found.shown is not None:
        how = ("both limits inside by one-sided 95 % bounds over all pressures met" if found.whole else
               "both limits inside by one-sided 97.5 % bounds, for a range of which either end may err")
        made += [Estimate(name=n, value=v, unit=data.unit, of=of, n=k, method=how)
                 for n, v in zip((FROM, TO), found.shown, strict=True)]
    return made


def _over_mix(found: RecalculatedFound, of: Mapping[str, str], level: float, multiplier: float) -> list[Estimate]:
    data, strata, k = found.data, found.mix, found.data.k
    if strata is None:
        d = data.a - data.b
        how = "mean over the readings met" + ("; the calibrations are the same" if data.identical else
                                              " of the one sensor" if k < 2 else "; sensors do not differ")
        return [Estimate(name="bias", value=float(d.mean()), unit=data.unit, of=of, n=k, method=how),
                *(Estimate(name=n, value=math.nan, unit=data.unit, of=of, n=k, method="not computed: "
                           + ("one sensor" if k < 2 and not data.identical else "no spread between sensors"))
                  for n in ("lower limit", "upper limit", "SD of differences"))]
    low, high = mean_interval(strata, level)
    made = [Estimate(name="bias", value=strata.mean, std_error=math.sqrt(strata.mean_variance), low=low, high=high,
                     level=level, unit=data.unit, of=of, n=k,
                     method=f"mean over {k} sensors of their differences over the pressures met, t interval")]
    low_limit, high_limit = limits(strata, multiplier=multiplier)
    tail = 0.5 - level / 2
    for name, value, bound, sign in (("lower limit", low_limit, lower_limit_bound, MINUS),
                                     ("upper limit", high_limit, upper_limit_bound, "+")):
        made.append(Estimate(name=name, value=value, low=bound(strata, tail, multiplier=multiplier),
                             high=bound(strata, 1 - tail, multiplier=multiplier), level=level, unit=data.unit, of=of,
                             n=k, method=f"bias {sign} {multiplier:g} SD for a new sensor {OVER_MIX}"))
    low, high = sd_interval(strata, level)
    made.append(Estimate(name="SD of differences", value=strata.sd, low=low, high=high, level=level, unit=data.unit,
                         of=of, n=k, method="of a new sensor over the pressures met; chi-square interval, degrees of "
                                            "freedom sensors less one"))
    return made


def _at_pressure(x: AtPressure, unit: str, of: Mapping[str, str], level: float, multiplier: float,
                 k: int) -> list[Estimate]:
    end, at = f"at {x.which} pressure", f"at {x.pressure:g} {unit}"
    if x.strata is None:
        how = f"difference of the lines {at}; " + ("normal interval from the errors of the calibrations"
                                                   if math.isfinite(x.bias_interval[0]) else "no interval")
        return [Estimate(name=f"bias {end}", value=x.bias, low=x.bias_interval[0], high=x.bias_interval[1],
                         level=level if math.isfinite(x.bias_interval[0]) else math.nan, unit=unit, of=of, n=k,
                         method=how)]
    made = [Estimate(name=f"bias {end}", value=x.bias, std_error=math.sqrt(x.strata.mean_variance),
                     low=x.bias_interval[0], high=x.bias_interval[1], level=level, unit=unit, of=of, n=k,
                     method=f"mean over {k} sensors {at}, t interval")]
    low, high = limits(x.strata, multiplier=multiplier)
    tail = 0.5 - level / 2
    for name, value, bound in (("lower limit", low, lower_limit_bound), ("upper limit", high, upper_limit_bound)):
        made.append(Estimate(name=f"{name} {end}", value=value, low=bound(x.strata, tail, multiplier=multiplier),
                             high=bound(x.strata, 1 - tail, multiplier=multiplier), level=level, unit=unit, of=of, n=k,
                             method=f"for a new sensor {at}, {limit_method(x.strata)}"))
    return made


def _error_share(x: AtPressure, of: Mapping[str, str], level: float, k: int) -> Estimate:
    """Return the share of the variance between sensors that calibration error explains.

    Its interval is that of the variance (the errors are taken as known), cut at one.
    """
    assert x.strata is not None
    low, high = (v**2 for v in sd_interval(x.strata, level))
    ends = [min(x.error_variance / v, 1.0) if v > 0 else 1.0 for v in (high, low)]
    return Estimate(name=ERROR_SHARE, value=x.error_share, low=ends[0], high=ends[1], level=level, unit="", of=of, n=k,
                    method="variance from the errors of both calibrations over the variance of differences between "
                           "sensors, at most 1; errors taken as known")


def pressure_table(found: RecalculatedFound, level: float, multiplier: float, q: AgreementQuestion) -> ResultTable:
    """Return bias and limits for a new sensor at each pressure, with the verdict there."""
    unit, rows = found.data.unit, found.levels
    tail, nan = 0.5 - level / 2, math.nan

    def bounds(x: AtPressure) -> tuple[float, ...]:
        if x.strata is None:
            return (nan,) * 6
        low, high = limits(x.strata, multiplier=multiplier)
        ends = [f(x.strata, p, multiplier=multiplier) for f in (lower_limit_bound, upper_limit_bound)
                for p in (tail, 1 - tail)]
        return (low, ends[0], ends[1], high, ends[2], ends[3])

    cells = [bounds(x) for x in rows]
    columns = {
        "pressure": [x.pressure for x in rows], "which": [x.which for x in rows], "bias": [x.bias for x in rows],
        "bias low": [x.bias_interval[0] for x in rows], "bias high": [x.bias_interval[1] for x in rows],
        **{n: [c[i] for c in cells] for i, n in enumerate((
            "lower limit", "lower limit low", "lower limit high", "upper limit", "upper limit low",
            "upper limit high"))},
        "lower outer": [x.outer[0] for x in rows], "upper outer": [x.outer[1] for x in rows],
        "verdict": [x.verdict for x in rows],
        "SD between sensors": [nan if x.strata is None else x.strata.sd for x in rows],
        "SD from calibration error": [math.sqrt(x.error_variance) if x.error_variance >= 0 else nan for x in rows],
        "share from calibration error": [100 * x.error_share for x in rows]}
    units = {n: unit for n in columns if n not in ("which", "verdict", "share from calibration error")}
    if q.harmless is not None and any(x.verdict for x in rows) and found.on_scale is not found.mix:
        units |= dict.fromkeys(("lower outer", "upper outer"), "%")
    return ResultTable.build(BY_PRESSURE, columns, units={**units, "share from calibration error": "%"}, caption=(
        f"Difference {q.a} {MINUS} {q.b} on a new sensor at pressures as {q.b} shows them, with {100 * level:g} % "
        "intervals"))


def curves_table(found: RecalculatedFound, level: float, multiplier: float, q: AgreementQuestion) -> ResultTable:
    """Return bias and limits along the pressures met, as the figure draws them."""
    data, tail = found.data, 0.5 - level / 2
    grid = np.linspace(*found.span, CURVE_POINTS if found.span[1] > found.span[0] else 1)
    rows = []
    for x in grid:
        if data.flat:
            rows.append((float(data.lines.at(float(x)).mean()), *(math.nan,) * 6))
            continue
        strata = line_strata(data.lines.at(float(x)), data.line_sensor)
        low, high = limits(strata, multiplier=multiplier)
        rows.append((strata.mean, *mean_interval(strata, level), low,
                     lower_limit_bound(strata, tail, multiplier=multiplier), high,
                     upper_limit_bound(strata, 1 - tail, multiplier=multiplier)))
    names = ("bias", "bias low", "bias high", "lower limit", "lower limit low", "upper limit", "upper limit high")
    columns = {"pressure": grid, **{n: np.array([r[i] for r in rows]) for i, n in enumerate(names)}}
    return ResultTable.build(CURVES, columns, units=dict.fromkeys(columns, data.unit), caption=(
        f"Difference {q.a} {MINUS} {q.b} on a new sensor along the pressure by {q.b}, with the far ends of "
        f"{100 * level:g} % intervals"))


def lines_table(found: RecalculatedFound, q: AgreementQuestion) -> ResultTable:
    """Return the line of the difference of each sensor and pair of calibrations."""
    data = found.data
    n = len(data.line_sensor)
    at = [x for x in found.levels if x.which in (LOW, MIDDLE, HIGH)]
    middle = found.at(MIDDLE)
    columns = {
        "sensor": [data.sensors[s] for s in data.line_sensor],
        f"{q.a} from": data.source_a, f"{q.b} from": data.source_b,
        "readings": np.bincount(data.line_of, minlength=n).astype(float),
        "pressure from": [float(data.b[data.line_of == i].min()) for i in range(n)],
        "pressure to": [float(data.b[data.line_of == i].max()) for i in range(n)],
        "difference at zero": data.lines.constant, "slope": 100 * data.lines.tilt,
        **{f"difference at {x.which} pressure": data.lines.at(x.pressure) for x in at},
        "SE from calibrations": np.sqrt(data.lines.error_variance(middle.pressure)), "use": data.line_use}
    in_unit = [c for c in columns if c.startswith(("difference", "pressure", "SE"))]
    return ResultTable.build(LINES, columns, units={**dict.fromkeys(in_unit, data.unit), "slope": "%", "use": "use"},
                             caption=f"Lines of the difference {q.a} {MINUS} {q.b}, one for each sensor and pair of "
                                     f"calibrations; low, middle and high pressure are "
                                     f"{', '.join(f'{x.pressure:g}' for x in at)} {data.unit}")


def readings_table(found: RecalculatedFound, q: AgreementQuestion) -> ResultTable:
    """Return every raw reading with both pressures and what marks it."""
    data = found.data
    columns = {"row": data.row.astype(float), "sensor": data.sensor, "raw reading": data.raw,
               f"pressure by {q.a}": data.a, f"pressure by {q.b}": data.b, "difference": data.a - data.b,
               "mark": data.flags}
    units = {c: data.unit for c in columns if c.startswith("pressure") or c == "difference"}
    return ResultTable.build(READINGS, columns, units=units,
                             caption="The raw readings, each through both calibrations")


def tables_of(found: RecalculatedFound, q: AgreementQuestion, level: float, multiplier: float) -> list[ResultTable]:
    """Return the tables of one group, without the ``by`` columns."""
    terms: Sequence[ResultTable] = [terms_table(found.terms, level)] if found.terms else []
    return [pressure_table(found, level, multiplier, q), *terms, curves_table(found, level, multiplier, q),
            lines_table(found, q), readings_table(found, q)]
