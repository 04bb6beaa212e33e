"""Estimates, findings and the answer sentence of the drift-per-use result."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import MINUS, Finding
from drift.results import Estimate, decimals_for, ends_text, join_words
from drift.sensitivity.design import QUESTION
from drift.sensitivity.groups import influence_words
from drift.sensitivity.handlers import handler_findings
from drift.sensitivity.model import t_interval
from drift.sensitivity.tables import component_unit, fall_percent, response_unit, sensitivity_unit, slope_unit

if TYPE_CHECKING:
    from drift.sensitivity.fit import Analysis
    from drift.sensitivity.groups import GroupAnalysis
    from drift.sensitivity.model import GroupFit

NAN = math.nan
OWN_LINE = "least-squares line of the sensor's occasion means, t interval"


def labels(construction: str, **more: str) -> dict[str, str]:
    """Labels of an estimate; construction is left out where the study names none."""
    return {"question": QUESTION, **({"construction": construction} if construction else {}), **more}


def all_estimates(analysis: Analysis) -> tuple[Estimate, ...]:
    """Estimates of every construction, then their comparison."""
    found: list[Estimate] = []
    for group in analysis.groups:
        found += _group_estimates(analysis, group)
    unit = slope_unit(analysis)
    for c in analysis.comparison:
        of = {"question": QUESTION, "comparison": f"{c.a} - {c.b}"}
        found.append(Estimate(name="difference of drift per use", of=of, value=c.value, unit=unit,
                              std_error=c.std_error, low=c.low, high=c.high, level=analysis.level,
                              method="joint REML, Kenward-Roger t interval"))
        found.append(Estimate(name="difference of drift per use, equivalence interval", of=of, value=c.value, unit=unit,
                              std_error=c.std_error, low=c.equivalence_low, high=c.equivalence_high,
                              level=c.equivalence_level,
                              method="joint REML, Kenward-Roger t interval of two one-sided tests"))
    return (*found, *analysis.controls.estimates)


def _group_estimates(analysis: Analysis, group: GroupAnalysis) -> list[Estimate]:
    fit, of, level = group.fit, labels(group.construction), analysis.level
    log, n = analysis.data.log, fit.n_sensors
    if fit.refused:
        return [*_refused(analysis, group), *_own_lines(analysis, group)]
    low, high = t_interval(*fit.slope, level)
    found = [Estimate(name="drift per use", of=of, value=fit.slope[0], unit=slope_unit(analysis),
                      std_error=fit.slope[1], low=low, high=high, level=level, method=fit.method, n=n)]
    if log:
        found.append(_percent("drift per use, percent", fit.slope, of, analysis, fit.method, n))
    if group.growth is not None:
        found.append(_percent("growth of saturation pressure per use, percent", group.growth.slope, of, analysis,
                              group.growth.method + " of log saturation pressure", n))
    low, high = t_interval(*fit.start, level)
    start_method = fit.method + (" (mean of these sensors under their first calibration)" if
                                 (analysis.data.epoch != "").any() else "")
    start_name = "sensitivity at use 0" if analysis.data.has_reference else "reading at use 0"
    if log:
        value = math.exp(fit.start[0])
        found.append(Estimate(name=start_name, of=of, value=value, unit=sensitivity_unit(analysis),
                              std_error=value * fit.start[1], low=math.exp(low), high=math.exp(high), level=level,
                              method=start_method + " on the log scale", n=n))
    else:
        found.append(Estimate(name=start_name, of=of, value=fit.start[0], unit=sensitivity_unit(analysis),
                              std_error=fit.start[1], low=low, high=high, level=level, method=start_method, n=n))
    for name, effect in fit.effects.items():
        low, high = t_interval(*effect, level)
        unit = slope_unit(analysis) if name.endswith("drift per use") else response_unit(analysis)
        found.append(Estimate(name=name, of=of, value=effect[0], unit=unit, std_error=effect[1], low=low, high=high,
                              level=level, method=fit.method, n=n))
    for c in fit.components:
        if not c.name.endswith("mean exposure"):
            found.append(Estimate(name=f"SD {c.name}", of=of, value=c.sd, unit=component_unit(analysis, c.name),
                                  low=c.low, high=c.high, level=level if np.isfinite(c.low) else NAN,
                                  method=c.method, n=n))
    if np.isfinite(fit.correlation[0]):
        value, low, high = fit.correlation
        found.append(Estimate(name="correlation of start and drift between sensors", of=of, value=value, low=low,
                              high=high, level=level, method="REML, profile likelihood interval", n=n))
    return found


def _percent(name: str, slope: tuple[float, float, float], of: dict[str, str], analysis: Analysis, method: str,
             n: int) -> Estimate:
    """Turn a slope of a logarithm into percent, ends and all."""
    low, high = t_interval(*slope, analysis.level)
    value = 100 * math.expm1(slope[0])
    return Estimate(name=name, of=of, value=value, unit=f"% per {analysis.data.per}",
                    std_error=100 * math.exp(slope[0]) * slope[1], low=100 * math.expm1(low),
                    high=100 * math.expm1(high), level=analysis.level, method=method + ", ends transformed", n=n)


def _refused(analysis: Analysis, group: GroupAnalysis) -> list[Estimate]:
    names = ["drift per use", "drift per use, percent"] if analysis.data.log else ["drift per use"]
    units = [slope_unit(analysis), f"% per {analysis.data.per}"]
    return [Estimate(name=name, of=labels(group.construction), value=NAN, unit=unit, level=analysis.level,
                     method="refused: too few sensors", n=group.fit.n_sensors)
            for name, unit in zip(names, units, strict=False)]


def _own_lines(analysis: Analysis, group: GroupAnalysis) -> list[Estimate]:
    """One estimate a sensor, where nothing can be said about sensors in general."""
    lines, found = analysis.lines, []
    for i in np.flatnonzero(group.pick):
        if not np.isfinite(lines.slope[i]):
            continue
        low, high = t_interval(float(lines.slope[i]), float(lines.slope_se[i]), float(lines.df[i]), analysis.level)
        of = labels(group.construction, sensor=str(lines.sensor[i]))
        found.append(Estimate(name="drift per use", of=of, value=float(lines.slope[i]), unit=slope_unit(analysis),
                              std_error=float(lines.slope_se[i]), low=low, high=high, level=analysis.level,
                              method=OWN_LINE, n=1))
        if analysis.data.log:
            found.append(_percent("drift per use, percent", (float(lines.slope[i]), float(lines.slope_se[i]),
                                                             float(lines.df[i])), of, analysis, OWN_LINE, 1))
    return found


def answer_sentence(analysis: Analysis) -> str:
    """Answer in one or two sentences, each number with its unit and interval."""
    said: list[str] = []
    before = ""
    for group in analysis.groups:
        text, before = _drift_words(analysis, group, before=before)
        said.append(text)
    text = "; ".join(said)
    text = text[0].upper() + text[1:] + "."
    text += _rise_words(analysis)
    if analysis.aliases.confounded:
        text += (f" Drift and {join_words(analysis.aliases.confounded)} cannot be told apart in these checks, so this "
                 "is not put down to wear.")
    return text


def _rise_words(analysis: Analysis) -> str:
    """Say that a sensitivity that rises is not wear, how far readings are off by then, and where to look."""
    data, said = analysis.data, []
    rising = [g for g in analysis.groups if not g.fit.refused and t_interval(*g.fit.slope, analysis.level)[0] > 0]
    if not data.has_reference or not rising:
        return ""
    for g in rising:
        last = float(np.median(analysis.lines.last_use[g.pick]))
        whose = f" in {g.construction} sensors" if g.construction and len(analysis.groups) > 1 else ""
        if data.log and last > 0:
            at = f"use {last:g}" if data.per == "use" else f"{last:g} {data.per}"
            said.append(f"about {100 * math.expm1(g.fit.slope[0] * last):.2g} % too high by {at}{whose}")
    high = f": readings become {join_words(said)}" if said else ""
    return (f" A rise is not wear, and limits on a fall do not judge it{high}. Look for its cause: the reference, "
            "contamination, temperature, cells, the rig.")


def _drift_words(analysis: Analysis, group: GroupAnalysis, *, before: str) -> tuple[str, str]:
    """Say the drift of one construction, and return its direction; ``before`` is that of the one said before."""
    data, fit = analysis.data, group.fit
    where = f" in {group.construction} sensors" if group.construction else ""
    if fit.refused:
        return f"no drift of such sensors in general can be stated{where}: {_own_range(analysis, group)}", before
    shown, direction = slope_words(fit, analysis.level, data.log, data.per, response_unit(analysis), full=not before)
    low, high = t_interval(*fit.slope, analysis.level)
    if low <= 0 <= high:
        return f"{data.what} is not shown to change{where}: it {direction} {shown}", ""
    lead = "" if direction == before else f"{data.what} {direction} "
    return f"{lead}{shown}{where}", direction


def slope_words(fit: GroupFit, level: float, log: bool, per: str, unit: str, *, full: bool = True) -> tuple[str, str]:
    """Return ``0.42 % per use (95 % interval 0.36 to 0.48)`` and ``falls by`` or ``rises by``."""
    low, high = t_interval(*fit.slope, level)
    value = fit.slope[0]
    if log:
        value, low, high = (100 * math.expm1(v) for v in (value, low, high))
    falls = value < 0
    if falls:
        value, low, high = -value, -high, -low
    d = decimals_for(low, high, value)

    def show(x: float) -> str:
        return f"{x:.{d}f}".replace("-", MINUS) if math.isfinite(x) else ""

    ends = ends_text(show(low), show(high))
    interval = f"{100 * level:g} % interval {ends}" if full else ends
    # A reading in per cent is not a change in per cent of the reading.
    size = "%" if log else "percentage points" if unit == "%" else unit
    return f"{show(value)} {size} per {per} ({interval})".replace("  ", " "), "falls by" if falls else "rises by"


def _own_range(analysis: Analysis, group: GroupAnalysis) -> str:
    slopes = analysis.lines.slope[group.pick]
    slopes = slopes[np.isfinite(slopes)]
    n = group.fit.n_sensors
    if not len(slopes):
        return f"none of {n} sensor{'s' * (n != 1)} was checked at two or more {analysis.data.counts}"
    ends = sorted(100 * np.expm1(slopes)) if analysis.data.log else sorted(slopes)
    unit = "%" if analysis.data.log else response_unit(analysis)
    low, high = (f"{v:.3g}".replace("-", MINUS) for v in (ends[0], ends[-1]))
    spread = f"{low} {unit}" if len(slopes) == 1 else f"{low} to {high} {unit}"
    return f"the own line{'s' * (len(slopes) > 1)} of {len(slopes)} sensor{'s' * (len(slopes) > 1)} " \
           f"change{'' if len(slopes) > 1 else 's'} by {spread} per {analysis.data.per}".replace("  ", " ")


def all_findings(analysis: Analysis) -> tuple[Finding, ...]:
    """Everything a reader must know, in the order of the work."""
    data = analysis.data
    found = [*data.findings]
    if not analysis.occasions.replicated:
        found.append(Finding(severity="note", code="no-replicates", question=QUESTION,
                             message=f"No sensor was mounted twice at one {data.count}, so the effect of the "
                                     "occasion and the scatter of a mounting are one component (residual)",
                             mend="Mount each sensor twice or more at every check and number the mountings in a "
                                  "replicate column."))
    found += [f for g in analysis.groups for f in g.findings]
    found += handler_findings([d for g in analysis.groups for d in g.handlers])
    if not (data.construction != "").any():
        found.append(Finding(severity="note", code="no-construction", question=QUESTION, column="construction",
                             message="No construction is recorded, so all sensors are taken as of one kind",
                             mend="Add a construction column to the sensors table if there is more than one."))
    found += _late_first_checks(analysis)
    found += analysis.removals.findings
    found += analysis.aliases.findings
    found += analysis.controls.findings
    found += _shape_findings(analysis)
    found += _comparison_findings(analysis)
    for g in analysis.groups:
        text = influence_words(g, data.per, data.log)
        if text:
            of = f"In {g.construction} sensors " if g.construction else ""
            found.append(Finding(severity="note", code="influence", question=QUESTION,
                                 message=of + text if of else text[0].upper() + text[1:]))
    found += _missing_numbers(analysis)
    return tuple(found)


def _late_first_checks(analysis: Analysis) -> list[Finding]:
    lines, data = analysis.lines, analysis.data
    late = [str(s) for s in lines.sensor[lines.first_use > 1]] if not data.spec.start else []
    # With another exposure the retirement analysis itself says who was first checked too late, against its own span.
    if not late or not data.has_reference or data.spec.exposure != "use":
        return []
    return [Finding(severity="note", code="first-check-late", question=QUESTION,
                    message=f"First checked after use 1: {join_words(late)}; a fall relative to their own value at "
                            "use 0 would be an extrapolation, so they leave limits on that fall",
                    mend="Check every sensor before its first use.")]


def _shape_findings(analysis: Analysis) -> list[Finding]:
    found = _quiet_checks(analysis)
    for check in analysis.checks:
        if not check.caution:
            continue
        of = f" ({check.construction})" if check.construction else ""
        mend = {"straight calibration lines": "Keep to the same levels in every check, or analyse fewer levels.",
                "straight line": "Read the count at which a limit is reached with care, and do not extrapolate.",
                "break-in": "Take more checks at the first uses; the straight line averages over the break-in."}.get(
                    check.name, "Look at the table of residuals and at single sensors.")
        code = "check-" + check.name.replace(" ", "-").replace("'", "")
        found.append(Finding(severity="warning", question=QUESTION, code=code, mend=mend,
                             message=f"Check of {check.name}{of}: {check.words}"))
    return found


def _quiet_checks(analysis: Analysis) -> list[Finding]:
    """Name in one note the assumptions that were looked at without a departure."""
    quiet: dict[str, list[str]] = {}
    for check in analysis.checks:
        if not check.caution:
            quiet.setdefault(check.construction, []).append(check.name)
    return [Finding(severity="note", code="assumptions-looked-at", question=QUESTION,
                    message=f"Looked at without a departure{' (' + name + ')' if name else ''}: {join_words(checks)}; "
                            "figures in the table of assumption checks")
            for name, checks in quiet.items()]


def _comparison_findings(analysis: Analysis) -> list[Finding]:
    found = []
    for c in analysis.comparison:
        size = abs(c.mean_slope)
        relative = max(abs(c.equivalence_low), abs(c.equivalence_high)) / size if size > 0 else NAN
        apart = "differs" if c.low > 0 or c.high < 0 else "is not shown to differ"
        text = (f"Drift of {c.a} and {c.b} sensors {apart} at the {100 * analysis.level:g} % level; the "
                f"{100 * c.equivalence_level:g} % equivalence interval of the difference reaches "
                f"{100 * relative:.0f} % of their mean drift")
        found.append(Finding(severity="note", code="comparison", message=text, question=QUESTION))
    return found


def _missing_numbers(analysis: Analysis) -> list[Finding]:
    """Say why a number is missing wherever one is."""
    lines, found = analysis.lines, []
    single = [str(s) for s in lines.sensor[~np.isfinite(lines.slope)]]
    if single:
        found.append(Finding(severity="note", code="no-own-line", question=QUESTION,
                             message=f"Checked at one {analysis.data.count} only, so without a line of their own: "
                                     f"{join_words(single)}",
                             mend=f"Check them again at further {analysis.data.counts}."))
    exact = [str(s) for s in lines.sensor[np.isfinite(lines.slope) & ~np.isfinite(lines.slope_se)]]
    if exact:
        found.append(Finding(severity="note", code="no-line-error", question=QUESTION,
                             message="Checked too few times for a standard error of their own line: "
                                     f"{join_words(exact)}", mend="Check each sensor at three or more counts."))
    pressure = analysis.data.calibration.saturation_pressure
    for g in analysis.groups:
        if g.growth is None and not g.fit.refused and np.isfinite(pressure[g.rows]).any():
            of = f" of {g.construction} sensors" if g.construction else ""
            found.append(Finding(severity="note", code="no-growth", question=QUESTION,
                                 message=f"Growth of saturation pressure{of} is not given: too many mountings are "
                                         "without one, or the model cannot be fitted to it",
                                 mend="Declare full_scale for every sensor, and check at two or more levels."))
    if not analysis.data.log and not np.isfinite(fall_percent(analysis)).any():
        found.append(Finding(severity="note", code="no-relative-fall", question=QUESTION,
                             message="On the linear scale of a reading there is no fall in percent of the fresh value",
                             mend="Use scale = \"log\" if the reading has a natural zero."))
    return found
