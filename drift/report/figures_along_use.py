"""Figures of repeated uses and of compared reliabilities."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.report import drawing as look
from drift.report.figures import axis_label, sentence, table_of, unit_of
from drift.results import Result, ResultTable, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WINDOWS = "ICC and SEM along use"
COMPARED = "comparison of reliabilities"
WINDOWS_SIZE = (4.9, 4.7)
OWN = ("from", "to", "use from", "use to", "targets", "readings", "ICC", "SEM", "SD between targets", "note")


def window_groups(result: Result) -> list[dict[str, str]]:
    """Return the combinations of ``by`` labels that have at least two windows with a value; empty without the table."""
    table = table_of(result, WINDOWS)
    if table is None or not len(table):
        return []
    names = [c.name for c in table.columns if c.name not in OWN and not c.name.endswith((" low", " high"))]
    found: dict[tuple[str, ...], int] = {}
    for i in range(len(table)):
        if math.isfinite(float(table["ICC"][i])):
            key = tuple(str(table[n][i]) for n in names)
            found[key] = found.get(key, 0) + 1
    return [dict(zip(names, key, strict=True)) for key, count in found.items() if count >= 2]


def windows_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw ICC above SEM along use, each window a bar over the uses it spans, with intervals.

    Parameters
    ----------
    result : Result
        Of a reliability question with an ordered facet; table "ICC and SEM along use".
    axes : Axes
        Replaced by two panels that share the axis of use.
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption.
    """
    table = result.table(WINDOWS)
    keep = [i for i in range(len(table)) if all(str(table[k][i]) == v for k, v in (of or {}).items())
            and math.isfinite(float(table["ICC"][i]))]
    canvas: Any = axes.figure
    axes.remove()
    top, bottom = canvas.subplots(2, 1, sharex=True)
    unit = unit_of(table, "SEM")
    _panel(top, table, keep, "ICC", look.MODEL)
    _panel(bottom, table, keep, "SEM", look.LIMIT)
    top.set_ylabel("ICC(C,1)")
    bottom.set_ylabel(axis_label("SEM", unit))
    bottom.set_xlabel(_along(result))
    bottom.set_ylim(bottom=0)
    top.set_ylim(top=min(1.0, top.get_ylim()[1]))
    for panel in (top, bottom):
        panel.spines[["top", "right"]].set_visible(False)
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in (of or {}).items())])
    return sentence(f"{lead}: {_change(table, keep, unit)} Bars are the uses of one window, whiskers "
                    f"{100 * result.provenance.level:g} % intervals; windows overlap. A coefficient also falls when "
                    "people become alike: judge a sensor by the lower panel.")


def _panel(axes: Axes, table: ResultTable, keep: Sequence[int], name: str, colour: str) -> None:
    middle = []
    for i in keep:
        value, low, high = (float(table[c][i]) for c in (name, f"{name} low", f"{name} high"))
        start, stop = float(table["use from"][i]), float(table["use to"][i])
        middle.append(0.5 * (start + stop))
        axes.hlines(value, start, stop, color=colour, linewidth=1.0, alpha=0.45)
        if math.isfinite(low) and math.isfinite(high):
            axes.vlines(middle[-1], low, high, color=colour, linewidth=1.2)
    axes.plot(middle, [float(table[name][i]) for i in keep], "o-", color=colour, markersize=4.5, linewidth=1.2)


def _along(result: Result) -> str:
    """Name what the readings are ordered along, as the trend does."""
    trend = table_of(result, "trend along use")
    return str(trend["per"][0]) if trend is not None and len(trend) else "order of the levels"


def _change(table: ResultTable, keep: Sequence[int], unit: str) -> str:
    first, last = keep[0], keep[-1]

    def shown(name: str, i: int, least: int) -> str:
        return format_interval(*(float(table[c][i]) for c in (name, f"{name} low", f"{name} high")), least=least)

    return (f"from the first window to the last, ICC(C,1) goes from {shown('ICC', first, 2)} to "
            f"{shown('ICC', last, 2)} and the SEM from {shown('SEM', first, 0)} to {shown('SEM', last, 0)} "
            f"{unit}".rstrip() + ".")


def comparison_size(result: Result) -> tuple[float, float]:
    """Return a size of the figure with a line for each ratio."""
    return 4.9, max(1.7, 1.1 + 0.3 * len(_ratios(result.table(COMPARED))))


def _ratios(table: ResultTable) -> list[int]:
    return [i for i in range(len(table)) if str(table["quantity"][i]).startswith("ratio")
            and math.isfinite(float(table["value"][i]))]


def has_ratios(result: Result) -> bool:
    """Tell whether there is a ratio to draw."""
    table = table_of(result, COMPARED)
    return table is not None and bool(len(table)) and bool(_ratios(table))


def comparison_figure(result: Result, axes: Axes) -> str:
    """Draw the ratios of SEM of all pairs with their intervals, on a log scale about one.

    Parameters
    ----------
    result : Result
        Of a reliability question with ``compare``; table "comparison of reliabilities".
    axes : Axes

    Returns
    -------
    str
        The caption.
    """
    table = result.table(COMPARED)
    rows = _ratios(table)
    by = [c.name for c in table.columns[:[c.name for c in table.columns].index("a")]]
    kinds = list(dict.fromkeys(str(table["quantity"][i]) for i in rows))
    labels = []
    for y, i in enumerate(rows):
        which = kinds.index(str(table["quantity"][i]))
        value, low, high = (float(table[c][i]) for c in ("value", "low", "high"))
        colour = look.SERIES[which % len(look.SERIES)]
        axes.hlines(y, low, high, color=colour, linewidth=1.4)
        axes.plot([value], [y], look.MARKERS[which % len(look.MARKERS)], color=colour, markersize=5,
                  label=kinds[which] if kinds[which] not in axes.get_legend_handles_labels()[1] else None)
        place = ", ".join(str(table[n][i]) for n in by)
        labels.append(f"{place}{': ' if place else ''}{table['a'][i]} / {table['b'][i]}")
    axes.axvline(1.0, color=look.FAINT, linewidth=1.0)
    axes.set_xscale("log")
    _ratio_ticks(axes)
    axes.set_yticks(range(len(rows)), labels)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("ratio of SEM (below 1: the first reads more repeatably)")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), fontsize=8, ncols=2, borderaxespad=0)
    clear = sum(not float(table["low"][i]) <= 1 <= float(table["high"][i]) for i in rows)
    return sentence(f"{result.question}: {clear} of {len(rows)} ratios of SEM are clear of one. Lines are "
                    f"{100 * result.provenance.level:g} % intervals of one ratio at a time.")


def _ratio_ticks(axes: Axes) -> None:
    """Write plain numbers at a few round ratios."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    low, high = axes.get_xlim()
    steps = np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20, 50, 100])
    if high / low < 2.5:
        steps = np.round(np.arange(0.5, 2.05, 0.1), 1)
    inside = [float(s) for s in steps if low <= s <= high]
    while len(inside) > 7:
        inside = [s for s in inside if s == 1 or inside.index(s) % 2 == inside.index(1.0) % 2] if 1.0 in inside else (
            inside[::2])
    axes.xaxis.set_major_locator(FixedLocator(inside))
    axes.xaxis.set_major_formatter(FixedFormatter([f"{s:g}" for s in inside]))
    axes.xaxis.set_minor_locator(NullLocator())
