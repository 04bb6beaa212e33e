"""What a careful reader must know before using a coefficient, as findings."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.components import Components, Refusal
from drift.reliability.coverage import classical_coverage
from drift.reliability.icc import Coefficient
from drift.reliability.measurement_error import CHANGE, spread_grows
from drift.reliability.rows import Group, Prepared
from drift.reliability.words import declared, format_place, interval_text, opening, plural
from drift.results import join_words
from drift.study import ReliabilityQuestion

FEW_TARGETS = 8
FEW_LEVELS = 5


def of_rows(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared) -> list[Finding]:
    """Cautions about the rows themselves: readings that are only lower bounds."""
    if "saturated" not in trials:
        return []
    gone = {x.row for x in prepared.exclusions}
    used = ~np.isin(trials.row, np.fromiter(gone, dtype=np.int64, count=len(gone)))
    n = int((used & (trials["saturated"] > 0)).sum())
    if n == 0:
        return []
    return [Finding(severity="warning", code="saturated-readings", file=trials.file, column="saturated",
                    question=question.name,
                    message=f"{n} of {prepared.account.used} readings have saturated cells and are lower bounds; "
                            "they are used as they stand, which makes large readings look more alike",
                    mend="Leave them out with where or [screening] drop and compare")]


def merge(said: Sequence[Sequence[Finding]]) -> list[Finding]:
    """Join the findings of several groups: one of each kind, with the number of others it also holds for."""
    kinds: dict[str, list[Finding]] = {}
    for group in said:
        for finding in group:
            kinds.setdefault(finding.code, []).append(finding)
    out = []
    for same in kinds.values():
        others = len(same) - 1
        also = f" (likewise in {others} other combination{'s' if others > 1 else ''} of by; see the tables)"
        out.append(replace(same[0], message=same[0].message + also) if others else same[0])
    return out


def of_group(group: Group, parts: Components | Refusal, cases: Sequence[Coefficient], question: ReliabilityQuestion,
             facet: str, level: float, names: Collection[str]) -> list[Finding]:
    """Cautions and notes about one group; ``names`` are the columns of the table."""
    where = format_place(group.labels)

    def say(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, message=opening(where + message),  # type: ignore[arg-type]
                       mend=mend, question=question.name)

    if isinstance(parts, Refusal):
        return [say("warning", parts.code, parts.message, parts.mend)]
    found = [say(*item) for item in (*_zero_parts(parts, question, facet), *_layout(parts, question, facet, names),
                                     *_few_levels(parts, cases, question, facet, level),
                                     *_few_targets(parts, question), *_spread(group), *_averaged(parts, question),
                                     *_same_level(parts, group, question, facet), *_means(group))]
    if parts.replicated and parts.variances["residual"] == 0:
        found.append(say("warning", "identical-replicates", "the replicates of every cell are identical, so the "
                         "within-cell variance is zero", "Check whether replicates were copied"))
    if parts.pivots is None:
        found.append(say("warning", "no-residual-variation", "the readings fit their row and column means exactly, so "
                         "the residual variance is zero and has no interval",
                         "Check whether a column was copied or computed from another"))
    without = sorted({c.name for c in cases if not math.isfinite(c.value)})
    if without:
        found.append(say("warning", "coefficient-without-value", f"{join_words(without)} cannot be computed, because "
                         f"the means of the {plural(question.target)} do not differ at all",
                         f"Measure {plural(question.target)} that differ"))
    if parts.fit is not None and not parts.fit.converged:
        found.append(say("warning", "not-converged", "REML did not settle to full precision",
                         "Treat the last digits with care and report the table"))
    return found


Item = tuple[str, str, str, str]


def _zero_parts(parts: Components, question: ReliabilityQuestion, facet: str) -> list[Item]:
    names = {"target": question.target, "facet": facet, "interaction": f"{question.target} x {facet}",
             "residual": "residual"}
    out: list[Item] = []
    for part in parts.zero:
        if part == "residual":
            continue
        high = math.sqrt(max(parts.intervals[part][1], 0.0)) if math.isfinite(parts.intervals[part][1]) else math.nan
        upper = f"; its SD may be as large as {high:.3g}" if math.isfinite(high) and high > 0 else ""
        means = {"target": f"{plural(question.target)} cannot be told apart by these readings",
                 "facet": f"no difference between {plural(facet)} was seen beyond the noise",
                 "interaction": f"{plural(facet)} rank {plural(question.target)} alike within the noise"}[part]
        out.append(("warning" if part == "target" else "note", f"zero-{part}-variance",
                    f"the variance of {names[part]} is estimated as zero: {means}{upper}",
                    "Measure targets that differ more, or reduce the error" if part == "target" else ""))
    return out


def _layout(parts: Components, question: ReliabilityQuestion, facet: str,
            names: Collection[str]) -> list[Item]:
    counts = parts.design.counts
    out: list[Item] = []
    if parts.empty_cells:
        out.append(("note", "missing-cells",
                    f"{parts.empty_cells} of {counts.size} {question.target} x {facet} cells are empty; all "
                    f"{int(counts.sum())} {'cell means' if parts.average else 'readings'} are used by REML, no "
                    f"{question.target} is left out", ""))
    filled = counts[counts > 0]
    if parts.replicated and question.replicate not in names:
        out.append(("note", "unnamed-replicates", f"several readings of the same {question.target} and {facet} are not "
                    "told apart by any column; they are taken as replicates", ""))
    if parts.replicated and filled.min() != filled.max():
        out.append(("note", "unequal-replicates", f"cells hold {int(filled.min())} to {int(filled.max())} readings; "
                    "intervals use the harmonic mean number", ""))
    return out


def _limited_by_levels(parts: Components, cases: Sequence[Coefficient], question: ReliabilityQuestion,
                       facet: str) -> tuple[Coefficient, bool] | None:
    """Return the declared coefficient and whether its width comes from the facet; None where it cannot."""
    k = parts.shape[1]
    if question.facets_are == "fixed" or question.agree == "order" or k > FEW_LEVELS:
        return None
    pick = declared(question, facet)
    mine = next(c for c in cases if (c.name, c.model) == (pick.coefficient, pick.model))
    order = next(c for c in cases if c.name == mine.name.replace("A", "C") and c.model == mine.model)
    if not math.isfinite(mine.pivotal[0]):
        return None
    return mine, mine.pivotal[1] - mine.pivotal[0] > 1.5 * (order.high - order.low)


def second_sentence(parts: Components | Refusal, cases: Sequence[Coefficient], question: ReliabilityQuestion,
                    facet: str) -> str:
    """Say in the answer itself when few facet levels, not few targets, make it uncertain."""
    found = None if isinstance(parts, Refusal) else _limited_by_levels(parts, cases, question, facet)
    if isinstance(parts, Refusal) or found is None or not found[1]:
        return ""
    k = parts.shape[1]
    honest = (f"; the generalised pivotal interval, {interval_text(*found[0].pivotal)}, allows for it"
              if "Satterthwaite" in found[0].method else "")
    return (f" Agreement in value is uncertain because only {k} {plural(facet)} were compared, and more "
            f"{plural(question.target)} will not change that{honest}.")


def _few_levels(parts: Components, cases: Sequence[Coefficient], question: ReliabilityQuestion, facet: str,
                level: float) -> list[Item]:
    """Say when the number of facet levels, not of targets, limits what can be known."""
    found, k = _limited_by_levels(parts, cases, question, facet), parts.shape[1]
    if found is None:
        return []
    mine, limited = found
    few = f"agreement in value is judged from {k} {plural(facet)} only"
    if "Satterthwaite" in mine.method:
        t = classical_coverage(parts.shape[0], k)
        few += (f", where the classical {100 * level:g} % interval can be too short when {plural(facet)} differ (in "
                f"{t.studies:,} simulated studies of {t.n} x {t.k} readings with ICC 0.8 a nominal 95 % held the truth "
                f"in {100 * t.small:.0f} % where the facet had {100 * t.small_share:g} % of the variance, and in "
                f"{100 * t.large:.0f} % where it had {100 * t.large_share:g} %); the generalised pivotal interval is "
                f"{interval_text(*mine.pivotal)}")
    more = (f"More {plural(question.target)} will not narrow it: use five or more {plural(facet)}, or report "
            "consistency" if limited else f"Use five or more {plural(facet)} in the next study")
    return [("warning", "few-facet-levels", few, more)]


def _few_targets(parts: Components, question: ReliabilityQuestion) -> list[Item]:
    n = parts.shape[0]
    if n >= FEW_TARGETS:
        return []
    many = plural(question.target)
    return [("warning", "few-targets", f"only {n} {many} were measured, so every coefficient depends on how different "
             "these few happen to be", f"Read the SEM rather than the ICC, or measure more {many}")]


def _spread(group: Group) -> list[Item]:
    tau, p, n = spread_grows(group)
    if not (math.isfinite(p) and p < 0.05):
        return []
    if tau < 0:
        return [("note", "spread-falls", f"the spread of repeated readings falls with their mean (Kendall tau "
                 f"{tau:.2f}, p = {p:.2g}, {n} targets), so one SEM does not describe all", "")]
    positive = float(group.values.min()) > 0
    return [("warning", "spread-grows", "the spread of repeated readings grows with their mean (Kendall tau "
             f"{tau:.2f}, p = {p:.2g}, {n} targets), so one SEM is too large for small readings and too small for "
             "large ones",
             "Use the within-target CV from logarithms instead of the SEM" if positive else
             "Split the range, or model the spread")]


def _averaged(parts: Components, question: ReliabilityQuestion) -> list[Item]:
    if not parts.average:
        return []
    return [("note", "replicates-averaged", f"replicates were averaged as declared: every figure is about the mean of "
             f"{parts.average} readings of a cell, not about one reading", "")]



def _same_level(parts: Components, group: Group, question: ReliabilityQuestion, facet: str) -> list[Item]:
    """Say which smallest real change holds when both readings share their facet level."""
    if question.agree == "order" or "facet" in parts.zero:
        return []
    noise = CHANGE * math.sqrt(parts.variances["interaction"] + parts.variances["residual"])
    if noise == 0:
        return []
    return [("note", "change-with-the-same-level", f"when both readings of a change share their {facet}, its offset "
             f"cancels, and a change below {noise:.3g} {group.unit}".rstrip() + ", MDC (consistency), is within "
             "the noise", "")]


def _means(group: Group) -> list[Item]:
    n = group.reading_n[np.isfinite(group.reading_n) & (group.reading_n > 1)]
    if len(n) == 0:
        return []
    many = f"{n.min():g}" if n.min() == n.max() else f"{n.min():g} to {n.max():g}"
    return [("note", "rows-are-means", f"rows are means of {many} readings: coefficients and SEM are about such means, "
             "and the scatter of single readings is given beside them", "")]
