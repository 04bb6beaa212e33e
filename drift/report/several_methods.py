"""The methods paragraph of a question about several methods."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from drift.results import Result, format_interval, join_words


def is_several(part: Result) -> bool:
    """Tell whether a result compares several methods."""
    return any(t.name == "pairwise limits" for t in part.tables)


def several_paragraph(part: Result, asked: Mapping[str, Any]) -> str:
    """Return what was done and found, ready to paste."""
    table = part.table("limits with the mean")
    methods = list(dict.fromkeys(str(m) for m in table["method"]))
    limits = [e for e in part.estimates if e.name == "limit of agreement with the mean" and math.isfinite(e.value)
              and e.of.get("methods") == "as they are"]
    unit = f" {limits[0].unit}" if limits and limits[0].unit else ""
    shown = join_words(f"{format_interval(e.value, e.low, e.high)}{unit}{_of(e.of)}" for e in limits[:3])
    pairs = next((e.method for e in part.estimates if e.name == "upper limit" and "pair" in e.of), "")
    errors = next((e.method for e in part.estimates if e.name.startswith("error SD")), "")
    overall = [e for e in part.estimates if e.name == "overall CCC" and math.isfinite(e.value)]
    verdicts = next((t for t in part.tables if t.name == "verdict"), None)
    harmless = "" if verdicts is None or not len(verdicts) else (
        f" The largest difference that would not matter was {verdicts['harmless in words'][0]}; the set counts as "
        "interchangeable when the outer one-sided 95 % bounds of both limits of every pair lie inside it "
        "(intersection-union test, Berger 1982), a pair by itself when bounds that hold for all pairs together do.")
    return (f"Agreement of {join_words(methods)} was judged by limits of agreement with the mean of all (Jones, Dobson "
            f"and O'Brian 2011; Christensen et al. 2020): \N{PLUS-MINUS SIGN}{shown or ' not estimable'}; and by "
            f"limits of every pair ({pairs}).{harmless}"
            f"{f' Error SDs of the methods: {errors} (after Grubbs 1948).' if errors else ''}"
            + (f" Overall concordance was {join_words(e.text() + _of(e.of) for e in overall[:3])} "
               f"({overall[0].method})." if overall else ""))


def _of(labels: Mapping[str, str]) -> str:
    words = [v for k, v in labels.items() if k not in ("question", "methods")]
    return f" ({join_words(words)})" if words else ""
