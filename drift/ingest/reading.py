"""The door: from a study to validated tables and one list of findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np

from drift.engine.readonly import frozen_mapping
from drift.errors import DriftError, Finding
from drift.ingest import cross, labels, uses
from drift.ingest.calibrations import about_recalculations, fill_calibrations
from drift.ingest.checks import fill_checks
from drift.ingest.draft import Draft
from drift.ingest.exposures import fill_exposures
from drift.ingest.keys import check_keys
from drift.ingest.logged import Row, ledger_path, logged_tables, read_ledger, without_written_forms
from drift.ingest.pseudonyms import ROLES
from drift.ingest.raw import RawTable
from drift.ingest.sensors import events_against_sensors, fill_events, fill_sensors, fill_session_log
from drift.ingest.source import locate, read_raw, start_draft
from drift.ingest.text import RefusedError
from drift.ingest.trials import fill_trials
from drift.ingest.two_homes import left_behind, two_homes
from drift.records import CalibrationTable, CheckTable, EventTable, ExposureTable, SensorTable, Tables, TrialTable
from drift.results import ResultTable
from drift.study import TABLE_NAMES, Study, load_study, named_columns, study_findings
from drift.validation import first_row, ranges

if TYPE_CHECKING:
    import pandas as pd

FILL: dict[str, Callable[[Draft, Study], None]] = {
    "checks": fill_checks, "trials": fill_trials, "sensors": fill_sensors, "events": fill_events,
    "calibrations": fill_calibrations,
    "exposures": fill_exposures, "session_log": fill_session_log}


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What reading the tables of a study gave.

    Parameters
    ----------
    tables : Tables
        Those that hold no error; any other is None.
    findings : tuple of Finding
        Everything found, errors first, then by file and row.
    use_counts : ResultTable, optional
        Uses counted from a session log or from dates, for review.
    inputs : mapping of str to str
        File name to the hash of its bytes (SHA-256).
    """

    tables: Tables
    findings: tuple[Finding, ...] = ()
    use_counts: ResultTable | None = None
    inputs: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "findings", tuple(self.findings))
        object.__setattr__(self, "inputs", frozen_mapping(self.inputs))

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild, (self.tables, self.findings, self.use_counts, dict(self.inputs)))


def _rebuild(tables: Tables, findings: tuple[Finding, ...], counts: ResultTable | None,
             inputs: dict[str, str]) -> Reading:
    return Reading(tables=tables, findings=findings, use_counts=counts, inputs=inputs)


def read_tables(study: Study, *, progress: Callable[[str], None] | None = None,
                pending: Sequence[Row] | None = None, end: str = "") -> Reading:
    """Read and check every table that a study names.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Called with the name of each file before it is read.
    pending : sequence of rows, optional
        Rows of the ledger in place of those in its file: what it would hold if an entry were written, or what it was
        just read to hold.
    end : str
        End of its chain, which stands for these rows in the provenance.

    Returns
    -------
    Reading
        Faults in the data are findings, never exceptions; see :func:`drift.errors.raise_on_error`.
    """
    findings: list[Finding] = list(study_findings(study))
    drafts: dict[str, Draft] = {}
    named = {k: named_columns(study, k) for k in ("checks", "trials")}
    for kind in TABLE_NAMES:
        name = getattr(study.files, kind)
        if name is None or not name.strip():
            continue
        if progress is not None:
            progress(name)
        path = locate(name, study.folder)
        try:
            raw = read_raw(path, kind, study)
        except RefusedError as refused:
            findings.append(refused.finding)
            continue
        drafts[kind] = _draft(raw, kind, study, named)
    if study.files.ledger:
        findings += _add_ledger(drafts, study, named, pending, end)
    if not any(getattr(study.files, kind) for kind in ("checks", "trials", "exposures", "ledger")):
        findings.append(Finding(severity="error", code="no-tables", file="study.toml", column="[files]",
                                message="the study names neither a checks nor a trials table",
                                mend="Add checks = \"checks.csv\" or trials = \"trials.csv\" to [files]"))
    return _finish(drafts, study, named, findings)


def _add_ledger(drafts: dict[str, Draft], study: Study, named: Mapping[str, Mapping[str, Any]],
                pending: Sequence[Row] | None, end: str) -> list[Finding]:
    """Read the ledger as tables beside those of files; one table has one home."""
    path = ledger_path(study)
    assert path is not None
    try:
        rows, end = read_ledger(study) if pending is None else (pending, end)
    except DriftError as error:
        missing = error.findings[0].code == "no-ledger"
        return [replace(f, severity="note") if missing else f for f in error.findings]
    found: list[Finding] = []
    plain = without_written_forms(study)
    if study.study.count_uses != "session log":  # counted by whoever asks for the present use of a sensor
        rows = [r for r in rows if r[1] != "session"]
    for kind, raw in logged_tables(rows, file=path.name, sha256=end).items():
        if kind in drafts:
            found.append(two_homes(study, kind))
            continue
        drafts[kind] = _draft(raw, kind, plain, named)
    return [*found, *left_behind(study, {k: len(d) for k, d in drafts.items()}, path.name)]


def read_one_table(source: str | Path | pd.DataFrame, kind: Literal["checks", "trials", "exposures"], study: Study, *,
                   keys: bool = True) -> Reading:
    """Read a single table by the same rules; only the columns that the study names are needed.

    Parameters
    ----------
    source : str, Path or DataFrame
        A file of any kind that is read, or a frame in memory.
    kind : {"checks", "trials", "exposures"}
    study : Study
        Made by :func:`drift.study.study_from_dict`, with ``columns`` and ``units`` for this kind.
    keys : bool
        Whether each row must be the only one with its labels; not so where equal labels are repeated readings.

    Returns
    -------
    Reading
    """
    named = {k: named_columns(study, k) for k in ("checks", "trials")}
    try:
        if hasattr(source, "iloc"):
            from drift.ingest.typed import read_frame

            raw = read_frame(cast("pd.DataFrame", source))
        else:
            raw = read_raw(locate(str(source), None), kind, study)
    except RefusedError as refused:
        return Reading(tables=Tables(), findings=(refused.finding,))
    return _finish({kind: _draft(raw, kind, study, named, strict=False)}, study, named, [], keys=keys)


def read_with(trials: str | Path, other: str | Path, kind: Literal["calibrations", "checks"], study: Study) -> Reading:
    """Read a trials table and one beside it; only the columns that the study names are needed.

    Parameters
    ----------
    trials, other : str or Path
    kind : {"calibrations", "checks"}
        What ``other`` holds.
    study : Study
        As for :func:`read_one_table`.
    """
    named = {k: named_columns(study, k) for k in ("checks", "trials")}
    drafts: dict[str, Draft] = {}
    findings: list[Finding] = []
    for name, source in (("trials", trials), (kind, other)):
        try:
            drafts[name] = _draft(read_raw(locate(str(source), None), name, study), name, study, named, strict=False)
        except RefusedError as refused:
            findings.append(refused.finding)
    return _finish(drafts, study, named, findings)


def read_raw_trials(raw: RawTable, study: Study) -> Reading:
    """Check and freeze one trials table of which the text is at hand, by the rules of a single table."""
    named = {k: named_columns(study, k) for k in ("checks", "trials")}
    return _finish({"trials": _draft(raw, "trials", study, named, strict=False)}, study, named, [])


def open_study(path: str | Path) -> tuple[Study | None, Reading]:
    """Read a study file and its tables and return everything wrong with either in one list.

    Parameters
    ----------
    path : str or Path
        The study folder or the file.

    Returns
    -------
    study : Study or None
        What could be read of it; None where nothing could.
    reading : Reading
        Tables and all findings, those of the study file first.
    """
    study, findings = load_study(path)
    if study is None:
        return None, Reading(tables=Tables(), findings=findings)
    reading = read_tables(study)
    seen = set(findings)
    rest = [f for f in reading.findings if f not in seen]
    return study, Reading(tables=reading.tables, findings=(*findings, *rest), use_counts=reading.use_counts,
                          inputs=reading.inputs)


def _draft(raw: Any, kind: str, study: Study, named: Mapping[str, Mapping[str, Any]], *,
           strict: bool = True) -> Draft:
    draft = start_draft(raw, kind, study, named=tuple(named.get(kind, ())), strict=strict)
    FILL[kind](draft, study)
    return draft


def _finish(drafts: dict[str, Draft], study: Study, named: Mapping[str, Mapping[str, Any]],
            findings: list[Finding], *, keys: bool = True) -> Reading:
    """Check the tables against each other and against the questions, then freeze what is sound."""
    exposure = study.sensitivity.exposure if study.sensitivity is not None else "use"
    counts, more = uses.count_uses(drafts, study)
    findings += more
    cross.join_sensor_columns(drafts, {k: tuple(v) for k, v in named.items()})
    for kind in ("checks", "trials"):
        if kind in drafts:
            uses.check_order(drafts[kind], exposure if kind == "checks" else "use")
            if keys:
                check_keys(drafts[kind], study)
            labels.near_labels(drafts[kind], tuple(named.get(kind, ())))
            labels.unit_columns(drafts[kind], study)
    cross.unknown_sensors(drafts)
    labels.lone_events(drafts)
    findings += labels.without_covariate(drafts, study)
    cross.one_construction_each(drafts)
    cross.after_retirement(drafts, exposure)
    cross.saturated_readings(drafts, study)
    if "sensors" in drafts and "events" in drafts:
        findings += events_against_sensors(drafts["sensors"], drafts["events"])
    findings += cross.check_questions(drafts, study, named)
    findings += about_recalculations(drafts, study)
    findings += cross.limits_without_columns(drafts, study)
    findings += cross.units_undeclared(drafts)
    for draft in drafts.values():
        _nothing_left(draft)
        findings += cross.fold_findings([*draft.raw.findings, *draft.findings])
    frozen = {kind: draft.freeze() for kind, draft in drafts.items() if kind != "session_log" and not draft.refused}
    tables = Tables(checks=cast("CheckTable | None", frozen.get("checks")),
                    trials=cast("TrialTable | None", frozen.get("trials")),
                    sensors=cast("SensorTable | None", frozen.get("sensors")),
                    events=cast("EventTable | None", frozen.get("events")),
                    calibrations=cast("CalibrationTable | None", frozen.get("calibrations")),
                    exposures=cast("ExposureTable | None", frozen.get("exposures")), people=_people(drafts))
    inputs = {d.raw.file: d.raw.sha256 for d in drafts.values() if d.raw.sha256}
    return Reading(tables=tables, findings=tuple(_sorted(findings)), use_counts=counts, inputs=inputs)


def _people(drafts: Mapping[str, Draft]) -> tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...]:
    """Return who occurs in the files, by role."""
    made = []
    for role in ROLES:
        held = [d for d in drafts.values() if role in d.placed.at]
        names = sorted({label for d in held for label in d.cells(role).labels if label})
        if names:
            made.append((role, tuple(sorted({d.header(role) for d in held})), tuple(names)))
    return tuple(made)


def _nothing_left(draft: Draft) -> None:
    """Refuse a table of which every row is excluded; note rows excluded without a reason."""
    if "exclude" in draft:
        reasons = draft["exclude_reason"] if "exclude_reason" in draft else np.full(len(draft), None, dtype=object)
        bare = ~draft.active & np.array([not r for r in reasons], dtype=bool)
        if bare.any():
            draft.findings.append(Finding(
                severity="note", code="no-reason", file=draft.file, row=int(draft.raw.row[np.flatnonzero(bare)[0]]),
                column=draft.header("exclude"),
                message=f"excluded without a reason: rows {ranges(draft.raw.row[bare].tolist())}",
                mend="Say why in exclude_reason"))
    if draft.kind in ("checks", "trials") and len(draft) and not draft.active.any():
        draft.findings.append(Finding(severity="error", code="no-rows", file=draft.raw.file,
                                      message="every row is marked as excluded", mend="Leave some rows to analyse"))


def _sorted(findings: list[Finding]) -> list[Finding]:
    """Errors first, then warnings, then notes; within each the study, then file and row."""
    rank = {"error": 0, "warning": 1, "note": 2}
    return sorted(dict.fromkeys(findings), key=lambda f: (rank[f.severity], f.file or "", first_row(f), f.column or ""))
