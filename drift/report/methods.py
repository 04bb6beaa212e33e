"""The methods paragraphs: what was done, with the numbers in it, ready to paste into a paper."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drift.items.evidence import declared as declared_of
from drift.report.agreement_along_methods import along_use_sentence
from drift.report.concordance_methods import concordance_sentence
from drift.report.figures import exposure_unit, share_text
from drift.report.line_methods import line_sentence
from drift.report.recalculated_methods import recalculated_paragraph
from drift.report.several_methods import is_several, several_paragraph
from drift.report.shape_methods import beside_the_drift
from drift.report.variant_methods import variant_sentence
from drift.results import Estimate, Result, format_interval, join_words

if TYPE_CHECKING:
    from drift.report.study_result import StudyResult


def methods_paragraphs(result: StudyResult, study: Mapping[str, Any]) -> tuple[str, ...]:
    """Return one paragraph for each question and one on software and rows."""
    made = []
    for part in result.parts:
        if part.command == "wear":
            made.append(_wear(part, study))
        elif part.command == "retire":
            made.append(_retire(part, study))
        elif part.command == "lifetimes":
            from drift.report.life_methods import life_paragraph

            made.append(life_paragraph(part))
        elif part.command in ("recalibrate", "policy"):
            from drift.report.policy_methods import policy_methods

            made.append(policy_methods(part, study))
        elif part.command == "icc":
            made.append(_reliability(part, study))
        elif part.command == "agree":
            made.append(_agreement(part, study))
        elif part.command == "budget":
            from drift.report.budget_methods import budget_methods

            made.append(budget_methods(part))
        elif part.command == "chart":
            from drift.report.chart_methods import chart_paragraph

            made.append(chart_paragraph(part))
        elif part.command == "plan":
            made.append(_plan(part))
        elif part.command in ("gauge", "interlaboratory"):
            from drift.report.gauge_methods import gauge_methods

            made.append(gauge_methods(part, study))
        elif part.command in ("calibrate", "cells"):
            from drift.report.calibration_methods import calibration_paragraph

            made.append(calibration_paragraph(part))
    return (*made, _software(result))


def _plan(part: Result) -> str:
    e = next(e for e in part.estimates if e.name == "simulated")
    return (f"The size of the study was planned by simulation. {part.answer} Simulated was: {e.method}. The planning "
            "values and their sources stand in the table.")


def _level(e: Estimate) -> str:
    return f"{share_text(e.level)} interval " if math.isfinite(e.level) else ""


def _shown(e: Estimate, *, name: bool = True) -> str:
    of = ", ".join(v for k, v in e.of.items() if k != "question")
    unit = f" {e.unit}" if e.unit else ""
    if math.isfinite(e.low) and math.isfinite(e.high):
        text = format_interval(e.value, e.low, e.high)
        value, ends = text.split(" (", 1)
        shown = f"{value}{unit} ({_level(e)}{ends}"
    else:
        shown = f"{format_interval(e.value)}{unit}"
    lead = f"{e.name} {'= ' if name else ''}" if name else ""
    return f"{lead}{shown}{f' for {of}' if of else ''}"


def _wear(part: Result, study: Mapping[str, Any]) -> str:
    lines, occasions, rows = part.table("sensor lines"), part.table("occasions"), part.table("sensitivities")
    drifts = [e for e in part.estimates if e.name in ("drift per use, percent", "drift per use")
              and "sensor" not in e.of]
    log = any(e.name.endswith("percent") for e in drifts)
    drifts = [e for e in drifts if e.name.endswith("percent") == log]
    several = bool((rows["levels"] > 1).any()) if len(rows) else False
    how = ("The sensitivity at each mounting was the slope of a weighted straight line, with intercept, of reading on "
           "reference" if several else "The response at each mounting was the reading, or its ratio to the reference "
           "with the intercept taken as zero")
    unit = exposure_unit(part)
    use_is = study.get("study", {}).get("use_is")
    uses = f" (one use: {use_is})" if use_is and unit == "uses" else ""
    method = next((e.method for e in drifts if e.method), "")
    return (f"Drift was estimated from {len(rows)} mountings at {len(occasions)} occasions of {len(lines)} "
            f"sensors, each "
            f"checked between {_range(lines)} {unit}{uses}. {how}; readings at full scale counted as lower bounds. "
            f"{'The logarithm of sensitivity' if log else 'The response'} was modelled as a line in {unit} with "
            f"a random "
            f"intercept and slope for each sensor and, where mountings were repeated, a random effect of the occasion "
            f"(Laird and Ware 1982), constructions apart{f'; {method}' if method else ''}. Drift per use was "
            f"{join_words(_shown(e, name=False) for e in drifts) or 'not estimable'}.{beside_the_drift(part)}")


def _range(lines: Any) -> str:
    first, last = lines["first_use"], lines["last_use"]
    return f"{min(first):g} and {max(last):g}" if len(first) else "0 and 0"


def _retire(part: Result, study: Mapping[str, Any]) -> str:
    spec = {"content": 0.90, "confidence": 0.95, **study.get("retirement", {})}
    limits = study.get("limits", {})
    words = []
    if "sensitivity_change" in limits:
        words.append(f"its sensitivity had fallen by no more than {share_text(limits['sensitivity_change'])} of "
                     f"its own "
                     "fresh value")
    if "saturation_pressure" in limits:
        words.append(f"its saturation pressure was no higher than {limits['saturation_pressure']}")
    if "reading" in limits:
        side = "no higher" if limits["reading"].get("direction", "above") == "above" else "no lower"
        words.append(f"its reading was {side} than {limits['reading']['value']:g}")
    if "dead_fraction" in limits:
        words.append(f"no more than {share_text(limits['dead_fraction'])} of its cells were dead")
    if "dead_lines" in limits:
        words.append(f"it had no more than {limits['dead_lines']} dead lines")
    counts = [e for e in part.estimates if e.name == "retire after" and "limit" not in e.of]
    found = join_words(f"{_count(e)}{' for ' + e.of['construction'] if e.of.get('construction') else ''}"
                       for e in counts)
    return (f"A sensor was called fit for use while {join_words(words) or 'no limit was passed'}. The "
            f"retire-after count "
            f"is the largest number of uses at which at least {share_text(spec['content'])} of such sensors are still "
            f"within every continuous limit with {share_text(spec['confidence'])} confidence: an exact one-sided "
            "tolerance bound of the sensors' own lines from the noncentral t distribution (Owen 1963), for a sensor "
            "from a new batch the two-level bound of the one-way random model where four or more batches were checked "
            "(Krishnamoorthy and Mathew 2009), content and confidence split evenly over the limits, and never "
            "more than "
            "the same bound on the logarithms of the sensors' own crossing counts. No count was stated beyond 1.25 "
            f"times the median last checked use. Retire after: {found or 'not given'}.")


def _count(e: Estimate) -> str:
    if not math.isfinite(e.value):
        return "no count"
    return f"{'at least ' if e.bound == 'at least' else ''}{e.value:g} {e.unit or 'uses'}"


def _reliability(part: Result, study: Mapping[str, Any]) -> str:
    asked: Mapping[str, Any] = next((q for q in study.get("reliability", ()) if q.get("name") == part.question), {})
    facet = asked.get("facet", "the facet")
    declared = declared_of(part)
    groups = [e for e in part.estimates if declared is not None and e.name == declared.name
              and e.of.get("model") == declared.of.get("model")]
    errors = [e for e in part.estimates if e.name in ("SEM (agreement)", "MDC (agreement)")]
    if declared is not None and declared.name.endswith(" coefficient"):
        return _generalizability(part, asked, declared)
    model = f", {declared.of['model']}" if declared is not None and declared.of.get("model") else ""
    method = declared.method if declared is not None else ""
    return (f"Reliability of readings of {asked.get('target', 'the target')} over "
            f"{facet if isinstance(facet, str) else join_words(facet)} ({part.question}) was expressed as "
            f"{declared.name if declared else 'an intraclass correlation'} in the notation of McGraw and Wong (1996)"
            f"{model}{f'; {method}' if method else ''}: {join_words(_shown(e) for e in groups) or 'not estimable'}. "
            f"{'Measurement error: ' + join_words(_shown(e) for e in errors) + '.' if errors else ''}"
            f"{_along_use(part)}{_compared(part)}").strip()


def _along_use(part: Result) -> str:
    """Say how the trend along use was judged, and what is left when it is in and when it is out."""
    trend = next((e for e in part.estimates if e.name == "trend of readings"), None)
    if trend is None:
        return ""
    states = [e for e in part.estimates if e.name.endswith((", drift left in", ", drift removed"))]
    removed = next((e.method for e in states if e.name.endswith("removed")), "")
    return (f" Readings were taken in the order of use; their trend within targets was {trend.text()} per "
            f"{trend.of.get('per', 'use')} ({trend.method}). Coefficient and measurement error with drift left in and "
            f"removed ({removed}): {join_words(_shown(e) for e in states)}.")


def _compared(part: Result) -> str:
    """Say how levels were compared."""
    found = [e for e in part.estimates if "comparison" in e.of and e.name.startswith(("difference of", "ratio of"))
             and math.isfinite(e.value) and "last window" not in e.method]
    if not found:
        return ""
    told = join_words(f"{e.name}, {e.of['comparison']}, {e.text()}" for e in found[:6])
    methods = join_words(dict.fromkeys(e.method for e in found))
    return f" Reliabilities were compared ({methods}): {told}."


def _generalizability(part: Result, asked: Mapping[str, Any], declared: Estimate) -> str:
    kind = "absolute" if declared.name.startswith("Phi") else "relative"
    reading = declared.of.get("reading", "")
    wanted = [e for e in part.estimates if e.name in (declared.name, f"SEM ({kind})", f"MDC ({kind})")
              and e.of.get("reading") == reading]
    design = next((f.message for f in part.findings if f.code == "g-design"), "")
    facet = asked.get("facet", "the facets")
    parts = [e for e in part.estimates if e.name == "variance component, SD"]
    return (f"Generalizability of readings of {asked.get('target', 'the target')} over "
            f"{facet if isinstance(facet, str) else join_words(facet)} ({part.question}) was analysed after Brennan "
            f"(2001). {design}{'. ' if design else ''}"
            f"{'Variance components and intervals: ' + parts[0].method + '. ' if parts else ''}"
            f"{join_words(_shown(e) for e in wanted if math.isfinite(e.value)) or 'No coefficient could be given'}. "
            f"{'SDs: ' + join_words(_shown(e, name=False) for e in parts) + '.' if parts else ''}").strip()


def _harmless_words(part: Result, given: float | str, unit: str) -> str:
    """Return the largest harmless difference as the verdict words it."""
    table = next((t for t in part.tables if t.name == "verdict"), None)
    if table is not None and len(table) and "harmless in words" in {c.name for c in table.columns}:
        return str(table["harmless in words"][0])
    return given if isinstance(given, str) else f"{given:g}{unit}"


def _agreement(part: Result, study: Mapping[str, Any]) -> str:
    asked: Mapping[str, Any] = next((q for q in study.get("agreement", ()) if q.get("name") == part.question), {})
    if is_several(part):
        return several_paragraph(part, asked)
    if asked.get("recalculate"):
        return recalculated_paragraph(part, asked)
    wanted = [e for e in part.estimates if e.name in ("bias", "lower limit", "upper limit")]
    method = next((e.method for e in wanted if e.name == "upper limit" and e.method), "")
    harmless = asked.get("harmless")
    unit = f" {wanted[0].unit}" if wanted and wanted[0].unit else ""
    band = (f" The largest difference that would not matter was declared as "
            f"{_harmless_words(part, harmless, unit)}; the two count as interchangeable when the outer one-sided "
            f"bounds of both limits lie inside it." if harmless else "")
    return (f"Agreement of {asked.get('a', 'a')} with {asked.get('b', 'b')} was judged by limits of agreement "
            f"(Bland and "
            f"Altman 1999), differences taken as {asked.get('a', 'a')} \N{MINUS SIGN} {asked.get('b', 'b')}"
            f"{f'; {method}' if method else ''}: {join_words(_shown(e) for e in wanted) or 'not estimable'}.{band}"
            f"{variant_sentence(part)}{along_use_sentence(part)}{line_sentence(part)}{concordance_sentence(part)}")


def _software(result: StudyResult) -> str:
    source = result.provenance
    versions: Sequence[str] = [f"{k} {v}" for k, v in source.versions.items()]
    read = join_words(f"{a.used} of {a.read} rows of {a.table} for {a.question}" for a in source.accounts)
    rows = f"Used were {read}; every other row is listed with its reason. " if read else ""
    seed = f", seed {source.seed}" if source.seed is not None else ""
    return f"{rows}All numbers were computed with {join_words(versions)}{seed}."


