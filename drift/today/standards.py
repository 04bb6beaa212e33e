"""The check standards of a study: their occasions, new baselines on record, and whether the rig is fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from drift.calibration import words
from drift.control import (
    ChartSpec,
    Occasions,
    Rig,
    Unread,
    chart_standard,
    judge_rig,
    read_standards,
    stopped_finding,
    without_latest,
)
from drift.control.levels import levels_missing
from drift.control.rig import odd_finding
from drift.control.rig_age import newest_day, with_age
from drift.errors import DriftError, Finding
from drift.records import CheckTable, Tables
from drift.sensitivity.control_days import baselines, counted_by
from drift.sensitivity.design import full_scale_of, label_of
from drift.study import Study, TodaySpec

Floats = NDArray[np.float64]
STANDARD = "check standard"


@dataclass(frozen=True, kw_only=True, eq=False)
class Standards:
    """What is on record of the check standards of a study.

    Parameters
    ----------
    occasions : tuple of Occasions
        One a standard.
    unread : tuple of Unread
        Standards whose newest reading is in no occasion.
    restarts : mapping of str to tuple
        New baselines with their causes, by standard.
    exposure : str
    rows : array of bool, shape (n_rows,)
        Rows of check standards among the checks.
    findings : tuple of Finding
    """

    occasions: tuple[Occasions, ...]
    unread: tuple[Unread, ...]
    restarts: Mapping[str, tuple[tuple[int, str], ...]]
    exposure: str
    rows: NDArray[np.bool_]
    findings: tuple[Finding, ...]


def standards_of(tables: Tables, study: Study) -> Standards | None:
    """Read the check standards of a study; None where no sensor has that role."""
    checks = tables.checks
    if checks is None:
        return None
    standard = np.asarray(label_of(checks, tables.sensors, "role") == STANDARD, dtype=np.bool_)
    if not standard.any():
        return None
    sensitivity = study.sensitivity
    ceiling = full_scale_of(checks, sensitivity, tables.sensors) if sensitivity is not None else None
    exposure = counted_by(checks, standard, sensitivity.exposure if sensitivity is not None else "use")
    found, lost = read_standards(checks, standard=standard, exposure=exposure, full_scale=ceiling,
                                 saturated_limit=study.screening.saturated_fraction)
    restarts, refused = _restarts(tables, {o.standard: o for o in found})
    return Standards(occasions=found, unread=lost, restarts=restarts, exposure=exposure, rows=standard, findings=(
        *refused, *(_unread_finding(u, checks, exposure) for u in lost),
        *levels_missing(checks, standard, found, exposure)))


def judged_rig(tables: Tables, study: Study, spec: TodaySpec, *, on: date | None = None
               ) -> tuple[Rig, tuple[Finding, ...]]:
    """Chart the check standards of a study, and say whether the rig is fit today.

    ``on`` is the day of the question; without it the age of their readings counts to the newest day on record.
    """
    known = standards_of(tables, study)
    if known is None:
        return judge_rig(()), ()
    charts, refused = [], list(known.findings)
    chart = ChartSpec(most=spec.baseline) if spec.baseline is not None else ChartSpec()
    for one in known.occasions:
        try:
            charts.append(chart_standard(one, chart, restarts=known.restarts.get(one.standard, ())))
        except DriftError as error:
            refused += list(error.findings)
    if not charts:
        none = Rig(status="not charted", when="", charts=(), findings=(), sentence="the check standards have too few "
                   "occasions for a chart")
        return without_latest(none, known.unread, known.exposure), tuple(refused)
    stopped = (stopped_finding(c) for c in charts)
    rig = without_latest(judge_rig(tuple(charts), spec=chart), known.unread, known.exposure)
    rig = with_age(rig, on or _newest(tables), record=on is None)
    odd = (odd_finding(c) for c in charts)
    return rig, (*refused, *(f for f in (*stopped, *odd) if f is not None))


def _newest(tables: Tables) -> date | None:
    held = [t for t in (tables.checks, tables.trials) if t is not None]
    return newest_day(w for t in held for w in words(t, "time"))


def _unread_finding(one: Unread, checks: CheckTable, exposure: str) -> Finding:
    """Say which check standard was read later than its chart goes, in rows that could not be used."""
    return Finding(
        severity="warning", code="standard-not-used", file=checks.file, row=one.row, message=f"the newest reading of "
        f"check standard {one.standard} at {exposure} {one.use:g} is not in its chart ({one.reason}): whether the rig "
        "is fit is not known",
        mend="Read it again at all its levels, as a replicate of its own where the occasion is the same. A "
        "row that was a slip, or a standard out of use: set exclude = yes in its rows, with a reason.")


def _restarts(tables: Tables, occasions: Mapping[str, Occasions]
              ) -> tuple[dict[str, tuple[tuple[int, str], ...]], list[Finding]]:
    """Return new baselines with their causes; one without a cause is not followed."""
    made: dict[str, tuple[tuple[int, str], ...]] = {}
    refused: list[Finding] = []
    for b in baselines(tables):
        if b.sensor not in occasions:
            continue
        if not b.cause:
            assert tables.events is not None
            refused.append(Finding(severity="warning", code="baseline-without-cause", file=tables.events.file,
                                   row=b.row, column="note", message=f"a new baseline of {b.sensor} bears no "
                                   "cause, so the old one stays", mend="Write what happened into its note."))
            continue
        one = occasions[b.sensor]
        made[b.sensor] = (*made.get(b.sensor, ()), (b.first(one.use, one.time), b.cause))
    return made, refused
