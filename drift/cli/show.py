"""Results as plain text: answer, table, cautions, row accounts."""

from __future__ import annotations

import math
import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from drift.errors import SEVERITIES, Finding

if TYPE_CHECKING:
    from drift.results import Estimate, Result

WIDEST, NARROWEST = 110, 60
HEADS = {"error": "Errors", "warning": "Cautions", "note": "Notes"}


def width() -> int:
    """Return the columns to write in: those of the terminal, at most 110; 110 into a pipe."""
    told = os.environ.get("COLUMNS", "")
    columns = int(told) if told.isdigit() else (
        shutil.get_terminal_size((WIDEST, 24)).columns if sys.stdout.isatty() else WIDEST)
    return max(NARROWEST, min(WIDEST, columns))


def paragraph(text: str, *, indent: str = "", further: str | None = None) -> str:
    """Fill a paragraph to the width of the terminal."""
    return textwrap.fill(text, width(), initial_indent=indent,
                         subsequent_indent=indent if further is None else further, break_on_hyphens=False)


def as_text(result: Result, *, quiet: bool = False) -> str:
    """Return what a person reads."""
    parts = getattr(result, "parts", None)
    said = [p.answer for p in parts or ()]
    # Where no decision was asked the answer is that of every question, each on a line of its own.
    lines = said if said and result.answer == " ".join(said) else [result.answer]
    answer = "\n".join(textwrap.fill(line, width()) for line in lines)
    if quiet:
        return answer + "\n"
    blocks = [answer]
    if result.command == "icc" and parts is None:
        from drift.cli.show_icc import icc_blocks

        return "\n\n".join(b.rstrip() for b in (answer, *icc_blocks(result)) if b.strip()) + "\n"
    if result.command in ("gauge", "interlaboratory") and parts is None:
        from drift.cli.show_gauge import gauge_blocks

        return "\n\n".join(b.rstrip() for b in (answer, *gauge_blocks(result)) if b.strip()) + "\n"
    if result.command == "budget" and parts is None:
        from drift.cli.show_budget import budget_blocks

        return "\n\n".join(b.rstrip() for b in (answer, *budget_blocks(result)) if b.strip()) + "\n"
    if result.command == "plan" and parts is None:
        from drift.cli.show_plan import plan_blocks

        return "\n\n".join(b.rstrip() for b in (answer, *plan_blocks(result)) if b.strip()) + "\n"
    if result.command in ("items", "lock") and parts is None:
        from drift.cli import show_items

        return "\n\n".join(b.rstrip() for b in (answer, *show_items.blocks(result)) if b.strip()) + "\n"
    if result.command in ("today", "log") and parts is None:
        from drift.cli import show_today

        return "\n\n".join(b.rstrip() for b in (answer, *show_today.blocks(result), findings_text(result.findings))
                           if b.strip()) + "\n"
    if result.command == "review" and parts is None:
        from drift.cli import show_review

        rest = tuple(f for f in result.findings if f.code != "cannot-all-be-true")  # these stand in the first block
        return "\n\n".join(b.rstrip() for b in (answer, *show_review.blocks(result), findings_text(rest))
                           if b.strip()) + "\n"
    if result.command == "agree" and parts is None:
        from drift.cli.show_several import is_several, several_blocks

        if is_several(result):
            return "\n\n".join(b.rstrip() for b in (answer, *several_blocks(result)) if b.strip()) + "\n"
    if result.command == "policy" and parts is None:
        from drift.cli.show_policy import policy_blocks

        return "\n\n".join(b.rstrip() for b in (answer, *policy_blocks(result)) if b.strip()) + "\n"
    if parts is None:
        if not result.estimates:
            blocks += [table_text(t) for t in _as_rows(result.tables)]
        if result.command == "chart":
            from drift.cli.show_chart import signals_block

            blocks.append(signals_block(result))
        blocks.append(estimates_text(result.estimates))
        if result.command == "agree":
            from drift.cli.show_agreement import pressure_block, proposed_block

            blocks += [proposed_block(result), pressure_block(result)]
    for part in parts or ():
        title = part.question if part.answer in lines else f"{part.question}: {part.answer}"
        blocks.append(textwrap.fill(title, width(), subsequent_indent="  ") + "\n"
                      + estimates_text([e for e in part.estimates if _leading(e, part)]))
    blocks += [findings_text(result.findings), accounts_text(result)]
    return "\n\n".join(b.rstrip() for b in blocks if b.strip()) + "\n"


LEADING: dict[str, tuple[str, ...]] = {
           "today": (),
           "wear": ("drift per use, percent", "growth of saturation pressure per use, percent", "sensitivity at use 0"),
           "retire": ("retire after", "average sensor reaches the limit (not a policy)"),
           "policy": (),
           "recalibrate": ("recalibrate every", "error of one calibration, SD"),
           "icc": ("SEM (agreement)", "MDC (agreement)", "SEM (absolute)", "MDC (absolute)", "SEM (relative)",
                   "MDC (relative)"),
           "calibrate": ("saturation pressure", "load at a reading", "residual SD", "hysteresis, percent of span"),
           "cells": ("SD of gains between cells, percent", "share of dead cells"),
           "gauge": ("gauge R&R (GRR)", "gauge R&R (GRR), percent of study variation",
                     "gauge R&R (GRR), percent of tolerance", "number of distinct categories (ndc)"),
           "interlaboratory": ("repeatability SD (s_r)", "reproducibility SD (s_R)"),
           "budget": ("pressure", "expanded uncertainty", "bias without correction"),
           "agree": ("bias", "lower limit", "upper limit", "share of differences inside",
                     "trend of difference with use", "protocol limit",
                     "limit of agreement with the mean", "bias from the mean")}


def _leading(estimate: Estimate, part: Result) -> bool:
    """Tell whether a number stands in the short table of a whole study; the report holds all of them."""
    if estimate.name.endswith(" coefficient") and part.command == "icc":  # of several facets
        return estimate.name == part.estimates[0].name
    if estimate.name.endswith("(absolute)" if part.estimates[0].name == "G coefficient" else "(relative)"):
        return False
    if estimate.name.startswith("ICC"):
        declared = part.estimates[0]
        return estimate.name == declared.name and estimate.of.get("model") == declared.of.get("model")
    if part.command == "agree" and "pair" in estimate.of:  # of several methods: the pairs stand in the report
        return False
    if part.command == "policy":  # of all policies the chosen one; the report holds the others
        return estimate.of.get("chosen") == "yes"
    linear = estimate.name == "drift per use" and not any(e.name == LEADING["wear"][0] for e in part.estimates)
    return linear or estimate.name in LEADING.get(part.command, (estimate.name,))


def _as_rows(tables: Iterable[object]) -> list[tuple[str, list[list[str]]]]:
    found = []
    for t in tables:
        columns = [c for c in t.columns if c.name not in ("sha256", "columns")]  # type: ignore[attr-defined]
        head = [c.name for c in columns]
        rows = [[_cell(c.values[i]) for c in columns] for i in range(len(t))]  # type: ignore[arg-type]
        found.append((t.caption or t.name, [head, *rows]))  # type: ignore[attr-defined]
    return found


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def table_text(table: tuple[str, list[list[str]]]) -> str:
    """Return a captioned table, numbers to the right."""
    caption, rows = table
    return f"{caption}\n{grid(rows)}" if len(rows) > 1 else ""


def grid(rows: Sequence[Sequence[str]]) -> str:
    """Align columns; those of numbers to the right."""
    widths = [max(len(r[j]) for r in rows) for j in range(len(rows[0]))]
    right = [all(_numeric(r[j]) for r in rows[1:]) for j in range(len(rows[0]))]
    lines = ["  ".join(c.rjust(w) if a else c.ljust(w) for c, w, a in zip(r, widths, right, strict=True)).rstrip()
             for r in rows]
    return "\n".join(f"  {line}" for line in lines)


def _numeric(text: str) -> bool:
    first = text.split(" ")[0].replace("\N{MINUS SIGN}", "-")
    try:
        float(first or "0")
    except ValueError:
        return first in ("", "not")
    return True


def estimates_text(estimates: Sequence[Estimate]) -> str:
    """Return the estimates as a table of name, labels, value and interval, and the methods below it by number."""
    if not estimates:
        return ""
    from drift.report.tables import count_text

    methods: dict[str, int] = {}
    rows = [["estimate", "of", "value (interval)", "unit", "method"]]
    for e in estimates:
        of = ", ".join(f"{k} {v}" for k, v in e.of.items() if k != "question" and v)
        shown = count_text(e) if e.bound is not None and math.isfinite(e.value) else e.text().removesuffix(f" {e.unit}")
        said = f"{100 * e.level:g} %: {e.method}" if e.level == e.level else e.method
        number = f"({methods.setdefault(said, len(methods) + 1)})" if said else ""
        rows.append([e.name, of, shown, e.unit, number])
    for j in (3, 1):
        if all(not r[j] for r in rows[1:]):
            rows = [[*r[:j], *r[j + 1:]] for r in rows]
    notes = [textwrap.fill(f"({n}) {said}", width(), initial_indent="  ", subsequent_indent="      ")
             for said, n in methods.items()]
    return "\n".join([grid(rows), *notes])


def findings_text(findings: Sequence[Finding]) -> str:
    """Return findings grouped by severity, each with its place, value and mend; those of one kind once."""
    from drift.report.same_faults import faults

    blocks = []
    for severity in SEVERITIES:
        of_kind = list(dict.fromkeys(_line(x.finding, x.further) for x in
                                     faults([f for f in findings if f.severity == severity])))
        if of_kind:
            blocks.append("\n".join([f"{HEADS[severity]} ({len(of_kind)})", *of_kind]))
    return "\n\n".join(blocks)


def _line(f: Finding, further: str = "") -> str:
    """One finding: place, message, what was found and expected, how to mend it, and where else it stands."""
    parts = [f"{f.place}: " if f.place else "", f.message.rstrip("."),
             f" (found {f.value!r})" if f.value is not None else "",
             f"; expected {f.expected.rstrip('.')}" if f.expected else "", ".",
             f" {f.mend}{'' if f.mend.endswith(('.', '?', '!')) else '.'}" if f.mend else "", further]
    return textwrap.fill("".join(parts), width(), initial_indent="  - ", subsequent_indent="    ")


def accounts_text(result: Result) -> str:
    """Return where the rows went, question by question."""
    accounts = result.provenance.accounts
    if not accounts:
        return ""
    if result.command == "check":  # nothing was paired or left unmatched yet
        head = ["question", "table", "read", "asked for", "outside where", "excluded"]
        rows = [[a.question, a.table, *(str(n) for n in (a.read, a.used, a.outside_where, a.excluded))]
                for a in accounts]
        return "Rows the questions ask for, before pairing\n" + grid([head, *rows])
    head = ["question", "table", "read", "used", "outside where", "unmatched", "excluded"]
    rows = [[a.question, a.table, *(str(n) for n in (a.read, a.used, a.outside_where, a.unmatched, a.excluded))]
            for a in accounts]
    return "Rows\n" + grid([head, *rows])
