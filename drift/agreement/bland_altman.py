"""Limits of agreement of two methods: the whole question, from trial table to verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from drift.agreement.answer import (
    Answer,
    difference_estimates,
    empty_estimates,
    use_estimate,
    verdict_estimates,
)
from drift.agreement.checks import (
    ALPHA,
    Check,
    UseTrend,
    normality_checks,
    outliers,
    spread_check,
    trend_check,
    trend_with_use,
)
from drift.agreement.companion import stacked
from drift.agreement.companions import accompany
from drift.agreement.declared import declared_findings
from drift.agreement.harmless import read_harmless
from drift.agreement.judged import judged, pivotal_rows, resampled_rows
from drift.agreement.pairs import Group, Pairing, form_pairs
from drift.agreement.proposed import Asking, beside_plain
from drift.agreement.quoted import design_of, simulated
from drift.agreement.structure import Analysis, Structure, analyse, find_structure
from drift.agreement.suspicions import suspicions
from drift.agreement.tables import result_tables
from drift.agreement.variants import BIAS, PLAIN, LimitRow, joint_rows, limit_rows
from drift.agreement.words import FEW_PAIRS, opening, verdict_caution, whole_answer
from drift.engine.limits_of_agreement import MULTIPLIER, normal_cdf
from drift.errors import MINUS, DriftError, Finding
from drift.records import CalibrationTable, CheckTable, TrialTable
from drift.results import Provenance, Result, run_versions
from drift.study import AgreementQuestion

if TYPE_CHECKING:
    from drift.screening import Screening

DEFAULT_SEED = 1986
MOST_OUTLIERS = 8


class AgreementResult(Result):
    """Bias, limits of agreement, checks and verdict of one agreement question.

    Tables "pairs", "limits", "checks", "verdict" (with a harmless difference), "variance components" (with
    repeated measurements) and "coverage" (what simulation says about the intervals). Several methods: "pairwise
    limits", "limits with the mean", "method variances", "readings by method" in place of "pairs" and "limits".
    """

    command: ClassVar[str] = "agree"

    @property
    def verdicts(self) -> tuple[str, ...]:
        """The verdict of each group, empty without a harmless difference."""
        return tuple(self.table("verdict")["verdict"]) if any(t.name == "verdict" for t in self.tables) else ()


def agreement(trials: TrialTable, question: AgreementQuestion, *, level: float = 0.95, seed: int | None = None,
              multiplier: float | None = None, screening: Screening | None = None,
              calibrations: CalibrationTable | CheckTable | None = None,
              full_scale: Mapping[str, float] | float | None = None) -> AgreementResult:
    """Compare readings by ``a`` and ``b``: bias, limits of agreement, checks and, with ``harmless``, a verdict.

    Parameters
    ----------
    trials : TrialTable
        Long form: one reading a row.
    question : AgreementQuestion
        Differences are a - b; with ``methods`` three or more are compared (:func:`drift.agreement.several.several`).
    level : float
        Level of intervals. The verdict always rests on one-sided 95 % bounds.
    seed : int, optional
        For the pivotal draws behind the bounds of the share inside and the total deviation index, and for the
        bootstrap of regression limits.
    multiplier : float, optional
        Limits are bias -/+ multiplier x SD, if not as the question says: 1.96, or 2 as Bland & Altman (1986) printed
        them. The verdict always rests on 1.96.
    screening : Screening, optional
        Rows it drops are excluded with its reason.
    calibrations : CalibrationTable or CheckTable, optional
        For a question with ``recalculate``: the lines, or the checks to fit them through
        (:func:`drift.agreement.recalculated.recalculated`).
    full_scale : float or mapping of sensor to float, optional
        For the same: raw readings at it are lower bounds.

    Returns
    -------
    AgreementResult

    Raises
    ------
    DriftError
        If the readings cannot be paired as the question says.

    References
    ----------
    Bland & Altman (1986), Lancet i:307-310; (1999), Stat Methods Med Res 8:135-160. Carkeet (2015), Optom Vis
    Sci 92(3):e71-e80. Zou (2013), Stat Methods Med Res 22(6):630-642.
    """
    if not 0.5 < level < 1:
        raise ValueError(f"level must lie between 0.5 and 1, not {level}")
    if question.recalculate is not None:
        from drift.agreement.recalculated import recalculated

        return recalculated(trials, question, calibrations=calibrations, level=level, screening=screening,
                            seed=DEFAULT_SEED if seed is None else seed, full_scale=full_scale,
                            multiplier=question.multiplier if multiplier is None else multiplier)
    if multiplier is not None:  # sentences, figures and provenance read the question
        question = question.model_copy(update={"multiplier": multiplier})
    if question.methods and abs(question.multiplier - MULTIPLIER) > 1e-9:
        raise DriftError([Finding(severity="error", code="contradiction", question=question.name,
                                  message="limits of several methods stand at 1.96 SDs",
                                  value=f"{question.multiplier:g}",
                                  mend="Take multiplier out, or ask about two methods")])
    if question.methods:
        from drift.agreement.several import several

        return several(trials, question, level=level, seed=DEFAULT_SEED if seed is None else seed, screening=screening)
    pairing = form_pairs(trials, question, screening=screening)
    _check_harmless(pairing, question)
    seed = DEFAULT_SEED if seed is None else seed
    multiplier = question.multiplier if multiplier is None else multiplier
    streams = np.random.SeedSequence(seed).spawn(len(pairing.groups))
    answers = [_answer(group, pairing, question, level=level, multiplier=multiplier, rng=np.random.default_rng(s))
               for group, s in zip(pairing.groups, streams, strict=True)]
    answers, beside = accompany(answers, pairing, question, level=level, multiplier=multiplier, seed=seed)
    findings = list(dict.fromkeys([*pairing.findings, *_other_multiplier(question, multiplier),
                                   *(f for x in answers for f in x.findings)]))
    provenance = Provenance(accounts=(pairing.account,), inputs={trials.file: trials.sha256}, seed=seed, level=level,
                            versions=run_versions(), settings={**question.model_dump(), "multiplier": multiplier})
    coverage, told = simulated(answers, question, level=level, multiplier=multiplier,
                               beside=[a for _, c in beside for a in c.asked])
    return AgreementResult(question=question.name, answer=whole_answer(answers, question, pairing.target_name),
                           estimates=tuple(e for x in answers for e in x.estimates),
                           tables=(*result_tables(answers, pairing, question),
                                   *stacked([(x.of, c) for x, c in beside], question.by), *coverage),
                           findings=(*findings, *told),
                           exclusions=pairing.exclusions, provenance=provenance)


def _check_harmless(pairing: Pairing, question: AgreementQuestion) -> None:
    """Report at once for which units of readings the largest harmless difference cannot be read."""
    errors: list[Finding] = []
    for unit in dict.fromkeys(g.unit for g in pairing.groups):
        try:
            read_harmless(question, unit)
        except DriftError as error:
            errors += error.findings
    if errors:
        raise DriftError(list(dict.fromkeys(errors)))


def _other_multiplier(question: AgreementQuestion, multiplier: float) -> list[Finding]:
    """Say what limits at another number of SDs hold."""
    if abs(multiplier - MULTIPLIER) < 1e-3:
        return []
    held = 100 * (2 * float(normal_cdf(multiplier)) - 1)
    return [Finding(severity="note", code="multiplier", question=question.name, message=(
        f"The limits are bias \N{PLUS-MINUS SIGN} {multiplier:g} SD, which hold {held:.1f} % of normal differences; "
        "95 % are held by 1.96 SD, and the verdict rests on those"))]


def _answer(group: Group, pairing: Pairing, question: AgreementQuestion, *, level: float, multiplier: float,
            rng: np.random.Generator) -> Answer:
    """Answer the question for one group of pairs."""
    of = {"question": question.name, **dict(group.of)}
    label = "".join(f" ({k} {v})" for k, v in group.of)
    structure, said = find_structure(group, target=pairing.target_name, sensor=pairing.sensor_name,
                                     independent=question.rows_are_independent, constant=pairing.constant,
                                     declared=question.truth is not None, question=question.name)
    said = (*said, *declared_findings(group, structure, question, pairing.target_name, label))
    findings = [*said, Finding(severity="note", code="structure", message=opening(structure.words),
                              question=question.name)]
    findings += suspicions(group, question, label)
    refusal, analysis = _refusal(group, structure, pairing), None
    if not refusal:
        try:
            analysis = analyse(structure, group)
        except ValueError as reason:
            refusal = str(reason)
    if analysis is None:
        findings.append(Finding(severity="warning", code="agreement-refused", question=question.name,
                                message=f"Limits of agreement cannot be given{label}: {refusal}",
                                mend="Add pairs on further targets; twenty or more make useful limits."))
        return Answer(group=group, structure=structure, of=of, analysis=None, estimates=empty_estimates(group, of),
                      findings=tuple(findings), refusal=refusal)
    if not analysis.strata.sd > 1e-12 * max(1e-300, float(np.max(np.abs(group.mean)))):
        findings.append(_no_spread(group, question, label))
        rows = tuple(LimitRow(variant="plain", limit=n, value=analysis.strata.mean, unit=group.unit, method="no spread")
                     for n in ("lower limit", "upper limit"))
        return Answer(group=group, structure=structure, of=of, analysis=analysis, rows=rows, findings=tuple(findings),
                      estimates=tuple(difference_estimates(analysis, structure, group, of, level, multiplier,
                                                           flat=True)))
    if structure.n_targets < FEW_PAIRS and structure.kind != "repeated":
        findings.append(Finding(severity="warning", code="few-pairs", question=question.name,
                                message=f"Only {structure.n_targets} "
                                        f"{'targets' if structure.kind == 'unpaired' else 'pairs'}{label}; the limits "
                                        "are hardly known",
                                mend="Twenty or more pairs make useful limits."))
    findings += [Finding(severity="note", code="boundary", question=question.name,
                         message=f"The variance between levels of {name} is estimated at zero{label}")
                 for name, zero in zip([*structure.factors, *([structure.occasion.name] if structure.occasion else [])],
                                       analysis.fit.boundary if analysis.fit else (), strict=False)
                 if zero]
    return _full_answer(group, structure, analysis, of, findings, pairing, question, level=level,
                        multiplier=multiplier, rng=rng, label=label)


def _full_answer(group: Group, structure: Structure, analysis: Analysis, of: Mapping[str, str],
                 findings: list[Finding], pairing: Pairing, question: AgreementQuestion, *, level: float,
                 multiplier: float, rng: np.random.Generator, label: str) -> Answer:
    """Estimates, variants, checks and verdict of differences that have a spread."""
    estimates = difference_estimates(analysis, structure, group, of, level, multiplier, flat=False)
    checks = [trend_check(group, structure, level), spread_check(group, structure, level),
              *normality_checks(group, structure)]
    rows = [*limit_rows(analysis.strata, level, variant=PLAIN, unit=group.unit, multiplier=multiplier),
            *joint_rows(analysis.strata, level, group.unit, multiplier=multiplier),
            *pivotal_rows(analysis.strata, level, group.unit, multiplier=multiplier, rng=rng.spawn(1)[0]),
            *resampled_rows(structure, group, level, group.unit, multiplier=multiplier, rng=rng.spawn(1)[0])]
    findings += _outlier_findings(group, structure, question, label)
    use = trend_with_use(group, structure, level, target=pairing.target_name, sensor=pairing.sensor_name)
    if use is not None:
        estimates.append(use_estimate(use, group, of, level))
        checks.append(Check(name="trend with use", statistic=use.method, value=use.slope, low=use.low, high=use.high,
                            p=use.p, words="agreement drifts with use" if use.p < ALPHA else "no trend with use seen"))
        findings += _use_findings(use, group, question, label)
    verdict = None
    harmless = read_harmless(question, group.unit)
    if harmless is not None:
        verdict, said = judged(structure, group, analysis, harmless, question=question, label=label, rng=rng)
        findings += said
    if verdict is not None:
        estimates += verdict_estimates(verdict, structure, of)
        if verdict.words != "interchangeable":
            findings.append(verdict_caution(verdict, question, label))
    bias = next(e for e in estimates if e.name == BIAS)
    plain = [LimitRow(variant=PLAIN, limit=BIAS, value=bias.value, low=bias.low, high=bias.high, unit=bias.unit,
                      method=bias.method), *rows[:2]]
    answer = Answer(group=group, structure=structure, of=of, analysis=analysis, estimates=tuple(estimates),
                    checks=tuple(checks), findings=tuple(findings), verdict=verdict)
    more, beside = beside_plain(Asking(
        structure=structure, group=group, checks=checks, plain=plain, question=question, label=label, level=level,
        multiplier=multiplier, harmless=None if verdict is None else verdict.in_unit,
        verdict="" if verdict is None else verdict.words, design=design_of(answer)))
    return replace(answer, rows=(*rows, *more), beside=beside)


def _refusal(group: Group, structure: Structure, pairing: Pairing) -> str:
    n = len(group.a)
    if n < 3:
        what = "target" if structure.kind == "unpaired" else "pair"
        return f"there is only one {what}" if n == 1 else f"there are only {n} {what}s"
    if structure.kind == "repeated" and structure.n_targets < 2:
        return f"there is only one {pairing.target_name}"
    return ""


def _no_spread(group: Group, question: AgreementQuestion, label: str) -> Finding:
    same = bool(np.all(group.a == group.b))
    message = (f"Readings by {question.a} and {question.b} are identical in all {len(group.a)} pairs" if same else
               f"All {len(group.a)} differences are equal") + label
    return Finding(severity="warning", code="no-spread", question=question.name,
                   message=message + ", so no interval, check or verdict can be computed",
                   mend="Look whether one column was copied or computed from the other.")


def _outlier_findings(group: Group, structure: Structure, question: AgreementQuestion, label: str) -> list[Finding]:
    found = sorted(outliers(group, structure), key=lambda x: -abs(x[2]))
    made = [Finding(severity="note", code="outlier", question=question.name,
                    message=f"{key} stands out among {part}{label} (studentised {t:.1f}); it was kept",
                    mend="Look at how it was measured.") for part, key, t in found[:MOST_OUTLIERS]]
    if len(found) > MOST_OUTLIERS:
        made.append(Finding(severity="note", code="outlier", question=question.name, mend="Look at the plot.",
                            message=f"{len(found) - MOST_OUTLIERS} further deviations stand out{label}; all were kept"))
    return made


def _signed(value: float, unit: str) -> str:
    return f"{value:.3g} {unit}".strip().replace("-", MINUS)


def _use_findings(use: UseTrend, group: Group, question: AgreementQuestion, label: str) -> list[Finding]:
    if not use.p < ALPHA:
        return []
    assert group.use is not None
    low, high = float(group.use.min()), float(group.use.max())
    return [Finding(severity="warning", code="agreement-drifts", question=question.name,
                    message=f"The difference changes with use by {_signed(use.slope, group.unit)} per "
                            f"{group.exposure}{label}, so the limits hold for the mix of uses in these data "
                            f"({low:g} to {high:g}), not for any one use",
                    mend="Read bias and limits at a use beside them (table \"along use\").")]


