"""What a comparison adds to a reliability result: one sentence, differences and ratios with intervals, cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.comparison import Compared, HasAnalysis, Pair, adjusted, compare_pairs, natural
from drift.reliability.components import Components, Refusal
from drift.reliability.tables import column_of, labels_in_table
from drift.reliability.words import Declared, format_place, opening, plural
from drift.results import Estimate, ResultTable, format_interval, join_words
from drift.study import ReliabilityQuestion

FEW_LEVELS = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """What is added: the answer, estimates, the table of pairs, cautions."""

    answer: str
    estimates: tuple[Estimate, ...]
    table: ResultTable
    findings: tuple[Finding, ...]


def with_compared(question: ReliabilityQuestion) -> ReliabilityQuestion:
    """Return the question that is analysed level by level: the compared column is one of those it is repeated over."""
    if question.compare is None or question.compare in question.by:
        return question
    return question.model_copy(update={"by": (*question.by, question.compare)})


def comparison(done: Sequence[HasAnalysis], trials: TrialTable, question: ReliabilityQuestion, facet: str,
               pick: Declared, *, level: float, seed: int) -> Comparison | None:
    """Compare the levels of the question's ``compare`` column; None where it has none.

    Parameters
    ----------
    done : sequence
        All groups, each with its analysis.
    trials : TrialTable
    question : ReliabilityQuestion
    facet : str
    pick : Declared
    level : float
    seed : int
    """
    column = question.compare
    if column is None:
        return None
    rest: dict[tuple[tuple[str, str], ...], list[HasAnalysis]] = {}
    for one in done:
        key = tuple((k, v) for k, v in one.group.labels.items() if k != column)
        rest.setdefault(key, []).append(one)
    estimates: list[Estimate] = []
    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    sentences = []
    for key, groups in rest.items():
        labels = dict(key)
        pairs = compare_pairs(groups, trials, question, column, pick, level=level, seed=seed)
        holm = adjusted(pairs)
        estimates += _estimates(pairs, groups, labels, question, column, pick, level)
        rows += [row for pair in pairs for row in _rows(pair, labels, holm)]
        findings += _findings(pairs, groups, labels, question, facet, column)
        sentences.append(format_place(labels) + _sentence(pairs, groups, holm, column, facet, level))
    heads = list(dict.fromkeys(k for row in rows for k in row)) or ["a", "b", "quantity", "value"]
    text_heads = {*(column_of(b) for b in question.by), "a", "b", "quantity", "targets in both", "method"}
    columns = {h: [row.get(h, "" if h in text_heads else math.nan) for row in rows] for h in heads}
    table = ResultTable.build("comparison of reliabilities", columns, caption=f"Reliability compared between levels of "
                              f"{column}: difference of coefficients (a less b), ratios of SEM (a over b)")
    return Comparison(answer=" ".join(opening(s) for s in sentences[:6]), estimates=tuple(estimates), table=table,
                      findings=tuple(findings))


def _names(pair: Pair, q: Compared) -> tuple[str, str]:
    """Return the name of the estimate and the comparison in words."""
    if q.kind == "difference":
        return f"difference of {q.quantity}", f"{pair.a} - {pair.b}"
    return f"ratio of {q.quantity}", f"{pair.a} / {pair.b}"


def _estimates(pairs: Sequence[Pair], groups: Sequence[HasAnalysis], labels: dict[str, str],
               question: ReliabilityQuestion, column: str, pick: Declared, level: float) -> list[Estimate]:
    out = []
    for pair in pairs:
        n = pair.shared.targets or min(pair.shared.targets_of_a, pair.shared.targets_of_b)
        for q in _listed(pair):
            name, words = _names(pair, q)
            out.append(Estimate(name=name, value=q.value, low=q.low, high=q.high, n=n, method=q.method,
                                level=level if math.isfinite(q.low) else math.nan,
                                of={"question": question.name, **labels, "comparison": words}))
    seen = {(p.a, p.b) for p in pairs}
    names = sorted((g.group.labels[column] for g in groups), key=natural)
    kind = "agreement" if question.agree == "value" else "consistency"
    for i, a in enumerate(names):
        for b in names[i + 1:]:
            if (a, b) not in seen:
                of = {"question": question.name, **labels}
                out += [Estimate(name=name, value=math.nan, method="refused: a level has no estimate",
                                 of={**of, "comparison": f"{a} {sign} {b}"})
                        for name, sign in ((f"difference of {pick.coefficient}", "-"), (f"ratio of SEM ({kind})", "/"))]
    return out


def _listed(pair: Pair) -> tuple[Compared, ...]:
    same = pair.sem is pair.residual
    return (pair.coefficient, pair.sem) if same else pair.quantities


def _rows(pair: Pair, labels: dict[str, str], holm: dict[tuple[str, str, str, str], float]) -> list[dict[str, Any]]:
    s = pair.shared
    there = {"all": f"all {s.targets}", "none": "none",
             "some": f"{s.targets} of {s.targets_of_a} and {s.targets_of_b}"}[s.words]
    return [{**labels_in_table(labels), "a": pair.a, "b": pair.b, "quantity": _names(pair, q)[0],
             "value": q.value, "low": q.low, "high": q.high, "p": q.p,
             "Holm p": holm[pair.a, pair.b, q.kind, q.quantity], "likelihood ratio": q.statistic,
             "targets in both": there, "method": q.method} for q in _listed(pair)]


def _value(q: Compared) -> str:
    return format_interval(q.value, q.low, q.high, least=2)


def _sem_words(pair: Pair) -> str:
    return f"{pair.sem.quantity} ratio {pair.a} / {pair.b} {_value(pair.sem)}"


def _one_pair(pair: Pair, facet: str) -> str:
    """Answer for two levels, in one sentence."""
    q, c = pair.sem, pair.coefficient
    difference = format_interval(c.value, c.low, c.high, least=2)
    coefficient = (f"the difference in {c.quantity} is {difference}" if c.clear else
                   f"the difference in {c.quantity}, {difference}, cannot be told from zero")
    if not math.isfinite(q.value):
        return f"{pair.a} and {pair.b}: no ratio of SEM; {coefficient}."
    if q.clear:
        how = "more" if q.value < 1 else "less"
        return f"{pair.a} reads {how} repeatably than {pair.b}: {_sem_words(pair)}; {coefficient}."
    return (f"Neither {pair.a} nor {pair.b} is shown to read more repeatably, which does not show them equal: "
            f"{_sem_words(pair)}; {coefficient}{_apart(pair, facet)}.")


def _apart(pair: Pair, facet: str) -> str:
    """Say what can be told once the facet's own spread, known from few levels, is left out."""
    q = pair.residual
    if q is pair.sem or not q.clear:
        return ""
    how = "more" if q.value < 1 else "less"
    return (f"; apart from what changes between {plural(facet)}, {pair.a} reads {how} repeatably: {q.quantity} ratio "
            f"{format_interval(q.value, q.low, q.high, least=2)}")


def _sentence(pairs: Sequence[Pair], groups: Sequence[HasAnalysis], holm: dict[tuple[str, str, str, str], float],
              column: str, facet: str, level: float) -> str:
    if len(groups) < 2:
        return f"No comparison: {column} has only one level with readings ({groups[0].group.labels[column]})."
    if not pairs:
        return f"No comparison: fewer than two levels of {column} have an estimate."
    missing = [g.group.labels[column] for g in groups if isinstance(g.parts, Refusal)]
    left = f" No comparison with {join_words(missing)}, which has no estimate." if missing else ""
    if len(pairs) == 1:
        return _one_pair(pairs[0], facet) + left
    alpha = 1 - level
    clear = [p for p in pairs if holm[p.a, p.b, p.sem.kind, p.sem.quantity] <= alpha]
    apart = [p for p in pairs if p not in clear and p.residual is not p.sem
             and holm[p.a, p.b, p.residual.kind, p.residual.quantity] <= alpha]
    if apart:
        left = (f" Apart from what changes between {plural(facet)}: "
                + "; ".join(f"{p.a} reads {'more' if p.residual.value < 1 else 'less'} repeatably than {p.b} "
                            f"({p.residual.quantity} ratio {_value(p.residual)})" for p in apart[:6]) + f".{left}")
    if not clear:
        return (f"None of the {len(pairs)} pairs of {column} is shown to differ in {pairs[0].sem.quantity} once their "
                f"number is allowed for (Holm), which does not show them equal; the widest: "
                f"{_sem_words(max(pairs, key=lambda p: p.sem.high / max(p.sem.low, 1e-300)))}.{left}")
    told = "; ".join(f"{p.a} {'more' if p.sem.value < 1 else 'less'} repeatably than {p.b} ({_sem_words(p)})"
                     for p in clear[:6])
    return (f"Of {len(pairs)} pairs of {column}, {len(clear)} differ in {pairs[0].sem.quantity} after Holm's allowance "
            f"for their number: {told}; the others cannot be told apart.{left}" if len(clear) < len(pairs) else
            f"All {len(pairs)} pairs of {column} differ in {pairs[0].sem.quantity} after Holm's allowance for their "
            f"number: {told}.{left}")


def _findings(pairs: Sequence[Pair], groups: Sequence[HasAnalysis], labels: dict[str, str],
              question: ReliabilityQuestion, facet: str, column: str) -> list[Finding]:
    where, many = format_place(labels), plural(question.target)

    def say(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, message=opening(where + message),  # type: ignore[arg-type]
                       mend=mend, question=question.name)

    out = []
    if len(groups) < 2:
        out.append(say("warning", "one-level-to-compare", f"{column} has only one level with readings "
                       f"({groups[0].group.labels[column]}), so there is nothing to compare it with",
                       "Compare where with the values in the table"))
    for one in groups:
        if isinstance(one.parts, Refusal):
            out.append(say("warning", "level-without-estimate", f"{column} {one.group.labels[column]} cannot be "
                           f"compared: {one.parts.message}", one.parts.mend))
        elif one.parts.pivots is None:
            out.append(say("warning", "level-without-estimate", f"{column} {one.group.labels[column]} cannot be "
                           "compared: its readings fit their row and column means exactly",
                           "Check whether a column was copied or computed from another"))
    if not pairs:
        return out
    out.append(say("note", "targets-shared", _shared_words(pairs, many, facet)))
    if len(pairs) > 1:
        out.append(say("note", "several-pairs", f"{len(pairs)} pairs were compared: intervals are for one pair at a "
                       "time; the Holm-adjusted p values beside them allow for their number"))
    few = min((one.parts.shape[1] for one in groups if isinstance(one.parts, Components)), default=FEW_LEVELS)
    if question.facets_are == "fixed" and question.agree == "value":
        out.append(say("warning", "compared-as-a-sample", f"the {plural(facet)} are declared as the only ones of "
                       "interest, but the difference of coefficients and the ratio of SEM (agreement) are given for a "
                       "sample of them, which is wider; the ratio of SEM (consistency) is not affected",
                       "Compare the ratio of SEM (consistency)"))
    elif question.agree == "value" and few < FEW_LEVELS:
        out.append(say("warning", "few-levels-to-compare", f"the difference of coefficients and the ratio of SEM "
                       f"(agreement) rest on as few as {few} {plural(facet)}, whose own spread is then hardly known: "
                       f"they are wide, and more {many} will not narrow them; the ratio of SEM (consistency), which "
                       f"leaves the {plural(facet)} out, is not affected", f"Use five or more {plural(facet)} of each"))
    smallest = min(min(p.shared.targets_of_a, p.shared.targets_of_b) for p in pairs)
    if smallest < 8:
        out.append(say("warning", "few-targets-to-compare", f"only {smallest} {many} in one of the compared levels: a "
                       "difference that is not shown may well be there", f"Measure more {many} with both"))
    return out


def _shared_words(pairs: Sequence[Pair], many: str, facet: str) -> str:
    """Say which targets and facet levels the compared levels share, and what follows."""
    kinds = {p.shared.words for p in pairs}
    first = pairs[0]
    if kinds == {"all"}:
        start = f"the same {first.shared.targets} {many} were measured at every level" if len(pairs) > 1 else (
            f"the same {first.shared.targets} {many} were measured with {first.a} and {first.b}")
        start += ", and the intervals use that"
    elif kinds == {"none"}:
        start = f"no {many} were measured at two levels, so their estimates are independent"
    else:
        one = next((p for p in pairs if p.shared.words == "some"), first)
        start = (f"of the {many} some were measured at both levels ({one.shared.targets} of {one.shared.targets_of_a} "
                 f"with {one.a} and of {one.shared.targets_of_b} with {one.b}); the intervals use what is shared")
    shared = {p.shared.facets > 0 for p in pairs}
    facets = {frozenset({True}): f"; {plural(facet)} have the same labels in both, so their readings are paired",
              frozenset({False}): f"; the {plural(facet)} of one are not those of the other, so errors are independent",
              }.get(frozenset(shared), f"; some {plural(facet)} are shared")
    residual = max(p.links.inner.squared for p in pairs)
    together = f" (correlation of residuals up to {math.sqrt(residual):.2f})" if residual > 0 else ""
    return start + facets + together
