"""The methods sentence of comparison lines."""

from __future__ import annotations

import math

from drift.results import Result, format_interval, join_words

SOURCES = {"deming": "Deming regression (Linnet 1990)", "weighted deming": "weighted Deming regression (Linnet 1990)",
           "passing-bablok": "Passing-Bablok regression (1983)", "york": "York regression (York et al. 2004)"}


def line_sentence(part: Result) -> str:
    """Return a sentence on the comparison lines of an agreement question, with a leading blank; empty without one."""
    of_slope = [e for e in part.estimates if e.name == "slope" and "line" in e.of and math.isfinite(e.value)]
    by_line = {line: [e for e in of_slope if e.of["line"] == line] for line in dict.fromkeys(e.of["line"]
                                                                                             for e in of_slope)}
    told = []
    for line, slopes in by_line.items():
        shown = join_words(format_interval(e.value, e.low, e.high) for e in slopes[:3])
        more = f" and {len(slopes) - 3} further groups" if len(slopes) > 3 else ""
        told.append(f"{SOURCES.get(line, line)}, slope {shown}{more} ({slopes[0].method})")
    return f" Comparison lines were fitted by {join_words(told)}." if told else ""
