"""What must be known to read a gauge study."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from drift.engine.outlying import cochran_critical
from drift.errors import Finding
from drift.reliability.gauge.analysis import GaugeParts, Refused
from drift.reliability.gauge.estimates import NAMES, tolerance_of
from drift.reliability.gauge.rows import GaugeGroup
from drift.reliability.gauge.words import sd_text, what_helps
from drift.reliability.words import Item, format_place, plural, quantity
from drift.results import Estimate, join_words
from drift.study import GaugeQuestion

FEW = 5
_NAMED = {"operator": "AV", "interaction": "INT", "part": "PV"}


def gauge_findings(group: GaugeGroup, parts: GaugeParts | Refused, estimates: dict[str, Estimate],
                   question: GaugeQuestion, rule: list[Item]) -> list[Finding]:
    """Return findings of one group, the gravest first."""
    where = format_place(group.labels)
    if isinstance(parts, Refused):
        items: list[Item] = [("warning", parts.code, parts.message, parts.mend)]
    else:
        items = [*_operators(parts, estimates, question), *_design(parts, question), *_zero(parts, estimates, question),
                 *_uneven_scatter(group, parts, question), *_tolerance(group, question), *_interaction(parts, question),
                 *rule, *what_helps(parts, question)]
    return [Finding(severity=s, code=c, message=where + m, mend=mend, question=question.name)  # type: ignore[arg-type]
            for s, c, m, mend in items]


def _operators(parts: GaugeParts, estimates: dict[str, Estimate], question: GaugeQuestion) -> list[Item]:
    o, word = parts.shape[1], question.operator or "operator"
    if o == 1:
        who = f"one {word}" if question.operator else "no operator column is named"
        return [("warning", "one-operator", f"{who}: what another {word} would add cannot be seen, so that GRR is "
                 "repeatability alone", f"Have the same {plural(question.part)} read by three or more {plural(word)}"
                 + ("" if question.operator else " and name their column as operator"))]
    av = estimates.get(NAMES["AV"])
    if av is None or o >= FEW:
        return []
    here = sd_text(av, ends=False) if av.value > 0 else "estimated as zero"
    size = f"AV, {here}, may be as large as {sd_text(replace(av, value=av.high), ends=False)}"
    if o == 2:
        return [("warning", "two-operators", f"two {plural(word)} leave one degree of freedom for the difference "
                 f"between {plural(word)}: {size}. The intervals hold the truth, but those of AV, GRR and their "
                 f"shares say little; EV, PV and the interaction are not touched by this",
                 f"More {plural(question.part)} or repeats will not help: take five or more {plural(word)}")]
    return [("note", "few-operators", f"with {o} {plural(word)} {size}, and GRR with it; this width comes from the "
             f"number of {plural(word)}", f"More {plural(question.part)} or repeats will not narrow it; more "
             f"{plural(word)} will")]


def _design(parts: GaugeParts, question: GaugeQuestion) -> list[Item]:
    out: list[Item] = []
    part, ops = plural(question.part), plural(question.operator or "operator")
    if parts.confounded:
        out.append(("warning", "no-replicates", f"no {question.part} was read twice by one {question.operator}: "
                    f"repeatability and {parts.confounded} cannot be told apart, and EV holds both",
                    "Repeat the readings at least once to separate them"))
    if parts.kind == "nested":
        out.append(("note", "nested", f"each {question.operator} read {part} of its own, so that a {question.part} x "
                    f"{question.operator} interaction cannot be seen and AV rests on different {part}",
                    f"Where {part} survive the reading, let every {question.operator} read the same ones"))
    if parts.kind in ("operators", "repeats"):
        out.append(("warning", "one-part", f"one {question.part}: its variation, the study variation and the number of "
                    "distinct categories cannot be stated" + (
                        f", and an interaction would be part of the difference between {ops}"
                        if parts.kind == "operators" else ""),
                    f"Read ten or more {part} that span the range in use, or give a tolerance"))
    elif parts.shape[0] < FEW:
        out.append(("note", "few-parts", f"PV and all shares of the study variation rest on {parts.shape[0]} {part}",
                    f"Ten or more {part} that span the range in use are the custom"))
    if not parts.balanced:
        gone = f", {parts.missing} of the cells empty" if parts.missing and parts.kind == "crossed" else ""
        out.append(("note", "unequal-numbers", f"numbers of readings are unequal{gone}: the components are REML "
                    "estimates from all readings, and their intervals rest on unweighted means or adjusted mean "
                    "squares", ""))
    return out


def _zero(parts: GaugeParts, estimates: dict[str, Estimate], question: GaugeQuestion) -> list[Item]:
    out: list[Item] = []
    if parts.variances["repeatability"] <= 0:
        out.append(("warning", "no-scatter", f"repeats of one {question.part} are all equal: the resolution of the "
                    "reading is coarser than the repeatability, so that EV is not zero but unknown",
                    "Record the reading with more digits"))
    zero = []
    for component in parts.boundary:
        e = estimates.get(NAMES[_NAMED[component]])
        if e is not None:
            zero.append(f"{_NAMED[component]} is estimated as zero, with an interval up to "
                        f"{sd_text(replace(e, value=e.high), ends=False)}")
    if zero:
        out.append(("note", "zero-component", f"{join_words(zero)}: nothing was seen beyond the scatter, which is "
                    "not proof that there is nothing", ""))
    return out


def _uneven_scatter(group: GaugeGroup, parts: GaugeParts, question: GaugeQuestion) -> list[Item]:
    """Compare the scatter of repeats between operators by Cochran's test."""
    sds = [(n, s, d) for n, (s, d) in zip(group.operator_names, parts.operator_sds, strict=True) if d > 0]
    if len(sds) < 2 or not sum(s**2 for _, s, _ in sds) > 0:
        return []
    name, worst, _ = max(sds, key=lambda x: x[1])
    c = worst**2 / sum(s**2 for _, s, _ in sds)
    df = round(float(np.median([d for _, _, d in sds])))
    critical = cochran_critical(len(sds), df + 1, 0.01)
    if c <= critical:
        return []
    others = math.sqrt(sum(s**2 * d for n, s, d in sds if n != name) / sum(d for n, _, d in sds if n != name))
    return [("warning", "uneven-scatter", f"repeats of {question.operator} {name} scatter more than those of the "
             f"others (SD {quantity(worst, group.unit)} against {quantity(others, group.unit)}; Cochran's C {c:.3f}, "
             f"above the 1 % critical value {critical:.3f}): one EV for all describes none of them",
             f"Look at how {name} reads, then repeat the study")]


def _tolerance(group: GaugeGroup, question: GaugeQuestion) -> list[Item]:
    limits = [x for x in (question.lower, question.upper) if x is not None]
    if question.tolerance is not None or not limits or tolerance_of(question, group) is not None:
        return []
    return [("warning", "limit-not-beyond-mean", "the mean of all readings, "
             f"{quantity(float(np.mean(group.values)), group.unit)}, does not lie on the good side of the limit "
             f"{limits[0]:g}, so that no percent of tolerance can be stated",
             f"Give the limit in the reading's unit, or choose {plural(question.part)} within it")]


def _interaction(parts: GaugeParts, question: GaugeQuestion) -> list[Item]:
    if parts.kind != "crossed" or not parts.replicated or not math.isfinite(parts.p_interaction):
        return []
    p = "p < 0.001" if parts.p_interaction < 0.001 else f"p = {parts.p_interaction:.3f}"
    what, rule = f"{question.part} x {question.operator} interaction", question.pool_above
    if parts.pooled:
        return [("note", "interaction-pooled", f"the {what} is pooled with the repeatability, because its {p} is above "
                 f"{rule:g} (the manual's rule); both analyses of variance stand in the table, and INT is shown "
                 "beside a GRR that does not hold it", "")]
    why = "pooling was switched off" if rule is None else f"its {p} is not above {rule:g} (the manual's rule)"
    return [("note", "interaction-kept", f"the {what} is in the model, because {why}", "")]
