"""The report: one self-contained page without scripts, made from templates."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from drift.errors import Finding
from drift.report import figures as plots
from drift.report import figures_along_use as use_plots
from drift.report import figures_of_agreement as agreement_plots
from drift.report import figures_of_agreement_along as along_plots
from drift.report import figures_of_budget as budget_plots
from drift.report import figures_of_calibration as calibration_plots
from drift.report import figures_of_d_study as d_plots
from drift.report import figures_of_gauge as gauge_plots
from drift.report import figures_of_lines as line_plots
from drift.report import figures_of_lives as life_plots
from drift.report import figures_of_plan as plan_plots
from drift.report import figures_of_policy as policy_plots
from drift.report import figures_of_several as several_plots
from drift.report import figures_of_shapes as shape_plots
from drift.report import figures_of_today as today_plots
from drift.report import figures_of_trials as trial_plots
from drift.report.answers import Paragraph, said_of
from drift.report.beside_sections import SAID_HERE, beside_sections
from drift.report.budget_tables import budget_grids, source_grids
from drift.report.d_study_tables import d_study_grids
from drift.report.decision import decisions
from drift.report.decision_tables import decision_grids
from drift.report.drawing import Figure, make
from drift.report.gauge_tables import main_grid as gauge_grid
from drift.report.handbook import help_for
from drift.report.handbook import shown as handbook_pages
from drift.report.methods import methods_paragraphs
from drift.report.policy_grids import policy_grids
from drift.report.tables import Grid, estimate_grid, exclusion_grid, reliability_grid, result_grid
from drift.results import Estimate, Result
from drift.simulated.quoting import NOTE

if TYPE_CHECKING:
    from drift.report.study_result import StudyResult

# What stands in the text of the report; every other table is in tables/ as CSV.
SHOWN_TABLES = {
    "wear": ("changes of never-worn sensors", "shapes of drift", "exposures", "variance components",
             "comparison of constructions", "assumption checks", "aliases", "removals"),
    "retire": ("removals and limits", "sensitivity to removal", "what would more data buy",
               "equivalence of slopes", "life data",
               "first-passage families"),
    "lifetimes": ("life distributions", "fixed shape", "cumulative incidence"),
    "recalibrate": ("recalibration intervals",),
    "policy": ("sensitivity to costs", "costs"),
    "agree": ("limits, plain and proposed", "limits by pressure", "verdict", "uses left", "interactions",
              "comparison lines", "concordance", "limits with the mean",
              "pairwise limits", "method variances", "checks", "variance components"),
    "calibrate": ("loads at readings", "saturation", "static components", "relative errors by level"),
    "cells": ("dead lines",),
    "gauge": ("operators", "bias", "linearity"),
    "budget": ("Monte Carlo check",),
    "plan": ("designs", "one more", "if they are wrong", "planning values", "published formulas"),
    "interlaboratory": ("precision against level",),
    "today": ("sensors today", "reasons"),
    "chart": ("signals",),
    "icc": ("comparison of reliabilities", "trend along use", "drift left in and removed", "ICC and SEM along use",
            "estimators"),
}
# What stands in the text but folded; a print leaves it out.
FOLDED_TABLES = {
    "wear": ("robust trend", "autocorrelation", "correlations of exposures",
             "errors of the reference", "errors of the count", "influence", "coverage"),
    "policy": ("cost curve", "coverage"),
    "retire": ("own crossing counts", "crossings", "cumulative incidence seen", "other interval methods",
               "batches", "coverage"),
    "lifetimes": ("survival", "lives", "coverage"),
    "recalibrate": ("own changes", "sensitivity of the interval", "coverage"),
    "icc": ("D study", "mean squares", "coverage"),
    "agree": ("limits", "difference lines", "regression limits", "along use", "lines along use",
              "comparison line checks", "pairwise limits alone", "coverage"),
    "calibrate": ("curves tried", "coefficient covariance", "coverage"),
    "cells": ("cell gains", "coverage"),
    "budget": ("along use", "coverage"),
    "gauge": ("analysis of variance", "average and range", "coverage"),
    "interlaboratory": ("outlier tests", "laboratories", "coverage"),
    "chart": ("control chart", "calibration line chart"),
}
# Estimates that a shown table holds already, by the start of their names.
IN_TABLES = {"wear": ("SD between", "correlation of", "difference of", "drift by exposure", "gain of", "p, "),
             "agree": ("SD between", "SD within", "bias at", "lower limit at", "upper limit at", "slope along use",
                       "slope", "intercept", "predicted difference", "use at which", "CCC", "precision", "accuracy",
                       "location shift", "scale shift", "bias from the mean", "lower limit with", "upper limit with",
                       "error SD", "change of difference with", "interchangeable")}
TITLES = {
    "wear": "Drift per use",
    "retire": "When to retire a sensor",
    "recalibrate": "When to recalibrate a sensor",
    "policy": "What policies cost",
    "icc": "Reliability",
    "agree": "Agreement",
    "gauge": "Gauge study",
    "interlaboratory": "Precision over laboratories",
    "calibrate": "Calibration",
    "cells": "Gains of cells",
    "budget": "Uncertainty of a pressure",
    "plan": "Plan of a study",
    "today": "Sensors today",
    "chart": "Control chart",
    "lifetimes": "How long units last",
}
# Notes that belong to the answer: they stand below its numbers, not among the assumptions.
TOLD = ("why-this-coefficient", "grade", "what-would-narrow", "rule-of-thumb", "what-helps", "relation-to-level",
        "protocol-limit-beside", "why-this-curve")
MOST_TOLD = 3
LONG = 24


@dataclass(frozen=True, kw_only=True)
class Section:
    """One question in the report: figures, the numbers that answer it, further tables, and all estimates folded."""

    anchor: str
    title: str
    command: str
    answer: str
    figures: tuple[Figure, ...]
    main: Grid | None
    more: tuple[Grid, ...]
    folded: tuple[Grid, ...]
    findings: tuple[Finding, ...]
    help: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    coverage: str = ""
    said: tuple[Paragraph, ...] = ()


Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
SIZE = (4.9, 3.5)


def report_figures(result: StudyResult) -> tuple[Figure, ...]:
    """Draw every figure of a study, in the order of the report."""
    made: list[Figure] = []
    parts = result.parts
    wear = next((p for p in parts if p.command == "wear"), None)
    retired = next((p for p in parts if p.command == "retire"), None)
    for number, part in enumerate(parts, 1):
        drawn: list[Drawing] = []
        if part.command == "wear":
            drawn = _wear_figures(part, retired) + shape_plots.shape_drawings(part)
        elif part.command == "retire" and wear is not None:
            drawn = _limit_figures(part, wear)
        elif part.command == "recalibrate":
            drawn = policy_plots.recalibration_drawings(part)
        elif part.command == "policy":
            drawn = policy_plots.policy_drawings(part)
        elif part.command == "agree":
            drawn = agreement_plots.agreement_drawings(part)
        elif part.command == "icc" and plots.table_of(part, "variance shares") is not None:
            drawn = [("variance-shares", f"Variance shares, {part.question}", partial(trial_plots.shares_figure, part),
                      trial_plots.shares_size(part))]
        elif part.command in ("gauge", "interlaboratory"):
            drawn = gauge_plots.gauge_figures(part)
        elif part.command in ("calibrate", "cells"):
            drawn = calibration_plots.calibration_drawings(part)
        elif part.command == "budget":
            drawn = budget_plots.budget_drawings(part)
        elif part.command == "plan":
            drawn = plan_plots.plan_drawings(part)
        elif part.command in ("today", "chart"):
            drawn = today_plots.today_drawings(part)
        drawn += life_plots.life_drawings(part)
        if part.command == "icc":
            drawn += _use_figures(part) + d_plots.d_study_figures(part)
        if part.command == "agree":
            drawn += along_plots.along_drawings(part) + line_plots.line_drawings(part)
            drawn += several_plots.several_drawings(part)
        made += [make(f"{number:02d}-{_slug(name)}", title, draw, size=size) for name, title, draw, size in drawn]
    return tuple(made)


def _slug(text: str) -> str:
    from drift.report.output import slug

    return slug(text)


def _constructions(wear: Result) -> list[str]:
    return list(dict.fromkeys(str(c) for c in wear.table("sensor lines")["construction"]))


def _wear_figures(wear: Result, retired: Result | None) -> list[Drawing]:
    return [(f"drift {c}", f"Drift per use{f', {c}' if c else ''}", partial(plots.drift_figure, wear, construction=c,
                                                                             retired=retired), SIZE)
            for c in _constructions(wear)]


def _limit_figures(part: Result, wear: Result) -> list[Drawing]:
    path = plots.table_of(part, "bound path")
    if path is None:
        return []
    pairs = dict.fromkeys((str(c), str(k)) for c, k in zip(path["construction"], path["limit"], strict=True))
    return [(f"limit {k} {c}", f"Limit on {k.replace('_', ' ')}{f', {c}' if c else ''}",
             partial(plots.limit_figure, part, wear, construction=c, limit=k), SIZE) for c, k in pairs]


def _use_figures(part: Result) -> list[Drawing]:
    """Draw coefficient and SEM along use, and compared reliabilities, where a question asked for them."""
    drawn: list[Drawing] = [
        (f"along use {' '.join(g.values())} {part.question}", f"ICC and SEM along use, {part.question}"
         f"{''.join(f', {k} {v}' for k, v in g.items())}", partial(use_plots.windows_figure, part, of=g),
         use_plots.WINDOWS_SIZE) for g in use_plots.window_groups(part)]
    if use_plots.has_ratios(part):
        drawn.append((f"comparison {part.question}", f"Ratios of SEM, {part.question}",
                      partial(use_plots.comparison_figure, part), use_plots.comparison_size(part)))
    return drawn


def render(result: StudyResult, figures: tuple[Figure, ...]) -> str:
    """Return the whole page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    environment = Environment(loader=PackageLoader("drift.report", "templates"), undefined=StrictUndefined,
                              autoescape=select_autoescape(default=True, default_for_string=True),
                              trim_blocks=True, lstrip_blocks=True)
    environment.filters["percent"] = plots.share_text
    study = json.loads(str(result.provenance.settings.get("study", "{}")))
    info = {**dict.fromkeys(("lab", "contact", "protocol_id", "use_is", "invented")), **study.get("study", {})}
    sections = tuple(_section(n, p, figures) for n, p in enumerate(result.parts, 1))
    page = environment.get_template("report.html")
    beside = beside_sections(result)
    return page.render(
        title=_page_title(result), info=info, decisions=decisions(result.parts), sections=sections,
        beside=beside,
        excluded=exclusion_grid(result.exclusions), n_excluded=len(result.exclusions),
        accounts=result.provenance.accounts,
        general=_grouped(tuple(f for f in result.general_findings() if f.code not in SAID_HERE)),
        assumptions=[(s.title, _grouped(s.findings)) for s in sections if s.findings],
        methods=methods_paragraphs(result, study),
        handbook=handbook_pages([*(t for s in sections for t in s.help), *beside.help]),
        provenance=result.provenance.to_dict(), files=result.table("tables read") if _has(result, "tables read")
        else None)


def _page_title(result: StudyResult) -> str:
    """Return the study's own title as it is typed; a question of ours starts with a capital."""
    ours = [p.question for p in result.parts] == [result.question]
    return plots.sentence(result.question) if ours else result.question


def _has(result: Result, name: str) -> bool:
    return plots.table_of(result, name) is not None


def _section(number: int, part: Result, figures: tuple[Figure, ...]) -> Section:
    own = tuple(f for f in figures if f.name.startswith(f"{number:02d}-"))
    shown, folded = (_grids(part, names.get(part.command, ())) for names in (SHOWN_TABLES, FOLDED_TABLES))
    whole = [e for e in part.estimates if "sensor" not in e.of or part.command in ("calibrate", "cells")]
    everything = estimate_grid(whole, caption="Every estimate with its method")
    if part.command == "icc":
        main, shown = reliability_grid(part), (*(_shortened(g) for g in d_study_grids(part)), *shown)
    elif part.command == "retire" and any(t.name == "retire-after counts" and len(t) for t in part.tables):
        first, *others = decision_grids(part)
        main, shown = replace(first, notes=_methods(whole, "retire after")), (*others, *shown)
    elif part.command == "policy":
        policies = policy_grids(part)  # none where nothing was compared
        main, shown = next(iter(policies), None), (*policies[1:], *shown)
    elif part.command == "budget":
        budgets = budget_grids(part)  # none where every reading is refused
        main, shown = next(iter(budgets), None), (*budgets[1:], *shown)
        folded = (*source_grids(part), *folded)
    elif part.command == "plan":
        main = None
    elif (own_grid := gauge_grid(part)) is not None:
        main = own_grid
    else:
        main = estimate_grid([e for e in whole if not e.name.startswith(IN_TABLES.get(part.command, ("\n",)))
                              and not (part.command == "agree" and "pair" in e.of)])
    return Section(anchor=f"q{number}", title=_title(part), command=part.command, answer=part.answer, figures=own,
                   main=main, more=shown, folded=(*([everything] if everything else []), *folded),
                   findings=tuple(f for f in part.findings if f.code not in (NOTE, *TOLD)), help=help_for(part),
                   told=_told(part), said=said_of(part),
                   coverage=" ".join(f"{f.message}." for f in part.findings if f.code == NOTE))


def _told(part: Result) -> tuple[str, ...]:
    """Return the reason for the coefficient and what would narrow its interval, a paragraph each."""
    return tuple(f"{f.message.rstrip('.')}.{' ' + f.mend.rstrip('.') + '.' if f.mend else ''}" for code in TOLD
                 for f in [f for f in part.findings if f.code == code][:MOST_TOLD])


def _grids(part: Result, names: tuple[str, ...]) -> tuple[Grid, ...]:
    return tuple(_shortened(result_grid(t)).turned() for name in names for t in part.tables
                 if t.name == name and len(t) > 0)


def _methods(estimates: list[Estimate], name: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(e.method for e in estimates if e.name == name and e.method))


def _title(part: Result) -> str:
    general = TITLES.get(part.command, part.command)
    if part.command == "today":
        return plots.sentence(part.question)
    # Asked once a study, so that the title says it all.
    alone = ("plan", "wear", "retire", "recalibrate", "policy", "cells", "budget")
    same = part.question.casefold() == general.casefold()
    return general if part.command in alone or same else f"{general}: {part.question}"


def _shortened(grid: Grid) -> Grid:
    if len(grid.rows) <= LONG:
        return grid
    return replace(grid, rows=grid.rows[:LONG], left_out=len(grid.rows) - LONG)


def _grouped(findings: tuple[Finding, ...]) -> list[dict[str, Any]]:
    """Group findings that say the same; one entry each group, cautions first, with the number of places."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for f in findings:
        groups.setdefault((f.severity, f.code, f.message), []).append(f)
    order = {"error": 0, "warning": 1, "note": 2}
    made = [{"severity": key[0], "message": key[2], "mend": found[0].mend, "count": len(found),
             "places": [f.place for f in found if f.place][:3]} for key, found in groups.items()]
    return sorted(made, key=lambda g: order[g["severity"]])
