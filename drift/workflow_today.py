"""The steps behind ``drift chart``, ``today`` and ``log``: from files to one answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.errors import DriftError, Finding, raise_on_error
from drift.report.study_result import StudyResult
from drift.results import Provenance, Result, run_versions

if TYPE_CHECKING:
    from datetime import date

    from drift.control import ChartSpec, Occasions
    from drift.study import Study

__all__ = ["chart_of_study", "chart_of_table", "today_of_study"]


def _alone(part: Result, findings: tuple[Finding, ...], settings: dict[str, str]) -> StudyResult:
    """Make one part a whole result, so that it is printed and written as every other."""
    return StudyResult.join((part,), question=part.question, answer=part.answer, findings=findings,
                            provenance=Provenance(inputs=part.provenance.inputs, level=part.provenance.level,
                                                  versions=run_versions(), settings=settings))


def chart_of_table(path: str | Path, study: Study, options: Mapping[str, Any], *, level: float) -> StudyResult:
    """Chart a check standard whose readings stand in one table.

    Parameters
    ----------
    path : str or Path
    study : Study
        Made in memory; its ``[columns.trials]`` says which column is the reading.
    options : mapping
        As the command line names them.
    level : float

    Raises
    ------
    DriftError
        With every finding, where the table cannot be used.
    """
    from dataclasses import replace

    from drift.control.line_chart import Line, chart_line
    from drift.control.occasions import occasions_of_table
    from drift.control.result import chart_table
    from drift.ingest import account_rows, read_one_table
    from drift.ingest.accounts import excluded_rows
    from drift.ingest.select import nothing_selected, select_where

    reading = read_one_table(path, "trials", study, keys=False)
    raise_on_error(reading.findings)
    table = reading.tables.trials
    assert table is not None
    where = dict(options["where"])
    inside = select_where(table, where) if where else None
    if inside is not None and not inside.any():
        raise DriftError(nothing_selected(table, where))
    kept = table if inside is None else table.take(inside)
    asked = " and ".join(f"{k} is {v}" for k, v in where.items())
    name = f"chart of {Path(path).name}"
    account, exclusions, _ = account_rows(
        name, table.file, table, outside=None if inside is None else ~inside, excluded=excluded_rows(table),
        reasons=None if inside is None else _outside(inside, f"not of those where {asked}"))
    column = {k: _column(kept, options[k]) for k in ("occasion", "standard", "within_sd", "within_df", "true")}
    if options["true"]:
        names = ("intercept", "slope", "sd", "df")
        line = Line(**dict(zip(names, options["line"], strict=True))) if options["line"] else None
        part = chart_line(kept, value="reading", true=column["true"], occasion=column["occasion"], line=line,
                          baseline=min(options["baseline"] or 5, 10**6), question=name, level=level,
                          inputs=reading.inputs, account=account, exclusions=exclusions)
    else:
        spec = _spec(options)
        _refuse_mixtures(kept, column["standard"])
        found = occasions_of_table(kept, occasion=column["occasion"], standard=column["standard"],
                                   within_sd=column["within_sd"], within_df=column["within_df"])
        part = chart_table(found, spec, question=name, level=level, inputs=reading.inputs, account=account,
                           exclusions=exclusions)
        part = replace(part, findings=(*part.findings, *_several_a_day(found, options["occasion"])))
    return _alone(part, reading.findings, _settings(study, part))


def _spec(options: Mapping[str, Any], most: int | None = None) -> ChartSpec:
    """Return how to chart, as the command line names it."""
    from drift.control.charts import ChartSpec

    usual = ChartSpec()
    weight, width = options["ewma"] or (usual.weight, None)
    slack, limit = options["cusum"] or (usual.slack, None)
    return ChartSpec(baseline=options["baseline"], direction=options["direction"], centre=options["centre"],
                     sd=options["sd"], multiplier=options["multiplier"], weight=weight, width=width, slack=slack,
                     sum_limit=limit, steady=options["steady"], most=most or usual.most,
                     precision=options["precision"] or usual.precision)


def _settings(study: Study, part: Result) -> dict[str, str]:
    """Return what the report says about study and chart, as text."""
    how = {k: f"{v:g}" if isinstance(v, float) else str(v) for k, v in part.provenance.settings.items()}
    return {"study": study.model_dump_json(exclude_none=True, exclude={"folder"}), **how}


def _outside(inside: Any, why: str) -> Any:
    """Return the reason why each row lies outside the selection; None where it lies inside."""
    import numpy as np

    reasons = np.full(len(inside), why, dtype=object)
    reasons[inside] = None
    return reasons


def _several_a_day(found: Sequence[Occasions], column: str) -> tuple[Finding, ...]:
    """Say that moments of one day were taken for occasions of their own."""
    made = []
    for one in found:
        moments = [str(t) for t in one.label if len(str(t)) > len("2026-01-31") and str(t)[4:5] == "-"]
        days = {t[:10] for t in moments}
        if moments and len(days) < len(moments):
            made.append(Finding(
                severity="warning", code="several-a-day", column=column, message=f"{len(moments)} occasions lie on "
                f"{len(days)} days{f' ({one.standard})' if one.standard else ''}: each moment is charted as an "
                "occasion of its own, and the scatter within a day passes for that between days",
                mend="Name a column with the day, to average the readings of a day."))
    return tuple(made)


def chart_of_study(path: str | Path, options: Mapping[str, Any], *, level: float) -> StudyResult:
    """Chart the check standards of a study, read as ``drift today`` reads them.

    Parameters
    ----------
    path : str or Path
        Study folder or its ``study.toml``.
    options : mapping
        As the command line names them; ``where`` picks among the rows of check standards.
    level : float

    Raises
    ------
    DriftError
        With every finding, where study or tables cannot be used, or no sensor is a check standard.
    """
    from dataclasses import replace

    from drift.control.result import chart_table
    from drift.ingest import account_rows, read_tables
    from drift.ingest.accounts import excluded_rows
    from drift.ingest.select import nothing_selected, select_where
    from drift.records import CheckTable
    from drift.study import read_study
    from drift.today import ledger_rows
    from drift.today.standards import standards_of

    study = read_study(path)
    rows, end = ledger_rows(study)
    reading = read_tables(study, pending=rows, end=end)
    raise_on_error(reading.findings)
    tables = reading.tables
    found = standards_of(tables, study)
    checks = tables.checks
    if found is None or checks is None:
        raise DriftError(Finding(severity="error", code="no-check-standard", message="no sensor of the study has the "
                                 "role check standard", mend="Give it that role in the column role of the sensors "
                                 "table; 'drift chart TABLE --occasion COL' charts any table."))
    where = dict(options["where"])
    if where:
        own = checks.take(found.rows)
        picked = select_where(own, where)
        if not picked.any():
            raise DriftError(nothing_selected(own, where))
        kept = checks.take(~found.rows | select_where(checks, where))
        assert isinstance(kept, CheckTable)
        tables = replace(tables, checks=kept)
        found = standards_of(tables, study)
        assert found is not None
    wanted = {o.standard for o in found.occasions}
    entering = (checks["reading"] == checks["reading"]) & select_where(checks, {**where, "sensor": sorted(wanted)})
    worn = "no reading of a check standard that is charted"
    account, exclusions, _ = account_rows("chart of the check standards", "checks", checks, outside=~entering,
                                          excluded=excluded_rows(checks), reasons=_outside(entering, worn))
    most = study.today.baseline if study.today is not None else None
    part = chart_table(found.occasions, _spec(options, most), question="chart of the check standards", level=level,
                       inputs=reading.inputs, account=account, exclusions=exclusions, restarts=found.restarts,
                       unread=found.unread, exposure=found.exposure)
    part = replace(part, findings=(*part.findings, *found.findings))
    told = tuple(f for f in reading.findings if f.severity != "note")
    return _alone(part, told, _settings(study, part))


LOADS_ALIKE = 1.2  # readings of one standard are charted together while its loads differ by less than this ratio


def _refuse_mixtures(kept: Any, standard: str | None) -> None:
    """Raise where readings of several sensors, or of one at several loads, would be averaged into one chart.

    Their spread would be taken for that of an occasion, and no change of the rig could be seen in it.
    """
    import numpy as np

    used = ~(kept["exclude"] > 0) if "exclude" in kept else np.ones(len(kept), dtype=bool)
    if standard is None and "sensor" in kept and len(names := sorted({str(s) for s in kept["sensor"][used]})) > 1:
        raise DriftError(Finding(severity="error", code="mixed-standards", column="sensor", value=", ".join(names[:5]),
                                 message=f"readings of {len(names)} sensors would be averaged into one chart",
                                 mend=f'Chart each by itself with --standard sensor, or one with --where "sensor='
                                      f'{names[0]}".'))
    if "reference" not in kept:
        return
    load = np.asarray(kept["reference"], dtype=np.float64)
    whose = np.array([str(s) for s in kept[standard]] if standard else [""] * len(kept), dtype=object)
    for name in sorted(set(whose[used])):
        own = load[used & (whose == name) & np.isfinite(load) & (load > 0)]
        if len(own) and own.max() > LOADS_ALIKE * own.min():
            raise DriftError(Finding(
                severity="error", code="mixed-loads", column="reference", value=f"{own.min():g} to {own.max():g}",
                message=f"readings{f' of {name}' if name else ''} at several loads would be averaged into one chart",
                mend="Chart one load with --where, or readings against their true values with --true."))


def _column(table: Any, asked: str | None) -> Any:
    """Return our name of a column a person named by its header."""
    from drift.ingest.columns import fold, split_header
    from drift.study import suggestion

    if asked is None:
        return None
    for name in table.columns:
        if fold(name) in (fold(asked), fold(split_header(asked)[0])):
            return name
    raise DriftError(Finding(severity="error", code="missing-column", file=table.file, column=asked,
                             message=f"there is no column {asked!r}", mend=suggestion(asked, list(table.columns),
                                                                                       noun="columns")))


def today_of_study(path: str | Path, sensor: str | None, *, readings: Sequence[float] = (),
                   references: Sequence[str] = (), use: float | None = None, repeat: bool = False,
                   seed: int | None = None, on: date | None = None) -> StudyResult:
    """Say of one sensor (or of all) whether to use it today.

    Parameters
    ----------
    path : str or Path
        Study folder or its ``study.toml``.
    sensor : str, optional
        All sensors where none is named.
    readings, references : sequence
        A check taken now, which is not recorded; one pair a level.
    use : float, optional
        Uses the sensor has made by now.
    repeat : bool
        The readings repeat its latest check.
    seed : int, optional
    on : date, optional
        Day of the question; the age of readings of check standards counts to it, without it to the newest day on
        record.

    Raises
    ------
    DriftError
        With every finding, where study, tables or sensor cannot be used.
    """
    from dataclasses import replace

    from drift.ingest import read_tables
    from drift.study import read_study
    from drift.today import all_sensors, given_now, ledger_rows, one_sensor, prepare_setting, sessions_of
    from drift.today.beside import results_beside
    from drift.workflow import DEFAULT_SEED, hashes_of

    study = read_study(path)
    rows, end = ledger_rows(study)
    reading = read_tables(study, pending=rows, end=end)
    raise_on_error(reading.findings)
    tables = reading.tables
    sessions = sessions_of(rows or ())
    given = None
    if sensor is not None:
        given = given_now(study, tables, sensor, readings=readings, references=references, use=use, repeat=repeat,
                          sessions=sessions)
        tables = given.tables
    setting = prepare_setting(tables, study, sessions=sessions, seed=DEFAULT_SEED if seed is None else seed,
                              given=given.rows if given is not None else frozenset(), recorded=reading.tables, on=on,
                              beside=results_beside(study, hashes_of(study, reading)))
    if sensor is not None and use is not None:
        setting.situations = {**setting.situations, sensor: replace(setting.situations[sensor], use=use)}
    part = one_sensor(setting, sensor, tables, study) if sensor is not None else all_sensors(setting, tables, study)
    if given is not None and given.findings:
        part = replace(part, findings=(*given.findings, *part.findings))
    kept = tuple(f for f in reading.findings if f.severity != "note")
    return _alone(part, kept, {"study": study.model_dump_json(exclude_none=True, exclude={"folder"})})
