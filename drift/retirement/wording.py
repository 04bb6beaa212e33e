"""Sentences and estimates of the retirement result."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drift.engine.crossing import whole
from drift.results import Estimate, join_words
from drift.retirement.evaluate import ConstructionAnswer, LimitAnswer
from drift.retirement.groups import POOLED, Exposure
from drift.retirement.rising import rise_of, rise_words
from drift.retirement.sparse import SETS


def percent(share: float) -> str:
    """``95 %``."""
    return f"{100 * share:.6g} %"


def label_of(construction: str) -> str:
    """Name of a construction at the start of a sentence: ``Laminated sensors``."""
    if construction == POOLED:
        return "Sensors of all constructions"
    return f"{construction[:1].upper()}{construction[1:]} sensors" if construction else "All sensors"


def labels(construction: str, limit: str = "") -> dict[str, str]:
    """Labels of an estimate; what is unknown is left out."""
    return {**({"construction": construction} if construction else {}), **({"limit": limit} if limit else {})}


def answer_sentence(answers: list[ConstructionAnswer], exposure: Exposure, *, jumps: bool = False,
                    level: float = 0.95, drifts: Mapping[str, Estimate] | None = None) -> str:
    """One sentence a construction; each says "retire after", after a word on a sensitivity that rises.

    ``jumps``: limits that no count is about are declared. ``level`` and ``drifts`` are those of the wear model.
    """
    said = []
    for a in answers:
        rise = rise_of(a, drifts or {})
        said.append(rise_words(a, rise, label_of(a.construction), exposure, level)
                    + _sentence(a, exposure, jumps, rises=rise is not None))
    return " ".join(said)


def _sentence(a: ConstructionAnswer, exposure: Exposure, jumps: bool, *, rises: bool) -> str:
    name = label_of(a.construction)
    if not math.isfinite(a.count):
        reasons = {x.refused for x in a.limits}
        # One reason for all limits is said once, without the name of any.
        why = "; ".join(x.refused if len(reasons) == 1 else f"{x.group.limit.key}: {x.refused}"
                        for x in (a.limits[:1] if len(reasons) == 1 else a.limits) if x.refused)
        return f"{name}: no retire after count can be given: {why}."
    assert a.binding is not None
    which = "every continuous limit" if jumps else "the limit" if len(a.limits) == 1 else "every limit"
    promise = (f"with {percent(a.confidence)} confidence at least {percent(a.content)} of such sensors are then still "
               f"within {which}")
    scope = scope_words(a)
    binding = f"; the binding limit is the {a.binding.group.limit.words}" if len(a.limits) > 1 else ""
    if a.bound == "at least":
        return (f"{name}: retire after at least {exposure.show(a.count)}{scope}, not estimable beyond "
                f"({promise}){no_wear_words(a, rises=rises)}.")
    if a.count == 0:
        return (f"{name}: retire after 0 {exposure.per}{scope}: {zero_words(a.binding, exposure)}{binding}.")
    return (f"{name}: retire after {exposure.show(a.count)}{scope}{', with the early change' * a.binding.early_counts} "
            f"({promise}{binding}{price_words(a, exposure)}).")


def price_words(a: ConstructionAnswer, exposure: Exposure) -> str:
    """Set the count beside the use at which half of the sensors are past a limit: what the promise costs."""
    average = min((x.mean_crossing for x in a.limits), default=math.inf)
    if not (math.isfinite(average) and math.floor(average) > a.count):
        return ""
    group = a.limits[0].group
    batches = f" of {len(group.batch_names)} batches" if a.two_level else ""
    return (f"; the average sensor reaches a limit after {exposure.show(math.floor(average))}, and the difference is "
            f"the price of that promise from {min(x.group.n for x in a.limits)} sensors{batches}")


def zero_words(x: LimitAnswer, exposure: Exposure) -> str:
    """Say what a count of 0 means."""
    if x.line < 0:
        return "not even fresh sensors are shown to be within the limit with this confidence"
    one = "a single use" if exposure.is_use else f"one {exposure.per}"
    return f"{one} cannot be promised with this confidence"


def scope_words(a: ConstructionAnswer) -> str:
    """Whom the count holds for."""
    if a.two_level:
        return " for a sensor from a new batch"
    short = sorted({str(s) for x in a.limits if x.group.sparse is not None
                    for s in x.group.sensor[x.group.sparse.short]})
    if short:
        return f", with {join_words(short)} taken in by a mixed model because of too few checks"
    known = [x.group for x in a.limits if x.group.batch is not None and not x.refused]
    return " for sensors of these batches only" if known else ""


def no_wear_words(a: ConstructionAnswer, *, rises: bool) -> str:
    """Say that no wear was seen, where the interval of every mean drift holds zero or lies on the harmless side."""
    flat = [x for x in a.limits if x.slope[1] <= 0]
    if rises:
        return "; that count is about a fall and says nothing of the rise"
    if len(flat) == len(a.limits):
        return "; no wear was seen in these data"
    if flat:
        return f"; no wear was seen against {join_words([x.group.limit.key for x in flat])}"
    return ""


def method_words(x: LimitAnswer, content: float, confidence: float) -> str:
    """Name the bound of one limit as a paper would."""
    if x.group.sparse is not None:
        return (f"bootstrap-t tolerance bound from a REML model of random lines, {SETS:,} data sets drawn at the "
                f"study's own checks (content {content:.6g}, confidence {confidence:.6g}), the smaller of it and the "
                "logs of own crossing counts (noncentral t)")
    kind = ("two-level generalised pivotal tolerance bound for a new batch" if x.group.two_level
            else "one-sided tolerance bound from the noncentral t distribution")
    early = " from the early change of the mean sensor" if x.group.early > 0 else ""
    return (f"{kind} on the sensors' own lines{early} (content {content:.6g}, confidence {confidence:.6g}), the "
            "smaller of the lines and the logs of own crossing counts")


def all_estimates(answers: list[ConstructionAnswer], exposure: Exposure, level: float) -> list[Estimate]:
    """Every number of the result except those on dead cells."""
    made: list[Estimate] = []
    for a in answers:
        made.append(_overall(a, exposure))
        for x, share in zip(a.limits, a.shares, strict=True):
            made += _of_limit(a, x, share, exposure, level)
        if math.isfinite(a.cap):
            made.append(Estimate(
                name="longest count that can be stated", value=float(whole(a.cap, a.step)), unit=exposure.unit,
                of=labels(a.construction),
                method="1.25 times the median last checked exposure of the sensors whose lines enter, rounded down"))
    return made


def _overall(a: ConstructionAnswer, exposure: Exposure) -> Estimate:
    n = min(x.group.n for x in a.limits)
    over = f"smallest over {len(a.limits)} limits, content and confidence split evenly over them (Bonferroni)"
    method = method_words(a.limits[0], a.content, a.confidence) if len(a.limits) == 1 else over + (
        "; for each the " + method_words(a.limits[0], _each(a)[0], _each(a)[1]))
    return Estimate(name="retire after", value=a.count, unit=exposure.unit, level=a.confidence, n=n,
                    of=labels(a.construction), bound=a.bound or None, method=method)


def _each(a: ConstructionAnswer) -> tuple[float, float]:
    from drift.retirement.bound import split_shares

    return split_shares(a.content, a.confidence, len(a.limits))


def uncut(value: float) -> float:
    """Return a crossing for print: 0 where the limit is passed before any use, NaN where it is never reached."""
    return max(value, 0.0) if math.isfinite(value) else math.nan


def _of_limit(a: ConstructionAnswer, x: LimitAnswer, share: tuple[float, float, float], exposure: Exposure,
              level: float) -> list[Estimate]:
    of = labels(a.construction, x.group.limit.key)
    content, confidence = _each(a)
    two = x.group.two_level
    at = a.count if math.isfinite(a.count) else x.count

    fieller = "Fieller interval" + (" with the covariance of the refits" if x.group.sparse is not None else "")
    made = [Estimate(name="retire after", value=x.count, unit=exposure.unit, level=confidence, n=x.group.n, of=of,
                     bound=x.bound or None, method=method_words(x, content, confidence))]
    if x.refused:
        return made
    made += [
        Estimate(name="line bound reaches the limit", value=uncut(x.line), unit=exposure.unit, level=confidence,
                 n=x.group.n, of=of, method=method_words(x, content, confidence).rsplit(", the smaller", 1)[0]),
        Estimate(name="skew companion", value=uncut(x.companion), unit=exposure.unit, level=confidence, n=x.group.n,
                 of=of, method="the same bound on the logs of the sensors' own crossing counts"),
        Estimate(name="share expected beyond the limit", value=100 * share[0], low=100 * share[1], high=100 * share[2],
                 unit="%", level=level, n=x.group.n, of={**of, "at": f"{at:g} {exposure.unit}"},
                 method="median-unbiased share and interval of it, " + (
                     "generalised pivotal quantity of the two-level model" if two else
                     "bootstrap-t of the mixed model" if x.group.sparse is not None else
                     "noncentral t distribution") + ", ends rounded outwards to 0.01 %"),
        Estimate(name="average sensor reaches the limit (not a policy)", value=x.mean_crossing, low=x.mean_low,
                 high=x.mean_high, level=level, unit=exposure.unit, n=x.group.n, of=of,
                 method=f"crossing of the mean line of {'batches' if two else 'sensors'}, {fieller}; half of "
                        "the sensors are past the limit there"),
    ]
    return made
