"""What a generalizability study says: the answer, why it is uncertain, and what must be known to read it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drift.errors import Finding
from drift.reliability.components import Refusal
from drift.reliability.d_study import (
    LONGEST_PLAN,
    Decision,
    Step,
    Value,
    design_text,
    facet_name,
    larger_studies,
    left_out_of_plan,
    numbers_row,
    one_reading,
    open_facets,
)
from drift.reliability.g_design import FacetGroup, effect_name
from drift.reliability.g_study import GStudy
from drift.reliability.narrower import CODE as NARROWER
from drift.reliability.words import coefficient_text, format_place, opening, plural
from drift.results import format_interval, join_words
from drift.study import ReliabilityQuestion

FEW_LEVELS = 5
FEW_TARGETS = 8
# A further level that takes less than this share off the error is not worth a sentence of praise.
WORTH = 0.03


def coefficient_name(question: ReliabilityQuestion) -> str:
    """Return the declared coefficient: dependability of values (Phi) or generalizability of the order (G)."""
    return "Phi coefficient" if question.agree == "value" else "G coefficient"


def kind(question: ReliabilityQuestion) -> str:
    """Return the declared kind of error."""
    return "absolute" if question.agree == "value" else "relative"


def answer_sentence(study: GStudy, decision: Decision, found: Sequence[Step], question: ReliabilityQuestion) -> str:
    """Return the answer: coefficient, error, smallest change, largest source of error, what buys most."""
    agree, unit = question.agree, study.group.unit
    c, sem, mdc = decision.coefficient(agree), decision.sem(agree), decision.mdc(agree)
    free = [facet_name(study, f) for f in open_facets(study) if f > 0]
    other = f"another {join_words(free)}" if free else "the same levels"
    what = (f"Reading of the same {question.target} with {other}" if question.use == "single" else
            f"{opening(design_text(study, decision.design))} for each {question.target}, with other levels of "
            f"{join_words(free)}" if free else f"{opening(design_text(study, decision.design))}")
    start = f"{what}: {coefficient_name(question)} {coefficient_text(c.value, c.low, c.high)}"
    if sem.value == 0:
        return f"{start}; no error was seen."
    size = f"SEM ({kind(question)}) {size_text(sem)} {unit}".rstrip()
    change = f"{size_text(mdc).split(' (')[0]} {unit}".rstrip()
    return (f"{start}; {size}, so a change below {change} (MDC) in one {question.target} is within the noise."
            f"{_largest(study, decision, question)}{steps_sentence(study, sem.value, found)}")


def size_text(v: Value) -> str:
    """Return an error with its interval; a wide interval leaves the value two digits at least."""
    least = max(0, 1 - math.floor(math.log10(v.value))) if v.value > 0 else 0
    return format_interval(v.value, v.low, v.high, least=least)


def _largest(study: GStudy, decision: Decision, question: ReliabilityQuestion) -> str:
    """Name the largest source of the error."""
    shares = error_shares(study, decision, question)
    if not shares:
        return ""
    name, share = shares[0]
    if share > 0.995:
        return f" All of that error is {name}."
    return f" Most of that error, {100 * share:.0f} % of its variance, is {name}." if share > 0.5 else (
        f" Its largest part, {100 * share:.0f} % of its variance, is {name}.")


def error_shares(study: GStudy, decision: Decision, question: ReliabilityQuestion) -> list[tuple[str, float]]:
    """Return the sources of the declared error with their share of its variance, the largest first."""
    from drift.reliability.d_study import weights

    parts = weights(study.effects, study.layout.replicated, len(study.group.factors), study.fixed, decision.design)
    own = (parts[2] if question.agree == "value" else parts[1]) * study.variances
    total = float(own.sum())
    if not total > 0:
        return []
    order = sorted(range(len(own)), key=lambda j: -own[j])
    return [(study.name(j), float(own[j]) / total) for j in order if own[j] > 0]


def steps_sentence(study: GStudy, sem: float, found: Sequence[Step]) -> str:
    """Say what one more level of each facet does to the error: what buys most, and what little."""
    if not found or sem <= 0:
        return ""
    unit = f" {study.group.unit}" if study.group.unit else ""
    shown = _same_digits([sem, *(s.sem for s in found)])
    best = found[0]
    if best.sem > (1 - WORTH) * sem:
        names = join_words([s.words for s in found]).replace(" and ", " or ")
        return f" Neither {names} narrows the SEM noticeably (at best from {shown[0]} to {shown[1]}{unit})." if (
            len(found) > 1) else f" {opening(best.words)} hardly narrows the SEM ({shown[0]} to {shown[1]}{unit})."
    rest = [f"{s.words} {'leaves it at' if s.sem > (1 - WORTH) * sem else 'only to'} {t}" for s, t in
            zip(found[1:], shown[2:], strict=True)]
    tail = f"; {join_words(rest)}" if rest else ""
    return f" {opening(best.words)} narrows the SEM from {shown[0]} to {shown[1]}{unit}{tail}."


def _same_digits(values: Sequence[float]) -> list[str]:
    """Format numbers with the decimals that three digits of the largest need."""
    d = max(0, min(6, 2 - math.floor(math.log10(max(values)))))
    return [f"{v:.{d}f}" for v in values]


def refused_sentence(group: FacetGroup, refusal: Refusal) -> str:
    """Return the answer where a group cannot be analysed."""
    return f"{format_place(group.labels)}No coefficient: {refusal.message}. {refusal.mend}."


def findings(study: GStudy, decision: Decision, question: ReliabilityQuestion, *, level: float) -> list[Finding]:
    """Return cautions and notes about one group."""
    where = format_place(study.group.labels)

    def say(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, message=opening(where + message),  # type: ignore[arg-type]
                       mend=mend, question=question.name)

    found = [say("note", "why-this-coefficient", _why(study, question)), *(say(*i) for i in _about_design(study))]
    found += [say(*i) for i in _narrower(study, decision, question, level)]
    found += [say(*i) for i in (*_confounded(study), *_zero(study, level), *_few(study, question),
                                *_plan(study, question))]
    if study.fit is not None and not study.fit.converged:
        found.append(say("warning", "not-converged", "REML did not settle to full precision",
                         "Treat the last digits with care and report the table"))
    return found


def _why(study: GStudy, question: ReliabilityQuestion) -> str:
    names = study.group.factors[1:]
    fixed = [names[f - 1] for f in sorted(study.fixed)]
    free = [n for n in names if n not in fixed]
    sample = f"the {join_words([plural(n) for n in free])} are a sample from many" if free else ""
    only = f"these {join_words([plural(n) for n in fixed])} are the only ones of interest" if fixed else ""
    agree = ("readings must agree in value" if question.agree == "value" else
             "readings need only keep order and distances")
    use = "one reading will be used" if question.use == "single" else "the mean over all levels studied will be used"
    return f"{coefficient_name(question)}, because {', '.join(x for x in (sample, only, agree) if x)}, and {use}"


def _about_design(study: GStudy) -> list[tuple[str, str, str]]:
    group, layout = study.group, study.layout
    sizes = [f"{round(study.numbers[0])} {plural(group.factors[0])}"]
    for f in range(1, len(group.factors)):
        outer = [group.factors[g] for g in sorted(group.parents[f])]
        sizes.append(f"{study.numbers[f]:.3g} {plural(group.factors[f])}" + (f" in each {join_words(outer)}" if outer
                                                                             else ""))
    cells = f"{layout.n_readings} readings"
    how = ("complete and balanced, solved in closed form" if study.fit is None else
           "not balanced, so components are REML estimates of all readings (analysis-of-variance estimates stand "
           "beside them)")
    out = [("note", "g-design", f"the design is {group.design}: {join_words(sizes)}, {cells}, {how}")]
    told: list[str] = []
    for f, g in group.detected:
        told.append(f"each {group.factors[f]} occurs with one {group.factors[g]} only, so {group.factors[f]} is taken "
                    f"to lie in {group.factors[g]}")
    if told:
        out.append(("note", "nesting-found", f"{'; '.join(told)}; declare the nesting to be sure"))
    if study.averaged:
        out.append(("note", "replicates-averaged", "replicates of a cell were averaged first, as declared: every "
                    "figure is about such means"))
    return out


def _confounded(study: GStudy) -> list[tuple[str, str, str, str]]:
    group = study.group
    out = []
    if not study.layout.replicated:
        out.append(("note", "confounded-residual", f"each cell holds one reading, so the effect of {group.design} "
                    "cannot be told from the error of a reading; both are in the residual", ""))
    told = []
    for e, within in study.confounded:
        into = "the residual" if within is None else effect_name(within, group.factors, group.parents)
        told.append(f"{effect_name(e, group.factors, group.parents)} cannot be told from {into}")
    if told:
        out.append(("warning", "confounded", f"with the cells measured, {join_words(told)}: the one counts in the "
                    "other, and means over more levels may be less precise than the D study says",
                    "Measure more combinations to tell them apart"))
    return out


def _zero(study: GStudy, level: float) -> list[tuple[str, str, str, str]]:
    """Name the variances estimated as zero, with the interval that is valid at zero too."""
    unit, names = study.group.unit, study.names
    zero = [j for j, raw in enumerate(study.estimates) if raw <= 0]
    out = []
    if zero and names[zero[0]] == study.group.factors[0]:
        target = plural(study.group.factors[0])
        out.append(("warning", "zero-target-variance", f"the variance of {names[zero[0]]} was estimated "
                    f"{_below(study, zero[0])}: {target} cannot be told apart by these readings",
                    f"Measure {target} that differ more, or reduce the error"))
        zero = zero[1:]
    if zero:
        raw = {j: f" ({study.estimates[j]:.3g}{squared(unit)})" if study.estimates[j] < 0 else "" for j in zero}
        each = [f"{names[j]}{raw[j]}, SD up to {math.sqrt(study.intervals[j][1]):.3g}{' ' + unit if unit else ''}"
                for j in zero]
        how = "below zero or as zero and counts as 0" if any(study.estimates[j] < 0 for j in zero) else "as zero"
        out.append(("note", "zero-variance", f"a variance was estimated {how} (zero is the estimate, not the finding; "
                    f"beside it the end of its {100 * level:g} % interval): {'; '.join(each)}", ""))
    return out


def _below(study: GStudy, j: int) -> str:
    return f"below zero ({study.estimates[j]:.3g}) and counts as 0" if study.estimates[j] < 0 else "as zero"


def squared(unit: str) -> str:
    """Return the unit of a variance with a space before it."""
    return f" ({unit})^2" if unit else ""


def _few(study: GStudy, question: ReliabilityQuestion) -> list[tuple[str, str, str, str]]:
    out = []
    names = study.group.factors
    few = []
    for f in open_facets(study):
        if f > 0 and 0 not in study.group.parents[f]:
            total = study.layout.sizes[study.layout.effects.index(study.group.parents[f] | {f})]
            if total < FEW_LEVELS:
                few.append(f"{total} {plural(names[f])}")
    if few and question.agree == "value":
        out.append(("warning", "few-levels", f"offsets between levels rest on {join_words(few)}: the interval of the "
                    "absolute error is long upwards, and more targets will not shorten it",
                    "Use five or more, or ask for order only (agree = \"order\")"))
    n = round(study.numbers[0])
    if n < FEW_TARGETS:
        out.append(("warning", "few-targets", f"only {n} {plural(names[0])} were measured: coefficients say little "
                    "about others", f"Measure {FEW_TARGETS} or more; twenty or more give a useful interval"))
    return out


def _plan(study: GStudy, question: ReliabilityQuestion) -> list[tuple[str, str, str, str]]:
    out = []
    for name in question.plan:
        if name in study.group.factors and study.group.factors.index(name) in study.fixed:
            out.append(("warning", "plan-of-fixed", f"{name} is fixed, so the plan for it is left out",
                        f"Take {name} out of plan, or out of fixed"))
        elif name not in study.group.factors and not study.layout.replicated:
            out.append(("warning", "plan-of-replicates", "each cell holds one reading, so what replicates would gain "
                        "cannot be told; the plan for them is left out", "Take two readings in some cells"))
    beyond = left_out_of_plan(study, question)
    if beyond:
        out.append(("warning", "plan-too-long", f"the plan asks for {beyond + LONGEST_PLAN} designs; the last {beyond} "
                    "are not projected", f"Ask for fewer numbers of each facet, {LONGEST_PLAN} combinations at most"))
    return out


def _narrower(study: GStudy, decision: Decision, question: ReliabilityQuestion,
              level: float) -> list[tuple[str, str, str, str]]:
    """Say which larger G study would make the interval of the error narrower, and which would not."""
    sem = decision.sem(question.agree)
    width = sem.high - sem.low
    if not width > 0:
        return []
    choices = larger_studies(study, decision.design, question.agree, level=level)
    unit = f" {study.group.unit}" if study.group.unit else ""
    at_hand = size_text(sem)
    told = [f"with {c.words} expect about {size_text(c.sem)}{unit}" for c in choices]
    best = choices[0]
    if best.sem.high - best.sem.low > 0.9 * width:
        message = f"no study of twice the size would shorten the interval of the SEM, {at_hand}{unit}, much"
    else:
        reading = design_text(study, decision.design)
        of = reading if decision.design == one_reading(study) else f"the {reading}"
        message = f"the SEM ({kind(question)}) of {of} is {at_hand}{unit}; {'; '.join(told)}"
    return [("note", NARROWER, message, "")]


def row_labels(study: GStudy, decision: Decision) -> dict[str, float]:
    """Return the numbers of a design, for a table."""
    return dict(numbers_row(study, decision.design))
