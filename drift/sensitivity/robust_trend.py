"""Drift by ranks: median slopes of single sensors, Kendall's S, and whether the wear model is led by a few points."""

from __future__ import annotations

import math

import numpy as np

from drift.engine.robust_trend import (
    Kendall,
    StratifiedTrend,
    pooled_kendall,
    sign_test,
    stratified_trend,
    walsh_centre,
)
from drift.errors import MINUS, Finding
from drift.results import Estimate, ResultTable, decimals_for, join_words
from drift.sensitivity.companion import Companion, Floats, Setting
from drift.sensitivity.model import t_interval
from drift.simulated import Design
from drift.simulated.quoting import Asked

Row = tuple[str, int, StratifiedTrend]  # sensor, checks, trend
NAN = math.nan
#: A smallest possible p above this is printed beside p.
SMALL_P = 0.001
TABLE, FAMILY = "robust trend", "robust_trend"
CENTRE = "Theil-Sen slopes of the sensors, median of the means of pairs, exact signed-rank interval"
NAMED = "signed-rank interval of Theil-Sen slopes"


def companion(setting: Setting) -> Companion | None:
    """Robust trend of every sensor and of the sensors together.

    Mountings are averaged first: those of one use are not points of time. Each sensor gets its Theil-Sen slope with
    the interval of exact ranks, and Kendall's S with exact p and the smallest p its checks allow; over sensors S is
    summed (no sensor drifts) and the share that falls gets an exact sign test (sensors in general drift). Displayed
    pressures have an offset of their own under each calibration, so that only checks under one calibration are
    compared: offsets that were estimated would make all differences across them err together.

    References
    ----------
    Sen PK (1968), J Am Stat Assoc 63:1379-1389. Mann HB (1945), Econometrica 13:245-259.
    Hirsch RM, Slack JR, Smith RA (1982), Water Resources Research 18:107-121.
    """
    o = setting.occasions
    names = list(dict.fromkeys(o.sensor.tolist()))
    rows: list[Row] = []
    for name in names:
        mine = o.sensor == name
        rows.append((str(name), int(mine.sum()),
                     stratified_trend(o.use[mine], o.response[mine], o.epoch[mine].astype(str), level=setting.level)))
    silent = _without_pairs(setting, [r for r in rows if not math.isfinite(r[2].slope)])
    rows = [r for r in rows if math.isfinite(r[2].slope)]
    if not rows:
        return Companion(findings=tuple(silent)) if silent else None
    pooled = pooled_kendall([r[2].kendall for r in rows])
    slopes = np.array([r[2].slope for r in rows])
    return Companion(estimates=tuple(_estimates(setting, slopes, pooled)), tables=(_table(setting, rows),),
                     findings=(*_findings(setting, rows, slopes), *silent), asked=_asked(setting, slopes))


def _displayed(setting: Setting) -> bool:
    return bool((setting.occasions.epoch != "").any())


def _without_pairs(setting: Setting, rows: list[Row]) -> list[Finding]:
    """Name sensors of which no two checks lie under one calibration of displayed pressures."""
    names = [r[0] for r in rows if r[1] > 1]
    if not names or not _displayed(setting):
        return []
    return [setting.say("note", "no-pair-in-a-calibration", f"No two checks of {join_words(names)} lie under one "
                        "calibration of displayed pressures, so that no robust trend can be read from them: the offset "
                        "of a new calibration and wear look alike", "Check each sensor twice or more between two "
                        "calibrations, or keep the raw output.")]


def _table(setting: Setting, rows: list[Row]) -> ResultTable:
    unit = setting.slope_unit
    return ResultTable.build(TABLE, {
        "construction": np.array([setting.construction] * len(rows), dtype=object),
        "sensor": np.array([r[0] for r in rows], dtype=object), "checks": np.array([float(r[1]) for r in rows]),
        "pairs": np.array([float(r[2].pairs) for r in rows]),
        "slope": np.array([r[2].slope for r in rows]), "low": np.array([_finite(r[2].low) for r in rows]),
        "high": np.array([_finite(r[2].high) for r in rows]), "S": np.array([float(r[2].kendall.s) for r in rows]),
        "p": np.array([r[2].kendall.p for r in rows]),
        "smallest possible p": np.array([r[2].kendall.least_p for r in rows]),
        "chances": np.array(["exact" if r[2].kendall.exact else "normal" for r in rows], dtype=object),
    }, units=dict.fromkeys(("slope", "low", "high"), unit),
        caption=f"Theil-Sen slope of each sensor over its occasion means with the {100 * setting.level:g} % interval "
                "of exact ranks (open where so few checks give none), Kendall's S, and the smallest p that so many "
                "checks can give" + ("; pairs are checks under one calibration of displayed pressures"
                                     if _displayed(setting) else ""))


def _finite(value: float) -> float:
    return value if math.isfinite(value) else NAN


def _estimates(setting: Setting, slopes: Floats, pooled: Kendall) -> list[Estimate]:
    centre, low, high = walsh_centre(slopes, level=setting.level)
    level = setting.level if math.isfinite(low) else NAN
    n = len(slopes)
    method = CENTRE if math.isfinite(low) else CENTRE.split(", exact")[0] + "; too few sensors for an interval"
    found = [Estimate(name="robust drift per use", of=setting.of, value=centre, low=low, high=high, level=level,
                      unit=setting.slope_unit, method=method, n=n)]
    if setting.data.log:
        found.append(Estimate(name="robust drift per use, percent", of=setting.of, value=float(setting.percent(centre)),
                              low=float(setting.percent(low)), high=float(setting.percent(high)), level=level,
                              unit=setting.percent_unit, method=method + ", ends transformed", n=n))
    below, total, p = sign_test(slopes)
    ends = _binomial(below, total, setting.level)
    found.append(Estimate(name="share of sensors that fall", of=setting.of, value=below / total if total else NAN,
                          low=ends[0], high=ends[1], level=setting.level if total else NAN,
                          method="exact binomial interval of the share of Theil-Sen slopes below zero"
                          if total else "not computed: no slope differs from zero",
                          n=total))
    found.append(Estimate(name="p, as many sensors fall as rise", of=setting.of, value=p, method="exact sign test",
                          n=total))
    inside = " and calibrations" if _displayed(setting) else ""
    least = f"; no p below {pooled.least_p:.2g} is possible" if pooled.least_p > SMALL_P else ""
    found.append(Estimate(name="p, no sensor drifts", of=setting.of, value=pooled.p, n=n,
                          method=f"Kendall's S summed over sensors{inside} (S = {pooled.s}), ".replace("-", MINUS) +
                                 f"{'exact' if pooled.exact else 'normal approximation corrected for ties'}{least}"))
    return found


def _binomial(k: int, n: int, level: float) -> tuple[float, float]:
    """Exact binomial interval (Clopper & Pearson 1934)."""
    from scipy.special import betaincinv

    if not n:
        return NAN, NAN
    tail = (1 - level) / 2
    return (float(betaincinv(k, n - k + 1, tail)) if k else 0.0,
            float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0)


def _findings(setting: Setting, rows: list[Row], slopes: Floats) -> list[Finding]:
    found = []
    fit, level = setting.group.fit, setting.level
    centre, low, high = walsh_centre(slopes, level=level)
    if not fit.refused and math.isfinite(low) and math.isfinite(fit.slope[0]):
        ends = t_interval(*fit.slope, level)
        if not ends[0] <= centre <= ends[1] and not low <= fit.slope[0] <= high:
            a, b = (_shown(setting, v, low, high) for v in (centre, fit.slope[0]))
            found.append(setting.say(
                "warning", "robust-disagrees",
                f"The robust drift{setting.where} is {a} and that of the wear model {b} {setting.percent_unit}, each "
                "outside the other's interval: a few checks or sensors lead the model",
                "Look at the tables of influence and of residuals for checks that do not belong."))
    weak = [r for r in rows if r[2].kendall.least_p > 1 - level and r[2].kendall.variance > 0]
    if weak:
        most, least = max(r[1] for r in weak), max(r[2].kendall.least_p for r in weak)
        apart, between = (", compared under one calibration each", " between two calibrations"
                          ) if _displayed(setting) else ("", "")
        many = "1 sensor has" if len(weak) == 1 else f"{len(weak)} sensors have"
        found.append(setting.say(
            "note", "kendall-powerless",
            f"{many} at most {most} checks{setting.inside}{apart}, with which Kendall's p cannot be below {least:.2g}: "
            "a p that is not small says nothing there",
            f"Check each sensor at five or more uses{between} to let its own trend be tested."))
    flat = [r[0] for r in rows if r[2].kendall.variance <= 0]
    if flat:
        found.append(setting.say("note", "constant-readings", f"Constant at every check: {', '.join(flat)}; a sensor "
                                 "that never changes may not have been read at all", "Look at its readings."))
    rising, total, p = sign_test(-slopes)
    if setting.data.has_reference and total >= 5 and rising / total > 0.5 and p < 0.05:
        found.append(setting.say(
            "warning", "rises-with-use", f"Sensitivity rises with use in {rising} of {total} sensors{setting.where}: "
            "that is not wear as limits on a fall know it",
            "Look whether reading and reference are swapped, or the rig moved; a limit on the reading itself can be "
            "declared above."))
    return found


def _shown(setting: Setting, value: float, low: float, high: float) -> str:
    value, low, high = (float(setting.percent(v)) for v in (value, low, high))
    return f"{value:.{decimals_for(low, high, value)}f}".replace("-", MINUS)


def _asked(setting: Setting, slopes: Floats) -> tuple[tuple[str, Asked], ...]:
    if not math.isfinite(walsh_centre(slopes, level=setting.level)[1]):
        return ()
    return ((FAMILY, Asked(quantity="robust drift per use", named="robust drift per use", method=NAMED,
                           design=Design(n=float(len(slopes)), kinds=frozenset({"displayed"} if _displayed(setting)
                                                                               else ())),
                           of=setting.construction, printed=CENTRE)),)
