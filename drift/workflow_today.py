"""The steps behind ``drift chart``, ``today`` and ``log``: from files to one answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.errors import DriftError, Finding, raise_on_error
from drift.report.study_result import StudyResult
from drift.results import Provenance, Result, RowAccount, run_versions

if TYPE_CHECKING:
    from drift.study import Study

__all__ = ["chart_of_table", "today_of_study"]


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
    from drift.control.charts import ChartSpec
    from drift.control.line_chart import Line, chart_line
    from drift.control.occasions import occasions_of_table
    from drift.control.result import chart_table
    from drift.ingest import read_one_table
    from drift.ingest.select import select_where

    reading = read_one_table(path, "trials", study, keys=False)
    raise_on_error(reading.findings)
    table = reading.tables.trials
    assert table is not None
    inside = select_where(table, dict(options["where"])) if options["where"] else None
    kept = table if inside is None else table.take(inside)
    column = {k: _column(kept, options[k]) for k in ("occasion", "standard", "within_sd", "within_df", "true")}
    name = f"chart of {Path(path).name}"
    if options["true"]:
        names = ("intercept", "slope", "sd", "df")
        line = Line(**dict(zip(names, options["line"], strict=True))) if options["line"] else None
        part = chart_line(kept, value="reading", true=column["true"], occasion=column["occasion"], line=line,
                          baseline=min(options["baseline"] or 5, 10**6), question=name, level=level,
                          inputs=reading.inputs)
    else:
        usual = ChartSpec()
        weight, width = options["ewma"] or (usual.weight, None)
        slack, limit = options["cusum"] or (usual.slack, None)
        spec = ChartSpec(baseline=options["baseline"], direction=options["direction"], centre=options["centre"],
                         sd=options["sd"], multiplier=options["multiplier"], weight=weight, width=width, slack=slack,
                         sum_limit=limit, steady=options["steady"],
                         precision=options["precision"] or usual.precision)
        _refuse_mixtures(kept, column["standard"])
        found = occasions_of_table(kept, occasion=column["occasion"], standard=column["standard"],
                                   within_sd=column["within_sd"], within_df=column["within_df"])
        flagged = int((kept["exclude"] > 0).sum()) if "exclude" in kept else 0
        account = RowAccount(question=name, table="trials", read=len(table), outside_where=len(table) - len(kept),
                             excluded=flagged, used=len(kept) - flagged)
        part = chart_table(found, spec, question=name, level=level, inputs=reading.inputs, account=account)
    return _alone(part, reading.findings, {"study": study.model_dump_json(exclude_none=True, exclude={"folder"})})


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
                   seed: int | None = None) -> StudyResult:
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

    Raises
    ------
    DriftError
        With every finding, where study, tables or sensor cannot be used.
    """
    from dataclasses import replace

    from drift.ingest import read_tables
    from drift.study import read_study
    from drift.today import all_sensors, given_now, ledger_rows, one_sensor, prepare_setting, sessions_of
    from drift.workflow import DEFAULT_SEED

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
                              given=given.rows if given is not None else frozenset())
    if sensor is not None and use is not None:
        setting.situations = {**setting.situations, sensor: replace(setting.situations[sensor], use=use)}
    part = one_sensor(setting, sensor, tables, study) if sensor is not None else all_sensors(setting, tables, study)
    if given is not None and given.findings:
        part = replace(part, findings=(*given.findings, *part.findings))
    kept = tuple(f for f in reading.findings if f.severity != "note")
    return _alone(part, kept, {"study": study.model_dump_json(exclude_none=True, exclude={"folder"})})
