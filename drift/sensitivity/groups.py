"""Constructions one by one, their comparison, and how much one sensor matters."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.calibration import words
from drift.errors import Finding
from drift.records import Tables
from drift.results import join_words
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.engine_calls import contrast_errors, fit_rows
from drift.sensitivity.handlers import Departure, departures
from drift.sensitivity.lines import Occasions, SensorLines
from drift.sensitivity.model import (
    MIN_SENSORS,
    REML_INTERVAL,
    GroupFit,
    GroupRows,
    assemble,
    batch_role,
    fit_group,
    lines_only,
    t_interval,
)

Floats = NDArray[np.float64]
Words = NDArray[np.object_]
GRID_POINTS = 61


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupAnalysis:
    """What was found for one construction.

    Parameters
    ----------
    pick : array of bool, shape (n_sensors,)
        Sensors of the construction among the sensor lines.
    rows : array of bool, shape (n_mountings,)
    fit, growth : GroupFit
        Of the response, and of log saturation pressure (None where there is none).
    influence : tuple of (sensor, drift without it)
    findings : tuple of Finding
    handlers : tuple of Departure
        Operators and rigs that read apart.
    """

    construction: str
    pick: NDArray[np.bool_]
    rows: NDArray[np.bool_]
    fit: GroupFit
    growth: GroupFit | None
    influence: tuple[tuple[str, float], ...]
    findings: tuple[Finding, ...]
    handlers: tuple[Departure, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Difference of drift per use between two constructions, a minus b, from a joint fit."""

    a: str
    b: str
    value: float
    std_error: float
    df: float
    low: float
    high: float
    equivalence_level: float
    equivalence_low: float
    equivalence_high: float
    mean_slope: float


def analyse_group(data: WearData, occasions: Occasions, lines: SensorLines, tables: Tables, *, construction: str,
                  level: float, confounded: tuple[str, ...] = ()) -> GroupAnalysis:
    """Fit one construction, or say why it cannot be fitted."""
    pick = np.asarray(lines.construction == construction, dtype=np.bool_)
    rows = np.asarray(data.construction == construction, dtype=np.bool_)
    extra, findings = _covariates(data, tables, rows)
    group = GroupRows(response=data.response[rows], use=data.use[rows], sensor=data.sensor[rows],
                      batch=data.batch[rows], epoch=data.epoch[rows], occasion=occasions.of_mounting[rows],
                      extra=extra)
    grid = np.linspace(0.0, float(group.use.max()), GRID_POINTS)
    own = (lines.slope[pick], lines.intercept[pick])
    of = f" of construction {construction}" if construction else ""
    refusal = _refusal(lines, pick, of, data.counts)
    if refusal:
        none = lines_only(group, np.zeros(0), np.zeros(0), grid, level=level)
        fit = replace(none, n_sensors=int(pick.sum()), refused=refusal.message, components=())
        return GroupAnalysis(construction=construction, pick=pick, rows=rows, fit=fit, growth=None, influence=(),
                             findings=(*findings, refusal))
    fit, said = _fitted(group, own, grid, level, of)
    findings = [*findings, *said, *_batch_findings(group, of, construction), *_boundary_findings(fit, of)]
    assert tables.checks is not None
    handlers: list[Departure] = []
    if fit.method == REML_INTERVAL:
        unit = data.units["reading"] if data.calibration.form == "reading" else ""
        handlers = departures(data, tables.checks, rows, group, construction=construction, unit=unit,
                              confounded=confounded)
    growth = _growth(data, group, rows, grid, level)
    influence = _leave_one_out(group)
    return GroupAnalysis(construction=construction, pick=pick, rows=rows, fit=fit, growth=growth, influence=influence,
                         findings=tuple(findings), handlers=tuple(handlers))


def _refusal(lines: SensorLines, pick: NDArray[np.bool_], of: str, per: str) -> Finding | None:
    """Refuse a population statement when the spread between sensors cannot be estimated."""
    n = int(pick.sum())
    with_line = int(np.isfinite(lines.slope[pick]).sum())
    if n >= MIN_SENSORS and with_line >= MIN_SENSORS:
        return None
    if n < MIN_SENSORS:
        message = (f"There {'are' if n != 1 else 'is'} {n} sensor{'s' * (n != 1)}{of}: with fewer than {MIN_SENSORS} "
                   "the spread of drift between sensors cannot be estimated, so only the sensors' own lines are given")
        more = f"{MIN_SENSORS - n} more sensor{'s' * (MIN_SENSORS - n > 1)}"
        mend = f"Check {more} to let drift of such sensors in general be stated."
    else:
        message = (f"Only {with_line} of {n} sensors{of} were checked at two or more {per}, so the spread of "
                   "drift between sensors cannot be estimated")
        mend = f"Check {MIN_SENSORS - with_line} more of the sensors at further {per}, three or more each."
    return Finding(severity="warning", code="too-few-sensors", message=message, mend=mend, question=QUESTION)


def _fitted(group: GroupRows, own: tuple[Floats, Floats], grid: Floats, level: float, of: str
            ) -> tuple[GroupFit, list[Finding]]:
    """Fit by REML; fall back on the sensors' own slopes, aloud, where the model cannot be fitted."""
    _, counts = np.unique(group.occasion, return_counts=True)
    per_sensor = [len(np.unique(group.use[group.sensor == s])) for s in sorted(set(group.sensor.tolist()))]
    if max(per_sensor) < 3 and counts.max() < 2:
        why = "no sensor has three checks, so that spread between sensors and scatter of checks are one"
    else:
        try:
            return fit_group(group, grid, level=level), []
        except ValueError as error:
            why = str(error).replace("y does not vary", "the response does not vary")
    found = Finding(severity="note", code="no-mixed-model", question=QUESTION,
                    message=f"The mixed model{of} cannot be fitted ({why}); drift is the mean of the sensors' own "
                            "slopes with a t interval over sensors",
                    mend="Check each sensor at three or more counts, with two mountings each.")
    return lines_only(group, own[0], own[1], grid, level=level), [found]


def _batch_findings(group: GroupRows, of: str, construction: str) -> list[Finding]:
    """Say how batches entered, and ask for what is missing."""
    names = sorted(set(group.batch.tolist()))
    role = batch_role(group.sensor, group.batch)
    if names == [""]:
        return [Finding(severity="note", code="no-batch-column", question=QUESTION, column="batch",
                        message=f"No batch is recorded{of}: differences between batches are part of the differences "
                                "between sensors, and a new batch may lie outside them",
                        mend="Add a batch column to the sensors table.")]
    if "" in names:
        return [Finding(severity="warning", code="batch-missing", question=QUESTION, column="batch",
                        message=f"Some sensors{of} have no batch, so batches are left out of the model",
                        mend="Fill in the batch of every sensor.")]
    if role == "random":
        text = f"{len(names)} batches{of} enter as a random sample of batches"
    elif role == "fixed":
        text = (f"{len(names)} batches{of} enter as fixed effects (four or more would be a sample of batches): the "
                "drift is the mean over these batches and says nothing about others")
    else:
        text = (f"{len(names)} batch{'es' * (len(names) > 1)}{of} cannot be told from the sensors, so batches are left "
                "out of the model: the drift is that of sensors of these batches")
    mend = "" if role == "random" else f"Check sensors of {max(1, 4 - len(names))} more batches."
    return [Finding(severity="note", code=f"batches-{role}", message=text, mend=mend, question=QUESTION)]


def _boundary_findings(fit: GroupFit, of: str) -> list[Finding]:
    """Name boundary fits and lost convergence."""
    found = []
    if fit.boundary:
        found.append(Finding(severity="note", code="boundary-fit", question=QUESTION,
                             message=f"The fit{of} lies on the boundary ({'; '.join(fit.boundary)}); the terms are "
                                     "kept in the model"))
    if not fit.converged:
        found.append(Finding(severity="warning", code="not-converged", question=QUESTION,
                             message=f"The REML fit{of} did not converge; its estimates are not to be relied on",
                             mend="Look at the table of residuals for a sensor that does not belong."))
    return found


def _growth(data: WearData, group: GroupRows, rows: NDArray[np.bool_], grid: Floats, level: float
            ) -> GroupFit | None:
    """Fit log saturation pressure by the same model."""
    pressure = data.calibration.saturation_pressure[rows]
    good = np.isfinite(pressure) & (pressure > 0)
    if good.sum() < max(1.0, 0.9 * len(good)):
        return None
    part = replace(group, response=np.log(pressure[good]), use=group.use[good], sensor=group.sensor[good],
                   batch=group.batch[good], epoch=group.epoch[good], occasion=group.occasion[good],
                   extra={k: v[good] for k, v in group.extra.items()})
    try:
        return fit_group(part, grid[:2], level=level, spreads=False)
    except ValueError:
        return None


def _leave_one_out(group: GroupRows) -> tuple[tuple[str, float], ...]:
    """Refit without each sensor in turn: the drift per use that is left."""
    names = sorted(set(group.sensor.tolist()))
    if len(names) <= MIN_SENSORS or len(names) > 200:
        return ()
    found = []
    for name in names:
        keep = np.asarray(group.sensor != name, dtype=np.bool_)
        part = replace(group, response=group.response[keep], use=group.use[keep], sensor=group.sensor[keep],
                       batch=group.batch[keep], epoch=group.epoch[keep], occasion=group.occasion[keep],
                       extra={k: v[keep] for k, v in group.extra.items()})
        try:
            found.append((name, _slope_only(part)))
        except ValueError:
            found.append((name, float("nan")))
    return tuple(found)


def _slope_only(rows: GroupRows) -> float:
    laid = assemble(rows)
    _, fit = fit_rows(rows.response, laid.columns, laid.levels)
    return float(laid.slopes[0] @ fit.beta)


def _covariates(data: WearData, tables: Tables, rows: NDArray[np.bool_]) -> tuple[dict[str, Floats], list[Finding]]:
    """Build centred columns of the declared covariates other than construction and batch."""
    extra: dict[str, Floats] = {}
    findings: list[Finding] = []
    assert tables.checks is not None
    use = data.use[rows]
    for name in data.spec.covariates:
        if name in ("construction", "batch"):
            continue
        made, why = _covariate_columns(data, tables, rows, name)
        for label, column, by_sensor in made:
            wanted = {f"{label}: effect": column}
            if by_sensor:
                wanted[f"{label}: change of drift per use"] = column * use
            for key, values in wanted.items():
                if _adds_rank(use, extra, values):
                    extra[key] = values
                else:
                    why = "it cannot be told from use, start or another covariate"
        if why:
            findings.append(Finding(severity="warning", code="covariate-left-out", question=QUESTION, column=name,
                                    message=f"Covariate {name} is left out, in whole or in part: {why}",
                                    mend="Name a column that varies between sensors or at the same use counts."))
    return extra, findings


def _covariate_columns(data: WearData, tables: Tables, rows: NDArray[np.bool_], name: str
                       ) -> tuple[list[tuple[str, Floats, bool]], str]:
    """Columns of one covariate: (label, centred values, whether it is a property of the sensor)."""
    checks, sensors = tables.checks, tables.sensors
    assert checks is not None
    if sensors is not None and name in sensors:
        source = dict(zip(words(sensors, "sensor"), range(len(sensors)), strict=True))
        index = np.array([source.get(s, -1) for s in data.sensor[rows]])
        if (index < 0).any():
            return [], "some sensors are not in the sensors table"
        values, by_sensor = sensors[name][index], True
    elif name in checks:
        values, by_sensor = checks[name][data.kept_rows[rows]], False
    else:
        return [], "there is no such column"
    if values.dtype.kind == "f":
        if not np.isfinite(values).all():
            return [], "some of its values are missing"
        return [(name, values - values.mean(), by_sensor)], "" if np.ptp(values) > 0 else "it does not vary"
    label = np.array(["" if v is None else str(v) for v in values], dtype=object)
    if (label == "").any():
        return [], "some of its values are missing"
    levels = sorted(set(label.tolist()))
    if len(levels) < 2:
        return [], "it does not vary"
    last = (label == levels[-1]).astype(np.float64)
    return [(f"{name} = {v}", (label == v).astype(np.float64) - last, by_sensor) for v in levels[:-1]], ""


def _adds_rank(use: Floats, extra: dict[str, Floats], column: Floats) -> bool:
    base = np.column_stack([np.ones_like(use), use, *extra.values(), column])
    size = np.sqrt((base**2).sum(axis=0))
    if (size == 0).any():
        return False
    return float(np.linalg.svd(base / size, compute_uv=False)[-1]) > 1e-8


def compare_constructions(data: WearData, occasions: Occasions, groups: list[GroupAnalysis], *, level: float
                          ) -> tuple[Comparison, ...]:
    """Compare slopes of constructions in one joint fit with common variances.

    The equivalence interval has level 2 level - 1 (90 % for 95 %), so that both one-sided tests hold at 1 - level.

    References
    ----------
    D. J. Schuirmann (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680 (two one-sided tests).
    """
    usable = [g for g in groups if not g.fit.refused]
    if len(usable) < 2:
        return ()
    rows = np.logical_or.reduce([g.rows for g in usable])
    joint = GroupRows(response=data.response[rows], use=data.use[rows], sensor=data.sensor[rows],
                      batch=data.batch[rows], epoch=data.epoch[rows], occasion=occasions.of_mounting[rows])
    # Batches enter the comparison only where they are a sample in every construction.
    role = "random" if all(g.fit.batch == "random" for g in usable) else "none"
    laid = assemble(joint, group=data.construction[rows], role=role)
    try:
        design, fit = fit_rows(joint.response, laid.columns, laid.levels)
    except ValueError:
        return ()
    pairs = [(i, j) for i in range(len(usable)) for j in range(i + 1, len(usable))]
    contrasts = np.array([laid.slopes[i] - laid.slopes[j] for i, j in pairs])
    se, df = contrast_errors(design, fit, contrasts)
    narrow = 2 * level - 1
    made = []
    for (i, j), contrast, s, d in zip(pairs, contrasts, se, df, strict=True):
        value = float(contrast @ fit.beta)
        low, high = t_interval(value, float(s), float(d), level)
        inner = t_interval(value, float(s), float(d), narrow) if narrow > 0 else (value, value)
        made.append(Comparison(
            a=usable[i].construction, b=usable[j].construction, value=value, std_error=float(s), df=float(d), low=low,
            high=high, equivalence_level=narrow, equivalence_low=inner[0], equivalence_high=inner[1],
            mean_slope=float((laid.slopes[i] + laid.slopes[j]) @ fit.beta / 2)))
    return tuple(made)


def influence_words(group: GroupAnalysis, per: str, log: bool) -> str:
    """Say how far the drift moves when one sensor is left out."""
    values = [v for _, v in group.influence if np.isfinite(v)]
    if not values:
        return ""
    low, high = min(values), max(values)
    worst = max(group.influence, key=lambda p: abs(p[1] - group.fit.slope[0]) if np.isfinite(p[1]) else -1.0)[0]
    if log:
        shown = f"from {100 * np.expm1(low):.3g} % to {100 * np.expm1(high):.3g} % per {per}"
    else:
        shown = f"from {low:.4g} to {high:.4g} per {per}"
    return f"leaving out one sensor moves the drift {shown} (sensor {join_words([worst])} matters most)"
