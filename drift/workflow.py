"""The named steps from a study folder to its answers, called alike by command line and scripts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from drift.errors import DriftError, Finding, raise_on_error
from drift.report.study_result import StudyResult
from drift.results import Provenance, Result, ResultTable, join_words, run_versions

if TYPE_CHECKING:
    from drift.ingest import Reading
    from drift.records import Table, Tables
    from drift.screening import Screening
    from drift.study import Study

DEFAULT_SEED = 20260101
DEFAULT_LEVEL = 0.95

Progress = Callable[[str, float], None]
"""Called as ``progress(what, share_done)`` with a share between 0 and 1."""

__all__ = ["DEFAULT_LEVEL", "DEFAULT_SEED", "CheckResult", "NewResult", "StudyResult", "answer_budget", "answer_table",
           "check_study", "new_study", "run_study", "write_output"]


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckResult(Result):
    """What ``drift check`` found: every finding at once, the files read, the questions asked."""

    command: ClassVar[str] = "check"


@dataclass(frozen=True, kw_only=True, eq=False)
class NewResult(Result):
    """What ``drift new`` wrote."""

    command: ClassVar[str] = "new"


def run_study(study: Study, *, level: float = DEFAULT_LEVEL, seed: int = DEFAULT_SEED, pseudonyms: bool = False,
              progress: Progress | None = None, as_written: Study | None = None) -> StudyResult:
    """Answer every question of a study.

    Parameters
    ----------
    study : Study
        As read by :func:`drift.study.read_study`.
    level : float
        Confidence level of the intervals (the retire-after statement has its own confidence).
    seed : int
        Seed of everything random; the same study and seed give the same numbers.
    pseudonyms : bool
        Replace people in every output by stable codes.
    progress : callable, optional
        Called as ``progress(what, share_done)``.
    as_written : Study, optional
        The study as it stands in the file, where only part of its questions is to be answered; it is what was locked.

    Returns
    -------
    StudyResult
        Estimates of all questions, ``of["question"]`` naming theirs; one result each in ``parts``.

    Raises
    ------
    DriftError
        With every finding, when the tables or the questions cannot be used.
    """
    from drift.ingest import read_tables

    tell = progress or _silent
    tell("reading tables", 0.0)
    reading = read_tables(study)
    as_written, plain = as_written or study, reading
    if pseudonyms:
        study, reading = _coded(study, reading)
    answered = _answered(study, reading, level=level, seed=seed, progress=tell)
    return _with_what_stands_beside(answered, study, reading.tables, as_written, plain.tables if pseudonyms else None)


def _with_what_stands_beside(result: StudyResult, study: Study, tables: Tables, as_written: Study,
                             named: Tables | None) -> StudyResult:
    """Add reporting items, locks and protocol remarks: tables of the study as a whole, which change no answer."""
    from drift.ingest import person_codes, pseudonymise_text
    from drift.items.beside import beside, evidence_of
    from drift.lock.result import changed_findings
    from drift.protocol import protocol_remarks

    codes = None if named is None else person_codes(named, title=as_written.study.title)
    evidence = evidence_of(study, tables, result.parts, result.provenance, as_written=as_written, people=codes is None)
    added, said = beside(evidence, hide=None if codes is None else lambda text: pseudonymise_text(text, codes))
    remarks, looked = protocol_remarks(evidence)
    lock = evidence.lock.file
    said = (*said, *changed_findings(evidence.lock, as_written))
    inputs = dict(result.provenance.inputs) | (_file_hash(lock) if lock is not None and lock.is_file() else {})
    return replace(result, tables=(*result.tables, *remarks, *added), findings=(*result.findings, *looked, *said),
                   provenance=replace(result.provenance, inputs=inputs))


def _file_hash(file: Path) -> dict[str, str]:
    import hashlib

    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest()}


def _answered(study: Study, reading: Reading, *, level: float, seed: int, progress: Progress) -> StudyResult:
    """Answer the questions of a study about tables that were read."""
    findings = tuple(dict.fromkeys((*blanks(study), *reading.findings)))
    raise_on_error(findings)
    tables = reading.tables
    # What screening finds in the trials belongs to the study: every question stands on the same rows.
    looked_at = screened_trials(study, tables)
    if looked_at is not None:
        findings = (*findings, *looked_at.findings)
        raise_on_error(findings)
    parts = answer_questions(study, tables, level=level, seed=seed, progress=progress, findings=findings,
                             screening=looked_at)
    provenance = Provenance(inputs=hashes_of(study, reading), seed=seed, level=level, versions=run_versions(),
                            settings=_settings(study))
    whole = [_table_list(tables), *([reading.use_counts] if reading.use_counts is not None else [])]
    if looked_at is not None and len(looked_at.table):
        whole.append(replace(looked_at.table, name="screening of trials"))
    progress("done", 1.0)
    return StudyResult.join(parts, question=study.study.title, answer=_whole_answer(parts), findings=findings,
                            provenance=provenance, tables=whole)


def answer_questions(study: Study, tables: Tables, *, level: float, seed: int, progress: Progress,
                     findings: Sequence[Finding] = (), screening: Screening | None = None) -> tuple[Result, ...]:
    """Answer the questions one after another; errors of all of them are raised together."""
    steps = _steps(study, tables, level=level, seed=seed, screening=screening)
    if not steps:
        raise DriftError((*findings, Finding(
            severity="error", code="no-question", file="study.toml", message="the study asks no question its tables "
            "could answer", mend="Add a checks table, or a [[reliability]] or [[agreement]] question.")))
    parts: list[Result] = []
    problems: list[Finding] = []
    for number, (what, step) in enumerate(steps):
        def tell(*told: Any, what: str = what, number: int = number) -> None:
            share = next((float(t) for t in told if isinstance(t, (int, float))), 0.0)
            progress(what, (number + min(max(share, 0.0), 1.0)) / len(steps))

        tell(0.0)
        try:
            parts.append(step(parts, tell))
        except DriftError as error:
            problems += [f for f in error.findings if f not in problems]
    if any(f.severity == "error" for f in problems):
        raise DriftError((*findings, *problems))
    from drift.report.protocol_limits import beside_counts

    return beside_counts(parts)


_Step = Callable[[Sequence[Result], Callable[..., None]], Result]


def _steps(study: Study, tables: Tables, *, level: float, seed: int,
           screening: Screening | None) -> list[tuple[str, _Step]]:
    """List the questions as functions of the parts made before them."""
    steps: list[tuple[str, _Step]] = []
    if tables.checks is not None and (study.sensitivity is not None or not study.calibration):
        steps.append(("drift per use", lambda _, tell: _wear(tables, study, level, seed, tell)))
        if asks_retirement(study):
            steps.append(("retirement", lambda made, tell: _retire(made, study, tables, seed, tell)))
        if study.recalibration is not None:
            steps.append(("recalibration", lambda made, tell: _recalibrate(made, study, tables, tell)))
        if asks_policy(study):
            steps.append(("policy", lambda made, tell: _policy(made, study, tables, level, seed, tell)))
        if study.budget is not None:
            steps.append(("uncertainty budget", lambda made, __: _budget(tables, study, level, seed, made)))
    steps += _calibration_steps(study, tables, level, seed)
    if study.today is not None or study.files.ledger:
        steps.append(("sensors today", lambda _, __: _today(study, tables, seed)))
    if tables.trials is not None:
        trials = tables.trials
        for r in study.reliability:
            steps.append((r.name, lambda _, __, q=r: _reliability(trials, q, level, seed, screening)))  # type: ignore[misc]
        for g in study.gauge:
            steps.append((g.name, lambda _, __, q=g: _gauge(trials, q, level, seed, screening)))  # type: ignore[misc]
        for i in study.interlaboratory:
            steps.append((i.name, lambda _, __, q=i: _interlaboratory(trials, q, level, seed, screening)))  # type: ignore[misc]
        for a in study.agreement:
            steps.append((a.name, lambda _, __, q=a: _agreement(trials, q, level, seed, screening,  # type: ignore[misc]
                                                                study, tables)))
    return steps


def _calibration_steps(study: Study, tables: Tables, level: float, seed: int) -> list[tuple[str, _Step]]:
    """List the questions about calibration curves and gains of cells."""
    steps: list[tuple[str, _Step]] = []
    if tables.checks is not None:
        checks = tables.checks
        for c in study.calibration:
            steps.append((c.name, lambda _, __, q=c: _calibrate(checks, q, level, seed, study, tables)))  # type: ignore[misc]
    if tables.exposures is not None:
        steps.append(("gains of cells", lambda _, __: _cells(tables, study, level, seed)))
    return steps


def _calibrate(checks: Any, question: Any, level: float, seed: int, study: Study, tables: Tables) -> Result:
    from drift.calibration import calibrate_curves

    return calibrate_curves(checks, question, level=level, seed=seed, full_scale=_full_scale(study, tables))


def _cells(tables: Tables, study: Study, level: float, seed: int) -> Result:
    from drift.calibration import cell_gains
    from drift.study import CellsQuestion

    assert tables.exposures is not None
    return cell_gains(tables.exposures, study.cells or CellsQuestion(), level=level, seed=seed)


def asks_retirement(study: Study) -> bool:
    """Tell whether a retire-after count is asked: some limit is declared, or ``[retirement]`` stands there."""
    return study.retirement is not None or any(v is not None for v in study.limits.model_dump().values())


def asks_policy(study: Study) -> bool:
    """Tell whether policies are to be compared: ``[policy]`` stands there, or every cost that is needed is given."""
    costs = study.costs
    needed = [costs.sensor, costs.spoilt_session, costs.check,
              *([costs.recalibration] if study.recalibration is not None else [])]
    return asks_retirement(study) and (study.policy is not None or all(c is not None for c in needed))


def _wear(tables: Tables, study: Study, level: float, seed: int, tell: Callable[..., None]) -> Result:
    from drift.sensitivity import fit_wear

    return fit_wear(tables, study, level=level, seed=seed, progress=tell)


def _retire(made: Sequence[Result], study: Study, tables: Tables, seed: int, tell: Callable[..., None]) -> Result:
    from drift.retirement import retire
    from drift.sensitivity import WearResult

    wear = next((p for p in made if isinstance(p, WearResult)), None)
    if wear is None:  # its own errors are already on the list
        raise DriftError(Finding(severity="note", code="no-wear", message="no drift was fitted"))
    return retire(wear, study, tables, seed=seed, progress=tell)


def _recalibrate(made: Sequence[Result], study: Study, tables: Tables, tell: Callable[..., None]) -> Result:
    from drift.retirement.recalibration import recalibrate

    wear = next((p for p in made if p.command == "wear"), None)
    if wear is None:
        raise DriftError(Finding(severity="note", code="no-wear", message="no drift was fitted"))
    retired = next((p for p in made if p.command == "retire"), None)
    return recalibrate(wear, study, tables, retired=retired, progress=tell)


def _budget(tables: Tables, study: Study, level: float, seed: int, made: Sequence[Result] = ()) -> Result:
    import math

    from drift.budget import budget
    from drift.budget.beyond import counts_not_known
    from drift.retirement.counts_alone import counts_alone, counts_of

    asked = asks_retirement(study) or study.recalibration is not None
    counts = counts_of(made) or (counts_alone(tables, study, level=level) if asked else {})
    result = budget(tables, study, level=level, seed=seed, counts=counts)
    if not any(math.isfinite(e.value) for e in result.estimates):
        return result
    unknown = counts_not_known(study) if asked and not counts else None
    return replace(result, answer=f"{result.answer} {_rig_words(tables, study, level, made)}".rstrip(),
                   findings=(*result.findings, *((unknown,) if unknown is not None else ())))


def _rig_words(tables: Tables, study: Study, level: float, made: Sequence[Result]) -> str:
    """Return the sentences by which a budget says that its drift rests on an uncorrected change of the rig."""
    from drift.sensitivity.controls import controls
    from drift.sensitivity.controls_words import rest_words
    from drift.sensitivity.design import prepare

    wear = next((p for p in made if p.command == "wear"), None)
    if study.budget is not None and study.budget.drift is not None:
        return ""  # a drift that is stated is nobody's reading across a step
    if wear is None:
        if tables.checks is None:
            return ""
        try:
            data = prepare(tables, study)
        except DriftError:
            return ""  # a budget of stated values needs no checks that could be used
        found = controls(tables, data, level=level, screening=study.screening, slopes={})
        wear = Result(question="wear", answer="", tables=found.tables, provenance=Provenance())
    return rest_words(wear)


def answer_budget(study: Study, asked: Mapping[str, Any], *, level: float = DEFAULT_LEVEL, seed: int = DEFAULT_SEED,
                  progress: Progress | None = None) -> StudyResult:
    """Make the uncertainty budget of a study, with what is asked here in place of what ``[budget]`` says.

    Parameters
    ----------
    study : Study
    asked : mapping
        Keys of ``[budget]``; None asks nothing.

    Raises
    ------
    DriftError
        With every finding.
    """
    from drift.budget.asked import asked_of
    from drift.budget.impossible import refuse_impossible
    from drift.ingest import read_tables

    tell = progress or _silent
    tell("reading tables", 0.0)
    study = asked_of(study, asked)
    reading = read_tables(study)
    raise_on_error(reading.findings)
    refuse_impossible(reading.tables, study, option=asked.get("reading") is not None)
    tell("uncertainty budget", 0.3)
    part = _budget(reading.tables, study, level, seed)
    provenance = Provenance(inputs=hashes_of(study, reading), seed=seed, level=level, versions=run_versions(),
                            settings=_settings(study))
    return StudyResult.join((part,), question=study.study.title, answer=part.answer, findings=reading.findings,
                            provenance=provenance, tables=[_table_list(reading.tables)])


def answer_calibrations(study: Study, *, cells: bool = False, level: float = DEFAULT_LEVEL, seed: int = DEFAULT_SEED,
                        progress: Progress | None = None) -> StudyResult:
    """Answer what a study asks of its calibration curves, or of the gains of its cells, and nothing else.

    Parameters
    ----------
    study : Study
    cells : bool
        The gains of cells, from the table of exposures.
    level, seed, progress
        As of :func:`run_study`.

    Raises
    ------
    DriftError
        With every finding, when the tables cannot be used or nothing of the kind is asked.
    """
    from drift.ingest import read_tables

    tell = progress or _silent
    tell("reading tables", 0.0)
    reading = read_tables(study)
    raise_on_error(reading.findings)
    steps = _calibration_steps(study, reading.tables, level, seed)
    of_cells = [s for s in steps if s[0] == "gains of cells"]
    chosen = of_cells if cells else [s for s in steps if s not in of_cells]
    if not chosen:
        what = "no gains of cells: [files] names no table of exposures" if cells else "for no calibration curve"
        raise DriftError(Finding(
            severity="error", code="nothing-asked", file="study.toml", message=f"the study asks {what}",
            mend="Name it: exposures = \"exposures.csv\"." if cells else "Add [[calibration]] with a name"
            + (", or say --cells for its gains of cells." if of_cells else
               f"; 'drift calibrate {study.files.checks or 'TABLE'}' fits the curves of one table.")))
    parts = [step((), tell) for _, step in chosen]
    provenance = Provenance(inputs=hashes_of(study, reading), seed=seed, level=level, versions=run_versions(),
                            settings=_settings(study))
    return StudyResult.join(parts, question=study.study.title, answer=" ".join(p.answer for p in parts),
                            findings=reading.findings, provenance=provenance, tables=[_table_list(reading.tables)])


def answer_plan(kind: str, asked: Mapping[str, Any], *, pilot: str | Path | None = None,
                pilot_question: str | None = None, schedule: str | Path | None = None, level: float = DEFAULT_LEVEL,
                studies: int = 1000, seed: int = DEFAULT_SEED, progress: Progress | None = None) -> StudyResult:
    """Plan a study.

    Parameters
    ----------
    kind : {"icc", "sem", "limits", "slope", "retire", "gauge"}
    asked : mapping
        Goal, numbers and planning values, as :func:`drift.planning.asked.asked_of` takes them.
    pilot, pilot_question
        Study whose variance components serve as planning values, and which of its questions.
    schedule : path, optional
        New folder for the randomised schedule.
    level, studies, seed, progress
        Level of the planned intervals, simulated studies, and as of :func:`run_study`.

    Raises
    ------
    DriftError
        With everything that is missing or impossible.
    """
    from drift.planning.asked import PLANNED, asked_of, faults_beside_a_pilot
    from drift.planning.pilot import COMMANDS, LEVEL, named_question, pilot_values
    from drift.planning.plan import plan

    tell = progress or _silent
    values, findings, hashes = None, (), {}
    if pilot is not None:
        from drift.ingest import read_tables
        from drift.study import read_study

        tell("reading the pilot", 0.0)
        study = read_study(pilot)
        named_question(COMMANDS[kind], [q.name for q in _pilot_questions(study, COMMANDS[kind])], pilot_question)
        faults_beside_a_pilot(kind, asked, level=level)
        reading = read_tables(study)
        raise_on_error(reading.findings)
        tell("estimating what the pilot tells", 0.05)
        parts = _pilot_parts(study, reading.tables, COMMANDS[kind], LEVEL, seed, pilot_question)
        values, hashes = pilot_values(kind, parts, pilot_question), hashes_of(study, reading)
    question = asked_of(kind, asked, values, level=level)
    settings = {k: v for k, v in asked.items() if v is not None}
    part: Result = plan(question.question, question.values, unfavourable=question.unfavourable, seed=seed,
                        studies=studies, progress=tell, settings=settings)
    if schedule is not None:
        part = _with_schedule(part, question.question, asked, Path(schedule), seed)
    provenance = Provenance(inputs=hashes, seed=seed, level=level, versions=run_versions(), settings=settings)
    return StudyResult.join((part,), question=f"Plan of {PLANNED[kind]}", answer=part.answer, findings=findings,
                            provenance=provenance)


def _with_schedule(part: Result, question: Any, asked: Mapping[str, Any], folder: Path, seed: int) -> Result:
    """Write the schedule of a plan into a new folder, and say so."""
    from drift.planning.schedule import make_schedule
    from drift.planning.study_file import study_text
    from drift.report.new_study import write_files

    design = {f.key: int(v) for f in question.factors if (v := _planned(part, f.many)) == v}
    if len(design) < len(question.factors):
        return replace(part, findings=(*part.findings, Finding(
            severity="warning", code="no-schedule", message="no schedule was written: no design reaches the goal",
            mend="Fix the numbers of the design without a goal to get its schedule all the same.")))
    # Plans of crossed designs know what their pilot calls the two; others have the words of the options.
    words = getattr(question, "words", None) or (str(asked.get("target_name") or "participant"),
                                                 str(asked.get("facet_name") or "sensor"))
    made = make_schedule(question, design, words, int(asked.get("people") or 1), seed=seed)
    text = study_text(question, design, made, words, part.answer, asked, seed=seed)
    names = write_files(folder, {"study.toml": text, f"{made.table}.csv": made.csv(), **made.files})
    said = Finding(severity="note", code="schedule-written", file=str(folder), message=f"{join_words(names)} written: "
                   f"{len(made.rows)} readings in random order", mend="Fill in readings and what study.toml leaves "
                   "open, then run drift check on the folder.")
    return replace(part, findings=(*part.findings, said))


def _planned(part: Result, many: str) -> float:
    return next(e.value for e in part.estimates if e.name == f"planned {many}")


def _pilot_parts(study: Study, tables: Tables, command: str, level: float, seed: int,
                 wanted: str | None) -> list[Result]:
    """Answer the pilot's questions of one command, and no others."""
    from drift.planning.pilot import named_question
    from drift.sensitivity.design import label_of

    if command == "wear":
        if tables.checks is None:
            return []
        names = sorted(set(label_of(tables.checks, tables.sensors, "construction").tolist()))
        if wanted is not None or study.sensitivity is None or not study.sensitivity.where:
            named_question(command, [n for n in names if n], wanted)
        return [_wear(tables, study, level, seed, lambda *_: None)]
    if tables.trials is None:
        return []
    looked_at = screened_trials(study, tables)
    chosen = [q for q in _pilot_questions(study, command) if wanted is None or q.name == wanted]
    if command == "agree":
        return [_agreement(tables.trials, q, level, seed, looked_at, study, tables) for q in chosen]
    answer = _reliability if command == "icc" else _gauge
    return [answer(tables.trials, q, level, seed, looked_at) for q in chosen]


def _pilot_questions(study: Study, command: str) -> tuple[Any, ...]:
    of: dict[str, tuple[Any, ...]] = {"icc": study.reliability, "agree": study.agreement, "gauge": study.gauge}
    return of.get(command, ())


def _today(study: Study, tables: Tables, seed: int) -> Result:
    from drift.today import all_sensors, ledger_rows, prepare_setting, sessions_of

    setting = prepare_setting(tables, study, sessions=sessions_of(ledger_rows(study)[0] or ()), seed=seed)
    return all_sensors(setting, tables, study)


def _policy(made: Sequence[Result], study: Study, tables: Tables, level: float, seed: int,
            tell: Callable[..., None]) -> Result:
    from drift.retirement.policy import compare_policies

    wear, retired, interval = (next((p for p in made if p.command == c), None)
                               for c in ("wear", "retire", "recalibrate"))
    if wear is None or retired is None:
        raise DriftError(Finding(severity="note", code="no-wear", message="no drift was fitted"))
    return compare_policies(wear, retired, study, tables, interval=interval, seed=seed, level=level, progress=tell)


def policy_of_study(study: Study, *, level: float = DEFAULT_LEVEL, seed: int = DEFAULT_SEED,
                    progress: Progress | None = None) -> StudyResult:
    """Compare policies for a study, with the questions they rest on and no others.

    Parameters
    ----------
    study : Study
        Needs checks and a limit; its questions about trials are left alone.
    level, seed, progress
        As of :func:`run_study`.

    Raises
    ------
    DriftError
        With every finding, when the tables cannot be used or nothing is asked.
    """
    from drift.ingest import read_tables
    from drift.retirement.policy_costs import refuse_costs
    from drift.study import PolicySpec

    problems: list[Finding] = []
    try:
        refuse_costs(study)
    except DriftError as error:
        problems += error.findings
    nothing: dict[str, Any] = dict.fromkeys(("reliability", "gauge", "interlaboratory", "agreement"), ())
    study = study.model_copy(update={"policy": study.policy or PolicySpec()})
    if study.study.count_uses != "dates":  # trials that nothing is asked of need not be read
        study = study.model_copy(update={**nothing, "files": study.files.model_copy(update={"trials": None})})
    lacking = None if asks_retirement(study) else "a limit: add one to [limits]"
    lacking = lacking if study.files.may_hold("checks") else "a table of checks: add checks = \"checks.csv\" to [files]"
    if lacking:
        problems.insert(0, Finding(severity="error", code="no-policy-question", file="study.toml",
                                   message="policies cannot be compared without " + lacking.split(": add")[0],
                                   mend=f"Add{lacking.split(': add')[1]}."))
    if problems:
        raise DriftError(problems)
    tell = progress or _silent
    tell("reading tables", 0.0)
    reading = read_tables(study)
    return _answered(study.model_copy(update=nothing), reading, level=level, seed=seed, progress=tell)


def screened_trials(study: Study, tables: Tables) -> Screening | None:
    """Apply the screening rules to the trials once, for all questions; None where no question is about them."""
    from drift.screening import screen

    if tables.trials is None or not (study.reliability or study.agreement or study.gauge or study.interlaboratory):
        return None
    return screen(tables.trials, study.screening, sensors=tables.sensors)


def _reliability(trials: Any, question: Any, level: float, seed: int, screening: Screening | None) -> Result:
    from drift.reliability import reliability

    return reliability(trials, question, level=level, seed=seed, screening=screening)


def _gauge(trials: Any, question: Any, level: float, seed: int, screening: Screening | None) -> Result:
    from drift.reliability.gauge import gauge_study

    return gauge_study(trials, question, level=level, seed=seed, screening=screening)


def _interlaboratory(trials: Any, question: Any, level: float, seed: int, screening: Screening | None) -> Result:
    from drift.reliability.interlaboratory import interlaboratory

    return interlaboratory(trials, question, level=level, seed=seed, screening=screening)


def _agreement(trials: Any, question: Any, level: float, seed: int, screening: Screening | None, study: Study,
               tables: Tables) -> Result:
    from drift.agreement import agreement

    if question.recalculate is None:
        return agreement(trials, question, level=level, seed=seed, screening=screening)
    calibrations = tables.checks if question.recalculate.source == "checks" else tables.calibrations
    return agreement(trials, question, level=level, seed=seed, screening=screening, calibrations=calibrations,
                     full_scale=_full_scale(study, tables))


def _full_scale(study: Study, tables: Tables) -> dict[str, float] | float | None:
    """Return the ceiling of the raw reading, as a number or by sensor; None where it is not told."""
    declared, sensors = study.sensitivity.full_scale if study.sensitivity is not None else None, tables.sensors
    if not isinstance(declared, str):
        return declared
    if sensors is None or declared not in sensors or sensors[declared].dtype.kind != "f":
        return None
    return {str(s): float(v) for s, v in zip(sensors["sensor"], sensors[declared], strict=True)}


def _whole_answer(parts: Sequence[Result]) -> str:
    """Return the decision: when to retire and when to recalibrate where asked, else the answers in order."""
    decision = [p.answer for p in parts if p.command in DECISIONS]
    wear = next((p for p in parts if p.command == "wear"), None)
    if not decision or wear is None:
        return " ".join(decision or [p.answer for p in parts])
    from drift.sensitivity.controls_words import rest_words

    # What all of them rest on is said once.
    rests = rest_words(wear)
    return " ".join([*(a.removesuffix(rests).rstrip() if rests else a for a in decision), rests]).rstrip()


def new_study(folder: str | Path) -> NewResult:
    """Write a commented study with small invented tables into an empty or new folder.

    Raises
    ------
    DriftError
        When the folder holds anything, or cannot be written.
    """
    from drift.report.new_study import write_files

    written = write_files(Path(folder))
    listed = ResultTable.build("files written", {"file": written}, caption="Files written")
    return NewResult(question=str(folder), tables=(listed,), provenance=Provenance(versions=run_versions()),
                     answer=f"A study to fill in stands in {folder}: replace every \"...\" in study.toml and the "
                            f"example tables, then run 'drift check {folder}'.")


DECISIONS = ("retire", "recalibrate", "policy")
BLANK = "..."


def blanks(study: Study) -> tuple[Finding, ...]:
    """Return a warning for every blank that is still to be filled in."""
    found = [(section, key) for section, part in study.model_dump(exclude={"folder"}).items() if isinstance(part, dict)
             for key, value in part.items() if value == BLANK]
    return tuple(Finding(severity="warning", code="blank", file="study.toml", column=f"[{section}] {key}", value=BLANK,
                         message="this is still blank", mend="Fill it in") for section, key in found)


def check_study(path: str | Path, *, pseudonyms: bool = False) -> CheckResult:
    """Read a study and its tables and say everything that is wrong with them, changing nothing.

    Parameters
    ----------
    path : str or Path
        Study folder or its ``study.toml``.
    pseudonyms : bool
        Replace people in the findings by stable codes.
    """
    from drift.ingest import open_study

    study, reading = open_study(path)
    if study is None:
        return _check_result(str(path), reading.findings)
    if pseudonyms:
        study, reading = _coded(study, reading)
    findings = tuple(dict.fromkeys((*reading.findings, *blanks(study), *_said_of_questions(study, reading.tables))))
    counts = [reading.use_counts] if reading.use_counts is not None else []
    accounts = tuple(_accounts(study, reading.tables))
    findings = (*findings, *_asked_for(accounts))
    return _check_result(study.study.title, findings, (_table_list(reading.tables), _question_list(study), *counts),
                         Provenance(inputs=hashes_of(study, reading), versions=run_versions(),
                                    settings=_settings(study), accounts=accounts))


def _asked_for(accounts: Sequence[Any]) -> tuple[Finding, ...]:
    """Say what the counts of a check are: pairs and cells are formed when the question is answered."""
    if not any(a.table == "trials" for a in accounts):
        return ()
    return (Finding(severity="note", code="rows-asked-for", message="rows are counted as each question asks for them, "
                    "before pairs and cells are formed: an answer uses fewer where readings have no partner or repeat, "
                    "and counts these itself"),)


def _slips(study: Study, tables: Tables) -> tuple[Finding, ...]:
    """Return rows of the checks that lie far off their mounting's line: a slip should be seen before a run."""
    if tables.checks is None:
        return ()
    from drift.sensitivity.design import prepare

    try:
        found = prepare(tables, study).findings
    except DriftError:  # what stands in the way of an analysis is said when one is asked for
        return ()
    return tuple(f for f in found if f.code == "rows-far-off")


def _said_of_questions(study: Study, tables: Tables) -> tuple[Finding, ...]:
    """Collect what can be said of rows and questions before any is answered."""
    from drift.screening import unknown_rules

    unknown = tuple(unknown_rules(study.screening))
    said = (*unknown, *_slips(study, tables))
    looked_at = None if unknown else screened_trials(study, tables)  # a rule that does not exist cannot screen
    if looked_at is None or tables.trials is None:
        return said
    from drift.reliability import check_question
    from drift.reliability.gauge.rows import check_gauges

    return (*said, *looked_at.findings, *(f for q in study.reliability for f in check_question(tables.trials, q)),
            *check_gauges(tables.trials, study.gauge, study.interlaboratory))


def _check_result(question: str, findings: Sequence[Finding], tables: Sequence[ResultTable] = (),
                  provenance: Provenance | None = None) -> CheckResult:
    from drift.report.same_faults import count_words

    errors, cautions = count_words(findings), count_words(findings, "warning")
    wrong = any(f.severity == "error" for f in findings)
    answer = f"The study cannot run yet: {errors} and {cautions}." if wrong else (
        f"The study can run: no error, {cautions}.")
    return CheckResult(question=question, answer=answer, findings=tuple(findings), tables=tuple(tables),
                       provenance=provenance or Provenance(versions=run_versions()))


def answer_table(path: str | Path, command: str, study: Study, *, level: float = DEFAULT_LEVEL,
                 seed: int = DEFAULT_SEED, progress: Progress | None = None,
                 reading: Reading | None = None) -> StudyResult:
    """Answer one question about one table, by the same path as a study.

    Parameters
    ----------
    path : str or Path
        The table.
    command : {"wear", "retire", "recalibrate", "icc", "agree"}
        What is asked.
    study : Study
        A study made in memory whose question is the one asked.
    reading : Reading, optional
        The table as already read, where the caller had to look at it first.

    Raises
    ------
    DriftError
        With every finding.
    """
    from drift.ingest import read_one_table

    tell = progress or _silent
    if reading is None:
        reading = read_one_table(path, TABLE_OF.get(command, "trials"), study)
    return _answered(study, reading, level=level, seed=seed, progress=tell)


TABLE_OF: dict[str, Literal["checks", "trials", "exposures"]] = {
    "wear": "checks", "retire": "checks", "recalibrate": "checks", "calibrate": "checks", "cells": "exposures"}


def write_output(result: StudyResult, out: str | Path) -> Path:
    """Write report, figures, tables, ``results.json``, ``excluded.csv`` and ``manifest.json`` into a folder.

    The new folder is complete before it takes the old one's place; a folder that holds files this package
    did not write is refused.

    Raises
    ------
    DriftError
        When ``out`` holds other files, or cannot be written.
    """
    from drift.report.output import write_folder

    return write_folder(result, Path(out))


def _present(tables: Tables) -> list[tuple[str, Table]]:
    named = ((n, getattr(tables, n)) for n in ("checks", "trials", "sensors", "events", "calibrations",
                                               "exposures"))
    return [(n, t) for n, t in named if t is not None]


def _table_list(tables: Tables) -> ResultTable:
    present = _present(tables)
    return ResultTable.build("tables read", {
        "table": [n for n, _ in present], "file": [t.file for _, t in present],
        "rows": [float(len(t)) for _, t in present], "columns": [", ".join(t.columns) for _, t in present],
        "sha256": [t.sha256 for _, t in present]}, caption="Tables read")


def _question_list(study: Study) -> ResultTable:
    rows: list[tuple[str, str, str]] = []
    if study.files.may_hold("checks") and (study.sensitivity is not None or not study.calibration):
        rows.append(("wear", "wear", f"How does sensitivity drift per {_exposure(study)}?"))
        if asks_retirement(study):
            given = [k.replace("_", " ") for k, v in study.limits.model_dump().items() if v is not None]
            limits = join_words(given) if given else "no limit declared"
            rows.append(("retire", "retire", f"After how many uses should a sensor be retired ({limits})?"))
        if study.recalibration is not None:
            rows.append(("recalibrate", "recalibrate", "Every how many uses should a sensor be calibrated anew "
                         f"(tolerance {100 * study.recalibration.tolerance:g} %)?"))
        if asks_policy(study):
            rows.append(("policy", "policy", "What do counts, checks, recalibration and waiting for failure cost?"))
        if study.budget is not None:
            rows.append(("budget", "budget", "What does a reading mean as a pressure, and how well is it known?"))
    rows += [("calibrate", c.name, "What load belongs to a reading?") for c in study.calibration]
    if study.files.exposures:
        rows.append(("cells", study.cells.name if study.cells else "gains of cells", "What is the gain of each cell?"))
    for r in study.reliability:
        facet = r.facet if isinstance(r.facet, str) else join_words(r.facet)
        rows.append(("icc", r.name, f"How reliable are readings of {r.target} over {facet}?"))
    rows += [("gauge", g.name, f"How much of the variation of {g.part} is the gauge's own"
              f"{f', over {g.operator}' if g.operator else ''}?") for g in study.gauge]
    rows += [("interlaboratory", i.name, f"How precise is the method over {i.laboratory}"
              f"{f', by {i.material}' if i.material else ''}?") for i in study.interlaboratory]
    rows += [("agree", a.name, f"Do {_compared(a)} agree?") for a in study.agreement]
    return ResultTable.build("questions", {"command": [r[0] for r in rows], "question": [r[1] for r in rows],
                                           "asks": [r[2] for r in rows]}, caption="Questions the study asks")


def _compared(question: Any) -> str:
    """Name what an agreement question compares: a and b, or several methods."""
    if question.methods == "all":
        return f"all values of {question.compare}"
    return f"{join_words(question.methods or (question.a, question.b))} ({question.compare})"


def _exposure(study: Study) -> str:
    return study.sensitivity.exposure if study.sensitivity else "use"


def _accounts(study: Study, tables: Tables) -> list[Any]:
    """Rows each question would start from, before pairs and cells are formed."""
    from drift.ingest import select_where
    from drift.results import RowAccount

    asked: list[tuple[str, str, Table, dict[str, Any]]] = []
    if tables.checks is not None:
        where = dict(study.sensitivity.where) if study.sensitivity else {}
        asked.append(("wear", "checks", tables.checks, where))
        asked += [(c.name, "checks", tables.checks, dict(c.where)) for c in study.calibration]
    if tables.exposures is not None:
        asked.append(("gains of cells", "exposures", tables.exposures, dict(study.cells.where) if study.cells else {}))
    if tables.trials is not None:
        asked += [(r.name, "trials", tables.trials, dict(r.where)) for r in study.reliability]
        asked += [(g.name, "trials", tables.trials, dict(g.where)) for g in study.gauge]
        asked += [(i.name, "trials", tables.trials, dict(i.where)) for i in study.interlaboratory]
        asked += [(a.name, "trials", tables.trials, dict(a.where)) for a in study.agreement]
    made = []
    for question, name, table, where in asked:
        try:
            inside = select_where(table, where)
        except (DriftError, KeyError):
            continue
        flagged = inside & (table["exclude"] > 0) if "exclude" in table else inside & False
        made.append(RowAccount(question=question, table=name, read=len(table), outside_where=int((~inside).sum()),
                               excluded=int(flagged.sum()), used=int((inside & ~flagged).sum())))
    return made


def hashes_of(study: Study, reading: Reading) -> dict[str, str]:
    """Return the hash of each file that was read, by its name."""
    import hashlib

    toml = study.folder / study.file_name if study.folder else None
    own = ({study.file_name: hashlib.sha256(toml.read_bytes()).hexdigest()}
           if study.files != type(study.files)() and toml is not None and toml.is_file() else {})
    return {**own, **reading.inputs}


def _settings(study: Study) -> dict[str, str]:
    """Everything the report says about the study, as text, so that a result can be printed again."""
    return {"study": study.model_dump_json(exclude_none=True, exclude={"folder"})}


def _coded(study: Study, reading: Reading) -> tuple[Study, Reading]:
    """Replace people by codes in the tables, in what was said about them, and in what the questions select."""
    from drift.ingest import person_codes, pseudonymise, pseudonymise_findings, pseudonymise_where

    codes = person_codes(reading.tables, title=study.study.title)

    def question(q: Any) -> Any:
        changed: dict[str, Any] = {"where": pseudonymise_where(q.where, codes)}
        if hasattr(q, "a") and getattr(q, "compare", None) in codes:
            changed |= {side: codes[q.compare].get(getattr(q, side), getattr(q, side)) for side in ("a", "b")}
            if q.methods and q.methods != "all":
                changed["methods"] = tuple(codes[q.compare].get(m, m) for m in q.methods)
        return q.model_copy(update=changed)

    study = study.model_copy(update={
        "reliability": tuple(question(q) for q in study.reliability),
        "gauge": tuple(question(q) for q in study.gauge),
        "interlaboratory": tuple(question(q) for q in study.interlaboratory),
        "agreement": tuple(question(q) for q in study.agreement),
        "calibration": tuple(question(q) for q in study.calibration),
        "sensitivity": question(study.sensitivity) if study.sensitivity else None})
    return study, replace(reading, tables=pseudonymise(reading.tables, codes=codes),
                          findings=pseudonymise_findings(reading.findings, codes))


def _silent(what: str, share: float) -> None:
    return None
