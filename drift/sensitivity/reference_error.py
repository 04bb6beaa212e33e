"""What errors of the reference load, and of the count of uses, would do to the drift."""

from __future__ import annotations

import math

import numpy as np

from drift.calibration import numbers
from drift.errors import Finding
from drift.results import ResultTable
from drift.sensitivity.companion import Companion, Floats, Setting

REFERENCE, COUNTS = "errors of the reference", "errors of the count"
MISSED = (0.05, 0.10, 0.20)
COUNT_SD = (1.0, 2.0, 5.0)


def companion(setting: Setting) -> Companion | None:
    """Tell how the drift would move if the reference, or the count of uses, were in error.

    A sensitivity analysis without estimates: the independent part of the reference's uncertainty (``reference_u`` under
    [sensitivity], relative) scatters the sensitivity of each mounting and flattens every calibration line alike, which
    a drift of its logarithm does not feel; the part that all share (``gauge_u``) cancels unless the gauge itself moves.
    Uses missing from the log evenly stretch the count; a count that is off at random flattens the drift.

    References
    ----------
    Carroll RJ, Ruppert D, Stefanski LA, Crainiceanu CM (2006), Measurement Error in Nonlinear Models, 2nd ed.,
    equations 3.1 to 3.3 (attenuation). Berkson J (1950), J Am Stat Assoc 45:164-180 (set levels: no attenuation).
    """
    fit = setting.group.fit
    if fit.refused or not math.isfinite(fit.slope[0]):
        return None
    parts = [p for p in (_reference(setting), _counts(setting)) if p is not None]
    return Companion(tables=tuple(t for p in parts for t in p.tables),
                     findings=tuple(f for p in parts for f in p.findings)) if parts else None


def _reference(setting: Setting) -> Companion | None:
    spec, data = setting.data.spec, setting.data
    own, gauge = spec.reference_u, spec.gauge_u
    if not own and not gauge:
        return None
    if not data.has_reference or not data.log:
        return Companion(findings=(setting.say(
            "warning", "reference-error-skipped", "reference_u and gauge_u are about a sensitivity on the log scale, "
            "which is not analysed here", "Record the reference load, and use scale = \"log\"."),))
    attenuation, scatter = _levels(setting, own or 0.0)
    slope, se = fit_slope(setting)
    corrected = slope + _trend(setting, -np.log(attenuation))
    span = float(setting.occasions.use.max() - setting.occasions.use.min())
    moved = math.log1p(gauge or 0.0) / span if span > 0 else math.nan
    rows = [("independent, classical", 100 * (1 - float(attenuation.mean())), 100 * float(scatter.mean()), corrected),
            ("independent, set levels (Berkson)", 0.0, 100 * float(scatter.mean()), slope),
            ("common to all checks, constant", 100 * (gauge or 0.0), 0.0, slope),
            ("common, gauge rises by its uncertainty over the study", 0.0, 0.0, slope + moved),
            ("common, gauge falls by its uncertainty over the study", 0.0, 0.0, slope - moved)]
    table = ResultTable.build(REFERENCE, {
        "construction": np.array([setting.construction] * len(rows), dtype=object),
        "error of the reference": np.array([r[0] for r in rows], dtype=object),
        "sensitivity off by": np.array([r[1] for r in rows]), "scatter of a mounting": np.array([r[2] for r in rows]),
        "drift per use": setting.percent(np.array([r[3] for r in rows])),
    }, units={"sensitivity off by": "%", "scatter of a mounting": "%", "drift per use": setting.percent_unit},
        caption="What the declared uncertainty of the reference would do: sensitivities are off or scatter; the drift "
                "moves only if the error changes along use")
    found = [setting.say(
        "note", "reference-error",
        f"Independent errors of the reference scatter a mounting{setting.inside} by {rows[0][2]:.2g} % and move the "
        f"drift by {_size(setting, corrected - slope)}; a constant error of the gauge does not move it; a gauge that "
        f"moved by its uncertainty over the study would by {_size(setting, moved)}")]
    if gauge and abs(moved) > 1.96 * se:
        found.append(_watch(setting))
    return Companion(tables=(table,), findings=tuple(found))


def _watch(setting: Setting) -> Finding:
    return setting.say("warning", "gauge-drift-matters", "A gauge that moved by its own uncertainty would move the "
                       f"drift{setting.where} by more than its interval, and all sensors share it",
                       "Check a never-worn sensor (role control) on every day, or the gauge against a second one.")


def fit_slope(setting: Setting) -> tuple[float, float]:
    """Drift of the wear model and its standard error."""
    return setting.group.fit.slope[0], setting.group.fit.slope[1]


def _size(setting: Setting, change: float) -> str:
    size = abs(float(setting.percent(change)))
    return f"{size:.1g} {setting.percent_unit}" if size >= 1e-4 else f"less than 0.0001 {setting.percent_unit}"


def _levels(setting: Setting, u: float) -> tuple[Floats, Floats]:
    """Attenuation of each mounting's calibration line, and the relative scatter of its slope."""
    checks, data = setting.tables.checks, setting.data
    assert checks is not None
    mounting = data.calibration.mounting
    rows = np.flatnonzero(mounting >= 0)
    code, p = mounting[rows], numbers(checks, "reference")[rows]
    n = np.bincount(code)
    mean = np.bincount(code, weights=p) / n
    sxx = np.bincount(code, weights=(p - mean[code]) ** 2)
    error = np.bincount(code, weights=(u * p) ** 2)
    pull = np.bincount(code, weights=((p - mean[code]) * u * p) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        line = sxx > 0
        attenuation = np.where(line, sxx / (sxx + error * np.maximum(n - 1, 0) / np.maximum(n, 1)), 1.0)
        scatter = np.where(line, np.sqrt(pull) / sxx, u / np.sqrt(n))
    mine = setting.group.rows
    return attenuation[mine], scatter[mine]


def _trend(setting: Setting, shift: Floats) -> float:
    """Mean over sensors of the slope of a shift of each mounting's response."""
    rows = setting.group.rows
    use, sensor = setting.data.use[rows], setting.data.sensor[rows]
    slopes = []
    for s in dict.fromkeys(sensor.tolist()):
        mine = sensor == s
        dx = use[mine] - use[mine].mean()
        if float(dx @ dx) > 0:
            slopes.append(float(dx @ shift[mine] / (dx @ dx)))
    return float(np.mean(slopes)) if slopes else 0.0


def _counts(setting: Setting) -> Companion | None:
    """Drift and count if uses were missing from the log, or counted with a random error."""
    o, slope = setting.occasions, setting.group.fit.slope[0]
    if setting.data.spec.exposure != "use":
        return None
    squares, n, sensors = 0.0, 0, 0
    for s in dict.fromkeys(o.sensor.tolist()):
        u = o.use[o.sensor == s]
        if len(u) > 1:
            squares, n, sensors = squares + float(((u - u.mean()) ** 2).sum()), n + len(u), sensors + 1
    if squares <= 0:
        return None
    variance = squares / (n - sensors)
    rows = [(f"{100 * q:g} % of uses missing from the log, evenly", slope * (1 - q), 1 / (1 - q)) for q in MISSED]
    for sd in COUNT_SD:
        kept = 1 - sd**2 / variance
        if kept > 0.5:
            rows.append((f"count off at random by {sd:g} use{'s' * (sd > 1)} (SD)", slope / kept, kept))
    table = ResultTable.build(COUNTS, {
        "construction": np.array([setting.construction] * len(rows), dtype=object),
        "if": np.array([r[0] for r in rows], dtype=object),
        "drift per use": setting.percent(np.array([r[1] for r in rows])), "count times": np.array([r[2] for r in rows]),
    }, units={"drift per use": setting.percent_unit},
        caption="What the drift per true use would be if the count of uses were in error, and by what a retire-after "
                "count would be multiplied to hold in true uses")
    return Companion(tables=(table,))
