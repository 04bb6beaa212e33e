"""What tables say about each other, and what questions ask of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.ingest.draft import Draft, Mask
from drift.ingest.keys import group_codes
from drift.ingest.raw import RawColumn
from drift.ingest.select import as_word, as_words, select_where
from drift.records import SENSOR_COLUMNS, TRIAL_KEYS, Table
from drift.study import AgreementQuestion, ReliabilityQuestion, Study, nearest, suggestion
from drift.units import is_known, is_pressure
from drift.validation import capped


def unknown_sensors(drafts: Mapping[str, Draft]) -> None:
    """Report sensors that the sensors table does not list."""
    sensors = drafts.get("sensors")
    if sensors is None or "sensor" not in sensors or not len(sensors):
        return
    known = [s for s in sensors["sensor"] if s is not None]
    listed = set(known)
    met: set[str] = set()
    for name, draft in drafts.items():
        if name == "sensors" or "sensor" not in draft or "sensor" not in draft.placed.at:
            continue
        cells = draft.cells("sensor")
        met |= set(cells.labels)
        strange = np.array([bool(label) and label not in listed for label in cells.labels] or [False])
        # A row that is excluded with its sensor misread is already out, and on record.
        bad = strange[cells.codes] & draft.active if len(cells.codes) else np.zeros(0, dtype=bool)
        draft.say(bad, "sensor", "unknown-sensor",
                  f"the sensor is not in {sensors.raw.file}", expected="a sensor listed there",
                  mend=partial(_which_sensor, cells, known))
    idle = [s for s in known if s not in met]
    if idle and met:
        sensors.findings.append(Finding(
            severity="note", code="idle-sensor", file=sensors.raw.file, column=sensors.header("sensor"),
            value=", ".join(idle[:10]) + (", ..." if len(idle) > 10 else ""),
            message=f"{len(idle)} {'sensor is' if len(idle) == 1 else 'sensors are'} listed but "
            f"{'occurs' if len(idle) == 1 else 'occur'} in no other table"))


def _which_sensor(cells: RawColumn, known: Sequence[str], i: int) -> str:
    near = nearest(cells.text(i), known, 0.7)
    return f"Did you mean {near!r}? Else add it there" if near else "Add it there or correct it"


def saturated_readings(drafts: Mapping[str, Draft], study: Study) -> None:
    """Note raw readings at full scale (lower bounds, not values) and warn of readings above it."""
    checks = drafts.get("checks")
    if checks is None or study.sensitivity is None or study.sensitivity.full_scale is None or "reading" not in checks:
        return
    limit = _full_scale(checks, drafts.get("sensors"), study.sensitivity.full_scale)
    if limit is None:
        return
    reading = checks["reading"]
    listed = drafts["sensors"].values("sensor") if "sensors" in drafts and "sensor" in drafts["sensors"] else []
    known = np.zeros(len(reading), dtype=bool)
    if "sensor" in checks:
        known = np.isin(as_words(checks["sensor"]).astype(str), listed)
    checks.say(np.isnan(limit) & checks.active & known, "sensor", "no-full-scale",
               "no full scale is known for this sensor",
               severity="error" if study.limits.saturation_pressure is not None else "warning",
               mend=f"Fill in {study.sensitivity.full_scale!r} for it; without it saturation cannot be seen")
    with np.errstate(invalid="ignore"):
        above, at = (reading > limit) & checks.active, (reading == limit) & checks.active
        cells = np.zeros_like(at)
        if "saturated" in checks:
            cells = (checks["saturated"] > 0) & checks.active & ~at
    checks.say(above, "reading", "above-full-scale", lambda i: f"the reading is above the full scale of {limit[i]:g}",
               severity="warning",
               mend="Correct the reading, or full_scale in [sensitivity]; it is used as a lower bound")
    if at.any() or cells.any():
        first = int(np.flatnonzero(at | cells)[0])
        checks.findings.append(Finding(
            severity="note", code="saturated-readings", file=checks.raw.file, row=int(checks.raw.row[first]),
            column=checks.header("reading"),
            message=f"{int(at.sum())} readings stand at full scale and {int(cells.sum())} more have saturated cells, "
            f"of {int(checks.active.sum())}; they are lower bounds and are treated as censored"))


def _full_scale(checks: Draft, sensors: Draft | None, declared: float | str) -> NDArray[np.float64] | None:
    """Return the full scale for each row of checks, shape (n_rows,)."""
    if not isinstance(declared, str):
        return np.full(len(checks), float(declared))
    if declared in checks and checks[declared].dtype.kind == "f":
        return np.asarray(checks[declared])
    if sensors is None or declared not in sensors or sensors[declared].dtype.kind != "f":
        checks.findings.append(Finding(
            severity="error", code="unknown-column", file=sensors.raw.file if sensors is not None else checks.raw.file,
            value=declared, message="[sensitivity] full_scale names a column of numbers that is not there",
            mend=suggestion(declared, list((sensors or checks).columns), noun="columns")))
        return None
    by_sensor = dict(zip(sensors["sensor"], sensors[declared], strict=True)) if "sensor" in sensors else {}
    return np.array([by_sensor.get(s, np.nan) for s in checks["sensor"]]) if "sensor" in checks else None


def after_retirement(drafts: Mapping[str, Draft], exposure: str) -> None:
    """Warn of checks and trials made after the retirement that the sensors table states."""
    sensors = drafts.get("sensors")
    if sensors is None or not all(n in sensors for n in ("sensor", "retired_at_use")):
        return
    ends = dict(zip(sensors["sensor"], sensors["retired_at_use"], strict=True))
    for name, column in (("checks", exposure), ("trials", "use")):
        draft = drafts.get(name)
        if draft is None or "sensor" not in draft or column not in draft:
            continue
        end = np.array([ends.get(s, np.nan) for s in draft["sensor"]], dtype=np.float64)
        with np.errstate(invalid="ignore"):
            late = (draft[column] > end) & draft.active
        said = [f"the sensor was retired after use {e:g}" for e in end] if late.any() else []
        draft.say(late, column, "after-retirement", said.__getitem__, severity="warning",
                  mend="Correct the count, or retired_at_use in the sensors table")


def one_construction_each(drafts: Mapping[str, Draft]) -> None:
    """Report sensors that are given two constructions or two batches."""
    told: dict[tuple[str, str], tuple[str, str]] = {}
    for name in ("sensors", "checks", "trials"):
        draft = drafts.get(name)
        for column in ("construction", "batch"):
            if draft is None or "sensor" not in draft or column not in draft or draft[column].dtype.kind == "f":
                continue
            bad = np.zeros(len(draft), dtype=bool)
            was: dict[int, str] = {}
            for i, (sensor, value) in enumerate(zip(draft["sensor"], draft[column], strict=True)):
                if sensor is None or value is None:
                    continue
                first = told.setdefault((sensor, column), (value, f"{draft.raw.file}, row {draft.raw.row[i]}"))
                if first[0] != value:
                    bad[i], was[i] = True, f"the sensor has {column} {first[0]!r} in {first[1]}"
            draft.say(bad, column, "sensor-conflict", was.__getitem__,
                      mend="Correct whichever is wrong; a sensor has one of each")


def join_sensor_columns(drafts: Mapping[str, Draft], wanted: Mapping[str, Sequence[str]]) -> None:
    """Give checks and trials the columns of the sensors table that questions name."""
    sensors = drafts.get("sensors")
    if sensors is None or "sensor" not in sensors:
        return
    at = {s: i for i, s in reversed(list(enumerate(sensors["sensor"]))) if s is not None}
    for kind, names in wanted.items():
        draft = drafts.get(kind)
        if draft is None or "sensor" not in draft:
            continue
        rows = np.array([at.get(s, -1) for s in draft["sensor"]], dtype=np.intp)
        for name in names:
            if name in draft or name not in sensors:
                continue
            source = sensors[name]
            missing: Any = np.nan if source.dtype.kind == "f" else None
            draft.columns[name] = np.append(source, missing)[rows].astype(source.dtype)


def check_questions(drafts: Mapping[str, Draft], study: Study, named: Mapping[str, Mapping[str, Sequence[str]]],
                    ) -> list[Finding]:
    """Report columns, values and selections that questions name and tables do not hold."""
    made: list[Finding] = []
    for kind in ("checks", "trials"):
        draft = drafts.get(kind)
        if draft is None:
            continue
        offered = list(draft.columns)
        sensors = drafts.get("sensors")
        if sensors is not None:
            offered += [c for c in (sensors.columns if kind == "checks" else SENSOR_COLUMNS)
                        if c in sensors.columns and c not in offered]
        for column, questions in named.get(kind, {}).items():
            from_sensors = kind == "checks" and sensors is not None and column in sensors
            if column in draft or from_sensors or (kind == "checks" and column == "use"):
                continue
            if any(f.code == "missing-column" and f.column == column for f in draft.findings):
                continue
            made.append(Finding(
                severity="error", code="unknown-column", file=draft.raw.file, row=draft.raw.header_row or None,
                value=column, question=questions[0] if kind == "trials" else None,
                message=f"{f'the question {questions[0]!r}' if kind == 'trials' else '[sensitivity]'} names a column "
                "that is not there",
                mend=suggestion(column, offered, noun="columns")))
    trials = drafts.get("trials")
    if trials is not None:
        for r in study.reliability:
            made += _reliability(r, trials)
        for a in study.agreement:
            made += _agreement(a, trials)
    checks = drafts.get("checks")
    if checks is not None and study.sensitivity is not None and study.sensitivity.where:
        _selected(checks, study.sensitivity.where, None, made)
    return made


def _selected(table: Draft, where: Mapping[str, Any], question: str | None, made: list[Finding]) -> Mask | None:
    """Return the rows of a where, with findings for values that occur nowhere."""
    known = {k: v for k, v in where.items() if k in table}
    if any(v == [] or not _comparable(v) for v in known.values()):
        return None  # said of the study file
    try:
        mask = select_where(cast("Table", table), known, question=question)
    except DriftError as error:
        made.extend(error.findings)
        return None
    for column, wanted in known.items():
        if table[column].dtype.kind == "f":
            continue
        present = table.values(column)
        values = [as_word(v) for v in (wanted if isinstance(wanted, list | tuple) else [wanted])]
        strange = [v for v in values if v not in present]
        made += [Finding(
            # With another value of the list present there are rows to use; with none there is no answer.
            severity="warning" if len(strange) < len(values) else "error", code="unknown-value", file=table.file,
            column=table.header(column), value=v, question=question,
            message=f"where{_of(question)} asks for a value of {column!r} that does not occur",
            mend=suggestion(v, present, noun="values")) for v in strange]
    if len(table) and known and not mask.any():
        if not any(f.code == "unknown-value" and f.question == question for f in made):
            made.append(Finding(severity="error", code="no-rows", file=table.file, question=question,
                                message=f"where{_of(question)} picks no row at all",
                                expected=f"rows with {' and '.join(f'{k} = {v!r}' for k, v in known.items())}",
                                mend="Look at the combination of values"))
        return None
    return mask


def _comparable(wanted: Any) -> bool:
    return all(isinstance(v, (str, int, float)) for v in (wanted if isinstance(wanted, (list, tuple)) else [wanted]))


def _of(question: str | None) -> str:
    return f" of {question!r}" if question else ""


def _reliability(q: ReliabilityQuestion, trials: Draft) -> list[Finding]:
    made: list[Finding] = []
    mask = _selected(trials, q.where, q.name, made)
    facets = (q.facet,) if isinstance(q.facet, str) else tuple(q.facet)
    cell = [c for c in (q.target, *facets, *q.by, q.compare) if c is not None and c in trials]
    if mask is None or q.target not in trials or any(f not in trials for f in facets):
        return made
    skip = {*cell, q.replicate or "replicate", "replicate"}
    return made + _varies(trials, mask & trials.active, cell, skip, q.name, "target and facet")


def _varies(trials: Draft, mask: Mask, cell: Sequence[str], skip: set[str], question: str,
            what: str) -> list[Finding]:
    """Report columns of the key that take several values inside one cell of a question."""
    at = np.flatnonzero(mask)
    if not len(at):
        return []
    codes = group_codes([trials.codes(c)[at] for c in cell], len(at))
    order = np.argsort(codes, kind="stable")
    same = codes[order][1:] == codes[order][:-1]
    made = []
    for column in (*TRIAL_KEYS, "use"):
        if column in skip or column not in trials:
            continue
        one = trials.codes(column)[at][order]
        change = np.flatnonzero(same & (one[1:] != one[:-1]))
        if not len(change):
            continue
        i, j = int(at[order[change[0]]]), int(at[order[change[0] + 1]])
        values = sorted({str(v) for v in trials[column][at] if v is not None})
        made.append(Finding(
            severity="error", code="column-varies", file=trials.raw.file, row=int(trials.raw.row[j]),
            column=trials.header(column), value=_shown(trials[column][j]), question=question,
            message=f"{column!r} takes several values inside one cell of {what}: {_shown(trials[column][i])!r} in row "
            f"{trials.raw.row[i]} and {_shown(trials[column][j])!r} in row {trials.raw.row[j]}",
            mend=f"Fix it, as in where = {{ {column} = \"{values[0] if values else ''}\" }}, or name it in by or as a "
                 "facet"))
    return made


def _shown(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else "" if value is None else str(value)


def _agreement(q: AgreementQuestion, trials: Draft) -> list[Finding]:
    made: list[Finding] = []
    mask = _selected(trials, q.where, q.name, made)
    if q.compare not in trials:
        return made
    present = trials.values(q.compare)
    several = () if q.methods == "all" else tuple(("one of methods", m) for m in q.methods)
    for role, value in several if q.methods else (("a", q.a), ("b", q.b)):
        if value not in present:
            made.append(Finding(
                severity="error", code="unknown-value", file=trials.file, column=trials.header(q.compare), value=value,
                question=q.name, message=f"{role} of {q.name!r} is a value of {q.compare!r} that does not occur",
                mend=suggestion(value, present, noun="values")))
        elif mask is not None and not np.any(mask & trials.active & (as_words(trials[q.compare]) == value)):
            made.append(Finding(
                severity="error", code="unknown-value", file=trials.file, column=trials.header(q.compare), value=value,
                question=q.name, message=f"no row that where of {q.name!r} picks has {role}",
                expected=f"rows with {' and '.join(f'{k} = {v!r}' for k, v in {**q.where, q.compare: value}.items())}",
                mend="Look at the combination of values"))
    if mask is None or "measure" not in trials or "measure" in {*q.where, *q.by, *q.pair_by, q.target, q.compare}:
        return made
    measures = sorted({v for v in trials["measure"][mask & trials.active] if v is not None})
    if len(measures) > 1:
        made.append(Finding(
            severity="error", code="several-measures", file=trials.file, column=trials.header("measure"),
            value=", ".join(measures[:6]), question=q.name, message="one question takes one measure",
            mend=f"Fix it, as in where = {{ measure = \"{measures[0]}\" }}, or repeat over it with by = [\"measure\"]"))
    return made


def limits_without_columns(drafts: Mapping[str, Draft], study: Study) -> list[Finding]:
    """Report limits on what no column of the checks holds, or holds in units that cannot be compared."""
    checks = drafts.get("checks")
    if checks is None:
        return []
    made = []
    unit = checks.units.get("reference")
    if study.limits.saturation_pressure is not None and unit and is_known(unit) and not is_pressure(unit):
        made.append(Finding(
            severity="error", code="not-a-pressure", file=checks.file, row=checks.raw.header_row or None,
            column=checks.header("reference"), value=unit,
            message="the limit on the saturation pressure needs a reference in a unit of pressure",
            expected="a unit such as 'kPa'", mend="Divide the load by the loaded area, or take the limit out"))
    if study.limits.dead_fraction is None or "dead" in checks:
        return made
    return [*made, Finding(severity="warning", code="limit-without-column", file=checks.file, column="dead",
                    message="[limits] dead_fraction is declared but the checks have no column 'dead'",
                    mend="Add the column, or take the limit out: it cannot be judged")]


def units_undeclared(drafts: Mapping[str, Draft]) -> list[Finding]:
    """Warn of readings without a unit: every figure made from them would lack one."""
    made = []
    for kind in ("checks", "trials"):
        draft = drafts.get(kind)
        if draft is not None and draft.strict and "reading" in draft and not any(
                u == "reading" or u.startswith("reading[") for u in draft.units):
            made.append(Finding(
                severity="warning", code="unknown-unit", file=draft.file, column=draft.header("reading"),
                message="the unit of the reading is not declared; figures carry no unit",
                mend=f"Add reading = \"{'count' if kind == 'checks' else 'kPa'}\" or another unit to [units.{kind}]"))
    return made


def fold_findings(findings: Sequence[Finding]) -> list[Finding]:
    """Fold long runs of findings of one rule, file and column that came one label at a time."""
    groups: dict[tuple[Any, ...], list[Finding]] = {}
    for f in findings:
        single = f.row is not None
        key = (f.severity, f.code, f.file, f.column, f.question) if single else (id(f),)
        groups.setdefault(key, []).append(f)
    out: list[Finding] = []
    for members in groups.values():
        out += capped(sorted(members, key=lambda f: f.row or 0)) if len(members) > 1 else members
    return out
