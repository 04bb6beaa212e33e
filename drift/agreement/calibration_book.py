"""Calibration lines by sensor and name: read from the calibrations table, or fitted through bench checks on the fly."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drift.calibration import bends, numbers, words
from drift.engine.lines import distinct_levels, fit_lines
from drift.engine.shared_readings import CalibrationLines
from drift.errors import DriftError, Finding
from drift.records import CalibrationTable, CheckTable, Table
from drift.study import suggestion

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
FIRST, LATEST = "first", "latest"
_AT_USE = re.compile(r"^use\s+(\d+(?:\.\d+)?)$", re.IGNORECASE)
WAS_MADE = "was made"  # of a calibration that there are several of
BENT = 0.05  # of the span of readings


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationBook:
    """Every calibration line there is, arrays of shape (n_lines,).

    Parameters
    ----------
    sensor, label, source : array of str
        ``source`` says where it stands or what it was fitted through.
    use, day : array
        When it was made: uses completed, and days since 1970; NaN where not told.
    lines : CalibrationLines
        Reading against kPa.
    low, high : array
        Range of pressures it was made for; NaN where not told.
    raw_unit : str
    file, sha256 : str
    findings : tuple of Finding
    """

    sensor: NDArray[np.object_]
    label: NDArray[np.object_]
    source: NDArray[np.object_]
    use: Floats
    day: Floats
    lines: CalibrationLines
    low: Floats
    high: Floats
    raw_unit: str
    file: str
    sha256: str
    findings: tuple[Finding, ...] = field(default=())

    @property
    def labels(self) -> list[str]:
        """Names of the calibrations there are."""
        return sorted(set(self.label.tolist()))


def days_of(texts: Sequence[str | None]) -> Floats:
    """Return ISO date-times as days since 1970; NaN where missing."""
    out = np.full(len(texts), np.nan)
    for i, text in enumerate(texts):
        if text:
            seconds = np.datetime64(str(text)[:19], "s").astype(np.int64)
            out[i] = float(seconds) / 86400.0
    return out


def book_of_table(table: CalibrationTable) -> CalibrationBook:
    """Read the calibrations table; standard errors become variances, a missing correlation counts as none."""
    slope_se, intercept_se = numbers(table, "slope_se"), numbers(table, "intercept_se")
    if "intercept_se" not in table and not np.any(table["intercept"]):
        intercept_se = np.where(np.isfinite(slope_se), 0.0, np.nan)  # lines through zero have a slope alone
    correlation = np.nan_to_num(numbers(table, "correlation"))
    findings = []
    bare = np.isfinite(slope_se) & np.isfinite(intercept_se) & ~np.isfinite(numbers(table, "correlation"))
    if bare.any() and np.any(intercept_se[bare] > 0):
        findings.append(Finding(
            severity="note", code="correlation-assumed-zero", file=table.file, column="correlation",
            message="No correlation of slope and intercept is given, so that they are taken to err independently; "
                    "of a straight line they err against each other, and the error of a pressure is then too large "
                    "between low and high", mend="Add the column correlation."))
    return CalibrationBook(
        sensor=words(table, "sensor"), label=words(table, "calibration"),
        source=np.array([f"row {int(r)}" for r in table.row], dtype=object), use=numbers(table, "use"),
        day=days_of(table["time"].tolist() if "time" in table else [None] * len(table)),
        lines=CalibrationLines(intercept=table["intercept"], slope=table["slope"], var_intercept=intercept_se**2,
                               var_slope=slope_se**2, covariance=correlation * slope_se * intercept_se),
        low=numbers(table, "from"), high=numbers(table, "to"), raw_unit=table.units.get("reading", ""),
        file=table.file, sha256=table.sha256, findings=tuple(findings))


def book_of_checks(checks: CheckTable, wanted: Sequence[str], *, question: str,
                   full_scale: Mapping[str, float] | float | None = None) -> CalibrationBook:
    """Fit a straight line through the bench checks of each sensor, use and ``cal_id``, and name those that are wanted.

    Parameters
    ----------
    checks : CheckTable
    wanted : sequence of str
        A value of ``cal_id`` (the lines of every use with it), ``"first"`` (each sensor's earliest checks),
        ``"latest"`` (all of them, the last before a trial holding), or ``"use 30"``.
    question : str
    full_scale : float or mapping of sensor to float, optional
        Readings at it are lower bounds and enter as such.

    Raises
    ------
    DriftError
        If there is no reference pressure, or a name is none of these.

    Notes
    -----
    Error variances are those of least squares, s^2/S_xx for the slope, with s the residual SD pooled over all lines.
    """
    if "reference" not in checks or not np.isfinite(numbers(checks, "reference")).any():
        raise DriftError(Finding(severity="error", code="no-reference", file=checks.file, question=question,
                                 message="the checks have no reference, so that no calibration line can be made",
                                 mend="Add the column of known pressures."))
    fitted = _fit(checks, full_scale)
    named: list[tuple[str, Ints]] = []
    errors: list[Finding] = []
    for name in dict.fromkeys(wanted):
        found = _members(name, fitted, checks, question)
        if isinstance(found, Finding):
            errors.append(found)
        else:
            named.append((name, found))
    if errors:
        raise DriftError(errors)
    at = np.concatenate([m for _, m in named])
    label = np.array([name for name, m in named for _ in m], dtype=np.object_)
    none = np.full(len(at), np.nan)
    return CalibrationBook(
        sensor=fitted.sensor[at], label=label, use=fitted.use[at], day=none, lines=fitted.lines.take(at),
        source=np.array([f"checks at use {u:g}" if u == u else "checks" for u in fitted.use[at]], dtype=object),
        low=fitted.low[at], high=fitted.high[at], raw_unit=checks.units.get("reading", ""), file=checks.file,
        sha256=checks.sha256, findings=_said(fitted, at, checks, question))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fitted:
    """Lines through the checks of one sensor, use and cal_id each."""

    sensor: NDArray[np.object_]
    use: Floats
    cal_id: NDArray[np.object_]
    lines: CalibrationLines
    low: Floats
    high: Floats
    bend: Floats
    several_mountings: bool
    unsolved: int
    falling: int


def _fit(checks: CheckTable, full_scale: Mapping[str, float] | float | None) -> _Fitted:
    sensor, cal_id, use = words(checks, "sensor"), words(checks, "cal_id"), numbers(checks, "use")
    x, y = numbers(checks, "reference"), numbers(checks, "reading")
    keep = np.isfinite(x) & np.isfinite(y) & (x >= 0) & (sensor != "")
    if "exclude" in checks:
        keep &= checks["exclude"] != 1.0
    if isinstance(full_scale, Mapping):
        ceiling = np.array([full_scale.get(s, np.nan) for s in sensor], dtype=float)
    else:
        ceiling = np.full(len(x), np.nan if full_scale is None else float(full_scale))
    with np.errstate(invalid="ignore"):
        cut = (y >= ceiling) | (numbers(checks, "saturated") > 0)
    rows = np.flatnonzero(keep)
    rows = rows[np.lexsort((y[rows], x[rows], cal_id[rows].astype(str), use[rows], sensor[rows].astype(str)))]
    keys = [(s, None if u != u else u, c) for s, u, c in zip(sensor[rows], use[rows], cal_id[rows], strict=True)]
    code = {k: i for i, k in enumerate(dict.fromkeys(keys))}
    group = np.array([code[k] for k in keys], dtype=np.int64)
    m, x, y, cut = len(code), x[rows], y[rows], cut[rows]
    fit = fit_lines(y, x, group=group, n_groups=m, censored=cut, ceiling=ceiling[rows])
    exact = ~cut
    apart = 0.02 * float(x.max(initial=0.0))
    solved = np.isfinite(fit.slope) & (distinct_levels(x[exact], group[exact], m, apart=apart) >= 2)
    good = solved & (fit.slope > 0)
    n, mean, sxx = _sums(x[exact], group[exact], m)
    s2 = fit.pooled_sd**2
    with np.errstate(divide="ignore", invalid="ignore"):
        lines = CalibrationLines(intercept=fit.intercept, slope=fit.slope, var_slope=s2 / sxx,
                                 var_intercept=s2 * (1 / n + mean**2 / sxx), covariance=-s2 * mean / sxx)
    low, high = np.full(m, np.inf), np.full(m, -np.inf)
    np.minimum.at(low, group[exact], x[exact])
    np.maximum.at(high, group[exact], x[exact])
    at = np.flatnonzero(good)
    mountings = words(checks, "replicate")[rows]
    return _Fitted(sensor=np.array([k[0] for k in code], dtype=object)[at],
                   use=np.array([np.nan if k[1] is None else k[1] for k in code])[at],
                   cal_id=np.array([k[2] for k in code], dtype=object)[at], lines=lines.take(at), low=low[at],
                   high=high[at], bend=bends(y[exact], x[exact], group[exact], m)[at],
                   several_mountings=len(set(zip(group, mountings, strict=True))) > m,
                   unsolved=int((~solved).sum()), falling=int((solved & ~good).sum()))


def _sums(x: Floats, group: Ints, m: int) -> tuple[Floats, Floats, Floats]:
    n = np.bincount(group, minlength=m).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.asarray(np.bincount(group, weights=x, minlength=m) / n, dtype=np.float64)
    sxx = np.asarray(np.bincount(group, weights=(x - mean[group]) ** 2, minlength=m), dtype=np.float64)
    return n, mean, sxx


def _members(name: str, fitted: _Fitted, checks: CheckTable, question: str) -> Ints | Finding:
    """Return which lines go by a name, or why none do."""
    ids = sorted(set(fitted.cal_id.tolist()) - {""})
    if name in ids:
        return np.flatnonzero(fitted.cal_id == name)
    at_use = _AT_USE.match(name.strip())
    if name not in (FIRST, LATEST) and at_use is None:
        return Finding(severity="error", code="unknown-value", file=checks.file, value=name, question=question,
                       message="this is no calibration that the checks hold",
                       expected='a cal_id, "first", "latest" or a use such as "use 30"',
                       mend=suggestion(name, [*ids, FIRST, LATEST], noun="calibrations"))
    place = list(zip(fitted.sensor, np.nan_to_num(fitted.use, nan=-1.0), strict=True))
    if len(set(place)) < len(place):
        return Finding(severity="error", code="several-calibrations", file=checks.file, value=name, question=question,
                       message="a sensor has checks under several cal_id at one use, so that its line there is not one",
                       mend=f"Name one of the cal_id as a and b: {', '.join(ids[:6])}.")
    if at_use is not None:
        hit = np.flatnonzero(fitted.use == float(at_use[1]))
        uses = sorted(set(fitted.use[np.isfinite(fitted.use)].tolist()))
        return hit if len(hit) else Finding(
            severity="error", code="unknown-value", file=checks.file, value=name, question=question,
            message="no sensor was checked at this use",
            mend=f"There are checks at uses {', '.join(f'{u:g}' for u in uses[:12])}"
            + (f" to {uses[-1]:g}." if len(uses) > 12 else "."))
    if name == LATEST:
        return np.arange(len(fitted.sensor))
    first: dict[str, int] = {}
    for i in np.lexsort((np.nan_to_num(fitted.use, nan=-1.0),)):
        first.setdefault(fitted.sensor[i], int(i))
    return np.array(sorted(first.values()), dtype=np.int64)


def _said(fitted: _Fitted, at: Ints, checks: CheckTable, question: str) -> tuple[Finding, ...]:
    """Say how the lines were made and what speaks against them."""
    made: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, message=message, mend=mend, file=checks.file,  # type: ignore[arg-type]
                            question=question))

    n = len(np.unique(at))
    say("note", "lines-through-checks", f"{n} calibration {'line was' if n == 1 else 'lines were'} fitted through the "
        "bench checks by least squares; their errors come from the scatter about all lines together"
        + (", several mountings of one check counting as independent readings" if fitted.several_mountings else ""))
    if fitted.unsolved:
        say("note", "no-line", f"{fitted.unsolved} checks have fewer than two levels below the "
            "ceiling and give no line")
    if fitted.falling:
        say("warning", "falling-line", f"{fitted.falling} lines through checks do not rise with the pressure, so that "
            "no pressure can be read from them; trials that need them stay out", "Look for dead cells.")
    bent = fitted.bend[np.unique(at)]
    bent = bent[np.isfinite(bent)]
    if len(bent) and abs(float(np.median(bent))) > BENT:
        say("warning", "bent-lines", f"The checks bend away from their straight lines by {100 * np.median(bent):.0f} % "
            "of their span (median): pressures between the levels are off by about as much, through a and b alike only "
            "if both bend alike", "Compare within a narrower range of pressures.")
    return tuple(made)


def label_errors(book: CalibrationBook, wanted: Mapping[str, str], question: str) -> list[Finding]:
    """Report names of calibrations that the book does not hold."""
    return [Finding(severity="error", code="unknown-value", file=book.file, column="calibration", value=value,
                    question=question, message=f"{role} is a calibration that does not occur",
                    mend=suggestion(value, book.labels, noun="calibrations"))
            for role, value in wanted.items() if value not in book.labels]


def pick(book: CalibrationBook, label: NDArray[np.object_], sensor: NDArray[np.object_], use: Floats,
         day: Floats) -> tuple[Ints, NDArray[np.object_], NDArray[np.bool_]]:
    """Choose the calibration in force for each row: the last one of its name made before it, by use and date.

    Parameters
    ----------
    book : CalibrationBook
    label, sensor : array of str, shape (n_rows,)
    use, day : array, shape (n_rows,)

    Returns
    -------
    line : array of int
        Position in the book, -1 where there is none.
    why : array of str
        Why there is none.
    early : array of bool
        Rows made before the first of several; they take the first.
    """
    n = len(label)
    line, why, early = np.full(n, -1, dtype=np.int64), np.full(n, "", dtype=object), np.zeros(n, dtype=bool)
    held: dict[tuple[str, str], list[int]] = {}
    for i, key in enumerate(zip(book.sensor, book.label, strict=True)):
        held.setdefault(key, []).append(i)
    rows: dict[tuple[str, str], list[int]] = {}
    for j, key in enumerate(zip(sensor, label, strict=True)):
        rows.setdefault(key, []).append(j)
    for key, members in rows.items():
        at, there = np.array(members), np.array(held.get(key, []), dtype=np.int64)
        if not len(there):
            why[at] = f"no calibration {key[1]!r} of sensor {key[0]}" if key[1] else "nothing says which calibration"
            continue
        if len(there) == 1:
            line[at] = there[0]
            continue
        line[at], why[at], early[at] = _in_force(book, there, use[at], day[at], f"calibration {key[1]!r} of sensor "
                                                 f"{key[0]} {WAS_MADE} {len(there)} times")
    return line, why, early


def _in_force(book: CalibrationBook, there: Ints, use: Floats, day: Floats,
              said: str) -> tuple[Ints, NDArray[np.object_], NDArray[np.bool_]]:
    """Choose for rows of one sensor among several calibrations of one name; arrays as :func:`pick` returns them.

    The last one made by a row's use and, among those at the same use, by its date. Without uses dates alone tell. A
    row is left out where neither tells which of two was the last.
    """
    n = len(use)
    line, why, early = np.full(n, -1, dtype=np.int64), np.full(n, "", dtype=object), np.zeros(n, dtype=bool)
    dates_tell = np.isfinite(book.day[there]).all() and not np.isfinite(use).any()
    by_use = bool(np.isfinite(book.use[there]).all() and not dates_tell)
    made, when = (book.use[there], use) if by_use else (book.day[there], day)
    if not np.isfinite(made).all():
        why[:] = f"{said}, not all with a date"
        return line, why, early
    dated = book.day[there] if by_use else np.zeros(len(there))
    order = np.lexsort((dated, made))  # missing dates come last
    there, made, dated = there[order], made[order], dated[order]
    told = np.isfinite(when)
    at = np.where(told, when, np.inf)[:, None]
    on = np.where(np.isfinite(day), day, np.inf)[:, None] if by_use else np.full((n, 1), np.inf)
    place = ((made < at) | ((made == at) & ~(dated > on))).sum(axis=1) - 1
    chosen = np.maximum(place, 0)
    line = np.where(told, there[chosen], -1)
    early = told & (place < 0)
    why[~told] = f"{said} and the row has no {'use' if by_use else 'time'}"
    tied = _tied(made, dated)[chosen]
    several = (made[:, None] == made[None, :]).sum(axis=1) > 1
    undated = by_use & several[chosen] & (made[chosen] == when) & ~np.isfinite(day)
    for mask, reason in ((told & tied, "two of them at one use or on one date, and nothing tells which was the last"),
                         (told & undated & ~tied, "several times at the row's use, and the row has no time")):
        line[mask], early[mask], why[mask] = -1, False, f"{said}, {reason}"
    return line, why, early


def unclear_rows(reasons: NDArray[np.object_], question: str, file: str) -> list[Finding]:
    """Count the rows that stay out because nothing tells which of several calibrations held."""
    mine = [str(r) for r in reasons if WAS_MADE in str(r)]
    if not mine:
        return []
    n, kinds = len(mine), sorted(set(mine))
    return [Finding(severity="warning", code="calibration-unclear", question=question, file=file,
                    message=f"{n} {'reading stays' if n == 1 else 'readings stay'} out: {'; '.join(kinds[:3])}"
                            + (f"; and {len(kinds) - 3} more" if len(kinds) > 3 else ""),
                    mend="Give each calibration its date (time), and each trial its use or time.")]


def _tied(made: Floats, dated: Floats) -> NDArray[np.bool_]:
    """Tell of each calibration whether another of the same use has the same date, or either has none."""
    same = (made[:, None] == made[None, :]) & ~np.eye(len(made), dtype=bool)
    bare = np.isnan(dated)
    tied: NDArray[np.bool_] = (same & ((dated[:, None] == dated[None, :]) | bare[:, None] | bare[None, :])).any(axis=1)
    return tied


def open_book(table: Table | None, wanted: Sequence[str], *, source: str, question: str,
              full_scale: Mapping[str, float] | float | None) -> CalibrationBook:
    """Return the calibrations a question needs, from whichever table it names.

    Raises
    ------
    DriftError
        If the table is not there or cannot give them.
    """
    if source == "checks" and isinstance(table, CheckTable):
        return book_of_checks(table, wanted, question=question, full_scale=full_scale)
    if source == "calibrations" and isinstance(table, CalibrationTable):
        return book_of_table(table)
    raise DriftError(Finding(severity="error", code="no-table", question=question,
                             message=f"the question recalculates from {source}, and no such table was handed in",
                             mend=f'Name it in [files]: {source} = "{source}.csv".'))
