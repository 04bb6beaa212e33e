"""The sentences of an agreement answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drift.agreement.answer import Answer
from drift.agreement.equivalence import Verdict
from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.engine.limits_of_agreement import normal_cdf
from drift.errors import MINUS, Finding
from drift.results import Estimate, decimals_for
from drift.study import AgreementQuestion

NOT_JUDGED = "harmless-share-not-judged"
FEW_PAIRS, USEFUL = 5, 20  # below the first the limits are hardly known; from the second on they are useful


def number(value: float, decimals: int) -> str:
    """Print a number with a true minus sign and no negative zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def decimals_of(estimate: Estimate) -> int:
    """Decimals that suit an estimate's interval."""
    return decimals_for(estimate.low, estimate.high, estimate.value)


def verdict_sentence(verdict: Verdict, question: AgreementQuestion, group: Group, structure: Structure,
                     target: str) -> str:
    """Give the verdict in one sentence."""
    unit = " % of the mean" if verdict.given.share else f" {group.unit}".rstrip()
    span = verdict.outer[1] - verdict.outer[0]
    d = decimals_for(verdict.outer[0], verdict.outer[0] + max(span / 4, 1e-12))
    outer = f"{number(verdict.outer[0], d)} to {number(verdict.outer[1], d)}{unit}"
    inner = f"{number(verdict.inner[0], d)} to {number(verdict.inner[1], d)}{unit}"
    pair, within = f"{question.a} and {question.b}", verdict.given.words
    if verdict.words == "interchangeable":
        return (f"{pair} are interchangeable within {within}: the outer one-sided 95 % bounds of both limits, "
                f"{outer}, lie inside")
    if verdict.words == "not interchangeable":
        return (f"{pair} are not interchangeable within {within}: the inner one-sided 95 % bounds of the limits, "
                f"{inner}, reach beyond it")
    if structure.kind != "repeated" and structure.n_targets < FEW_PAIRS:
        # A number computed from bias and SD of so few would promise what they cannot tell.
        more = (f"{structure.n_targets} {'targets' if structure.kind == 'unpaired' else 'pairs'} hardly tell bias and "
                f"SD, so measure {USEFUL} or more in all")
    elif verdict.further is None:
        more = "no affordable number of further targets would settle it, as a limit lies almost at that difference"
    else:
        more = f"about {verdict.further} further {_units(verdict.further, structure, target)} would settle it " \
               "in four of five studies if bias and SD stay as they are"
    return (f"that {pair} are interchangeable within {within} is not shown: the one-sided 95 % bounds of the limits "
            f"are {outer} (outer) and {inner} (inner); {more}")


def opening(text: str) -> str:
    """Start a sentence with a capital letter; only its first letter changes."""
    return text[:1].upper() + text[1:]


def verdict_caution(verdict: Verdict, question: AgreementQuestion, label: str) -> Finding:
    """Say what must not be done; the figures stand in the answer."""
    within = verdict.given.words
    message = (f"Verdict{label}: {question.a} and {question.b} are {verdict.words} within {within}"
               if verdict.words == "not interchangeable" else
               f"Verdict{label}: it is not shown that {question.a} and {question.b} are interchangeable within "
               f"{within}")
    return Finding(severity="warning", code="verdict", question=question.name, message=message,
                   mend="Do not use one in place of the other." if verdict.words == "not interchangeable" else
                   "Do not use one in place of the other on the strength of these data.")


def said_over(finding: Finding, over: str, *, limited: bool) -> Finding:
    """Return the caution of a verdict with what it is an average over; other findings as they are.

    ``limited`` says that there is a protocol limit, up to which one may be used in place of the other.
    """
    if finding.code != "verdict" or not over:
        return finding
    beyond = " beyond the protocol limit" if limited else ""
    return replace(finding, message=finding.message.replace("Verdict", f"Verdict {over}", 1),
                   mend=finding.mend.replace("of the other", f"of the other{beyond}", 1))


def _units(further: int, structure: Structure, target: str) -> str:
    """Say what would have to be added."""
    if structure.kind == "simple":
        return "pair" if further == 1 else "pairs"
    if structure.kind == "unpaired":
        return f"{'target' if further == 1 else 'targets'} ({target})"
    times = (further + structure.n_targets) / structure.n_targets
    if len(structure.factors) == 1:
        noun = "level" if further == 1 else "levels"
        return f"{noun} of {structure.factors[0]} ({times:.1f} times the present number in all)"
    counts = [len(np.unique(c)) for c in structure.codes]
    scarcer = structure.factors[counts.index(min(counts))]
    return f"levels of {scarcer}, with {' and '.join(structure.factors)} both grown {times:.1f} times,"


def answer_sentence(answer: Answer, question: AgreementQuestion, *, target: str) -> str:
    """Give the answer for one group."""
    group = answer.group
    label = opening("".join(f"{k} {v}: " for k, v in group.of))
    if answer.analysis is None:
        return f"{label}No limits of agreement{nor_verdict(question)}: {answer.refusal}."
    by_name = {e.name: e for e in answer.estimates}
    bias, low, high = (by_name[n] for n in ("bias", "lower limit", "upper limit"))
    unit = f" {group.unit}".rstrip()
    d = decimals_of(bias)
    if not by_name["SD of differences"].value > 0 or bias.level != bias.level:
        return (f"{label}{question.a} {MINUS} {question.b} is {number(bias.value, d)}{unit} in every pair; without any "
                "spread there are no intervals and no verdict.")
    size = f"{number(abs(bias.value), d)}{unit}"
    start = (f"Readings by {question.a} and {question.b} are on average the same" if float(f"{bias.value:.{d}f}") == 0
             else f"Readings by {question.a} are on average {size} {'higher' if bias.value > 0 else 'lower'} than by "
                  f"{question.b}")
    interval = (f"({100 * bias.level:g} % interval of {question.a} {MINUS} {question.b}: {number(bias.low, d)} to "
                f"{number(bias.high, d)}{unit})")
    share = f"{100 * (2 * float(normal_cdf(question.multiplier)) - 1):.1f}".removesuffix(".0")
    text = (f"{start} {interval}; {share} % of differences are expected between "
            f"{number(low.value, decimals_of(low))} and {number(high.value, decimals_of(high))}{unit}.")
    text = label + text
    if answer.verdict is None and question.harmless is not None:
        text = " ".join((text, *_not_judged(answer)))
    if answer.verdict is not None:
        head = f"Verdict {answer.over}".rstrip()
        if question.by:
            return f"{text} {head}: {answer.verdict.words} within {answer.verdict.given.words}."
        text = f"{text} {head}: {verdict_sentence(answer.verdict, question, group, answer.structure, target)}."
    return text if question.by else " ".join((text, *answer.sentences))


def nor_verdict(question: AgreementQuestion) -> str:
    """Say that no verdict was given either, where one was asked for."""
    return "" if question.harmless is None else " and no verdict"


def _not_judged(answer: Answer) -> list[str]:
    """Return why no verdict was given, for the answer itself: a refusal must not stand among the cautions alone."""
    label = "".join(f" ({k} {v})" for k, v in answer.group.of)
    return [f"{f.message.replace(label, '', 1) if label else f.message}." for f in answer.findings
            if f.code == NOT_JUDGED]


def whole_answer(answers: Sequence[Answer], question: AgreementQuestion, target: str) -> str:
    """Give the answer of the question: one sentence, or one for each group after a count."""
    if len(answers) == 1:
        return answer_sentence(answers[0], question, target=target)
    if question.harmless is not None:
        counts = {w: [x for x in answers if x.verdict and x.verdict.words == w]
                  for w in ("interchangeable", "not interchangeable", "not shown")}
        parts = [f"{w} in {len(v)}" for w, v in counts.items() if v]
        refused = sum(x.verdict is None for x in answers)
        head = f"Of {len(answers)} groups {question.a} and {question.b} are " + ", ".join(parts or ["not judged"])
        head += f", not judged in {refused}." if refused and parts else "."
    else:
        head = f"{question.a} against {question.b} in {len(answers)} groups."
    shown = [answer_sentence(x, question, target=target) for x in answers[:6]]
    rest = f" {len(answers) - 6} further groups stand in the table." if len(answers) > 6 else ""
    return " ".join([head, *shown]) + rest
