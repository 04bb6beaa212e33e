"""Drift per use from a study's checks: the one call behind ``drift wear``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import words
from drift.companion import Companion
from drift.records import Tables
from drift.results import Provenance, ResultTable, run_versions
from drift.sensitivity.aliases import AliasCheck, alias_check
from drift.sensitivity.assumptions import Check, assumption_checks, calibration_check
from drift.sensitivity.companions import accompany
from drift.sensitivity.controls import Controls, controls
from drift.sensitivity.design import NOT_WORN, QUESTION, WearData, label_of, prepare
from drift.sensitivity.groups import Comparison, GroupAnalysis, analyse_group, compare_constructions
from drift.sensitivity.lines import Occasions, SensorLines, occasion_means, sensor_lines
from drift.sensitivity.quoted import simulated
from drift.sensitivity.removals import Removals, removals
from drift.sensitivity.result import WearResult
from drift.sensitivity.tables import all_tables
from drift.sensitivity.wording import all_estimates, all_findings, answer_sentence
from drift.study import Study

Progress = Callable[[str], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis:
    """Everything the procedure found, before it is put into tables and sentences."""

    data: WearData
    occasions: Occasions
    lines: SensorLines
    groups: tuple[GroupAnalysis, ...]
    comparison: tuple[Comparison, ...]
    checks: tuple[Check, ...]
    aliases: AliasCheck
    removals: Removals
    controls: Controls
    level: float
    beside: Companion


def fit_wear(tables: Tables, study: Study, *, level: float = 0.95, seed: int = 20240501,
             progress: Progress | None = None) -> WearResult:
    """Estimate drift per use, per construction, with per-sensor lines and variance components.

    Parameters
    ----------
    tables : Tables
        ``checks`` is needed; ``sensors`` and ``events`` are used where there are any.
    study : Study
        ``[sensitivity]`` and ``[screening]`` are used; without ``[sensitivity]`` its defaults hold.
    level : float
        Confidence level of every interval.
    seed : int
        Of what is drawn beside the model (a bootstrap test of a break); the model itself draws nothing.
    progress : callable, optional
        Called with one sentence a step.

    Returns
    -------
    WearResult

    Raises
    ------
    DriftError
        Without checks, without the exposure column, or when no row can be used.

    Notes
    -----
    z_iur = b0 + b1 x_iu + B0_i + B1_i x_iu + V_iu + e_iur for sensor i, use u and mounting r, with z the log of
    sensitivity (or of the reading, or either itself on the linear scale), fitted by REML for each construction apart.
    Intervals of fixed effects are Kenward-Roger t intervals; those of SDs are profile-likelihood intervals.

    References
    ----------
    N. M. Laird and J. H. Ware (1982), Biometrics 38, 963-974, doi:10.2307/2529876 (the model);
    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997, doi:10.2307/2533558 (small-sample intervals);
    J. C. Pinheiro and D. M. Bates (2000), Mixed-Effects Models in S and S-PLUS, ch. 1-4 (nested effects).
    """
    say = progress or (lambda _: None)
    if not 0.5 <= level < 1:
        raise ValueError(f"level must lie in [0.5, 1), not {level}")
    say("reading sensitivities off the checks")
    data = prepare(tables, study)
    occasions = occasion_means(data)
    lines = sensor_lines(occasions)
    aliases = _aliases(tables, data)
    groups = []
    checks: list[Check] = []
    names = sorted(set(lines.construction.tolist()))
    for name in names:
        say(f"fitting the wear model{' of ' + name if name else ''}")
        group = analyse_group(data, occasions, lines, tables, construction=name, level=level,
                              confounded=aliases.confounded)
        groups.append(group)
        shrunk = np.array([group.fit.blup_slope.get(s, np.nan) for s in lines.sensor], dtype=np.float64)
        checks.extend(assumption_checks(occasions, lines, construction=name, pick=group.pick, blup_slope=shrunk,
                                        log=data.log, per=data.per))
        checks.extend(calibration_check(data.calibration.bend[group.rows], data.sensor[group.rows], construction=name))
    say("comparing constructions")
    comparison = compare_constructions(data, occasions, groups, level=level)
    say("looking at trend, shape and exposure in other ways")
    beside = accompany(data, occasions, lines, groups, tables, level=level, seed=seed)
    analysis = Analysis(data=data, occasions=occasions, lines=lines, groups=tuple(groups), comparison=comparison,
                        checks=tuple(checks), aliases=aliases, removals=removals(tables, data, lines), level=level,
                        controls=_controls(tables, data, groups, study, level), beside=beside)
    return _result(analysis, tables, study, seed)


def _controls(tables: Tables, data: WearData, groups: list[GroupAnalysis], study: Study, level: float) -> Controls:
    """Look at never-worn sensors, beside the drift of each construction."""
    return controls(tables, data, level=level, screening=study.screening,
                    slopes={g.construction: float(g.fit.slope[0]) for g in groups if not g.fit.refused})


def _aliases(tables: Tables, data: WearData) -> AliasCheck:
    """Run the alias check on the rows that enter and on those of never-worn controls."""
    assert tables.checks is not None
    role = label_of(tables.checks, tables.sensors, "role")
    rows: NDArray[np.bool_] = (data.calibration.mounting >= 0) | np.isin(role.astype(str), sorted(NOT_WORN))
    rows &= np.asarray(words(tables.checks, "sensor") != "", dtype=np.bool_)
    return alias_check(tables.checks, rows, exposure=data.spec.exposure, per=data.count, question=QUESTION)


def _said_beside(analysis: Analysis) -> tuple[str, ...]:
    """Return what companions say after the answer; a shape that a step of the rig may have made bears that."""
    if not analysis.controls.sentence:
        return analysis.beside.sentences
    rig = "; the change of the rig alone would bend it too."
    return tuple(s.removesuffix(".") + rig if "is not straight" in s else s for s in analysis.beside.sentences)


def _result(analysis: Analysis, tables: Tables, study: Study, seed: int) -> WearResult:
    """Put the analysis into the frozen result."""
    data = analysis.data
    inputs = {t.file: t.sha256 for t in (tables.checks, tables.sensors, tables.events) if t is not None}
    spec = data.spec
    settings = {"exposure": spec.exposure, "scale": spec.scale, "full_scale": spec.full_scale,
                "covariates": list(spec.covariates), "where": dict(spec.where),
                **({"start": spec.start} if spec.start else {}),
                "screening drop": list(study.screening.drop)}
    estimates = all_estimates(analysis)
    coverage, told = simulated(analysis, estimates)
    made: tuple[ResultTable, ...] = (*all_tables(analysis), *analysis.controls.tables, *analysis.beside.tables,
                                      *coverage)
    return WearResult(
        question=QUESTION, answer=" ".join(filter(None, [answer_sentence(analysis), analysis.controls.sentence,
                                                          *_said_beside(analysis)])),
        estimates=(*estimates, *analysis.beside.estimates), tables=made,
        findings=(*all_findings(analysis), *analysis.beside.findings, *told), exclusions=data.exclusions,
        provenance=Provenance(accounts=(data.account,), inputs=inputs, seed=seed, level=analysis.level,
                              versions=run_versions(), settings=settings))
