"""Findings of the retirement result: refusals, sensors left out, what the count leans on."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from drift.engine.tolerance import nonparametric_minimum_n
from drift.errors import Finding
from drift.records import Tables
from drift.results import Result, join_words
from drift.retirement.bound import MINIMUM_BATCHES
from drift.retirement.departures import departure_findings
from drift.retirement.evaluate import ConstructionAnswer, LimitAnswer
from drift.retirement.groups import POOLED, Exposure
from drift.retirement.limits import QUESTION
from drift.retirement.tables import standardised
from drift.retirement.voice import Voice
from drift.retirement.wording import label_of, percent, zero_words

DOUBT = 0.01
ENOUGH_BATCHES = 5
# Findings of the wear analysis that bear on the count itself and are said with it.
_BEARING = frozenset({"intercept-assumed-zero", "no-logarithm", "recalibrated-displayed", "removal-check-missing"})


def all_findings(answers: list[ConstructionAnswer], wear: Result, tables: Tables, exposure: Exposure,
                 seed: int) -> list[Finding]:
    """Collect the cautions of every construction, then those of the whole."""
    made: list[Finding] = []
    for a in answers:
        made += _alike([_of_lines(a, x, exposure) for x in a.limits], a)
        made += _partly_refused(a)
        made += _of_count(a, exposure)
        made += departure_findings(a, exposure)
        made += _of_batches(a)
        made += _of_shape(a, wear, seed)
    made += _no_batches(answers, tables)
    made += _carried(wear)
    made += _no_unit(answers, tables)
    lost = {x.group.limit.key: x.group.n_lost for a in answers for x in a.limits if x.group.n_lost}
    made += [_note("mountings-without-value", f"{n} mountings have no value to hold against {key} and do not enter it")
             for key, n in lost.items()]
    return made


def _alike(by_limit: list[list[Finding]], a: ConstructionAnswer) -> list[Finding]:
    """Say once, without naming a limit, what holds against every limit of a construction in the same words."""
    if len(by_limit) < 2:
        return [f for found in by_limit for f in found]
    bare = [[replace(f, message=f.message.replace(_where(a, x), _where(a), 1)) for f in found]
            for x, found in zip(a.limits, by_limit, strict=True)]
    shared = [f for f in bare[0] if all(f in found for found in bare[1:])]
    return shared + [f for found, plain in zip(by_limit, bare, strict=True)
                     for f, g in zip(found, plain, strict=True) if g not in shared]


def _no_unit(answers: list[ConstructionAnswer], tables: Tables) -> list[Finding]:
    """Say in which unit a reference without one was taken."""
    pressures = [x.group.limit for a in answers for x in a.limits if x.group.limit.key == "saturation_pressure"]
    if not pressures or tables.checks is None or tables.checks.units.get("reference"):
        return []
    return [_warn("reference-without-unit", f"The reference has no unit and is taken to be in {pressures[0].unit}, the "
                  "unit of the limit on the saturation pressure; if it is in another, the count is wrong",
                  "Write the unit into the header of the reference, such as \"reference (kPa)\".")]


def _carried(wear: Result) -> list[Finding]:
    """Repeat what the wear analysis found that the count stands or falls with."""
    return [replace(f, question=QUESTION) for f in wear.findings
            if f.code in _BEARING or (f.code.startswith("alias-") and f.severity == "warning")]


_note, _warn = Voice(QUESTION).note, Voice(QUESTION).warn


def _where(a: ConstructionAnswer, x: LimitAnswer | None = None) -> str:
    limit = f", {x.group.limit.key}" if x is not None and len(a.limits) > 1 else ""
    return f"{label_of(a.construction)}{limit}"


def _of_lines(a: ConstructionAnswer, x: LimitAnswer, exposure: Exposure) -> list[Finding]:
    made = []
    fit = x.group.fitness
    if fit.refused:
        made.append(_warn("retirement-refused", f"{_where(a, x)}: no count, because {fit.refused}", fit.mend))
    # Where all are left out for the reason of the refusal, the refusal has said it.
    if fit.left_out and not (fit.refused and len(fit.left_out) == len(x.group.all_sensors)):
        alike: dict[str, list[str]] = {}
        for s, why in fit.left_out:
            alike.setdefault(why, []).append(str(s))
        named = "; ".join(f"{join_words(names)} ({why})" for why, names in alike.items())
        made.append(_warn("sensor-left-out", f"{_where(a, x)}: left out of the bound: {named}",
                          "" if fit.refused else "Check these sensors again, on the schedule of the others."))
    if fit.refused:
        return made
    if x.group.sparse is not None:
        short = [str(s) for s in x.group.sensor[x.group.sparse.short]]
        have = "have too few checks for lines of their own" if len(short) > 1 else "has too few checks for its own line"
        made.append(_warn("sparse-sensors", f"{_where(a, x)}: {join_words(short)} {have}, so all sensors enter by a "
                          "mixed model and the bound is a bootstrap-t; leaving out sensors that wore out early made "
                          "the rule unsafe in up to half of simulated studies",
                          "Check sensors three times or more before removal, spread over half of the median span."))
    if not math.isfinite(x.companion):
        idle = [str(s) for s, t in zip(x.group.sensor, x.crossings, strict=True) if not (math.isfinite(t) and t > 0)]
        whose = f"all {len(idle)} sensors" if len(idle) == x.group.n else join_words(idle)
        words = (f"{_where(a, x)}: the skew companion is not available, because the lines of {whose} do not lead from "
                 "within the limit towards it; the count rests on the line bound alone, which is a little unsafe if "
                 "slopes are skewed")
        # Without wear there is nothing for a companion to guard against, and the cap is the caution.
        harmless = x.bound == "at least" and x.slope[1] <= 0
        made.append(_note("companion-not-available", words) if harmless else
                    _warn("companion-not-available", words, "Check these sensors over more of their life."))
    if x.count == 0 and x.bound == "exact":
        made.append(_warn("no-use-promised", f"{_where(a, x)}: {zero_words(x, exposure)}",
                          "More sensors narrow the bound; a wider limit is the laboratory's own decision."))
    return made


def _partly_refused(a: ConstructionAnswer) -> list[Finding]:
    good = [x for x in a.limits if not x.refused]
    if not good or len(good) == len(a.limits):
        return []
    bad = [x.group.limit.key for x in a.limits if x.refused]
    return [_warn("count-over-all-limits-refused",
                  f"{label_of(a.construction)}: counts of single limits are printed, but none over all limits, because "
                  f"{join_words(bad)} could not be answered",
                  "Answer that limit with more checks, or take it out of [limits] and say so.")]


def _of_count(a: ConstructionAnswer, exposure: Exposure) -> list[Finding]:
    if not math.isfinite(a.count) or a.binding is None:
        return []
    made = []
    name = label_of(a.construction)
    if a.bound == "at least":
        made.append(_warn("capped", f"{name}: the bound is within the limit up to {exposure.show(a.count)}, 1.25 times "
                          "the median last check, and what comes later was not observed",
                          f"Check sensors beyond {exposure.show(a.count)} to learn more."))
    else:
        last = a.cap / 1.25
        if a.count > last:
            made.append(_warn("extrapolated", f"{name}: the count lies beyond the last check of half of the sensors "
                              f"({last:g} {exposure.per}), so it leans on lines staying straight",
                              "Check more sensors up to the count."))
    low, high = a.overall_range()
    if math.isfinite(low) and high > low:
        ends = {n: s for s, key, n in reversed(a.left_out_one) if key == ""}
        made.append(_note("leave-one-out", f"{name}: with any one sensor left out the count lies between {low:g} "
                          f"(without {ends[low]}) and {high:g} {exposure.per} (without {ends[high]})"))
    return made


def _of_batches(a: ConstructionAnswer) -> list[Finding]:
    groups = [x.group for x in a.limits if not x.refused]
    if not groups:
        return []
    name = label_of(a.construction)
    missing = sorted({s for g in groups for s in g.without_batch})
    if missing and len(missing) < len({str(s) for g in groups for s in g.sensor}):
        return [_warn("batch-missing", f"{name}: the batch of {join_words(missing)} is not known, so the count ignores "
                      "batches; ignoring them made the rule unsafe in up to a quarter of simulated studies",
                      "Fill in the batch of every sensor.")]
    if all(g.batch is not None for g in groups) and not a.two_level:
        n = min(len(g.batch_names) for g in groups)
        need = MINIMUM_BATCHES - n
        return [_warn("these-batches-only", f"{name}: the count holds for sensors of these {n} "
                      f"batch{'es' * (n != 1)} only", f"Sensors from {need} more batch{'es' * (need != 1)} would "
                      "extend it to sensors from a new batch.")]
    n = min(len(g.batch_names) for g in groups if g.batch is not None) if a.two_level else ENOUGH_BATCHES
    if n < ENOUGH_BATCHES:
        return [_warn("few-batches", f"{name}: how far batches differ is seen in {n} of them only, which lowers the "
                      "count that can be promised for a new batch", "Sensors from further batches raise it.")]
    return []


def _no_batches(answers: list[ConstructionAnswer], tables: Tables) -> list[Finding]:
    groups = [x.group for a in answers for x in a.limits if x.group.n]
    if not groups or any(g.batch_names for g in groups):
        return []
    column = any(t is not None and "batch" in t for t in (tables.sensors, tables.checks))
    return [_warn("no-batch-column", ("The batch column is empty" if column else "There is no batch column")
                  + ", so the count ignores batches; where batches differ that made the rule unsafe in up to a quarter "
                  "of simulated studies",
                  f"Add a column batch to the sensors table; with {MINIMUM_BATCHES} or more batches the count holds "
                  "for a sensor from a new batch.")]


def _of_shape(a: ConstructionAnswer, wear: Result, seed: int) -> list[Finding]:
    made: list[Finding] = []
    quiet: list[tuple[str, int, float, float]] = []
    for x in a.limits:
        z = standardised(x, a.count if math.isfinite(a.count) else x.count)
        if z is None:
            continue
        r, p = normal_plot_correlation(z, seed)
        words = (f"{_where(a, x)}: the normal plot of the {len(z)} line values has correlation {r:.3f} (simulated "
                 f"p = {p:.2g})")
        free = nonparametric_minimum_n(a.content, a.confidence)
        if p < DOUBT:
            made.append(_warn("lines-not-normal", words + ", so the tail that the bound speaks about may be heavier "
                              "than assumed", f"Look at the normal plot; a bound without that assumption needs {free} "
                              f"sensors for content {percent(a.content)} and confidence {percent(a.confidence)}."))
        else:
            quiet.append((x.group.limit.key, len(z), r, p))
    if quiet:
        of = [f"{r:.3f} ({key + ', ' if len(a.limits) > 1 else ''}simulated p = {p:.2g})" for key, _, r, p in quiet]
        n = min(n for _, n, _, _ in quiet)
        lead = "the normal plot has" if len(quiet) == 1 else "the normal plots have"
        made.append(_note("normal-plot", f"{_where(a)}: {lead} correlation {join_words(of)}; {n} sensors cannot show "
                          "normality in the tail, and the skew companion guards against the commonest departure"))
    return made + _curved(a, wear)


def _curved(a: ConstructionAnswer, wear: Result) -> list[Finding]:
    """Carry over what the wear analysis saw about bent paths, and what it means for the count."""
    try:
        checks = wear.table("assumption checks")
    except KeyError:
        return []
    made = []
    for name, construction, p, words in zip(checks["check"], checks["construction"], checks["p"], checks["finding"],
                                            strict=True):
        mine = construction == a.construction or a.construction == POOLED
        if name in ("straight line", "break-in") and mine and p < DOUBT:
            made.append(_warn("lines-not-straight", f"{label_of(str(construction))}: {words}; the bound is of straight "
                              "lines" + (", and its count lies within the checked range" if a.count <= a.cap / 1.25 else
                                 ", and its count lies beyond the last check of half of the sensors"),
                              "Look at the per-sensor lines near the count before relying on it."))
    return made


def normal_plot_correlation(values: np.ndarray, seed: int, n_draws: int = 4000) -> tuple[float, float]:
    """Correlation of ordered values with normal scores, and its p-value by simulation.

    Returns
    -------
    correlation, p : float
        ``p`` is the share of simulated normal samples of the same size with a correlation as small.

    References
    ----------
    Filliben, J. J. (1975), Technometrics 17, 111-117.
    """
    from scipy.special import ndtri

    n = len(values)
    scores = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    scores = scores / np.sqrt((scores**2).sum())

    def correlation(sample: np.ndarray) -> np.ndarray:
        s = np.sort(sample, axis=-1)
        d = s - s.mean(-1, keepdims=True)
        return np.asarray(d @ scores / np.sqrt((d * d).sum(-1)))

    r = float(correlation(np.asarray(values, dtype=np.float64)))
    drawn = correlation(np.random.default_rng(np.random.SeedSequence(seed)).standard_normal((n_draws, n)))
    return r, float((1 + (drawn <= r).sum()) / (n_draws + 1))
