"""What a gauge study means: the answer, what dominates, and what would make it better."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drift.reliability.gauge.analysis import GaugeParts, Refused
from drift.reliability.gauge.estimates import NAMES, NDC, STUDY, TOLERANCE
from drift.reliability.gauge.rows import GaugeGroup
from drift.reliability.words import Item, format_place, plural
from drift.results import Estimate
from drift.study import GaugeQuestion

GOOD, BAD, CATEGORIES = 10.0, 30.0, 5


def percent_text(e: Estimate) -> str:
    """Return ``27 % (20 to 55 %)``: whole percents, one decimal below ten."""
    d = 0 if e.value >= 9.95 else 1
    value = f"{e.value:.{d}f} %"
    if not (math.isfinite(e.low) and math.isfinite(e.high)):
        return value
    return f"{value} ({e.low:.{d}f} to {e.high:.{d}f} %)"


def sd_text(e: Estimate, *, ends: bool = True) -> str:
    """Return an SD with two significant digits, and its interval with the same decimals: ``0.30 (0.22 to 1.46) mm``.

    Its interval is often ten times as wide on one side as on the other, which says nothing about digits.
    """
    size = e.value if e.value > 0 else e.high
    d = max(0, min(8, 1 - math.floor(math.log10(size)))) if math.isfinite(size) and size > 0 else 2
    shown = f" ({e.low:.{d}f} to {e.high:.{d}f})" if ends and math.isfinite(e.low) else ""
    return f"{e.value:.{d}f}{shown} {e.unit}".rstrip()


def answer(group: GaugeGroup, parts: GaugeParts | Refused, estimates: Mapping[str, Estimate],
           question: GaugeQuestion) -> str:
    """Return the answer for one group."""
    where = format_place(group.labels)
    if isinstance(parts, Refused):
        return f"{where}No gauge study: {parts.message}. {parts.mend}."
    whole = "Gauge R&R" if "AV" in parts.sized else "Repeatability alone"
    study, tolerance = estimates.get(NAMES["GRR"] + STUDY), estimates.get(NAMES["GRR"] + TOLERANCE)
    sd = estimates[NAMES["GRR"]]
    size = f"SD {sd_text(sd)}"
    if study is not None:
        said = f"{whole} takes {percent_text(study)} of the study variation"
        said += f" and {percent_text(tolerance)} of the tolerance" if tolerance is not None else ""
        said += f"; {size}"
        ndc = estimates.get(NDC)
        if ndc is not None:
            said += f"; the gauge can tell {_count(ndc)} of {plural(question.part)} apart"
    elif tolerance is not None:
        said = f"{whole} takes {percent_text(tolerance)} of the tolerance; {size}"
    else:
        said = f"{whole}: {size}"
    return f"{where}{said}. {_dominates(group, parts, estimates, question)}".rstrip()


def _count(ndc: Estimate) -> str:
    value = f"{ndc.value:.0f}"
    noun = "category" if ndc.value == 1 else "categories"
    if ndc.value < 1:
        value, noun = "no", "categories"
    if math.isfinite(ndc.low) and math.isfinite(ndc.high):
        return f"{value} {noun} ({ndc.low:.0f} to {f'{ndc.high:.0f}' if ndc.high < 100 else 'over 99'})"
    return f"{value} {noun}" + (f" (at least {ndc.low:.0f})" if math.isfinite(ndc.low) else "")


def _dominates(group: GaugeGroup, parts: GaugeParts, estimates: Mapping[str, Estimate], question: GaugeQuestion) -> str:
    """Say what most of the gauge variance comes from."""
    if "AV" not in parts.sized or not parts.sized["GRR"].variance > 0:
        return ""
    shares = {k: parts.sized[k].variance / parts.sized["GRR"].variance for k in ("EV", "AV", "INT")
              if k in parts.sized and not (k == "INT" and parts.pooled)}
    first = max(shares, key=lambda k: shares[k])
    e = estimates[NAMES[first]]
    ops = plural(question.operator or "operator")
    what = {"EV": f"repeats of one {question.part} scatter", "AV": f"{ops} differ from each other",
            "INT": f"{ops} differ in how they read some {plural(question.part)}"}[first]
    if first == "EV" and parts.confounded:
        what = f"readings scatter beyond what {ops} and {plural(question.part)} explain"
    size = f"{first} {sd_text(e, ends=False)}"
    return f"{100 * shares[first]:.0f} % of its variance is that {what} ({size})."


def what_helps(parts: GaugeParts, question: GaugeQuestion) -> list[Item]:
    """Say what would bring GRR down, in figures."""
    total, grr = sum(parts.variances.values()), parts.sized["GRR"].variance
    if not grr > 0 or "part" not in parts.variances or not total > 0:
        return []
    part = parts.variances["part"]
    ev, av, inter = (parts.variances.get(c, 0.0) for c in ("repeatability", "operator", "interaction"))

    def study(gauge: float) -> str:
        share = 100 * math.sqrt(gauge / (gauge + part)) if gauge + part > 0 else 0.0
        return f"{share:.0f} %" if share >= 9.95 or share == 0 else f"{share:.1f} %"

    # What repeats would do is not known where repeatability and interaction are one figure.
    ways = [(0.0 if parts.confounded else ev * 2 / 3, "the mean of 3 repeats in place of one reading"),
            (av, f"one common level for all {plural(question.operator or 'operator')} (training, one calibration)"),
            (inter, f"the same way of reading every {question.part}")]
    # What takes less than a tenth of the variance away is not worth a sentence.
    said = [f"{way} would bring it to {study(grr - gain)}" for gain, way in ways if gain > 0.1 * grr]
    if not said:
        return []
    return [("note", "what-helps", f"What would lower GRR, now {study(grr)} of the study variation: {'; '.join(said)}",
             "")]


def by_the_rule(estimates: Mapping[str, Estimate], study_of: str) -> list[Item]:
    """Read GRR against the manual's limits, the interval as well as the estimate."""
    lead = estimates.get(NAMES["GRR"] + TOLERANCE) or estimates.get(NAMES["GRR"] + STUDY)
    if lead is None or not math.isfinite(lead.value):
        return []
    of = "tolerance" if TOLERANCE in lead.name else study_of

    def grade(x: float) -> str:
        return "acceptable" if x < GOOD else "in between" if x <= BAD else "not acceptable"

    here, low, high = grade(lead.value), grade(lead.low), grade(lead.high)
    text = (f"By the rule of thumb of the reference manual (under {GOOD:g} % of the {of} acceptable, above {BAD:g} % "
            f"not, between them it depends on the use; {CATEGORIES} categories or more) the estimate is {here}")
    if low != high:
        text += f"; its interval reaches from {low} to {high}, so that this study does not settle it"
    return [("note", "rule-of-thumb", text, "")]

