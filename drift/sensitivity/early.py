"""Uses before ``start``: kept out of the slope and in the count, and how far off the later line they lie."""

from __future__ import annotations

import math

import numpy as np

from drift.calibration import calibrate, codes_of
from drift.results import Estimate, ResultTable
from drift.sensitivity.companion import Companion, Setting
from drift.sensitivity.design import before_start, full_scale_of
from drift.sensitivity.model import t_interval

TABLE = "before start"


def companion(setting: Setting) -> Companion | None:
    """List the occasions before ``start`` and estimate what a sensor loses there beyond its later line.

    Nothing where ``start`` is not declared. The table carries the fresh values that a limit on the fall of sensitivity
    is counted from.
    """
    data, start = setting.data, setting.data.spec.start
    if not start:
        return None
    checks = setting.tables.checks
    assert checks is not None
    left = {x.row for x in data.exclusions if x.reason == before_start(data)}
    keep = np.array([int(r) in left for r in checks.row], dtype=np.bool_)
    label = f"Uses below start = {start:g} are kept out of the slope{setting.where}, not out of the count"
    if not keep.any():
        return Companion(findings=(setting.say("note", "start-leaves-nothing", f"start = {start:g} leaves nothing out"
                                               f"{setting.where}: no sensor was checked below it"),))
    found = calibrate(checks, exposure=data.spec.exposure, full_scale=full_scale_of(checks, data.spec,
                                                                                   setting.tables.sensors),
                      keep=keep, question="wear")
    value = found.sensitivity if found.form != "reading" else found.reading
    own = {str(s): i for i, s in enumerate(setting.lines.sensor) if setting.lines.construction[i]
           == setting.construction}
    good = np.array([str(s) in own for s in found.sensor]) & (value > 0 if data.log else np.isfinite(value))
    if not good.any():
        return None
    response = np.log(value[good]) if data.log else value[good]
    code, first = codes_of([found.sensor[good], found.use[good]])
    sensor, use = found.sensor[good][first], found.use[good][first]
    mean = np.bincount(code, weights=response) / np.bincount(code)
    place = np.array([own[str(s)] for s in sensor])
    line = setting.lines.intercept[place] + setting.lines.slope[place] * use
    table = ResultTable.build(TABLE, {
        "construction": np.array([setting.construction] * len(sensor), dtype=object), "sensor": sensor, "use": use,
        "response": mean, "off the later line": mean - line,
    }, units={"use": data.per, "response": setting.unit, "off the later line": setting.unit},
        caption=f"Occasions below start = {start:g}: not in the slope; a fall is counted from the fresh value")
    fresh = np.flatnonzero((use <= 1 if data.spec.exposure == "use" else use <= 0) & np.isfinite(line))
    estimates: tuple[Estimate, ...] = ()
    if len(fresh) > 1:
        loss = (line - mean)[fresh]
        se = float(loss.std(ddof=1) / math.sqrt(len(loss)))
        ends = [float(setting.percent(v)) for v in (float(loss.mean()), *t_interval(float(loss.mean()), se,
                                                                                    len(loss) - 1, setting.level))]
        estimates = (Estimate(name="change before start", of=setting.of, value=ends[0], low=ends[1], high=ends[2],
                              level=setting.level, unit="%" if data.log else setting.unit, n=len(fresh),
                              method="later line of each sensor at 0 less its fresh value, t interval over sensors"),)
        label += f"; from fresh to where the later line starts the average sensor changes by {estimates[0].text()}"
    return Companion(estimates=estimates, tables=(table,), findings=(setting.say("note", "start", label),),
                     sentences=(f"The slope is that from {data.per} {start:g} on.",))
