"""What a careful reader must know before using a coefficient, as findings."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.components import Components, Refusal
from drift.reliability.error_sizes import CHANGE, ErrorSize, mean_of_all
from drift.reliability.icc import SATTERTHWAITE, Coefficient
from drift.reliability.narrower import CODE as NARROWER
from drift.reliability.narrower import few_levels_limit, narrower
from drift.reliability.rows import Group, Prepared
from drift.reliability.spread import ALPHA, spread_grows
from drift.reliability.words import Item, declared, format_place, interval_text, opening, plural
from drift.results import format_interval, join_words
from drift.simulated import Design, nearest
from drift.study import ReliabilityQuestion

FEW_TARGETS = 8
FEW_LEVELS = 5
KEPT = 3
# An interval of a coefficient wider than this says little.
WIDE = 0.6


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
        if same[0].code == NARROWER and others <= KEPT:  # its figures are each group's own
            out += same
            continue
        alike = "likewise in" if same[0].code != NARROWER else "with figures of their own for"
        also = f" ({alike} {others} other combination{'s' if others > 1 else ''} of by; see the tables)"
        out.append(replace(same[0], message=same[0].message + also) if others else same[0])
    return out


def of_group(group: Group, parts: Components | Refusal, cases: Sequence[Coefficient], question: ReliabilityQuestion,
             facet: str, level: float, names: Collection[str], errors: Sequence[ErrorSize] = ()) -> list[Finding]:
    """Cautions and notes about one group; ``names`` are the columns of the table."""
    where = format_place(group.labels)

    def say(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, message=opening(where + message),  # type: ignore[arg-type]
                       mend=mend, question=question.name)

    if isinstance(parts, Refusal):
        return [say("warning", parts.code, parts.message, parts.mend)]
    pick = declared(question, facet)
    mine = next((c for c in cases if (c.name, c.model) == (pick.coefficient, pick.model)), None)
    wider = narrower(parts, mine, errors, question, facet, level, group.unit) if mine is not None else []
    found = [say(*item) for item in (*wider, *_zero_parts(parts, question, facet, level, cases),
                                     *_layout(parts, question, facet, names),
                                     *_few_levels(parts, cases, question, facet, level),
                                     *_few_targets(parts, question), *_spread(group, errors, facet),
                                     *_averaged(parts, question), *_same_level(parts, group, question, facet),
                                     *_fixed_mean(parts, question, facet), *_no_percent(parts, group, level),
                                     *_means(group))]
    if parts.replicated and parts.variances["residual"] == 0:
        found.append(say("warning", "identical-replicates", "the replicates of every cell are identical, so the "
                         "within-cell variance is zero", "Check whether replicates were copied"))
    if parts.pivots is None:
        found.append(say("warning", "no-residual-variation", "the readings fit their row and column means exactly, so "
                         "the residual variance is zero and has no interval",
                         "Check whether a column was copied or computed from another"))
    without = sorted({c.name for c in cases if not math.isfinite(c.value)})
    if without:
        found.append(say("warning", "coefficient-without-value", f"{join_words(without)} cannot be computed: "
                         f"the variance of {plural(question.target)} is estimated so far below zero that its sum with "
                         "the error is not positive", f"Measure {plural(question.target)} that differ more"))
    if parts.fit is not None and not parts.fit.converged:
        found.append(say("warning", "not-converged", "REML did not settle to full precision",
                         "Treat the last digits with care and report the table"))
    return found


def _zero_parts(parts: Components, question: ReliabilityQuestion, facet: str, level: float,
                cases: Sequence[Coefficient]) -> list[Item]:
    """Name each component estimated as zero, what that means, and the interval that is still valid."""
    names = {"target": question.target, "facet": facet, "interaction": f"{question.target} x {facet}"}
    out: list[Item] = []
    for part in parts.zero:
        if part not in names:
            continue
        high = math.sqrt(max(parts.intervals[part][1], 0.0)) if math.isfinite(parts.intervals[part][1]) else math.nan
        upper = (f"; zero is the estimate, not the finding: its SD lies between 0 and {high:.3g} ({100 * level:g} % "
                 "interval, valid at zero too)" if math.isfinite(high) and high > 0 else "")
        means = {"target": f"{plural(question.target)} cannot be told apart by these readings",
                 "facet": f"no difference between {plural(facet)} was seen beyond the noise",
                 "interaction": f"{plural(facet)} rank {plural(question.target)} alike within the noise"}[part]
        below = part == "target" and any(c.value < 0 for c in cases)
        negative = ("; a coefficient below zero is what the unbiased estimate gives then, and is read as none"
                    if below else "")
        out.append(("warning" if part == "target" else "note", f"zero-{part}-variance",
                    f"the variance of {names[part]} is estimated as zero: {means}{upper}{negative}",
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
    apart = mine.pivotal[1] - mine.pivotal[0] > 1.5 * (order.high - order.low)
    return mine, apart and few_levels_limit(parts)


def second_sentence(parts: Components | Refusal, cases: Sequence[Coefficient], question: ReliabilityQuestion,
                    facet: str, errors: Sequence[ErrorSize] = ()) -> str:
    """Say in the answer itself what it rests on: an error that grows, few facet levels, too little of everything."""
    ratio = next((e.value for e in errors if e.name == f"MDC ({_kind(question)}), ratio from logs"), math.nan)
    grows = "" if not math.isfinite(ratio) else (
        " The error grows with the reading, so that this holds in the middle of the range only; at any level a rise of "
        f"more than {100 * (ratio - 1):.0f} % or a fall of more than {100 * (1 - 1 / ratio):.0f} % is beyond the "
        "noise.")
    return grows + _uncertain(parts, cases, question, facet)


def _kind(question: ReliabilityQuestion) -> str:
    return "agreement" if question.agree == "value" else "consistency"


def _uncertain(parts: Components | Refusal, cases: Sequence[Coefficient], question: ReliabilityQuestion,
               facet: str) -> str:
    found = None if isinstance(parts, Refusal) else _limited_by_levels(parts, cases, question, facet)
    if isinstance(parts, Refusal) or found is None or not found[1]:
        return "" if isinstance(parts, Refusal) else _left_open(parts, cases, question, facet)
    k = parts.shape[1]
    return (f" Agreement in value is uncertain because only {k} {plural(facet)} were compared, and more "
            f"{plural(question.target)} will hardly change that.")


def _left_open(parts: Components, cases: Sequence[Coefficient], question: ReliabilityQuestion, facet: str) -> str:
    """Say that an interval over most of the scale settles nothing."""
    pick = declared(question, facet)
    mine = next(c for c in cases if (c.name, c.model) == (pick.coefficient, pick.model))
    if not mine.high - max(mine.low, 0.0) > WIDE:
        return ""
    n, k = parts.shape
    return (f" {n} {plural(question.target)} and {k} {plural(facet)} leave the coefficient almost open; the error in "
            "the reading's own unit is the firmer answer.")


def _few_levels(parts: Components, cases: Sequence[Coefficient], question: ReliabilityQuestion, facet: str,
                level: float) -> list[Item]:
    """Say when the number of facet levels, not of targets, limits what can be known."""
    found, k = _limited_by_levels(parts, cases, question, facet), parts.shape[1]
    if found is None:
        return []
    mine, limited = found
    few = f"agreement in value is judged from {k} {plural(facet)} only"
    known = nearest("reliability", "ICC(A,1)", f"ANOVA, {SATTERTHWAITE}", Design(n=parts.shape[0], k=k))
    if math.isfinite(mine.classical[0]) and known is not None and level == known.nominal:
        few += (f", for which its interval allows; the {SATTERTHWAITE} that papers print, "
                f"{interval_text(*mine.classical)}, held the truth in as few as {100 * known.lowest:.0f} % of "
                f"{known.studies:,} simulated studies of a size like this ({known.lowest_text})")
    enough = f"{'five or more' if k < FEW_LEVELS else 'more than five'} {plural(facet)}"
    more = (f"More {plural(question.target)} will hardly narrow it: use {enough}, or report consistency" if limited
            else f"Use {enough} in the next study")
    return [("warning", "few-facet-levels", few, more)]


def _few_targets(parts: Components, question: ReliabilityQuestion) -> list[Item]:
    n = parts.shape[0]
    if n >= FEW_TARGETS:
        return []
    many = plural(question.target)
    return [("warning", "few-targets", f"only {n} {many} were measured, so every coefficient depends on how different "
             "these few happen to be", f"Read the SEM rather than the ICC, or measure more {many}")]


def _spread(group: Group, errors: Sequence[ErrorSize], facet: str) -> list[Item]:
    """Say when the spread goes with the mean, with the figures from logarithms where they can be had."""
    tau, p, n = spread_grows(group)
    if not (math.isfinite(p) and p < ALPHA):
        return []
    seen = f"with their mean (Kendall tau {tau:.2f}, p = {p:.2g}, {n} targets)"
    if tau < 0:
        return [("note", "spread-falls", f"the spread of repeated readings falls {seen}, so one SEM does not describe "
                 "all", "")]
    grows = (f"the spread of repeated readings grows {seen}, so one SEM is too large for small readings and too small "
             "for large ones")
    by = {e.name: e for e in errors}
    sem, mdc = by.get("SEM (agreement), from logs"), by.get("MDC (agreement), ratio from logs")
    if sem is None or mdc is None:
        why = (f"; logarithms would allow for it, but {_not_positive(group)}" if float(group.values.min()) <= 0 else "")
        return [("warning", "spread-grows", grows + why, "Split the range into parts and ask each of them with by, or "
                 "take a quantity that is positive")]
    same = by["MDC (consistency), ratio from logs"]
    return [("warning", "spread-grows", f"{grows}; from logarithms the SEM (agreement) is {_span(sem)} % of the "
             f"reading, and a change is beyond noise when it is a rise of more than {100 * (mdc.value - 1):.0f} % or a "
             f"fall of more than {100 * (1 - 1 / mdc.value):.0f} % (ratio {_span(mdc)}; between readings with the same "
             f"{facet} {_span(same)})",
             "Use these ratios, in logarithms throughout, instead of the SEM and MDC in the reading's unit")]


def _not_positive(group: Group) -> str:
    below = int((group.values <= 0).sum())
    return f"{below} of {len(group.values)} readings {'is' if below == 1 else 'are'} not positive"


def _span(size: ErrorSize) -> str:
    return format_interval(size.value, size.low, size.high)


def _averaged(parts: Components, question: ReliabilityQuestion) -> list[Item]:
    if not parts.average:
        return []
    return [("note", "replicates-averaged", f"replicates were averaged as declared: every figure is about the mean of "
             f"{parts.average} readings of a cell, not about one reading", "")]


def _same_level(parts: Components, group: Group, question: ReliabilityQuestion, facet: str) -> list[Item]:
    """Say which smallest real change holds when both readings share their facet level."""
    if question.agree == "order":
        return []
    v = parts.variances
    noise, apart = (CHANGE * math.sqrt(x) for x in (v["interaction"] + v["residual"],
                                                    v["facet"] + v["interaction"] + v["residual"]))
    if noise == 0:
        return []
    unit = f" {group.unit}" if group.unit else ""
    many = plural(facet)
    if "facet" in parts.zero:
        said = (f"no difference between {many} was seen, so MDC (agreement), for readings with different {many}, and "
                f"MDC (consistency), for readings with the same {facet}, are both {noise:.3g}{unit}")
    else:
        said = (f"with different {many} a change below {apart:.3g}{unit}, MDC (agreement), is within the noise; when "
                f"both readings share their {facet}, its offset cancels, and it is {noise:.3g}{unit}, MDC "
                "(consistency)")
    if parts.replicated and v["interaction"] > 0:
        said += (f"; that counts how a {facet} deviates on one {question.target} as noise: where this stays the same "
                 f"from one time to the next, the repeatability coefficient, {CHANGE * math.sqrt(v['residual']):.3g}"
                 f"{unit}, is the smallest change")
    return [("note", "change-with-the-same-level", said, "")]


def _fixed_mean(parts: Components, question: ReliabilityQuestion, facet: str) -> list[Item]:
    """Say what the mean over all fixed levels assumes (McGraw & Wong 1996, cases 3 and 3A)."""
    if question.facets_are == "sample" or question.use == "single":
        return []
    many, v, k = plural(facet), parts.variances, parts.shape[1]
    said = (f"the same {k} {many} are in every mean, so their offsets do not change it, and the coefficient of the "
            f"mean holds if {many} rank {plural(question.target)} alike (no interaction: case 3A of McGraw & Wong "
            "1996)")
    # In the constrained model the interaction sums to zero over the fixed levels and belongs to no mean over all.
    true = v["target"] + v["interaction"] / k
    if parts.replicated and true > 0:
        said += (f"; with the interaction taken as part of what the {many} are, the mean over all {k} has a "
                 f"reliability of {true / (true + v['residual'] / k):.2f}")
    return [("note", "mean-over-fixed-levels", said, "")]


def _no_percent(parts: Components, group: Group, level: float) -> list[Item]:
    """Say why percents and coefficients of variation are left out, or have no upper end."""
    if not parts.mean > 0:
        return [("note", "no-percent", f"the mean reading, {parts.mean:.3g} {group.unit}".rstrip() + ", is not "
                 "positive, so errors in percent of it and coefficients of variation are left out", "")]
    low, high = mean_of_all(parts, level)
    out: list[Item] = []
    if not low > 0:
        out.append(("note", "percent-without-bound", f"the mean reading, {parts.mean:.3g} ({low:.3g} to {high:.3g}) "
                    f"{group.unit}".rstrip() + ", may be zero for all these readings say, so errors in percent of it "
                    "have no upper end", ""))
    below = int((group.values <= 0).sum())
    if below and not parts.average:
        out.append(("note", "no-variation-coefficient", f"{_not_positive(group)}, so the within-target CV is left out",
                    ""))
    return out


def _means(group: Group) -> list[Item]:
    n = group.reading_n[np.isfinite(group.reading_n) & (group.reading_n > 1)]
    if len(n) == 0:
        return []
    many = f"{n.min():g}" if n.min() == n.max() else f"{n.min():g} to {n.max():g}"
    return [("note", "rows-are-means", f"rows are means of {many} readings: coefficients and SEM are about such means, "
             "and the scatter of single readings is given beside them", "")]
