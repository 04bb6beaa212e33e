"""Static calibration: from bench readings of a known load to one sensitivity per mounting.

A mounting is one sensor put into the rig once: one ``sensor``, one ``use``, one ``replicate`` (and one
``cal_id`` where that column exists). With several levels its sensitivity is the slope of a straight line with
intercept; with one level it is reading over reference; without a reference the reading itself is the response.
Readings at the ceiling are lower bounds and enter the likelihood as such.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.lines import LineFits, distinct_levels, far_off_rows, fit_lines, lack_of_fit, variance_power
from drift.errors import Finding
from drift.records import CheckTable

Form = Literal["line", "ratio", "reading"]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

__all__ = ["Calibration", "LineFits", "bends", "calibrate", "codes_of", "fit_lines", "lack_of_fit", "numbers",
           "variance_power", "words"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Calibration:
    """One sensitivity per mounting, arrays of shape ``(n_mountings,)`` sorted by sensor, use, replicate, cal_id.

    Parameters
    ----------
    form : {"line", "ratio", "reading"}
        How the response of a mounting was obtained.
    sensor, replicate, cal_id : array of str
    use, reading, sensitivity, sensitivity_se, intercept, saturation_pressure, saturation_se : array
        Exposure; mean reading; slope (or ratio) [reading unit per reference unit]; and where the line reaches
        full scale [reference unit].
    levels, n, censored, dead, saturated, top_level, bend, row : array
        Levels, rows, censored rows, largest dead and saturated fractions, highest exact level, bend of the exact
        readings as a share of their span (lines only), first row number.
    mounting : array of int, shape (n_rows,)
        Mounting of each row of the table handed in, -1 for a row that entered none.
    reasons : array of str, shape (n_rows,)
        Why a row entered none; empty otherwise.
    theta, pooled_sd : float
        Power of the variance model (NaN: constant weights) and residual SD pooled over mountings.
    findings : tuple of Finding
    """

    form: Form
    sensor: NDArray[np.object_]
    replicate: NDArray[np.object_]
    cal_id: NDArray[np.object_]
    use: Floats
    reading: Floats
    sensitivity: Floats
    sensitivity_se: Floats
    intercept: Floats
    saturation_pressure: Floats
    saturation_se: Floats
    levels: Floats
    n: Floats
    censored: Floats
    dead: Floats
    saturated: Floats
    top_level: Floats
    bend: Floats
    row: Ints
    mounting: Ints
    reasons: NDArray[np.object_]
    theta: float
    pooled_sd: float
    findings: tuple[Finding, ...]

    def __len__(self) -> int:
        return len(self.sensor)


_SAME_LEVEL = 0.02


def words(table: Any, name: str) -> NDArray[np.object_]:
    """Return a text column with missing as ``""``; numbers become text, an absent column is all ``""``."""
    if name not in table:
        return np.full(len(table), "", dtype=object)
    values = table[name]
    if values.dtype.kind == "f":
        return np.array(["" if np.isnan(v) else f"{v:.15g}" for v in values], dtype=object)
    return np.array(["" if v is None else str(v) for v in values], dtype=object)


def numbers(table: Any, name: str) -> Floats:
    """Return a numeric column, all NaN when it is absent."""
    if name in table and table[name].dtype.kind == "f":
        return np.asarray(table[name], dtype=np.float64)
    return np.full(len(table), np.nan)


def codes_of(columns: Sequence[NDArray[Any]]) -> tuple[Ints, Ints]:
    """Return codes of the distinct combinations of several columns, in sorted order, and their first positions."""
    n = len(columns[0])
    code = np.zeros(n, dtype=np.int64)
    for column in columns:
        kind = column.astype(str) if column.dtype == object else column
        _, one = np.unique(kind, return_inverse=True)
        _, code = np.unique(code * (int(one.max(initial=0)) + 1) + one, return_inverse=True)
    _, first = np.unique(code, return_index=True)
    return code.astype(np.int64), first.astype(np.int64)


def calibrate(checks: CheckTable, *, exposure: str = "use", full_scale: ArrayLike | None = None,
              saturated_limit: float = 0.0, keep: ArrayLike | None = None, question: str | None = None) -> Calibration:
    """Reduce bench readings to one sensitivity (and saturation pressure) per sensor, use and mounting.

    Parameters
    ----------
    checks : CheckTable
    exposure : str
        Column that counts wear.
    full_scale : float or array_like, shape (n_rows,), optional
        Ceiling of the reading, in its unit.
    saturated_limit : float
        A row with a larger saturated fraction, or at full scale, is right-censored at its reading.
    keep : array_like of bool, shape (n_rows,), optional
        Rows to use; the others keep an empty reason, since whoever removed them knows why.
    question : str, optional
        Name written into the findings.

    Returns
    -------
    Calibration

    Notes
    -----
    Saturation pressure P = (full scale - intercept)/slope with first-order variance
    [var(a) + P^2 var(s) + 2 P cov(a, s)]/s^2.
    """
    n_rows = len(checks)
    wanted = np.ones(n_rows, dtype=np.bool_) if keep is None else np.asarray(keep, dtype=np.bool_).copy()
    reasons = np.full(n_rows, "", dtype=object)
    use, y = numbers(checks, exposure), numbers(checks, "reading")
    has_reference = "reference" in checks and bool(np.isfinite(numbers(checks, "reference")[wanted]).any())
    x = numbers(checks, "reference") if has_reference else np.ones(n_rows)
    _drop(wanted, reasons, ~np.isfinite(use), f"no number in column {exposure}")
    _drop(wanted, reasons, ~np.isfinite(y), "no reading")
    _drop(wanted, reasons, ~np.isfinite(x), "no reference")
    if has_reference:
        _drop(wanted, reasons, x < 0, "reference below zero")
    ceiling = np.broadcast_to(np.asarray(np.nan if full_scale is None else full_scale, dtype=np.float64), (n_rows,))
    with np.errstate(invalid="ignore"):
        cut_all = (y >= ceiling) | (numbers(checks, "saturated") > saturated_limit)
    keys = [words(checks, "sensor"), use, words(checks, "replicate"), words(checks, "cal_id")]
    # Rows are put in one fixed order, so that the order of the file cannot change a digit.
    picked = np.flatnonzero(wanted)
    code, _ = codes_of([k[picked] for k in keys]) if len(picked) else (np.zeros(0, dtype=np.int64), None)
    order = np.lexsort((y[picked], x[picked], code))
    rows, group = picked[order], code[order]
    form, solved, theta, fit = _solve(y[rows], x[rows], group, cut_all[rows], ceiling[rows], has_reference)
    bad = ~solved
    mounting = np.full(n_rows, -1, dtype=np.int64)
    new_number = np.cumsum(solved) - 1
    good_rows = solved[group] if len(group) else np.zeros(0, dtype=np.bool_)
    mounting[rows[good_rows]] = new_number[group[good_rows]]
    for j in np.flatnonzero(bad):
        members = rows[group == j]
        reasons[members] = _why_unsolved(fit, int(j), form)
    return _assemble(checks, rows[good_rows], new_number[group[good_rows]], solved, fit, form, theta, mounting,
                     reasons, ceiling, cut_all, use, x, y, question)


def _drop(wanted: Bools, reasons: NDArray[np.object_], where: Bools, reason: str) -> None:
    hit = wanted & where
    reasons[hit] = reason
    wanted[hit] = False


def _solve(y: Floats, x: Floats, group: Ints, cut: Bools, ceiling: Floats, has_reference: bool
           ) -> tuple[Form, Bools, float, LineFits]:
    """Choose the form for the whole table and fit every mounting."""
    groups = int(group.max()) + 1 if len(group) else 0
    form: Form = "reading"
    theta = float("nan")
    if has_reference:
        # Set-points are measured: values within two per cent of the largest are one level.
        apart = _SAME_LEVEL * float(x.max(initial=0.0))
        several = distinct_levels(x, group, groups, apart=apart) >= 2
        form = "line" if groups and np.mean(several) > 0.5 else "ratio"
    weights = None
    if form == "line":
        theta = variance_power(y[~cut], x[~cut], group=group[~cut])
        if np.isfinite(theta):
            lowest = float(x[x > 0].min())
            weights = (np.maximum(x, lowest) / float(np.median(x[x > 0]))) ** (-2 * theta)
    fit = fit_lines(y, x, group=group, n_groups=groups, weights=weights, through_zero=form != "line", censored=cut,
                    ceiling=ceiling)
    solved = np.isfinite(fit.slope)
    if form == "line":
        solved &= distinct_levels(x[~cut], group[~cut], groups, apart=_SAME_LEVEL * float(x.max())) >= 2
    return form, solved, theta, fit


def _why_unsolved(fit: LineFits, j: int, form: Form) -> str:
    if fit.n_censored[j] == fit.n[j]:
        return "every reading of this mounting is at the ceiling: only a lower bound, no sensitivity"
    if form == "line" and fit.n_censored[j] > 0:
        return "fewer than two levels of this mounting lie below the ceiling: no line can be fitted"
    if form == "line":
        return "only one level in this mounting: a line with an intercept needs two"
    return "no reading under a load above zero in this mounting"


def _assemble(checks: CheckTable, rows: Ints, group: Ints, solved: Bools, fit: LineFits, form: Form, theta: float,
              mounting: Ints, reasons: NDArray[np.object_], ceiling: Floats, cut: Bools, use: Floats, x: Floats,
              y: Floats, question: str | None) -> Calibration:
    """Gather the columns of the mountings that could be solved."""
    m = int(solved.sum())
    first = np.full(m, -1, dtype=np.int64)
    if m:
        smallest = np.full(m, np.iinfo(np.int64).max, dtype=np.int64)
        np.minimum.at(smallest, group, rows)
        first = smallest

    def largest(values: Floats) -> Floats:
        out = np.full(m, -np.inf)
        np.maximum.at(out, group, np.where(np.isfinite(values), values, -np.inf))
        return np.where(np.isfinite(out), out, np.nan)

    slope, a = fit.slope[solved], fit.intercept[solved]
    full = ceiling[first] if m else np.zeros(0)
    with np.errstate(divide="ignore", invalid="ignore"):
        pressure = np.where(slope > 0, (full - a) / slope, np.nan)
        variance = (fit.intercept_se[solved] ** 2 + pressure**2 * fit.slope_se[solved] ** 2
                    + 2 * pressure * fit.covariance[solved]) / slope**2
        pressure_se = np.sqrt(np.maximum(variance, 0.0))
        reading = np.bincount(group, weights=y[rows], minlength=m) / np.bincount(group, minlength=m)
    none = np.full(m, np.nan)
    if form == "reading":
        reading = slope
    held = form != "reading"
    top = largest(np.where(cut[rows], np.nan, x[rows]))
    level_counts = distinct_levels(x[rows], group, m, apart=_SAME_LEVEL * float(x[rows].max(initial=0.0)))
    exact = ~cut[rows]
    bent = bends(y[rows][exact], x[rows][exact], group[exact], m) if form == "line" and m else none
    findings = _calibration_findings(form, theta, fit, cut & (mounting >= 0), pressure, top, ceiling, checks, question)
    if form == "line" and m:
        findings = (*_far_off(checks, rows, group, m, cut[rows], x, y, use, question), *findings)
    return Calibration(
        form=form, sensor=words(checks, "sensor")[first], replicate=words(checks, "replicate")[first],
        cal_id=words(checks, "cal_id")[first], use=use[first], reading=reading,
        sensitivity=slope if held else none, sensitivity_se=fit.slope_se[solved],
        intercept=a if held else none, saturation_pressure=pressure if held else none,
        saturation_se=pressure_se if held else none, levels=level_counts,
        n=fit.n[solved], censored=fit.n_censored[solved], dead=largest(numbers(checks, "dead")[rows]),
        saturated=largest(numbers(checks, "saturated")[rows]), top_level=top if held else none, bend=bent,
        row=np.asarray(checks.row)[first] if m else np.zeros(0, dtype=np.int64), mounting=mounting, reasons=reasons,
        theta=theta, pooled_sd=fit.pooled_sd, findings=findings)


NAMED_ROWS = 12


def _far_off(checks: CheckTable, rows: Ints, group: Ints, m: int, cut: Bools, x: Floats, y: Floats, use: Floats,
             question: str | None) -> tuple[Finding, ...]:
    """Name the rows that lie far off the calibration line of their mounting; they stay, but a slip must be seen."""
    found = far_off_rows(y[rows], x[rows], group=group, n_groups=m, censored=cut)
    if not len(found.position):
        return ()
    order = np.argsort(checks.row[rows[found.position]], kind="stable")
    sensor = words(checks, "sensor")
    named = [f"row {int(checks.row[i])} (sensor {sensor[i]}, use {use[i]:g}, reference {x[i]:.4g}: {y[i]:.4g} where "
             f"about {e:.4g} belongs)" for i, e in zip(rows[found.position[order]], found.expected[order], strict=True)]
    more = f" and {len(named) - NAMED_ROWS} more" if len(named) > NAMED_ROWS else ""
    count = f"{len(named)} row{'s lie' if len(named) > 1 else ' lies'}"
    return (Finding(severity="warning", code="rows-far-off", file=checks.file, question=question,
                    row=int(checks.row[rows[found.position[order[0]]]]),
                    message=f"{count} far off the calibration line of the mounting: {'; '.join(named[:NAMED_ROWS])}"
                            f"{more}; they stay in the analysis and can move the drift and the count a great deal",
                    mend="Compare them with the record of the day; correct them, or set exclude = yes with a reason."),)


def bends(reading: Floats, reference: Floats, group: Ints, n_groups: int) -> Floats:
    """Bend of each group's readings: height of its quadratic over its straight line at mid-range, as a share of span.

    NaN for a group with fewer than three levels. Positive: the response flattens at high loads.

    References
    ----------
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, section 22.2 (orthogonal polynomials).
    """
    low, high = np.full(n_groups, np.inf), np.full(n_groups, -np.inf)
    np.minimum.at(low, group, reference)
    np.maximum.at(high, group, reference)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = (high - low) / 2
        u = (reference - ((high + low) / 2)[group]) / half[group]
        line, shape = fit_lines(reading, u, group=group, n_groups=n_groups), fit_lines(1 - u * u, u, group=group,
                                                                                      n_groups=n_groups)
        over = reading - line.intercept[group] - line.slope[group] * u
        q = 1 - u * u - shape.intercept[group] - shape.slope[group] * u
        bend = np.bincount(group, weights=q * over, minlength=n_groups) / np.bincount(group, weights=q * q,
                                                                                     minlength=n_groups)
        share = bend / (2 * line.slope)
    return np.where((distinct_levels(reference, group, n_groups) >= 3) & np.isfinite(share), share, np.nan)


def _calibration_findings(form: Form, theta: float, fit: LineFits, cut: Bools, pressure: Floats, top: Floats,
                          ceiling: Floats, checks: CheckTable, question: str | None) -> tuple[Finding, ...]:
    """Say how the sensitivities were obtained."""
    found: list[Finding] = []

    def say(severity: Any, code: str, message: str, mend: str = "") -> None:
        found.append(Finding(severity=severity, code=code, message=message, mend=mend, file=checks.file,
                             question=question))

    if form == "ratio":
        say("note", "intercept-assumed-zero", "Most mountings have one level, so that sensitivity is reading over "
            "reference: the intercept is assumed to be zero, and any offset of the reading counts as sensitivity",
            "Check at two or more levels to let the intercept be estimated.")
    if form == "line" and np.isfinite(theta):
        say("note", "weighted-lines", f"Calibration lines are weighted: the SD of a reading grows as "
            f"reference^{theta:.2f} (from four or more replicates a level)")
    bare = int((np.isfinite(fit.slope) & ~np.isfinite(fit.slope_se)).sum())
    if bare:
        say("note", "no-own-error", f"{bare} mountings have no standard error of their own: as many readings as the "
            f"{'line has parameters' if form == 'line' else 'one number needs'}; the wear model does without",
            "Read more levels, or each level more than once.")
    if cut.any():
        say("note", "censored-readings", f"{int(cut.sum())} readings stand at the ceiling or have saturated cells; "
            "they enter as lower bounds (right-censored), neither as exact values nor dropped")
    if form == "line" and np.isfinite(pressure).any():
        ratio = float(np.nanmedian(top / pressure))
        if ratio < 0.8:
            say("note", "saturation-extrapolated", f"The highest exact level reaches {100 * ratio:.0f} % of the "
                "saturation pressure (median over mountings), which is therefore an extrapolation of the straight line",
                "Add a level nearer to full scale.")
    if form == "line" and len(set(top.tolist())) > 1 and np.isfinite(top).all():
        usual = float(np.median(top))
        odd = int((np.abs(top - usual) > 0.05 * usual).sum())
        if odd:
            say("note", "levels-differ", f"{odd} of {len(top)} mountings have another highest exact level than the "
                f"usual {usual:.4g}; where calibration lines bend, their slopes are not of the same stretch",
                "See the check of straight calibration lines.")
    if form != "reading" and not np.isfinite(ceiling).any():
        say("note", "no-full-scale", "The ceiling of the reading is not declared, so that there is no saturation "
            "pressure, and only a saturated fraction can mark a reading as censored",
            "Set full_scale under [sensitivity].")
    return tuple(found)
