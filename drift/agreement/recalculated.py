"""Two calibrations compared on the same raw trials, so that a calibration can be judged without new walks.

Every raw reading is expressed as a pressure through calibration a and through calibration b of its sensor: the long
form, one row a reading and calibration, whose compared column is ``calibration``. As both sides share the reading, its
noise cancels; the difference is an exact line in the pressure for each sensor, and sensors (with their calibrations)
are the only units, however many walks were made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from drift.agreement.answer import Answer, verdict_estimates
from drift.agreement.companion import Companion, Setting, stacked
from drift.agreement.equivalence import judge
from drift.agreement.harmless import Harmless, read_harmless
from drift.agreement.pairs import Group, Pairing
from drift.agreement.recalculated_found import HIGH, LOW, MIDDLE, RecalculatedFound, find
from drift.agreement.recalculated_rows import Recalculated, RecalculatedRows, recalculate_rows
from drift.agreement.recalculated_tables import estimates_of, limit_method, tables_of
from drift.agreement.recalculated_words import findings_of, sentences_of, structure_words
from drift.agreement.structure import Analysis, Structure
from drift.agreement.tables import result_tables
from drift.agreement.variants import PLAIN, LimitRow
from drift.agreement.words import opening, verdict_caution, whole_answer
from drift.engine.limits_of_agreement import MULTIPLIER
from drift.engine.streams import stream
from drift.errors import Finding
from drift.records import CalibrationTable, CheckTable, TrialTable
from drift.results import Estimate, Provenance, ResultTable, run_versions
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import AgreementQuestion

if TYPE_CHECKING:
    from drift.agreement.bland_altman import AgreementResult
    from drift.screening import Screening

FAMILY = "recalculated"
SENSOR = "sensor"


def recalculated(trials: TrialTable, question: AgreementQuestion, *,
                 calibrations: CalibrationTable | CheckTable | None, level: float, seed: int,
                 multiplier: float = MULTIPLIER, screening: Screening | None = None,
                 full_scale: Mapping[str, float] | float | None = None) -> AgreementResult:
    """Compare two calibrations on the same raw readings.

    Parameters
    ----------
    trials : TrialTable
        Raw readings, or readings that were shown by a calibration named in a column.
    question : AgreementQuestion
        With ``recalculate``; ``a`` and ``b`` name calibrations, differences are a - b.
    calibrations : CalibrationTable or CheckTable
        Lines by sensor and name, or the bench checks through which they are fitted.
    level, seed, multiplier, screening
        As in :func:`drift.agreement.agreement`.
    full_scale : float or mapping of sensor to float, optional
        Readings at it are marked as lower bounds.

    Returns
    -------
    AgreementResult
        Tables "limits by pressure", "interactions", "difference lines", "recalculated readings" beside those of any
        agreement question.

    Raises
    ------
    DriftError
        If rows cannot be recalculated as the question says.

    Notes
    -----
    With lines r = i + s p, ``d(x) = p_a - p_b = (i_b - i_a)/s_a + (s_b/s_a - 1) x`` where b shows x. At a pressure the
    differences of sensors are independent, and bias and limits for a new sensor are those of n sensors (exact
    noncentral t; MOVER where a sensor has several calibrations). Over the mix of pressures see
    :func:`drift.engine.shared_readings.mix_strata`.

    References
    ----------
    Carkeet (2015), Optom Vis Sci 92(3):e71-e80 (exact limits); Zou (2013), Stat Methods Med Res 22(6):630-642; Bland &
    Altman (1999), Stat Methods Med Res 8:135-160, section 5 (what repeats must be the unit).
    """
    from drift.agreement.bland_altman import AgreementResult

    rows = recalculate_rows(trials, question, calibrations, screening=screening, full_scale=full_scale)
    streams = np.random.SeedSequence(seed).spawn(len(rows.groups))
    made = [_answer(g, question, level=level, multiplier=multiplier, rng=np.random.default_rng(s))
            for g, s in zip(rows.groups, streams, strict=True)]
    answers = [x for x, _ in made]
    pairing = Pairing(tuple(x.group for x in answers), rows.account, rows.exclusions, rows.findings, SENSOR, None,
                      False)
    beside = [(x, Companion(tables=tuple(tables_of(f, question, level, multiplier)))) for x, f in made]
    beside += [(x, c) for i, x in enumerate(answers) if (c := _survival(x, pairing, question, level, multiplier,
                                                                       stream(seed, "survival", i))) is not None]
    coverage, told = _simulated(made, question, level, multiplier)
    findings = list(dict.fromkeys([*rows.findings, *(f for x in answers for f in x.findings), *told]))
    provenance = Provenance(accounts=(rows.account,), inputs=_inputs(trials, rows), seed=seed, level=level,
                            versions=run_versions(), settings={**question.model_dump(), "multiplier": multiplier})
    return AgreementResult(
        question=question.name, answer=_whole(made, question), findings=tuple(findings),
        estimates=tuple(e for x in answers for e in x.estimates), exclusions=rows.exclusions, provenance=provenance,
        tables=(*(t for t in result_tables(answers, pairing, question) if t.name != "checks"),
                *stacked([(x.of, c) for x, c in beside], question.by), *coverage))


def _inputs(trials: TrialTable, rows: RecalculatedRows) -> dict[str, str]:
    return {trials.file: trials.sha256, rows.book.file: rows.book.sha256}


def _whole(made: Sequence[tuple[Answer, RecalculatedFound]], question: AgreementQuestion) -> str:
    """Give the answer; groups without limits have sentences of their own."""
    plain = {id(x): _plain_answer(x, f, question) for x, f in made if f.mix is None}
    if not plain:
        return whole_answer([x for x, _ in made], question, SENSOR)
    if len(made) == 1:
        return next(iter(plain.values()))
    rest = [x for x, f in made if f.mix is not None]
    return " ".join([*([whole_answer(rest, question, SENSOR)] if rest else []), *plain.values()])


def _plain_answer(x: Answer, found: RecalculatedFound, question: AgreementQuestion) -> str:
    """Answer where calibrations are identical, or where one sensor gives no limits."""
    label = opening("".join(f"{k} {v}: " for k, v in x.group.of))
    data = found.data
    if data.identical:
        return (f"{label}Calibrations {question.a} and {question.b} are identical, so that every difference is zero by "
                "construction.")
    bias = x.estimates[0].value
    size = f"{abs(bias):.3g} {data.unit} {'higher' if bias > 0 else 'lower'}"
    where = f"on all {data.k} sensors alike."
    if data.k < 2:
        nor = "" if question.harmless is None else " and no verdict"
        where = f"on the one sensor there is; no limits for another{nor}."
    return " ".join((f"{label}Readings through {question.a} are on average {size} than through {question.b} {where}",
                     *sentences_of(found, question, None)))


def _answer(data: Recalculated, question: AgreementQuestion, *, level: float, multiplier: float,
            rng: np.random.Generator) -> tuple[Answer, RecalculatedFound]:
    """Answer the question for one group."""
    of = {"question": question.name, **dict(data.of)}
    label = "".join(f" ({k} {v})" for k, v in data.of)
    harmless = read_harmless(question, data.unit)
    assert question.recalculate is not None
    found = find(data, harmless, question.recalculate.levels, level=level, rng=rng)
    structure = Structure("repeated", (SENSOR,), (data.code,), structure_words(found), data.k)
    group = Group(data.of, data.unit, data.key, data.a, data.b, data.sensor, None,
                  data.use if np.isfinite(data.use).all() else None, rows=tuple(int(r) for r in data.row))
    findings = [Finding(severity="note", code="structure", message=opening(structure.words) + label,
                        question=question.name), *findings_of(found, question, harmless, label)]
    estimates = estimates_of(found, of, level, multiplier)
    answer = Answer(group=group, structure=structure, of=of, analysis=None, estimates=tuple(estimates),
                    rows=tuple(_limit_rows(found, estimates)), findings=tuple(findings))
    if found.mix is None:
        return answer, found
    answer = replace(answer, analysis=Analysis(found.mix, None, ()),
                     sentences=sentences_of(found, question, harmless))
    if harmless is None or found.no_share or found.on_scale is None or not found.on_scale.sd > 0:
        return answer, found
    return _judged(answer, found, harmless, question, label, rng), found


def _judged(answer: Answer, found: RecalculatedFound, harmless: Harmless, question: AgreementQuestion, label: str,
            rng: np.random.Generator) -> Answer:
    """Add the verdict over the mix of pressures."""
    assert found.on_scale is not None
    verdict = judge(found.on_scale, harmless, n_targets=found.data.k, rng=rng)
    findings = answer.findings
    if verdict.words != "interchangeable":
        findings = (*findings, verdict_caution(verdict, question, label))
    return replace(answer, verdict=verdict, findings=findings,
                   estimates=(*answer.estimates, *verdict_estimates(verdict, answer.structure, answer.of)))


def _limit_rows(found: RecalculatedFound, estimates: Sequence[Estimate]) -> list[LimitRow]:
    """Return the table of limits: over the mix, and at each pressure."""
    rows = [LimitRow(variant=PLAIN, limit=e.name, value=e.value, low=e.low, high=e.high, unit=e.unit, method=e.method)
            for e in estimates if e.name in ("bias", "lower limit", "upper limit")]
    at = {f" at {x.which} pressure": x.pressure for x in found.levels if x.which in (LOW, MIDDLE, HIGH)}
    for e in estimates:
        for end, pressure in at.items():
            if e.name.endswith(end) and e.value == e.value:
                rows.append(LimitRow(variant="by pressure", limit=e.name.removesuffix(end), at=pressure, value=e.value,
                                     low=e.low, high=e.high, unit=e.unit, method=e.method))
    return rows


def _survival(x: Answer, pairing: Pairing, question: AgreementQuestion, level: float, multiplier: float,
              rng: np.random.Generator) -> Companion | None:
    """Return the shares of differences beyond each distance, by the strata of sensors."""
    from drift.agreement import survival

    if x.analysis is None or not x.analysis.strata.sd > 0:
        return None
    harmless = x.verdict.in_unit if x.verdict is not None else None
    made = survival.companion(Setting(
        group=x.group, structure=x.structure, analysis=x.analysis, pairing=pairing, question=question, of=x.of,
        label="", level=level, multiplier=multiplier, rng=rng, harmless=harmless))
    return None if made is None else Companion(tables=made.tables)


def design_of(data: Recalculated) -> Design:
    """Return the design, as the table of simulated coverage words it: sensors, and calibrations of each."""
    return Design(n=float(data.k), m=len(data.line_sensor) / data.k)


def _simulated(made: Sequence[tuple[Answer, RecalculatedFound]], question: AgreementQuestion, level: float,
               multiplier: float) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return what simulation says about the intervals, in the design nearest to the study's own."""
    if abs(multiplier - MULTIPLIER) > 1e-9:
        return (), []
    asked = [a for x, f in made if f.mix is not None for a in _asked(x, f)]
    quoted = quote(FAMILY, asked, level=level)
    if not quoted:
        return (), []
    return (coverage_table(quoted),), [*cautions(quoted, question=question.name, mend="Calibrate further sensors."),
                                       *note(quoted, question=question.name)]


def _asked(x: Answer, found: RecalculatedFound) -> list[Asked]:
    of = ", ".join(v for k, v in x.of.items() if k != "question")
    design, there = design_of(found.data), {e.name for e in x.estimates if e.low == e.low or e.high == e.high}
    strata = found.at(MIDDLE).strata
    how = limit_method(strata).removesuffix(" interval") if strata is not None else ""
    named = {"upper limit": "noncentral t", "lower limit": "noncentral t", "bias": "t",
             **{f"{n} at {w} pressure": how for n in ("lower limit", "upper limit") for w in (LOW, MIDDLE, HIGH)},
             **{f"bias at {w} pressure": "t" for w in (LOW, MIDDLE, HIGH)},
             "change of difference with pressure": "t"}
    return [Asked(quantity=n, named=n, method=m, design=design, of=of) for n, m in named.items() if n in there]

