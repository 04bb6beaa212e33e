"""Methods paragraphs of gauge and interlaboratory studies, ready to paste."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drift.report.gauge_tables import interval, percent, rows_of
from drift.results import Result, join_words


def gauge_methods(part: Result, study: Mapping[str, Any]) -> str:
    """Return what was done, with the numbers in it."""
    asked: Mapping[str, Any] = next((q for q in study.get(part.command, ()) if q.get("name") == part.question), {})
    return _gauge(part, asked) if part.command == "gauge" else _laboratories(part, asked)


def _table(part: Result, name: str) -> list[dict[str, Any]]:
    return rows_of(next((t for t in part.tables if t.name == name), None))


def _gauge(part: Result, asked: Mapping[str, Any]) -> str:
    rows = _table(part, "gauge components")
    over = f" over {asked['operator']}" if asked.get("operator") else ""
    lead = f"A gauge study of {asked.get('part', 'parts')}{over} ({part.question})"
    if not rows:
        return f"{lead} could not be evaluated."
    methods = join_words(dict.fromkeys(str(r["method"]) for r in rows))
    shown = []
    for r in rows:
        if str(r["source"]).startswith(("gauge", "repeat", "repro")):
            share = percent(r, "% of study variation")
            of_study = f", {share} % of the study variation" if share else ""
            shown.append(f"{r['source']} SD {interval(r, 'SD')}{of_study}")
    return (f"{lead} was evaluated by {methods} (Burdick, Borror and Montgomery 2005): {join_words(shown)}, with "
            f"{100 * part.provenance.level:g} % intervals. Shares of the study variation are ratios of SDs to the "
            "total SD; the number of distinct categories is 1.41 PV / GRR, truncated.")


def _laboratories(part: Result, asked: Mapping[str, Any]) -> str:
    rows = _table(part, "precision")
    lead = f"Precision over {asked.get('laboratory', 'laboratories')} ({part.question})"
    if not rows:
        return f"{lead} could not be evaluated."
    by = asked.get("material")
    shown = [f"s_r {interval(r, 's_r')} and s_R {interval(r, 's_R')}{f' for {by} {r[by]}' if by else ''}"
             for r in rows[:8]]
    return (f"{lead} was evaluated by ISO 5725-2: {join_words(shown)}, with {100 * part.provenance.level:g} % "
            "intervals (s_r exact chi-square, s_R modified large-sample); r and R are 2.8 s_r and 2.8 s_R. "
            "Laboratories were tested by Cochran's and Grubbs' tests and looked at with Mandel's h and k, critical "
            "values computed from "
            "the distributions; none was left out for a test alone.")
