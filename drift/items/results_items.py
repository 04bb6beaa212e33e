"""Fillers about the study as a whole: what was studied, how it was analysed, numbers, estimates, what it means."""

from __future__ import annotations

import math

from drift.items.agreement_items import limits_shown, methods_of
from drift.items.evidence import Evidence, declared, like, of_name, said, table_of
from drift.items.filled import Filled, filled, not_applicable
from drift.items.metadata import key
from drift.items.reliability_items import SEM, numbers_of
from drift.reliability.g_design import facets_of
from drift.results import join_words

_NO_QUESTION = "the study asks nothing about reliability, agreement or drift"


def kind_of_study(e: Evidence) -> Filled:
    """Draft the sentence for title and abstract."""
    what = e.told.quantity or "readings"
    told = []
    if e.reliability:
        over = join_words(list(dict.fromkeys(f for q, _ in e.reliability for f in facets_of(q))))
        told.append(f"reliability and measurement error of {what} over {over} (intraclass correlations, SEM)")
    if e.agreement:
        pairs = [f"{q.a} with {q.b}" if q.a and q.b else join_words(methods_of(e, q)) for q, _ in e.agreement]
        told.append(f"agreement of {join_words(pairs)} (limits of agreement)")
    if e.of("gauge", "interlaboratory"):
        told.append("repeatability and reproducibility of the gauge")
    if e.of("wear"):
        told.append("drift of sensors with use")
    if not told:
        return not_applicable(_NO_QUESTION)
    return filled(f"{'; '.join(told)} were studied", source="draft")


def software(e: Evidence) -> Filled:
    """Name software, versions, seed and steps."""
    versions = join_words([f"{k} {v}" for k, v in e.provenance.versions.items()])
    seed = f", seed {e.provenance.seed}" if e.provenance.seed is not None else ""
    return filled(f"all numbers were computed with {versions}{seed}; the steps are those of the methods paragraphs, "
                  "and the same files, seed and versions give the same bytes again")


def analysis(e: Evidence) -> Filled:
    """Name models and intervals."""
    told = []
    for q, part in e.reliability:
        d = declared(part)
        if d is not None:
            told.append(f"{q.name}: {d.name}{', ' + d.of['model'] if d.of.get('model') else ''}; {d.method}")
    for a, part in e.agreement:
        methods = dict.fromkeys(x.method for x in of_name(part, "bias", "upper limit") if x.method)
        told.append(f"{a.name}: limits of agreement; {'; '.join(methods)}" if methods else
                    f"{a.name}: limits of agreement by the methods in its table")
    for part in e.of("wear", "gauge", "interlaboratory", "retire"):
        method = next((x.method for x in part.estimates if x.method), "")
        told.append(f"{part.question}: {method}" if method else "")
    if not any(told):
        return not_applicable(_NO_QUESTION)
    return filled(*told, software(e).text)


def numbers(e: Evidence) -> Filled:
    """Count what entered and what was left out."""
    told = [f"{q.name}: {numbers_of(e, q, part)}" for q, part in e.reliability]
    for _, part in e.agreement:
        told += [_account(part)]
    wear = next(iter(e.of("wear")), None)
    if wear is not None:
        sizes = [f"{len(t)} {what}" for name, what in (("sensor lines", "sensors"), ("sensitivities", "mountings"))
                 if (t := table_of(wear, name)) is not None]
        told.append(f"drift: {join_words(sizes)}; {_account(wear)}" if sizes else _account(wear))
    reasons = _reasons(e)
    if not told:
        return not_applicable(_NO_QUESTION)
    return filled(*told, f"reasons for leaving out: {reasons}" if reasons else "nothing was left out by a person")


def _account(part: object) -> str:
    accounts = part.provenance.accounts  # type: ignore[attr-defined]
    return join_words([f"{a.question}: of {a.read - a.outside_where} rows asked for {a.used} were used, {a.unmatched} "
                       f"had no partner and {a.excluded} were excluded" for a in accounts])


def _reasons(e: Evidence) -> str:
    found: dict[str, int] = {}
    for part in e.parts:
        if part.command in ("icc", "agree", "wear"):
            for x in part.exclusions:
                if x.kind == "excluded":
                    found[x.reason] = found.get(x.reason, 0) + 1
    ranked = sorted(found.items(), key=lambda kv: -kv[1])[:5]
    return join_words([f"{reason} ({n} rows)" for reason, n in ranked])


def estimates(e: Evidence) -> Filled:
    """Print reliability, measurement error and agreement with their uncertainty."""
    told = []
    for q, part in e.reliability:
        d = declared(part)
        if d is not None and math.isfinite(d.value):
            told.append(f"{q.name}: {said(like(part, d))}; {said(of_name(part, *SEM))}")
    if e.agreement:
        told += [f"{q.name}: {said(of_name(part, 'bias', 'lower limit', 'upper limit'), most=6)}" if
                 of_name(part, "upper limit") else f"{q.name}: {part.answer}" for q, part in e.agreement]
    for part in e.of("wear"):
        found = of_name(part, "drift per use, percent") or of_name(part, "drift per use")
        told.append(f"drift: {said(found)}" if found else "")
    for part in e.of("gauge", "interlaboratory"):
        told.append(f"{part.question}: {part.answer}")
    if not any(told):
        return not_applicable(_NO_QUESTION)
    return filled(*told)


def relevance(e: Evidence) -> Filled:
    """Draft what the results mean, against the limits that the study declares."""
    told = [e.told.relevance or ""]
    for q, part in e.agreement:
        verdict = next((s for s in part.answer.replace("Verdict: ", "").replace(
            "Verdict over the mix of uses seen: ", "").split(". ") if "interchangeable" in s), "")
        told.append(f"{q.name}: {verdict}" if verdict else "")
    for part in e.of("retire", "recalibrate"):
        told.append(_first_sentences(part.answer))
    if e.reliability and not e.told.important_change:
        told.append("what the smallest detectable change means cannot be said without the smallest change that matters")
    if not any(told):
        return filled(*(f"{q.name}: {part.answer}" for q, part in e.reliability), source="draft",
                      needs=(key("important_change"),))
    confirmed = "GRRAS 14" in e.told.confirmed or bool(e.told.relevance)
    return filled(*told, source="data and study.toml" if confirmed else "draft")


def _first_sentences(answer: str) -> str:
    """Return an answer without what stands in brackets."""
    import re

    return re.sub(r" \([^()]*(\([^()]*\)[^()]*)*\)", "", answer)


__all__ = ["analysis", "estimates", "kind_of_study", "limits_shown", "numbers", "relevance", "software"]
