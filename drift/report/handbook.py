"""Handbook pages as HTML: folded in the report, and all of them as one local page."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from drift.handbook_pages import FOLDER, Page, find, pages

if TYPE_CHECKING:
    from drift.results import Result

# Which pages help to read the answer of a command.
HELP = {
    "icc": ("icc", "sem", "mdc"),
    "gauge": ("gauge",),
    "lifetimes": ("life-data",),
    "interlaboratory": ("gauge",),
    "agree": ("agreement", "limits-of-agreement"),
    "wear": ("robust-trend", "shapes-of-drift"),
    "retire": ("retire-after",),
    "recalibrate": ("recalibration-interval",),
    "policy": ("policy",),
    "calibrate": ("calibration-curves", "inverse-prediction"),
    "cells": ("cell-gains",),
    "budget": ("uncertainty-budget",),
    "plan": ("planning",),
    "today": ("today", "control-charts", "rig-steps"),
    "chart": ("control-charts",),
    "review": ("reported-numbers",),
}
_FIGURE = re.compile(r"<p><img src=\"figures/([\w-]+)\.svg\" alt=\"[^\"]*\"\s*/?></p>")
_TOPIC = re.compile(r"<code>drift explain ([a-z -]+)</code>")


@dataclass(frozen=True)
class Shown:
    """A page ready to stand in HTML: anchor, title, and its body without the title."""

    anchor: str
    topic: str
    title: str
    body: str


def help_for(part: Result) -> tuple[str, ...]:
    """Return the topics that help to read one result, those that have a page."""
    topics = list(HELP.get(part.command, ()))
    if part.command == "icc":
        settings = part.provenance.settings
        names = {t.name for t in part.tables} | {e.name for e in part.estimates}
        text = " ".join(names).casefold()
        for topic, sign in (("repeated-uses", ("drift left in", "trend of")),
                            ("comparing", ("comparison of", "ratio of sem")),
                            ("generalizability", ("phi coefficient", "g coefficient"))):
            if any(s in text for s in sign) or (topic == "comparing" and settings.get("compare")):
                topics.append(topic)
    if part.command == "agree" and any(t.name == "variance components" or t.caption.endswith("means of each target")
                                       for t in part.tables):
        topics.append("repeated-pairs")
    if part.command == "wear" and any(t.name == "exposures" or e.name.endswith("new batch") for t in part.tables
                                      for e in part.estimates):
        topics.append("exposures-and-clocks")
    if part.command == "agree" and any(t.name == "verdict" for t in part.tables):
        topics.append("equivalence")
    if part.command == "agree" and any(t.name == "limits, plain and proposed" for t in part.tables):
        topics.append("variants-of-limits")
    if part.command == "agree" and any(t.name == "along use" for t in part.tables):
        topics.append("agreement-along-use")
    if part.command == "agree" and any(t.name == "comparison lines" for t in part.tables):
        topics.append("comparison-lines")
    if part.command == "agree" and any(t.name == "concordance" for t in part.tables):
        topics.append("concordance")
    if part.command == "agree" and any(t.name == "pairwise limits" for t in part.tables):
        topics.append("several-methods")
    if part.command == "agree" and any(t.name == "limits by pressure" for t in part.tables):
        topics = ["recalculating", "equivalence"] if "equivalence" in topics else ["recalculating"]
    if part.estimates and topics:
        topics.append("coverage")
    return tuple(t for t in topics if find(t) is not None)


# As the macro "sliding" of the templates.
SLIDE = ('<div class="scroll"><div class="slide"><p class="hint"><span>Slide sideways to see all of it. →</span></p>',
         "</div></div>")


def shown(topics: Sequence[str] | None = None, *, figures: bool = True) -> tuple[Shown, ...]:
    """Return pages as HTML.

    Parameters
    ----------
    topics : sequence of str, optional
        All pages by default.
    figures : bool
        Whether figures stand in them.
    """
    chosen = pages() if topics is None else tuple(p for t in dict.fromkeys(topics) if (p := find(t)) is not None)
    return tuple(_shown(p, {q.spoken for q in chosen}, figures=figures) for p in chosen)


def _shown(page: Page, linked: set[str], *, figures: bool) -> Shown:
    html = _html(page.markdown)
    html = re.sub(r"<h1>.*?</h1>\s*", "", html, count=1)
    html = html.replace("<h2>", "<h3>").replace("</h2>", "</h3>")
    html = re.sub(r"<table>(.*?)</table>", rf"{SLIDE[0]}<table>\1</table>{SLIDE[1]}", html, flags=re.DOTALL)
    html = re.sub(r' style="text-align:\s*right"', ' class="num"', html)
    html = _FIGURE.sub(lambda m: figure(m.group(1)) if figures else "", html)

    def link(m: re.Match[str]) -> str:
        there = find(m.group(1))
        return (f'<a href="#handbook-{there.topic}">{m.group(0)}</a>' if there is not None and there.spoken in linked
                else m.group(0))

    return Shown(f"handbook-{page.topic}", page.topic, page.title, _TOPIC.sub(link, html))


def _html(text: str) -> str:
    from markdown_it import MarkdownIt

    return str(MarkdownIt("commonmark", {"html": False}).enable("table").render(text))


@cache
def captions() -> dict[str, str]:
    """Return the caption of every figure, as written by the program that drew it."""
    file = FOLDER / "figures" / "captions.json"
    found: dict[str, str] = json.loads(file.read_text(encoding="utf-8")) if file.is_file() else {}
    return found


def figure(name: str) -> str:
    """Return a figure with its caption for a page; nothing where it is not there."""
    from html import escape

    from drift.report.drawing import Figure

    file = FOLDER / "figures" / f"{name}.svg"
    if not file.is_file():
        return ""
    caption = captions().get(name, "")
    drawn = Figure(name=name, title=name.replace("-", " "), caption=caption, svg=file.read_text(encoding="utf-8"),
                   png=b"")
    return (f'<figure class="handbook">\n{drawn.inline}\n<figcaption>{escape(caption)}</figcaption>\n</figure>')


def whole_page() -> str:
    """Return all pages as one self-contained local page in the style of the report."""
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    from drift._version import __version__

    environment = Environment(loader=PackageLoader("drift.report", "templates"), undefined=StrictUndefined,
                              autoescape=select_autoescape(default=True, default_for_string=True),
                              trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("handbook.html").render(pages=shown(), version=__version__)
