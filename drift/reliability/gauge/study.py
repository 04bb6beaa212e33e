"""Answer one gauge study: components, shares, categories, bias, and what to make of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from drift.errors import DriftError, Finding
from drift.records import TrialTable
from drift.reliability.cautions import merge
from drift.reliability.gauge.analysis import GaugeParts, analyse_gauge
from drift.reliability.gauge.bias import bias_of, bias_tables
from drift.reliability.gauge.cautions import gauge_findings
from drift.reliability.gauge.estimates import NAMES, STUDY, estimates_of, refused
from drift.reliability.gauge.quoted import simulated
from drift.reliability.gauge.rows import gauge_rows
from drift.reliability.gauge.tables import AnalysedGauge, gauge_tables
from drift.reliability.gauge.words import answer, by_the_rule, percent_text
from drift.reliability.rows import Screened
from drift.results import Estimate, Provenance, Result, join_words, run_versions
from drift.study import GaugeQuestion


@dataclass(frozen=True, kw_only=True, eq=False)
class GaugeResult(Result):
    """Repeatability, reproducibility and bias of a gauge."""

    command: ClassVar[str] = "gauge"

    @property
    def grr(self) -> Estimate:
        """Gauge R&R in the reading's unit (of the first group)."""
        return self.estimate(NAMES["GRR"])


def gauge_study(trials: TrialTable, question: GaugeQuestion, *, level: float = 0.95, seed: int = 0,
                screening: Screened | None = None) -> GaugeResult:
    """Estimate what part of the variation of readings is the gauge's own.

    Parameters
    ----------
    trials : TrialTable
    question : GaugeQuestion
    level : float
        Confidence level of the intervals.
    seed : int
        Recorded in the provenance; nothing here is random.
    screening : optional
        What screening drops (``dropped`` and ``reasons``, a row each).

    Returns
    -------
    GaugeResult
        Estimates by group of ``by``: EV, AV, INT, GRR, PV and TV as SDs, in percent of the study variation and of the
        tolerance, the number of distinct categories, bias and linearity. Tables: "gauge components", "analysis of
        variance" (both models), "operators", "average and range", "bias", "linearity", "coverage".

    Raises
    ------
    DriftError
        If a column is missing, no row is usable, settings contradict each other, or a column without a part in the
        question varies inside a part x operator cell.
    """
    wrong = question_findings(question)
    if wrong:
        raise DriftError(wrong)
    prepared, groups = gauge_rows(trials, question, screening)
    done: list[AnalysedGauge] = []
    said: list[list[Finding]] = []
    sentences: list[str] = []
    further: list[Estimate] = []
    rows: list[Mapping[str, object]] = []
    lines: list[Mapping[str, object]] = []
    for group in groups:
        parts = analyse_gauge(group, question, level=level)
        made = (estimates_of(group, parts, question, level=level) if isinstance(parts, GaugeParts)
                else refused(question, group, parts.message))
        at = {e.name: e for e in made}
        bias = bias_of(group, question, level=level)
        done.append(AnalysedGauge(group=group, parts=parts, estimates=tuple(made)))
        said.append([*gauge_findings(group, parts, at, question, by_the_rule(at, "study variation")), *bias.findings])
        sentences.append(answer(group, parts, at, question) + bias.sentence)
        further += bias.estimates
        rows += bias.rows
        lines += bias.lines
    of_bias = bias_tables(rows, lines, groups[0].unit if len({g.unit for g in groups}) == 1 else "")
    coverage, told = simulated(done, question, level=level)
    return GaugeResult(
        question=question.name, answer=sentences[0] if len(done) == 1 else _over_groups(done, sentences, question),
        estimates=(*(e for d in done for e in d.estimates), *further),
        tables=(*gauge_tables(done, question), *of_bias, *coverage),
        findings=(*prepared.findings, *merge(said), *told), exclusions=prepared.exclusions,
        provenance=Provenance(accounts=(prepared.account,), inputs={trials.file: trials.sha256}
                              if trials.sha256 else {},
                              seed=seed, level=level, versions=run_versions(), settings=question.model_dump()))


def question_findings(question: GaugeQuestion) -> list[Finding]:
    """Return what the settings of a question say against each other."""
    out = []

    def say(message: str, mend: str, value: object = None) -> None:
        out.append(Finding(severity="error", code="contradiction", question=question.name, message=message, mend=mend,
                           value=None if value is None else str(value)))

    lower, upper = question.lower, question.upper
    if lower is not None and upper is not None and not lower < upper:
        say("the lower limit is not below the upper one", "Swap or correct them", f"{lower:g}, {upper:g}")
    elif question.tolerance is not None and lower is not None and upper is not None and (
            abs(upper - lower - question.tolerance) > 1e-9 * abs(question.tolerance)):
        say(f"the tolerance is not the distance of its limits, {upper - lower:g}", "Give the tolerance or the limits",
            f"{question.tolerance:g}")
    return out


def _over_groups(done: list[AnalysedGauge], sentences: list[str], question: GaugeQuestion) -> str:
    """Return one sentence over all combinations of the ``by`` columns."""
    if len(done) <= 3:
        return " ".join(sentences)
    heads = [(" ".join(d.group.labels.values()), e) for d in done for e in d.estimates if e.name == NAMES["GRR"]
             + STUDY]
    good = sorted(((label, e) for label, e in heads if e.value == e.value), key=lambda x: x[1].value)
    if not good:
        return (f"No gauge study could be made for any of {len(done)} combinations of {join_words(question.by)}: see "
                "the cautions.")
    shown = good if len(good) <= 6 else [good[0], good[-1]]
    texts = [f"{label} {percent_text(e)}" for label, e in shown]
    listed = join_words(texts) if shown is good else f"from {texts[0]} to {texts[1]} over {len(good)} combinations"
    left = [label for label, e in heads if e.value != e.value]
    return (f"Gauge R&R as a share of the study variation, by {join_words(question.by)}: {listed}"
            + (f"; none for {join_words(left)}" if left else "") + ".")
