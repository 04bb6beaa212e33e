"""Figures of comparison lines: readings of one method on the other, the line with its band, and identity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, table_of, unit_of
from drift.report.figures_of_trials import compared, rows_of
from drift.results import Estimate, Result, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE = (4.9, 4.1)
TITLES = {"deming": "Deming", "weighted deming": "weighted Deming", "passing-bablok": "Passing-Bablok", "york": "York"}
Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]


def line_drawings(result: Result) -> list[Drawing]:
    """Return a drawing for every line of every group: name, title, function and size."""
    if table_of(result, "comparison line path") is None or table_of(result, "pairs") is None:
        return []
    made: list[Drawing] = []
    for e in result.estimates:
        if e.name == "slope" and "line" in e.of and math.isfinite(e.value):
            of = {k: v for k, v in e.of.items() if k != "question"}
            group = [(k, v) for k, v in of.items() if k != "line"]
            made.append((f"line {of['line']} {' '.join(v for _, v in group)} {result.question}",
                         f"{sentence(TITLES.get(of['line'], of['line']))} line, {result.question}"
                         f"{''.join(f', {k} {v}' for k, v in group)}", partial(line_figure, result, of=of), SIZE))
    return made


def line_figure(result: Result, axes: Axes, *, of: Mapping[str, str]) -> str:
    """Draw readings of a on readings of b with one comparison line, its band and the line of identity.

    Parameters
    ----------
    result : Result
        Of an agreement question with tables "pairs" and "comparison line path".
    axes : Axes
    of : mapping
        Labels of the line: "line", and those of its group.

    Returns
    -------
    str
        The caption.
    """
    pairs, path = result.table("pairs"), result.table("comparison line path")
    keep, own = rows_of(pairs, {k: v for k, v in of.items() if k != "line"}), rows_of(path, of)
    unit = unit_of(path, "fit")
    a = pairs["mean"][keep] + pairs["difference"][keep] / 2
    b = pairs["mean"][keep] - pairs["difference"][keep] / 2
    x, fit, low, high = (path[c][own] for c in ("reading", "fit", "low", "high"))
    if np.all(np.isfinite(low) & np.isfinite(high)):
        axes.fill_between(x, low, high, color=look.BAND, linewidth=0, alpha=0.75, zorder=1)
        for edge in (low, high):
            axes.plot(x, edge, color=look.MODEL, linewidth=0.6, zorder=1.5)
    size = 3.4 if len(a) <= 150 else 2.0
    axes.plot(b, a, "o", color=look.DATA, markersize=size, markerfacecolor="none", markeredgewidth=0.7, zorder=2,
              alpha=0.9 if len(a) <= 500 else 0.5)
    span = float(max(b.max(), a.max()) - min(b.min(), a.min()))
    # A line that falls leaves the readings' own square; the axes follow it, but not without end.
    seen = np.clip(fit, float(a.min()) - span, float(a.max()) + span)
    ends = (float(min(b.min(), a.min(), seen.min())), float(max(b.max(), a.max(), seen.max())))
    room = 0.03 * (ends[1] - ends[0])
    axes.plot(ends, ends, color=look.LIMIT, linestyle="--", linewidth=1.1, zorder=2.5)
    axes.plot(x, fit, color=look.MODEL, linewidth=1.9, zorder=3)
    axes.set_xlim(ends[0] - room, ends[1] + room)
    axes.set_ylim(ends[0] - room, ends[1] + room)
    of_a, of_b = compared(result)
    axes.set_xlabel(axis_label(of_b, unit))
    axes.set_ylabel(axis_label(of_a, unit))
    title = sentence(TITLES.get(of["line"], of["line"]))
    look.end_labels(axes, [float(x[-1]), ends[1]], [float(seen[-1]), ends[1]], [f"{title}\nline", "identity\n(dashed)"],
                    colour=look.INK, size=8, lines=2)
    return _caption(result, of, unit, len(a), of_a, of_b)


def _caption(result: Result, of: Mapping[str, str], unit: str, n: int, a: str, b: str) -> str:
    slope, intercept = find(result, "slope", **of), find(result, "intercept", **of)
    assert slope is not None
    assert intercept is not None
    title = TITLES.get(of["line"], of["line"])
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items() if k != "line")])
    ends = [e for where in ("lowest reading", "highest reading")
            if (e := find(result, "predicted difference", at=where, **of)) is not None]
    apart = " and ".join(f"{_shown(e)} {unit}".rstrip() + f" at the {e.of['at']}" for e in ends)
    band = (f" The band is the {100 * slope.level:g} % interval of the line." if math.isfinite(slope.low)
            and math.isfinite(slope.high) else "")
    return sentence(f"{lead}: by the {title} line {a} {MINUS} {b} is {apart}; its slope is {_shown(slope)}, where 1 "
                    f"would leave no difference in proportion ({n} pairs).{band}")


def _shown(e: Estimate) -> str:
    return format_interval(e.value, e.low, e.high)
