"""Figures of gauge and interlaboratory studies: components with intervals, bias along the range, Mandel's h and k."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.report import drawing as look
from drift.report.figures import axis_label, sentence, table_of, unit_of
from drift.results import Result, ResultTable, join_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
ROW = 0.2
STUDY = "% of study variation"
MEASURES = frozenset({"source", "SD", "SD low", "SD high", "method"})


def gauge_figures(part: Result) -> list[Drawing]:
    """Return the figures of a gauge study or of an interlaboratory study."""
    if part.command == "gauge":
        drawn: list[Drawing] = []
        if table_of(part, "gauge components") is not None:
            drawn.append((f"components {part.question}", f"Where the variation comes from, {part.question}",
                          partial(components_figure, part), components_size(part)))
        bias = table_of(part, "bias")
        if bias is not None and len(np.unique(bias["reference"])) > 1:
            drawn.append((f"bias {part.question}", f"Bias along the range, {part.question}", partial(bias_figure, part),
                          (4.9, 3.2)))
        return drawn
    table = table_of(part, "laboratories")
    if table is None:
        return []
    return [(f"mandel {what} {part.question}", f"Mandel's {what}, {part.question}",
             partial(mandel_figure, part, what=what), (4.9, 3.3))
            for what in ("h", "k") if np.isfinite(table[what]).any()]


def _groups(table: ResultTable) -> list[str]:
    names = [c.name for c in table.columns]
    return names[:names.index("source")]


def components_size(result: Result) -> tuple[float, float]:
    """Return a size that gives every row of "gauge components" its line."""
    table = result.table("gauge components")
    return 4.9, max(1.9, 1.0 + ROW * len(table))


def components_figure(result: Result, axes: Axes) -> str:
    """Draw each source with its interval, in percent of the study variation where that is known, else as an SD.

    Parameters
    ----------
    result : Result
        Of a gauge study; table "gauge components".
    axes : Axes

    Returns
    -------
    str
        The caption.
    """
    table = result.table("gauge components")
    share = any(c.name == STUDY for c in table.columns) and bool(np.isfinite(table[STUDY]).any())
    what = STUDY if share else "SD"
    groups = _groups(table)
    series = list(dict.fromkeys(tuple(str(table[g][i]) for g in groups) for i in range(len(table))))
    sources = [s for s in dict.fromkeys(str(v) for v in table["source"]) if not (share and s.startswith("total"))]
    y, ticks = 0.0, []
    for source in sources:
        first = y
        for s, which in enumerate(series):
            for i in range(len(table)):
                if str(table["source"][i]) == source and tuple(str(table[g][i]) for g in groups) == which:
                    _bar(axes, table, what, i, y, s, " ".join(which) if source == sources[0] else "")
                    y += 1.0
        ticks.append((first + y - 1.0) / 2)
        y += 0.6
    axes.set_yticks(ticks, sources)
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("share of the study variation (SD over total SD) [%]" if share else
                    axis_label("SD", unit_of(table, "SD")))
    if groups:
        axes.legend(loc="best", fontsize=7.5, title=", ".join(groups), title_fontsize=7.5)
    extra = " Shares are of SDs and do not add up to 100 %." if share else ""
    return sentence(f"{result.question}: {result.answer.split('; ')[0]}. Bars are estimates with "
                    f"{100 * result.provenance.level:g} % intervals.{extra}")


def _bar(axes: Axes, table: ResultTable, what: str, i: int, y: float, s: int, label: str) -> None:
    value, low, high = (float(table[f"{what}{end}"][i]) for end in ("", " low", " high"))
    if not math.isfinite(value):
        return
    strong = str(table["source"][i]).startswith("gauge")
    colour = look.SERIES[s % len(look.SERIES)]
    axes.barh(y, value, height=0.72, color=colour, alpha=0.85 if strong else 0.45, label=label or None)
    if math.isfinite(low) and math.isfinite(high):
        axes.plot([low, high], [y, y], color=look.INK, linewidth=1.1)
        axes.plot([low, high], [y, y], "|", color=look.INK, markersize=5)


def bias_figure(result: Result, axes: Axes) -> str:
    """Draw each part's bias with its interval against the reference, and the line through them.

    Parameters
    ----------
    result : Result
        Of a gauge study; tables "bias" and "linearity".
    axes : Axes

    Returns
    -------
    str
        The caption.
    """
    table = result.table("bias")
    x, bias, low, high = (np.asarray(table[c], dtype=np.float64)
                          for c in ("reference", "bias", "bias low", "bias high"))
    axes.axhline(0, color=look.FAINT, linewidth=0.9)
    there = np.isfinite(low)
    axes.vlines(x[there], low[there], high[there], color=look.DATA, linewidth=1.3)
    axes.plot(x, bias, "o", color=look.DATA, markersize=4)
    line = table_of(result, "linearity")
    told = ""
    if line is not None and len(line) and len({str(v) for v in line["through"]}) == len(line):
        ends = np.array([x.min(), x.max()])
        axes.plot(ends, float(line["bias at 0"][0]) + float(line["slope"][0]) * ends, color=look.MODEL)
        told = " The line is least squares through the readings."
    unit = unit_of(table, "bias")
    axes.set_xlabel(axis_label("reference", unit))
    axes.set_ylabel(axis_label("bias (mean less reference)", unit))
    return sentence(f"{result.question}: bias of {len(x)} parts along the range, with "
                    f"{100 * result.provenance.level:g} % intervals of each part's own readings.{told}")


def mandel_figure(result: Result, axes: Axes, *, what: str) -> str:
    """Draw Mandel's h or k of every laboratory, a bar a level, with critical values at 5 % and 1 %.

    Parameters
    ----------
    result : Result
        Of an interlaboratory study; table "laboratories".
    axes : Axes
    what : {"h", "k"}

    Returns
    -------
    str
        The caption.
    """
    table = result.table("laboratories")
    names = [c.name for c in table.columns]
    own = names[:names.index("results")]
    labs, material = own[-1], own[0] if len(own) > 1 else None
    laboratories = list(dict.fromkeys(str(v) for v in table[labs]))
    levels = list(dict.fromkeys(str(v) for v in table[material])) if material else [""]
    width = 0.8 / len(levels)
    values = np.asarray(table[what], dtype=np.float64)
    for j, level in enumerate(levels):
        rows = [i for i in range(len(table)) if material is None or str(table[material][i]) == level]
        at = [laboratories.index(str(table[labs][i])) - 0.4 + (j + 0.5) * width for i in rows]
        axes.bar(at, values[rows], width=0.9 * width, color=look.SERIES[j % len(look.SERIES)], label=level or None)
    axes.set_xticks(range(len(laboratories)), laboratories)
    axes.grid(visible=False, axis="x")
    axes.axhline(0, color=look.FAINT, linewidth=0.9)
    beyond = []
    for percent, dashes in (("5 %", ":"), ("1 %", "--")):
        limits = np.asarray(table[f"{what} critical {percent}"], dtype=np.float64)
        usual = _usual(limits)
        if math.isfinite(usual):
            for sign in ((1, -1) if what == "h" else (1,)):
                axes.axhline(sign * usual, color=look.LIMIT, linestyle=dashes, linewidth=1.1)
            axes.annotate(percent, (1.005, usual), xycoords=axes.get_yaxis_transform(), fontsize=7.5, va="center",
                          color=look.LIMIT)
        if percent == "1 %":
            beyond = [f"{labs} {table[labs][i]}{f' ({table[material][i]})' if material else ''}"
                      for i in range(len(table)) if abs(values[i]) > limits[i]]
    axes.set_xlabel(labs)
    axes.set_ylabel(axis_label(f"Mandel's {what}", ""))
    if material:
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), fontsize=7.5, ncols=min(len(levels), 6),
                    title=material,
                    title_fontsize=7.5, handlelength=1.0, columnspacing=1.0)
    meaning = ("each laboratory's mean against the mean of all, in SDs of means" if what == "h" else
               "each laboratory's scatter over the pooled scatter")
    told = join_words(beyond[:6]) if beyond else "none"
    return sentence(f"{result.question}: Mandel's {what}, {meaning}. Beyond the 1 % critical value: {told}"
                    f"{f' and {len(beyond) - 6} more' if len(beyond) > 6 else ''}.")


def _usual(limits: np.ndarray) -> float:
    found = limits[np.isfinite(limits)]
    if not len(found):
        return math.nan
    values, often = np.unique(np.round(found, 9), return_counts=True)
    return float(values[np.argmax(often)])
