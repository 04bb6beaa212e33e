"""The handbook: pages of Markdown inside the package, found by topic.

Only the standard library is used, so that a page is on the screen before a numerical library would be loaded.
A line ``<!-- coverage: FAMILY; quantity = A | B; design = ... -->`` stands for rows of the tables of simulated
coverage, which are read from ``handbook/coverage`` each time a page is shown and never copied into it.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "handbook"
# Pages in the order of a first reading; others follow by name.
ORDER = ("calibration-curves", "inverse-prediction", "cell-gains",
         "icc", "sem", "mdc", "repeated-uses", "comparing", "generalizability", "gauge", "agreement",
         "limits-of-agreement", "variants-of-limits", "repeated-pairs", "equivalence",
         "agreement-along-use", "comparison-lines", "concordance", "several-methods",
         "recalculating", "robust-trend", "shapes-of-drift", "exposures-and-clocks", "retire-after", "life-data",
         "first-passage", "several-criteria",
         "recalibration-interval", "policy", "uncertainty-budget",
         "today", "ledger", "control-charts", "rig-steps", "planning", "items", "lock", "protocol", "reported-numbers",
         "coverage", "estimates", "columns")
ALSO = {"reporting": "items", "reporting items": "items", "grras": "items", "cosmin": "items", "checklist": "items",
        "risk of bias": "items", "locks": "lock", "preregistration": "lock", "fixed in advance": "lock",
        "protocol notes": "protocol", "common practice": "protocol",
        "review": "reported-numbers", "claims": "reported-numbers", "printed numbers": "reported-numbers",
        "theil sen": "robust-trend", "kendall": "robust-trend", "break": "shapes-of-drift",
        "break in": "shapes-of-drift", "start": "shapes-of-drift", "autocorrelation": "shapes-of-drift",
        "clocks": "exposures-and-clocks", "exposures": "exposures-and-clocks", "new batch": "exposures-and-clocks",
        "plan": "planning", "sample size": "planning", "power": "planning", "schedule": "planning",
        "budget": "uncertainty-budget", "uncertainty": "uncertainty-budget", "gum": "uncertainty-budget",
        "expanded uncertainty": "uncertainty-budget", "monte carlo": "uncertainty-budget",
        "calibration": "calibration-curves", "calibrate": "calibration-curves", "hysteresis": "calibration-curves",
        "creep": "calibration-curves", "linearity of a curve": "calibration-curves", "saturation pressure":
        "calibration-curves", "fieller": "inverse-prediction", "inversion": "inverse-prediction",
        "gains": "cell-gains", "dead cells": "cell-gains", "equalisation": "cell-gains",
        "retire": "retire-after", "retirement": "retire-after", "tolerance bound": "retire-after",
        "new baseline": "rig-steps", "step of the rig": "rig-steps",
        "log": "ledger", "check standard": "control-charts", "chart": "control-charts", "cusum": "control-charts",
        "ewma": "control-charts", "remaining uses": "today", "sensors today": "today", "forecast": "today",
        "recalculated": "recalculating", "recalculate": "recalculating", "calibrations": "recalculating",
        "raw trials": "recalculating", "methods": "several-methods", "several sensors": "several-methods",
        "pairwise limits": "several-methods",
        "limits with the mean": "several-methods", "grubbs": "several-methods",
        "variants": "variants-of-limits", "ratio limits": "variants-of-limits",
        "regression limits": "variants-of-limits", "percent limits": "variants-of-limits",
        "nonparametric limits": "variants-of-limits", "log limits": "variants-of-limits",
        "bland altman": "limits-of-agreement", "tolerance limits": "limits-of-agreement",
        "survival plot": "limits-of-agreement", "agreement survival": "limits-of-agreement",
        "verdict": "equivalence", "harmless": "equivalence", "harmless difference": "equivalence",
        "interchangeable": "equivalence", "total deviation index": "equivalence", "tost": "equivalence",
        "repeats": "repeated-pairs", "replicates": "repeated-pairs", "repeated measurements": "repeated-pairs",
        "agreement that drifts": "agreement-along-use", "protocol limit": "agreement-along-use",
        "uses left": "agreement-along-use",
        "reliability": "icc", "intraclass correlation": "icc", "standard error of measurement": "sem",
        "measurement error": "sem", "minimal detectable change": "mdc", "smallest change": "mdc",
        "repeatability": "gauge", "iso 5725": "gauge", "interlaboratory": "gauge", "g study": "generalizability",
        "d study": "generalizability", "drift": "repeated-uses", "uses": "repeated-uses", "windows": "repeated-uses",
        "compare": "comparing", "comparison": "comparing", "bias": "limits-of-agreement",
        "lifetimes": "life-data", "weibull": "life-data", "turnbull": "life-data", "survival": "life-data",
        "censoring": "life-data", "kaplan meier": "life-data", "weibayes": "life-data",
        "bernstein": "first-passage", "wiener": "first-passage", "gamma process": "first-passage",
        "cumulative incidence": "several-criteria", "competing risks": "several-criteria",
        "staircase": "several-criteria", "interval methods": "several-criteria",
        "settings": "columns", "study.toml": "columns", "json": "estimates", "names": "estimates",
        "ccc": "concordance", "concordance correlation": "concordance", "overall concordance": "concordance",
        "policies": "policy", "cost": "policy", "costs": "policy", "age replacement": "policy",
        "guard band": "policy", "spoilt sessions": "policy",
        "recalibration": "recalibration-interval", "recalibrate": "recalibration-interval",
        "interval of recalibration": "recalibration-interval", "tolerance": "recalibration-interval",
        "simulation": "coverage", "deming": "comparison-lines", "weighted deming": "comparison-lines",
        "passing bablok": "comparison-lines", "york": "comparison-lines", "lines": "comparison-lines"}
SECTIONS = ("When to use it", "What it assumes", "How to read it", "How to report it", "What goes wrong", "Formulas",
            "References")
_DIRECTIVE = re.compile(r"^<!-- coverage: (.+?) -->$", re.MULTILINE)
_FIGURE = re.compile(r"^!\[([\w-]+)\]\(figures/([\w-]+)\.svg\)\n*", re.MULTILINE)


@dataclass(frozen=True)
class Page:
    """One page.

    Parameters
    ----------
    topic : str
        Name of the file without its ending, such as ``"repeated-uses"``.
    title : str
        The first heading.
    source : str
        Markdown as it stands in the file.
    """

    topic: str
    title: str
    source: str

    @property
    def spoken(self) -> str:
        """The topic as it is typed: ``repeated uses``."""
        return self.topic.replace("-", " ")

    @property
    def text(self) -> str:
        """Markdown for a terminal: rows of coverage filled in, figures left out."""
        return _FIGURE.sub("", self.markdown)

    @property
    def markdown(self) -> str:
        """Markdown with the rows of coverage filled in."""
        return _DIRECTIVE.sub(lambda m: coverage_rows(m.group(1)), self.source)

    @property
    def summary(self) -> str:
        """The first sentence of the page."""
        body = re.sub(r"^#.*$", "", self.source, flags=re.MULTILINE).strip()
        first = " ".join(body.split("\n\n", 1)[0].split())
        return re.split(r"(?<=[.?!]) (?=[A-Z])", first)[0]

    def sections(self) -> list[tuple[str, str]]:
        """Return headings and the Markdown below them, in order; what stands before the first has the title."""
        parts = re.split(r"^## +(.+)$", self.text.split("\n", 1)[1], flags=re.MULTILINE)
        found = [(self.title, parts[0].strip())] if parts[0].strip() else []
        return found + [(h.strip(), b.strip()) for h, b in zip(parts[1::2], parts[2::2], strict=True)]


@cache
def pages() -> tuple[Page, ...]:
    """Return every page, in the order of a first reading."""
    found = {p.stem: p for p in FOLDER.glob("*.md")}
    names = [n for n in ORDER if n in found] + sorted(n for n in found if n not in ORDER)
    return tuple(_read(found[n]) for n in names)


def _read(path: Path) -> Page:
    source = path.read_text(encoding="utf-8")
    return Page(path.stem, source.split("\n", 1)[0].lstrip("# ").strip(), source)


def _plain(topic: str) -> str:
    return " ".join(re.sub(r"[\s_-]+", " ", topic).casefold().split())


def find(topic: str) -> Page | None:
    """Return the page of a topic, however it is spelled; None where there is none."""
    wanted = _plain(topic)
    wanted = _plain(ALSO.get(wanted, wanted))
    return next((p for p in pages() if _plain(p.topic) == wanted), None)


def nearest(topic: str) -> str:
    """Return the topic nearest to one that is not known; empty where none is near."""
    known = {**{p.spoken: p.spoken for p in pages()}, **{k: v.replace("-", " ") for k, v in ALSO.items()
                                                       if find(v) is not None}}
    close = difflib.get_close_matches(_plain(topic), list(known), n=1, cutoff=0.6)
    return known[close[0]] if close else ""


def coverage_rows(request: str) -> str:
    """Return rows of the tables of simulated coverage as Markdown.

    Parameters
    ----------
    request : str
        ``FAMILY; quantity = A | B; design = C | D; method = E | F``; each filter may be left out. A design that
        no table holds stands for the nearest one that is there; a method is named by its interval. A table of shares
        that are no coverage of intervals says with ``share = WORDS`` what they are shares of.
    """
    from drift.simulated import Design, parse, rows_of
    from drift.simulated.designs import distance, parameter_distance
    from drift.simulated.tables import Row, core

    family, *rest = (p.strip() for p in request.split(";"))
    wanted = {k.strip(): [v.strip() for v in values.split("|")] for k, _, values in (r.partition("=") for r in rest)}
    quantities = wanted.get("quantity", [])
    methods = {core(m) for m in wanted.get("method", [])}
    rows = [r for r in rows_of(family.removesuffix(".csv")) if (not quantities or r.quantity in quantities)
            and (not methods or core(r.method) in methods)]

    def nearest_design(text: str) -> str:
        mine: Design = parse(text)
        near: Row = min(rows, key=lambda r: (r.text != text, distance(mine, r.design),
                                             parameter_distance(mine, r.design)))
        return near.text

    if rows and "design" in wanted:
        chosen = list(dict.fromkeys(nearest_design(d) for d in wanted["design"]))
        rows = sorted((r for r in rows if r.text in chosen), key=lambda r: chosen.index(r.text))
    return _coverage_table(rows, " ".join(wanted.get("share", []))) if rows else ""


def _coverage_table(rows: list[Any], share: str = "") -> str:
    nominal = ", ".join(dict.fromkeys(f"{r.nominal:g}" for r in rows))
    studies = sorted({r.studies for r in rows})
    many = f"{studies[0]:,}" if len(studies) == 1 else f"{studies[0]:,} to {studies[-1]:,}"
    when = f"({many} studies a row, {max(r.date for r in rows)}):"
    if share:
        lines = [f"| design | said | {share} |", "|---|---|---:|"]
        lines += [f"| {r.text} | {r.method} | {r.coverage:.3f} |" for r in rows]
        return "\n".join([f"Simulated, {share} {when}", "", *lines])
    head = f"Simulated coverage of nominal {nominal} intervals {when}"
    places = 3 if max((r.width for r in rows if r.width == r.width), default=0.0) < 10 else 1
    lines = ["| design | quantity | method | coverage | mean width |", "|---|---|---|---:|---:|"]
    lines += [f"| {r.text} | {r.quantity} | {r.method} | {r.coverage:.3f} | "
              f"{f'{r.width:.{places}f}' if r.width == r.width else 'no bound'} |" for r in rows]
    return "\n".join([head, "", *lines])
