"""Other interval methods, for comparison: what a staircase and a control chart would settle at on these sensors."""

from __future__ import annotations

import math

import numpy as np

from drift.engine.first_passage import CURRENT, fit_passage
from drift.engine.staircase import control_chart, settling_share, staircase
from drift.errors import Finding
from drift.results import ResultTable, join_words
from drift.retirement.companion import Companion, Setting
from drift.retirement.first_passage import Group, groups_of
from drift.retirement.limits import QUESTION
from drift.retirement.recalibration import statement_of
from drift.study import Study

SENSORS = 400
TABLE = "other interval methods"
SAID = ("Such rules are for between studies: they need dozens of cycles, keep wandering, and settle at a share out of "
        "tolerance that nobody chose")


def companion(setting: Setting) -> Companion | None:
    """Simulate both rules on the drift fitted to each construction, for limits that count from the own start.

    References
    ----------
    ILAC-G24 / OIML D 10, Guidelines for the determination of recalibration intervals (staircase and control chart; the
    factors are common practice).
    """
    rows: list[tuple[str, str, str, float, float, float, float, float, str]] = []
    for g in groups_of(setting):
        fit = fit_passage(CURRENT, g.paths)
        distance, compared = _compared(g, float(fit.start), setting.study)
        if not (float(fit.drift) > 0 and distance > 0):
            continue
        slopes = np.maximum(float(fit.drift) + float(fit.spread) * setting.rng.standard_normal(SENSORS),
                            0.05 * float(fit.drift))
        start = max(float(np.median(np.diff(np.unique(g.x[np.isfinite(g.x)])))), 1e-9)
        for name, rule in (("staircase", staircase), ("control chart", control_chart)):
            run = rule(slopes, distance, float(fit.noise), start, setting.rng)
            rows.append((g.construction, g.limit.key, name, 100 * run.out, run.interval, run.low, run.high, run.cycles,
                         compared))
    if not rows:
        return None
    names = ("construction", "limit", "method", "out of tolerance", "interval", "wanders from", "wanders to", "cycles",
             "kept within")
    unit = setting.exposure.unit
    table = ResultTable.build(TABLE, {n: [r[i] for r in rows] for i, n in enumerate(names)},
                              units={"out of tolerance": "%", "interval": unit, "wanders from": unit,
                                     "wanders to": unit},
                              caption="Other interval methods, for comparison: simulated on the drift fitted here, "
                                      "each "
                                      "sensor put right at every check and kept within what the last column says. "
                                      "Share of checks out of tolerance in the long "
                                      "run, "
                                      "the interval it settles at and the middle nine tenths between which it wanders "
                                      "(over sensors and cycles), and cycles until it has settled (a dash: "
                                      "it does not settle within those simulated). " + SAID + ".")
    unsettled = sorted({r[2] for r in rows if not math.isfinite(r[7])})
    loose = f". The {' and the '.join(unsettled)} does not settle" if unsettled else ""
    within = sorted({r[8] for r in rows})
    stairs = [r[3] for r in rows if r[2] == "staircase" and math.isfinite(r[3])]
    said = Finding(severity="note", code="interval-methods", question=QUESTION, message=(
        f"A staircase that lengthens the interval by 10 % and shortens it by 55 % would settle at about "
        f"{np.mean(stairs):.0f} % of checks out of tolerance on these sensors (in theory "
        f"{100 * settling_share():.1f} %){loose}; sensors were kept within {join_words(within)}. {SAID}"))
    return Companion(tables=(table,), findings=(said,))


def _compared(g: Group, start: float, study: Study) -> tuple[float, str]:
    """Return the change within which sensors are kept, and its words: the tolerance where one is declared."""
    if study.recalibration is not None and g.limit.key == "sensitivity_change":
        s = statement_of(study)
        return s.distance, f"the tolerance of {100 * s.tolerance:g} %"
    return (g.edge if g.limit.relative else g.edge - start), "the retirement limit"
