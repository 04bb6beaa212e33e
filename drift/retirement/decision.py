"""``retire``: from the wear analysis and the study's limits to retire-after counts."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from drift.errors import Finding
from drift.records import Tables
from drift.results import Estimate, Exclusion, Provenance, Result, ResultTable, RowAccount, join_words, run_versions
from drift.retirement.cautions import all_findings
from drift.retirement.companions import accompany
from drift.retirement.dead import count_dead, dead_estimates, dead_findings, dead_table, past_jump
from drift.retirement.evaluate import ConstructionAnswer, evaluate
from drift.retirement.groups import Exposure, Group, exposure_of, fresh_before_start, make_groups
from drift.retirement.limits import QUESTION, Limit, declared_limits
from drift.retirement.more_data import more_data, more_findings, more_table
from drift.retirement.pooling import SlopePair, equivalence_table, slope_pairs
from drift.retirement.quoted import simulated
from drift.retirement.removals import removal_findings, removals_table
from drift.retirement.result import RetirementResult
from drift.retirement.rising import drifts_of
from drift.retirement.row_accounts import rows_without
from drift.retirement.tables import (
    batches_table,
    counts_table,
    crossings_table,
    left_out_table,
    limit_table,
    normal_table,
    path_table,
    removal_table,
    shares_table,
)
from drift.retirement.wording import all_estimates, answer_sentence, labels
from drift.sensitivity.controls_words import rest_words
from drift.study import RetirementSpec, Study

Progress = Callable[[str], None]


def retire(wear: Result, study: Study, tables: Tables, *, seed: int = 20240501,
           progress: Progress | None = None) -> RetirementResult:
    """Say after how many uses a sensor should be retired, per construction, at the declared risk.

    Parameters
    ----------
    wear : WearResult
        Its tables "sensitivities" and "occasions" carry the data.
    study : Study
        ``[limits]`` and ``[retirement]``; nothing is built in.
    tables : Tables
        Checks, and sensors and events where there are any.
    seed : int
        Seed of the simulated p-value of the normal plots; counts do not depend on it.
    progress : callable, optional
        Called with one sentence a step.

    Returns
    -------
    RetirementResult

    Raises
    ------
    DriftError
        If a limit cannot be put on the scale of the analysis.

    Notes
    -----
    For each sensor an ordinary least-squares line over its occasion means; U(N) = mean + k1 sd of the line values
    at N, k1 from the noncentral t distribution for content 1 - (1 - P)/m and confidence 1 - (1 - C)/m with m
    continuous limits; the line bound is the largest N with U(j) within the limit for all j <= N, its skew companion
    exp(mean - k1 sd) of the logs of the sensors' own crossing counts, and the count is the smaller of the two, each
    rounded down. With four or more batches both bounds are two-level generalised pivotal bounds for a sensor from a
    new batch. No count is stated beyond 1.25 times the median last check.

    References
    ----------
    Owen, D. B. (1963), Factors for one-sided tolerance limits, Sandia SCR-607; Meeker, W. Q. and Escobar, L. A.
    (1998), Statistical Methods for Reliability Data, Wiley, chapter 13; Krishnamoorthy, K. and Mathew, T. (2009),
    Statistical Tolerance Regions, Wiley, chapter 5.
    """
    tell = progress or (lambda _: None)
    spec = study.retirement or RetirementSpec()
    exposure = exposure_of(study)
    limits = declared_limits(study, tables)
    occasions, mountings = wear.table("occasions"), wear.table("sensitivities")
    level = wear.provenance.level
    findings: list[Finding] = []

    jumped = past_jump(tables, study, exposure)

    def build(pooled: bool) -> list[list[Group]]:
        return make_groups(limits, occasions, mountings, tables, exposure=exposure, pooled=pooled,
                           modelled=True, fresh=fresh_before_start(wear), jumped=frozenset(jumped))

    groups = build(False)
    pairs = slope_pairs(groups, within=spec.equal_slopes_within) if limits and len(groups) > 1 else ()
    pooled = bool(pairs) and spec.pool and all(p.equivalent for p in pairs)
    if spec.pool:
        findings += _pool_findings(pairs, pooled, len(groups))
    if pooled:
        groups = build(True)
    answers = [evaluate(g, content=spec.content, confidence=spec.confidence, level=level, exposure=exposure, tell=tell)
               for g in groups]
    if not limits:
        findings.append(_no_limit(study))
    findings += all_findings(answers, wear, tables, exposure, seed)
    constructions = _constructions(mountings)
    dead, not_recorded = count_dead(tables, study, constructions, exposure, pooled=pooled)
    counts = {a.construction: a.count for a in answers}
    findings += [*dead_findings(dead, counts, exposure, confidence=spec.confidence), *not_recorded]
    estimates = all_estimates(answers, exposure, level)
    if not limits:
        estimates += [Estimate(name="retire after", value=math.nan, unit=exposure.unit, of=labels(c),
                               method="no continuous limit is declared") for c in sorted(set(constructions.values()))]
    estimates += _pair_estimates(pairs)
    estimates += dead_estimates(dead, counts, exposure, level=level)
    made = _tables(answers, pairs, exposure, level)
    gone = removals_table(answers, jumped)
    made += [gone] if len(gone) else []
    findings += removal_findings(answers, jumped)
    if dead:
        made.append(dead_table(dead, exposure, spec.confidence))
    more = [more_data(a, seed=seed) for a in answers]
    if any(more):
        made.append(more_table(answers, more, exposure))
        findings += more_findings(answers, more, exposure)
    answer = (answer_sentence(answers, exposure, jumps=bool(_jump_limits(study)), level=level, drifts=drifts_of(wear))
              if limits
              else _no_limit_sentence(study))
    if study.sensitivity is not None and study.sensitivity.start:
        answer += (f" The lines begin at {exposure.show(study.sensitivity.start)} (start); the uses before it are in "
                   "the count, and what a sensor loses there is in its fall where its fresh value was checked.")
    beside = accompany(wear, study, tables, limits=limits, answers=answers, exposure=exposure, pooled=pooled, seed=seed)
    coverage, told = simulated(answers, wear, beside.estimates)
    made += coverage
    findings += told
    estimates, made, findings = [*estimates, *beside.estimates], [*made, *beside.tables], [*findings, *beside.findings]
    answer = " ".join(filter(None, (answer, *beside.sentences, rest_words(wear))))
    accounts, exclusions = _rows(wear, tables, answers)
    return RetirementResult(
        question=QUESTION, answer=answer, estimates=tuple(estimates), tables=tuple(made), findings=tuple(findings),
        exclusions=exclusions, provenance=Provenance(
            accounts=accounts, inputs=dict(wear.provenance.inputs), seed=seed, level=level, versions=run_versions(),
            settings=_settings(spec, limits, exposure, study)))


def _constructions(mountings: ResultTable) -> dict[str, str]:
    return {str(s): str(c or "") for s, c in zip(mountings["sensor"], mountings["construction"], strict=True)}


def _tables(answers: list[ConstructionAnswer], pairs: tuple[SlopePair, ...], exposure: Exposure,
            level: float) -> list[ResultTable]:
    if not answers:
        return []
    made = [counts_table(answers, exposure, level), path_table(answers, exposure), crossings_table(answers, exposure),
            shares_table(answers, exposure), limit_table(answers, exposure), removal_table(answers, exposure),
            left_out_table(answers, exposure), batches_table(answers, exposure), normal_table(answers)]
    if pairs:
        made.append(equivalence_table(pairs))
    return [t for t in made if len(t)]


def _no_limit(study: Study) -> Finding:
    jumps = _jump_limits(study)
    return Finding(severity="warning", code="no-limit", question=QUESTION,
                   message="No continuous limit is declared" + (f" ({join_words(jumps)} can only be counted)" if jumps
                                                                else "") + ", so there is no count",
                   mend="Declare sensitivity_change, saturation_pressure or reading in [limits].")


def _jump_limits(study: Study) -> list[str]:
    return [k for k in ("dead_fraction", "dead_lines") if getattr(study.limits, k) is not None]


def _no_limit_sentence(study: Study) -> str:
    jumps = _jump_limits(study)
    beside = f" Sensors past {join_words(jumps)} are counted in the table." if jumps else ""
    return "No retire after count can be given, because no continuous limit is declared in [limits]." + beside


def _pool_findings(pairs: tuple[SlopePair, ...], pooled: bool, n_constructions: int) -> list[Finding]:
    if n_constructions < 2:
        return [Finding(severity="note", code="nothing-to-pool", question=QUESTION,
                        message="Pooling was asked for, but there is only one construction")]
    shown = "; ".join(f"{p.a} against {p.b}, {p.limit}: {100 * p.difference:+.0f} % ({100 * p.low:.0f} to "
                      f"{100 * p.high:.0f} %)" for p in pairs)
    margin = f"within {100 * pairs[0].within:g} % of each other" if pairs else "equivalent"
    if pooled:
        return [Finding(severity="warning", code="pooled", question=QUESTION,
                        message=f"Constructions are pooled: their slopes are shown to be {margin} (90 % intervals: "
                                f"{shown})", mend="Starts may still differ: look at the normal plot.")]
    return [Finding(severity="warning", code="pooling-refused", question=QUESTION,
                    message=f"Pooling was asked for, but the slopes are not shown to be {margin} (90 % intervals: "
                            f"{shown}); counts are given per construction",
                    mend="More sensors narrow the interval; equal_slopes_within is the laboratory's own margin.")]


def _pair_estimates(pairs: tuple[SlopePair, ...]) -> list[Estimate]:
    return [Estimate(name="relative difference of slopes", value=p.difference, low=p.low, high=p.high, level=0.90,
                     method=f"Welch interval over {p.units}, two one-sided tests at 5 %",
                     of={"a": p.a, "b": p.b, "limit": p.limit}) for p in pairs]


def _settings(spec: RetirementSpec, limits: tuple[Limit, ...], exposure: Exposure, study: Study) -> dict[str, Any]:
    return {"content": spec.content, "confidence": spec.confidence, "pool": spec.pool,
            "equal_slopes_within": spec.equal_slopes_within, "exposure": exposure.name,
            **{f"limit {k}": v for k, v in study.limits.model_dump().items() if v is not None}}


def _rows(wear: Result, tables: Tables, answers: list[ConstructionAnswer]) -> tuple[tuple[RowAccount, ...],
                                                                                    tuple[Exclusion, ...]]:
    """Rows of the wear analysis, less those of sensors that enter no limit."""
    inside = {str(s) for a in answers for x in a.limits for s in x.group.sensor}
    reasons = {s: why for a in answers for x in a.limits for s, why in x.group.fitness.left_out if s not in inside}
    return rows_without(wear, tables, reasons, question=QUESTION, of="the bound")
