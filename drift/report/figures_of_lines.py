"""Figures of comparison lines: readings of one method on the other, the line with its band, and identity."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, table_of, unit_of
from drift.report.figures_of_trials import compared, rows_of
from drift.results import Estimate, Result, format_interval

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

FloatArray = NDArray[np.float64]
ROOM = 0.35  # of the readings' span, by which a band may widen the axes
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
    title = sentence(TITLES.get(of["line"], of["line"]))
    handles: list[Artist] = [axes.plot(x, fit, color=look.MODEL, linewidth=1.9, zorder=3, label=f"{title} line")[0]]
    banded = bool(np.all(np.isfinite(low) & np.isfinite(high)))
    if banded:
        handles.append(axes.fill_between(x, low, high, color=look.BAND, linewidth=0, alpha=0.75, zorder=1,
                                         label="its interval"))
        for edge in (low, high):
            axes.plot(x, edge, color=look.MODEL, linewidth=0.6, zorder=1.5)
    span = float(max(b.max(), a.max()) - min(b.min(), a.min()))
    # A line that falls, or a wide band, leaves the readings' own square; the axes follow it, but not without end.
    floor, top = float(a.min()), float(a.max())
    seen = np.concatenate([np.clip(fit, floor - span, top + span),
                           np.clip([*low, *high], floor - ROOM * span, top + ROOM * span) if banded else []])
    ends = (float(min(b.min(), floor, seen.min())), float(max(b.max(), top, seen.max())))
    room = 0.03 * (ends[1] - ends[0])
    handles += axes.plot(ends, ends, color=look.LIMIT, linestyle="--", linewidth=1.1, zorder=2.5, label="identity")
    handles += _points(axes, result, of, b, a)
    axes.set_xlim(ends[0] - room, ends[1] + room)
    axes.set_ylim(ends[0] - room, ends[1] + room)
    of_a, of_b = compared(result)
    axes.set_xlabel(axis_label(of_b, unit))
    axes.set_ylabel(axis_label(of_a, unit))
    # The corner that neither line crosses.
    axes.legend(handles=handles, loc="upper left" if fit[-1] >= fit[0] else "upper center", fontsize=7.5, frameon=True,
                framealpha=0.85, edgecolor="none", handlelength=2.2)
    cut = banded and bool(np.any(low < ends[0] - room) or np.any(high > ends[1] + room))
    return _caption(result, of, unit, len(a), of_a, of_b) + (
        " It is cut where it leaves the picture." if cut else "")


def _points(axes: Axes, result: Result, of: Mapping[str, str], b: FloatArray, a: FloatArray) -> list[Line2D]:
    """Draw the points of the line; where these are means, the pairs stand faintly behind them."""
    table, made = table_of(result, "comparison line points"), []
    means = np.zeros(0, dtype=bool) if table is None else rows_of(table, of)
    if table is not None and means.any():
        made += axes.plot(b, a, ".", color=look.FAINT, markersize=4.5, markeredgewidth=0, zorder=1.8, alpha=0.8,
                          label="pair")
        b, a = table["b"][means], table["a"][means]
    slope = find(result, "slope", **of)
    label = f"mean of a {_counted(slope, 0).partition(' levels of ')[2]}" if slope is not None else "mean"
    size, alpha = (4.0, 0.9) if len(a) <= 150 else (3.0, 0.9 if len(a) <= 500 else 0.6)
    return [*axes.plot(b, a, "o", color=look.DATA, markersize=size, markeredgecolor=look.INK, markeredgewidth=0.5,
                       zorder=3.2 if len(a) <= 500 else 2, alpha=alpha, label=label if made else "pair"), *made]


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
                    f"would leave no difference in proportion ({_counted(slope, n)}).{band}")


def _counted(slope: Estimate, n: int) -> str:
    """Return what the line rests on: the means that its method names, else the pairs."""
    on = re.search(r" on (the means of \d+ levels of [^;,]+)", slope.method)
    return on[1] if on else f"{n} pairs"


def _shown(e: Estimate) -> str:
    return format_interval(e.value, e.low, e.high)
