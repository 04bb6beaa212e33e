"""Chart of a straight calibration line in use: a few standards read each day and turned back into their values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import fit_lines, numbers, words
from drift.control.occasions import _as_numbers, _ordered, day_labels
from drift.control.result import ChartResult
from drift.engine.control_charts import calibration_line_chart
from drift.errors import DriftError, Finding
from drift.records import Table
from drift.results import Estimate, Exclusion, Provenance, ResultTable, RowAccount, join_words, run_versions

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Line:
    """A calibration line: intercept, slope, residual SD and its degrees of freedom."""

    intercept: float
    slope: float
    sd: float
    df: float


def chart_line(table: Table, *, value: str, true: str, occasion: str, line: Line | None = None, baseline: int = 5,
               question: str, level: float = 0.95, inputs: Mapping[str, str] | None = None,
               account: RowAccount | None = None, exclusions: tuple[Exclusion, ...] = ()) -> ChartResult:
    """Chart the calibrated values of several standards a day less their true values.

    Parameters
    ----------
    table : Table
    value, true, occasion : str
        Columns with the reading, the value of the standard and the day.
    line : Line, optional
        The line in use; by default least squares through the first ``baseline`` occasions.
    baseline : int
    question : str
    level : float
        All standards of a day lie inside with this probability while the line holds.
    inputs : mapping, optional
    account : RowAccount, optional
    exclusions : tuple of Exclusion

    Raises
    ------
    DriftError
        Without the columns, or where the baseline makes no line.

    References
    ----------
    Croarkin & Varner (1982), NBS Technical Note 1164.
    """
    y, x, label = _as_numbers(table, value), _as_numbers(table, true), words(table, occasion)
    keep = np.isfinite(y) & np.isfinite(x) & np.asarray(label != "", dtype=np.bool_)
    keep &= ~(np.nan_to_num(numbers(table, "exclude")) > 0)
    if not keep.any():
        raise DriftError(Finding(severity="error", code="no-usable-row", file=table.file, message="no row has a "
                                 "reading, the value of its standard and an occasion", mend="Fill them in."))
    y, x, label = y[keep], x[keep], label[keep]
    order, first, code = np.unique(_ordered(label), return_index=True, return_inverse=True)
    label = day_labels(label)
    n = len(order)
    used = np.zeros(len(y), dtype=np.bool_) if line is not None else code < baseline
    given = line is not None
    line = line or _line(y[used], x[used], table.file)
    m = int(np.median(np.bincount(code)))
    found = calibration_line_chart(y, x, intercept=line.intercept, slope=line.slope, sd=line.sd, df=line.df, m=m,
                                   level=level)
    w = found.difference
    past = (np.abs(w) > found.limit) & ~used
    unit = str(table.units.get(true, ""))
    days = [str(label[first[i]]) for i in range(n) if past[code == i].any()]
    last = past[code == n - 1]
    of = {"question": question}
    how = "as given" if given else f"least squares through the first {baseline} occasions"
    sd = float(w.std(ddof=1)) if len(w) > 1 else float("nan")
    estimates = [Estimate(name="limit of calibrated values", of=of, value=found.limit, unit=unit, level=level,
                          method=f"s t*/b with t* for {m} standards an occasion together (Croarkin & Varner); line "
                                 f"{how}"),
                 Estimate(name="multiplier t*", of=of, value=found.multiplier, level=level,
                          method=f"t quantile at (1 + {level:g}^(1/{m}))/2, {line.df:g} degrees of freedom"),
                 Estimate(name="SD of calibrated values", of=of, value=sd, unit=unit, level=level, n=len(w),
                          method="SD of calibrated less true values over all occasions")]
    rows = ResultTable.build("calibration line chart", {
        "occasion": label, "part": ["baseline" if u else "judged" for u in used], "true": x, "reading": y,
        "difference": w, "lower": np.full(len(w), -found.limit), "upper": np.full(len(w), found.limit),
        "signal": ["outside" if p else "" for p in past]}, units={"true": unit, "difference": unit},
        caption="Calibrated less true values of the standards")
    if last.any():
        answer = (f"Calibrate anew before use: at the latest occasion ({label[first[-1]]}) {int(last.sum())} of "
                  f"{len(last)} standards are outside +/- {found.limit:.3g} {unit}".rstrip() + ".")
    else:
        answer = (f"The calibration line holds at its latest occasion ({label[first[-1]]}): all {len(last)} standards "
                  f"are within +/- {found.limit:.3g} {unit}".rstrip() + ".")
    finding = (Finding(severity="warning", code="line-out-of-control",
                       message=f"{'an occasion is' if len(days) == 1 else 'occasions are'} outside the limits: "
                       f"{join_words(days[:12])}", mend="Look what happened on it; calibrate anew if it stays."),)
    return ChartResult(question=question, answer=answer, estimates=tuple(estimates), tables=(rows,),
                       findings=(*(finding if days else ()), *_short(code, label[first], m)), exclusions=exclusions,
                       provenance=Provenance(accounts=(account,) if account else (), inputs=inputs or {}, level=level,
                                             versions=run_versions(),
                                             settings={**vars(line), "baseline": 0 if given else baseline}))


def _short(code: NDArray[np.int64], label: NDArray[np.object_], m: int) -> tuple[Finding, ...]:
    """Say which occasions lack a standard: fewer of them see less of the line."""
    few = [str(d) for d, k in zip(label, np.bincount(code), strict=True) if k < m]
    if not few:
        return ()
    return (Finding(severity="warning", code="levels-missing", message=f"fewer than the usual {m} standards were read "
                    f"on {join_words(few[:6])}{f' and {len(few) - 6} more' if len(few) > 6 else ''}: a line that no "
                    "longer holds at the values left out is not seen there", mend="Read all standards every time."),)


def _line(y: Floats, x: Floats, file: str) -> Line:
    fit = fit_lines(y, x, group=np.zeros(len(y), dtype=np.int64), n_groups=1)
    if not (np.isfinite(fit.slope[0]) and len(y) > 2 and fit.pooled_sd > 0):
        raise DriftError(Finding(severity="error", code="no-line", file=file, message="the baseline occasions make no "
                                 "calibration line: two levels, three readings and some scatter are needed",
                                 mend="Give the line in use with --line, or a longer baseline."))
    return Line(intercept=float(fit.intercept[0]), slope=float(fit.slope[0]), sd=float(fit.pooled_sd),
                df=float(len(y) - 2))
