"""Sentences, estimates, findings and tables of the recalibration interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from drift.errors import Finding
from drift.results import Estimate, Result, ResultTable, join_words
from drift.retirement.bound import MINIMUM_BATCHES
from drift.retirement.groups import Exposure
from drift.retirement.recalibration import QUESTION, IntervalAnswer, Statement, rule_of
from drift.retirement.recalibration_groups import Changes
from drift.retirement.voice import Voice
from drift.retirement.wording import label_of, labels, percent, uncut

# Findings of the wear analysis that the interval stands or falls with.
_BEARING = frozenset({"intercept-assumed-zero", "no-logarithm", "recalibrated-displayed", "removal-check-missing"})
_WORST = ("; shortened to what the worst stretch of the mean path, with half its standard error, allows in place of "
          "the mean line")
CONTENTS, CONFIDENCES, FACTORS = (0.80, 0.90, 0.95), (0.80, 0.90, 0.95, 0.99), (0.5, 1.0, 2.0)


def answer_sentence(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure, retired: Result | None) -> str:
    """One sentence a construction; with a retire-after count the combined one."""
    return " ".join(_sentence(a, s, exposure, _count_of(retired, a.changes.name)) + _rise(a, exposure)
                    for a in answers) or (
        "No recalibration interval can be given, because no sensor was checked.")


def _rise(a: IntervalAnswer, exposure: Exposure) -> str:
    """Say that readings grow too high between calibrations, where the mean sensitivity is shown to rise."""
    c = a.changes
    if c.refused or a.counts is None or not float(c.slope.mean()) < 0 or _flat(a):
        return ""
    each = 100 * math.expm1(-float(c.slope.mean()))
    over = exposure.show(a.interval)
    total = 100 * math.expm1(-float(c.slope.mean()) * a.interval)
    meanwhile = f", {total:.2g} % over {over}" if math.isfinite(a.interval) and a.interval > 1 else ""
    return (f" Sensitivity rises, so that readings grow too high after a calibration: on average by {each:.2g} % per "
            f"{'use' if exposure.is_use else exposure.unit}{meanwhile}.")


def _count_of(retired: Result | None, construction: str) -> Estimate | None:
    if retired is None:
        return None
    counts = [e for e in retired.estimates if e.name == "retire after" and "limit" not in e.of]
    return next((e for e in counts if e.of.get("construction", "") == construction),
                counts[0] if len(counts) == 1 and counts[0].of.get("construction", "").startswith("all ") else None)


def _sentence(a: IntervalAnswer, s: Statement, exposure: Exposure, count: Estimate | None) -> str:
    name, c = label_of(a.changes.name), a.changes
    after = _retire_words(count, exposure)
    if c.refused:
        return f"{name}: no recalibration interval can be given: {c.refused}{'; ' + after if after else ''}."
    inside = ", the calibration's own error included," if s.inside else ""
    promise = (f"with {percent(s.confidence)} confidence the readings{inside} of at least {percent(s.content)} of such "
               f"sensors are then still within {percent(s.tolerance)} of what the last calibration would give, in the "
               f"worst stretch of their life too{_straight(a, exposure)}")
    if a.interval == 0:
        one = "a single use" if exposure.is_use else f"one {exposure.unit}"
        worst = f" in the worst stretch of their life{told}" if (told := _straight(a, exposure)) else ""
        return (f"{name}: no recalibration interval keeps a tolerance of {percent(s.tolerance)}: {one} after a "
                f"calibration cannot be promised with this confidence{worst}{'; ' + after if after else ''}.")
    scope = _scope(a)
    if count is not None and math.isfinite(count.value) and a.interval >= count.value > 0:
        least = "at least " if count.bound == "at least" else ""
        return (f"{name}: retire after {least}{exposure.show(count.value)}, before a recalibration is due (it would be "
                f"after {'at least ' if a.bound == 'at least' else ''}{exposure.show(a.interval)}{scope}: {promise}).")
    every = f"recalibrate every {exposure.show(a.interval)}"
    if a.bound == "at least":
        every = f"recalibrate at the earliest after {exposure.show(a.interval)}, not estimable beyond"
    return f"{name}: {every}{', ' + after if after else ''}{scope} ({promise})."


def _straight(a: IntervalAnswer, exposure: Exposure) -> str:
    """Say how long the interval would be if wear were as even as its line; nothing where that is no longer."""
    if a.counts is None or a.bound == "at least":
        return ""
    uncut = float(np.fmin(a.counts.line, a.counts.companion))
    even = a.changes.step * math.floor(uncut / a.changes.step + 1e-9) if 0 < uncut < math.inf else 0.0
    return f"; even wear along a line would allow {exposure.show(even)}" if even > a.interval else ""


def _retire_words(count: Estimate | None, exposure: Exposure) -> str:
    if count is None or not math.isfinite(count.value):
        return ""
    return f"retire after {'at least ' if count.bound == 'at least' else ''}{exposure.show(count.value)}"


def _scope(a: IntervalAnswer) -> str:
    if a.changes.group.two_level:
        return " for a sensor from a new batch"
    return " for sensors of these batches only" if a.changes.group.batch is not None else ""


def _both(c: Changes) -> bool:
    """Whether slopes point both ways."""
    return bool((c.slope > 0).any() and (c.slope < 0).any())


def method_of(a: IntervalAnswer, s: Statement) -> str:
    """Name the bound as a paper would."""
    c = a.changes
    kind = ("two-level generalised pivotal tolerance bound for a new batch" if c.group.two_level
            else "one-sided tolerance bound from the noncentral t distribution")
    sides = ", for each of the two directions with content and confidence split evenly (Bonferroni)" if _both(c) else ""
    return (f"{kind} on the slopes of the sensors' own lines (content {s.content:.6g}, confidence {s.confidence:.6g})"
            f"{sides}, the smaller of the bound and its skew companion{_WORST}")


def estimates_of(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure, level: float) -> list[Estimate]:
    """Every number of the result."""
    made: list[Estimate] = []
    for a in answers:
        c, of, n = a.changes, labels(a.changes.name), a.changes.group.n
        method = method_of(a, s) if not c.refused else "refused"
        made.append(Estimate(name="recalibrate every", value=a.interval, unit=exposure.unit, level=s.confidence, n=n,
                             of=of, bound=a.bound or None, method=method))
        if c.refused or a.counts is None:
            continue
        beside, name = ((a.drift_only, "recalibrate every, drift alone") if s.inside else
                        (a.with_error, "recalibrate every, calibration error inside the tolerance"))
        made += [
            Estimate(name=name, value=beside[0], unit=exposure.unit, level=s.confidence, n=n, of=of, bound=beside[1],
                     method=method + ("" if s.inside else "; the variance of one calibration is added to that of the "
                                      "change")),
            Estimate(name="interval bound, not rounded", value=uncut(float(a.counts.line)), unit=exposure.unit,
                     level=s.confidence, n=n, of=of, method=method.rsplit(", the smaller", 1)[0]),
            Estimate(name="skew companion of the interval", value=uncut(float(a.counts.companion)), n=n, of=of,
                     unit=exposure.unit, level=s.confidence,
                     method="the same bound on the logs of the counts at which the sensors' own lines leave the "
                            "tolerance"),
            Estimate(name="share expected out of tolerance", value=100 * a.share[0], low=100 * a.share[1],
                     high=100 * a.share[2], unit="%", level=level, n=n,
                     of={**of, "at": f"{max(a.interval, c.step):g} {exposure.unit}"},
                     method="median-unbiased share and interval of it, " + (
                         "generalised pivotal quantity of the two-level model" if c.group.two_level else
                         "noncentral t distribution") + "; of the change in the worst stretch" + (
                             ", the variance of one calibration added" if s.inside else "") + (
                             ", both sides added, each at half the error rate" if _both(c) else "")),
            _error_estimate(a, of, level)]
    return made


def _error_estimate(a: IntervalAnswer, of: dict[str, str], level: float) -> Estimate:
    from scipy.special import chdtri

    sd, df = a.changes.error_sd, a.changes.error_df
    low, high = math.nan, math.nan
    if df > 0 and math.isfinite(sd):
        low, high = (sd * math.sqrt(df / float(chdtri(df, q))) for q in ((1 - level) / 2, (1 + level) / 2))
    return Estimate(name="error of one calibration, SD", value=100 * sd, low=100 * low, high=100 * high, unit="%",
                    level=level, n=a.changes.group.n, of=of,
                    method="residual SD of the checks about the sensors' own lines, chi-square interval")


_note, _warn = Voice(QUESTION).note, Voice(QUESTION).warn


def findings_of(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure, wear: Result) -> list[Finding]:
    """Collect the cautions of every construction."""
    made = [f for a in answers for f in _of_one(a, s, exposure)]
    groups = [a.changes.group for a in answers if a.changes.group.n]
    if groups and not any(g.batch_names for g in groups):
        made.append(_warn("no-batch-column", "There is no batch column, so the interval ignores batches; where batches "
                          "differ that is unsafe", f"Add a column batch to the sensors table; with {MINIMUM_BATCHES} "
                          "or more batches the interval holds for a sensor from a new batch."))
    made += [replace(f, question=QUESTION) for f in wear.findings if f.code in _BEARING]
    if any(not a.changes.refused for a in answers):
        made.append(_note("tolerance-is", f"Out of tolerance is a change by more than a factor {1 + s.tolerance:.6g} "
                          "either way: the true value over the shown one or the shown over the true one. " + (
                              "The calibration's own error counts" if s.inside else
                              "It is the drift of the sensor's true state since the calibration; the calibration's own "
                              "error stands beside it")))
    return made


def _of_one(a: IntervalAnswer, s: Statement, exposure: Exposure) -> list[Finding]:
    c, name, made = a.changes, label_of(a.changes.name), []
    fit = c.group.fitness
    if c.refused:
        made.append(_warn("interval-refused", f"{name}: no interval, because {c.refused}", c.mend))
    if fit.left_out and not (c.refused and len(fit.left_out) == len(c.group.all_sensors)):
        named = "; ".join(f"{sensor} ({why})" for sensor, why in fit.left_out)
        made.append(_warn("sensor-left-out", f"{name}: left out of the interval: {named}",
                          "" if c.refused else "Check these sensors again, on the schedule of the others."))
    if c.refused or a.counts is None:
        return made
    if a.bound == "at least":
        flat = " No drift was seen." if _flat(a) else ""
        why = ("1.25 times the median last check, and what comes later was not observed" if a.interval > c.span else
               f"and no stretch longer than {exposure.show(c.span)} was observed")
        made.append(_warn("capped", f"{name}: the bound stays within the tolerance up to {exposure.show(a.interval)}, "
                          f"{why}.{flat}",
                          f"Check sensors beyond {exposure.show(a.interval)} to learn more."))
    if a.interval == 0:
        made.append(_warn("no-use-promised", f"{name}: drift or its spread between sensors is too large for a "
                          f"tolerance of {percent(s.tolerance)}", "A wider tolerance is the laboratory's own decision; "
                          "more sensors narrow the bound."))
    if told := _straight(a, exposure):
        made.append(_note("worst-stretch", f"{name}: the worst stretch of the mean path, with half its standard "
                          f"error, shortens the interval to {exposure.show(a.interval)}"
                          f"{told.replace('; ', ', where ')}. Part of the largest of many stretches is the scatter of "
                          "checks, so that it errs on the safe side: more sensors, or mountings in each check, bring "
                          "it nearer"))
    if c.bent:
        made.append(_warn("drift-not-constant", f"{name}: {c.bent}; the interval is that of the worst stretch, as "
                          "always, and is needlessly short elsewhere", "Run sensors in before their first "
                          "calibration, or give each stretch of life an interval of its own."))
    if float(c.slope.mean()) < 0 and not _flat(a):
        made.append(_note("sensitivity-rises", f"{name}: sensitivity rises with use, so readings grow too high"))
    if not s.inside and math.isfinite(c.error_sd) and 2 * c.error_sd > s.distance / 2:
        made.append(_warn("calibration-error-large", f"{name}: one calibration has an SD of {100 * c.error_sd:.2g} %, "
                          f"so that twice that takes {min(100 * 2 * c.error_sd / s.distance, 999):.0f} % of the "
                          f"tolerance before the first use; with it inside the tolerance the interval is "
                          f"{exposure.show(a.with_error[0])}", "Average several mountings in each calibration."))
    made += _of_batches(a)
    values = [v for _, v in a.left_out_one]
    if values and max(values) > min(values):
        ends = {v: sensor for sensor, v in reversed(a.left_out_one)}
        made.append(_note("leave-one-out", f"{name}: with any one sensor left out the interval lies between "
                          f"{min(values):g} (without {ends[min(values)]}) and {max(values):g} {exposure.per} (without "
                          f"{ends[max(values)]})"))
    return made


def _of_batches(a: IntervalAnswer) -> list[Finding]:
    g, name = a.changes.group, label_of(a.changes.name)
    if g.batch_names and g.without_batch:
        return [_warn("batch-missing", f"{name}: the batch of {join_words(g.without_batch)} is not known, so the "
                      "interval ignores batches, which is unsafe where they differ", "Fill in the batch of every "
                      "sensor.")]
    if g.batch is not None and not g.two_level:
        n = len(g.batch_names)
        return [_warn("these-batches-only", f"{name}: the interval holds for sensors of these {n} "
                      f"batch{'es' * (n != 1)} only", f"Sensors from {MINIMUM_BATCHES - n} more batches would extend "
                      "it to sensors from a new batch.")]
    return []


def _flat(a: IntervalAnswer) -> bool:
    """Tell whether the interval of the mean slope holds zero."""
    from scipy.special import stdtrit

    b = a.changes.slope
    g = a.changes.group
    if g.two_level and g.batch is not None:
        b = np.bincount(g.batch, b) / np.bincount(g.batch)
    half = float(stdtrit(len(b) - 1, 0.975)) * float(b.std(ddof=1)) / math.sqrt(len(b))
    return abs(float(b.mean())) <= half


def tables_of(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure) -> list[ResultTable]:
    """Return the tables that hold rows."""
    if not answers:
        return []
    made = [_intervals(answers, s, exposure), _paths(answers, s, exposure), _own(answers, exposure),
            _sensitivity(answers, s, exposure)]
    return [t for t in made if len(t)]


def _build(name: str, rows: list[dict[str, Any]], units: dict[str, str], caption: str) -> ResultTable:
    columns = list(rows[0]) if rows else ["construction"]
    return ResultTable.build(name, {k: [r[k] for r in rows] for k in columns},
                             units={k: v for k, v in units.items() if k in columns}, caption=caption)


def _intervals(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure) -> ResultTable:
    rows = []
    for a in answers:
        g = a.changes.group
        holds = "batches not known" if g.batch is None else "new batch" if g.two_level else "these batches"
        rows.append({"construction": a.changes.name, "recalibrate every": a.interval, "bound": a.bound or "refused",
                     "with calibration error": a.with_error[0], "drift alone": a.drift_only[0],
                     "tolerance": 100 * s.tolerance, "sensors": float(g.n),
                     "batches": float(len(g.batch_names)) if g.batch is not None else math.nan, "holds for": holds,
                     "content": s.content, "confidence": s.confidence,
                     "mean change per use": 100 * math.expm1(-float(a.changes.slope.mean())) if g.n else math.nan,
                     "calibration SD": 100 * a.changes.error_sd,
                     "share out of tolerance": a.share[0], "share, low": a.share[1], "share, high": a.share[2]})
    return _build("recalibration intervals", rows, {
        **dict.fromkeys(("recalibrate every", "with calibration error", "drift alone"), exposure.unit),
        **dict.fromkeys(("tolerance", "mean change per use", "calibration SD"), "%")},
        f"Largest number of {exposure.per} after a calibration at which, with {percent(s.confidence)} confidence, at "
        f"least {percent(s.content)} of such sensors have drifted by no more than {percent(s.tolerance)}; with the "
        "calibration's own error inside the tolerance; and for drift alone.")


def _paths(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure) -> ResultTable:
    rows = []
    for a in answers:
        if a.counts is None or not math.isfinite(a.interval):
            continue
        c = a.changes
        toward = 1.0 if float(c.slope.mean()) >= 0 else -1.0
        uncut = float(np.fmin(a.counts.line, a.counts.companion))
        end = c.step * math.ceil(max(min(1.6 * max(uncut, c.step), c.cap), 2 * c.step) / c.step)
        at = np.linspace(0, end, 41)
        rate = s.distance / uncut if math.isfinite(uncut) and uncut > 0 else math.nan
        # No time since a calibration is none of change, so the bound starts at zero.
        more = np.where(at > 0, c.excess(at), 0.0)
        for m, beyond in zip(at, more, strict=True):
            rows.append({"construction": c.name, "use since calibration": float(m),
                         "mean": 100 * math.expm1(-toward * abs(float(c.slope.mean())) * m),
                         "bound": 100 * math.expm1(-toward * (rate * m + beyond)) if math.isfinite(rate) else math.nan,
                         "tolerance": 100 * math.expm1(-toward * s.distance)})
    return _build("change since calibration", rows, {"use since calibration": exposure.unit, "mean": "%", "bound": "%",
                                                     "tolerance": "%"},
                  "Mean change of sensitivity since the last calibration, and the bound of the statement.")


def _own(answers: Sequence[IntervalAnswer], exposure: Exposure) -> ResultTable:
    rows = [{"construction": a.changes.name, "sensor": str(sensor), "change per use": 100 * math.expm1(-float(b)),
             "leaves the tolerance after": float(t) if math.isfinite(t) else math.nan}
            for a in answers if a.counts is not None
            for sensor, b, t in zip(a.changes.group.sensor, a.changes.slope, a.crossings, strict=True)]
    return _build("own changes", rows, {"change per use": "%", "leaves the tolerance after": exposure.unit},
                  "Change of each sensor's own line per use, and how long after a calibration it leaves the tolerance.")


def _sensitivity(answers: Sequence[IntervalAnswer], s: Statement, exposure: Exposure) -> ResultTable:
    rows = []
    for a in answers:
        if a.counts is None:
            continue
        for factor in FACTORS:
            for p in sorted({*CONTENTS, s.content}):
                for conf in sorted({*CONFIDENCES, s.confidence}):
                    if factor != 1.0 and (p, conf) != (s.content, s.confidence):
                        continue
                    found = rule_of(a.changes, s, inside=s.inside, content=p, confidence=conf, factor=factor)
                    rows.append({"construction": a.changes.name, "tolerance": 100 * s.tolerance * factor, "content": p,
                                 "confidence": conf, "recalibrate every": max(float(found.count), 0.0),
                                 "bound": "at least" if bool(found.capped) else "exact",
                                 "declared": "yes" if factor == 1.0 and (p, conf) == (s.content, s.confidence) else ""})
    return _build("sensitivity of the interval", rows, {"tolerance": "%", "recalibrate every": exposure.unit},
                  "How the interval changes with tolerance, content and confidence.")
