"""Figure of agreement along use: each sensor's differences with its line, and bias and limits of all with bands."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, unit_of
from drift.report.figures_of_trials import compared, groups_of, harmless_of, rows_of
from drift.results import Result, ResultTable, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ALONG, LINES, LEFT = "along use", "lines along use", "uses left"
MOST, ACROSS = 8, 4
WIDE = (10.2, 3.7)
ROOM = 0.36  # of the width, which the words about the harmless band take up
GREEN = "#4a6b3a"
OWN = ("use", "seen", "bias", "lower limit", "upper limit", "SD of differences", "SD between lines")


def along_groups(result: Result) -> list[dict[str, str]]:
    """Return the groups of ``by`` columns that have a table along use; empty without it."""
    return groups_of(result, ALONG, lambda n: n in OWN or n.endswith((" low", " high")))


def along_drawings(result: Result) -> list[tuple[str, str, Callable[..., str], tuple[float, float]]]:
    """Return name, title, drawing and size of the figure of each group."""
    return [(f"agreement along use {' '.join(g.values())} {result.question}", f"Agreement along use, {result.question}"
             f"{''.join(f', {k} {v}' for k, v in g.items())}", partial(along_figure, result, of=g),
             along_size(result, g)) for g in along_groups(result)]


def along_size(result: Result, of: Mapping[str, str]) -> tuple[float, float]:
    """Return the size of a picture across the page where each sensor has a small panel, else that of one panel."""
    return WIDE if len(_sensors(result, of)) > 1 else (4.9, 3.3)


def _sensors(result: Result, of: Mapping[str, str]) -> list[str]:
    table = result.table(LINES)
    return [str(s) for s in table["sensor"][rows_of(table, of)]]


def along_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw differences against use, a small panel a sensor, and bias and limits with bands and the harmless band.

    Parameters
    ----------
    result : Result
        Of an agreement question; tables "pairs", "along use", "lines along use" and, with a harmless difference,
        "uses left".
    axes : Axes
        Replaced by the panels.
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption, a sentence with the finding.
    """
    of = dict(of or {})
    sensors = _sensors(result, of)
    canvas: Any = axes.figure
    axes.remove()
    large, places, columns = _panels(canvas, len(sensors) if len(sensors) > 1 else 0)
    _population(large, result, of)
    large.locator_params(axis="x", nbins=5)
    for i, (place, sensor) in enumerate(zip(places, sensors, strict=False)):
        panel = canvas.add_subplot(place, sharex=large, sharey=large)
        _one_sensor(panel, result, of, sensor)
        panel.tick_params(labelleft=i % columns == 0, labelbottom=i + columns >= len(places), labelsize=7)
    for panel in canvas.axes:
        panel.spines[["top", "right"]].set_visible(False)
    return _caption(result, of, sensors)


def _panels(canvas: Any, n: int) -> tuple[Axes, list[Any], int]:
    """Return the large panel, places of the small ones, and how many stand in a row.

    Beside the large one where the picture is wide, above it elsewhere; so many in a row that few places stay empty.
    """
    n = min(n, MOST)
    width, height = canvas.get_size_inches()
    if n and width > 2 * height:
        rows = 3 if n in (3, 5, 6) else 2
        columns = math.ceil(n / rows)
        grid = canvas.add_gridspec(1, 2, width_ratios=[5.2, max(1.2 * columns, 2.2)])
        small = grid[0, 1].subgridspec(rows, columns)
        return canvas.add_subplot(grid[0, 0]), [small[i // columns, i % columns] for i in range(n)], columns
    rows = math.ceil(n / ACROSS)
    columns = math.ceil(n / rows) if n else 1
    grid = canvas.add_gridspec(rows + 1, columns, height_ratios=[*([1.15] * rows), 2.7])
    return canvas.add_subplot(grid[rows, :]), [grid[i // columns, i % columns] for i in range(n)], columns


def _label(result: Result, table: ResultTable) -> str:
    a, b = compared(result)
    return axis_label(f"difference {a} {MINUS} {b}", unit_of(table, "bias"))


def _exposure(table: ResultTable) -> str:
    unit = unit_of(table, "use")
    return "completed uses" if unit in ("", "use") else axis_label("exposure", unit)


def _band(axes: Axes, harmless: float | None) -> None:
    if harmless is not None:
        axes.axhspan(-harmless, harmless, color=look.SAFE, zorder=0, linewidth=0)
    axes.axhline(0, color=look.FAINT, linewidth=0.8)


def _one_sensor(axes: Axes, result: Result, of: Mapping[str, str], sensor: str) -> None:
    """Draw the differences of one sensor with its own line."""
    pairs, lines = result.table("pairs"), result.table(LINES)
    mine = rows_of(pairs, of) & _owner(pairs, of, sensor)
    _band(axes, harmless_of(result, of))
    axes.plot(pairs["use"][mine], pairs["difference"][mine], "o", color=look.DATA, markersize=1.8, alpha=0.55)
    j = int(np.flatnonzero(rows_of(lines, of) & (lines["sensor"] == sensor))[0])
    ends = np.array([float(lines["first use"][j]), float(lines["last use"][j])])
    axes.plot(ends, float(lines["difference at use 0"][j]) + float(lines["slope"][j]) * ends, color=look.MODEL,
              linewidth=1.8)
    axes.set_title(sensor, fontsize=8.5, pad=2)


def _owner(pairs: ResultTable, of: Mapping[str, str], sensor: str) -> NDArray[np.bool_]:
    """Tell which pairs are of a sensor, or of a target where targets have the lines."""
    by_sensor = np.array([str(v) == sensor for v in pairs["sensor"]], dtype=bool)
    return by_sensor if (by_sensor & rows_of(pairs, of)).any() else np.array(
        [str(v) == sensor for v in pairs["target"]], dtype=bool)


def _population(axes: Axes, result: Result, of: Mapping[str, str]) -> None:
    """Draw bias and limits along use with their bands, the harmless band, and where they leave it."""
    table = result.table(ALONG)
    keep = rows_of(table, of)
    use, seen = table["use"][keep], table["seen"][keep] == "yes"
    harmless, unit = harmless_of(result, of), unit_of(table, "bias")
    _band(axes, harmless)
    ends = []
    for name, colour, dashes, alpha in (("bias", look.MODEL, "-", 0.28), ("lower limit", look.LIMIT, "--", 0.16),
                                        ("upper limit", look.LIMIT, "--", 0.16)):
        value, low, high = (table[c][keep] for c in (name, f"{name} low", f"{name} high"))
        axes.fill_between(use, low, high, color=colour, alpha=alpha, linewidth=0)
        if name != "bias":  # a thin outline keeps the bands of limits apart from that of the bias in grey
            axes.plot(use, low, color=colour, linewidth=0.6, linestyle=":")
            axes.plot(use, high, color=colour, linewidth=0.6, linestyle=":")
        axes.plot(use[seen], value[seen], color=colour, linestyle=dashes, linewidth=1.8)
        beyond = np.flatnonzero(seen)[-1]
        axes.plot(use[beyond:], value[beyond:], color=colour, linestyle=":", linewidth=1.2)
        ends.append((float(value[-1]), name))
    last = float(use[seen][-1])
    axes.set_xlim(float(use[0]) - 0.02 * (use[-1] - use[0]), float(use[-1]))
    _within(axes, table, keep, result, of, harmless)
    axes.axvspan(last, float(use[-1]), color="white", alpha=0.55, linewidth=0, zorder=2.5)
    falls = table["bias"][keep][-1] < float(np.mean(axes.get_ylim()))
    axes.annotate("beyond\nthe uses\nseen", (0.5 * (last + float(use[-1])), 0.84 if falls else 0.02), ha="center",
                  xycoords=axes.get_xaxis_transform(), fontsize=6.5, color=look.INK, va="top" if falls else "bottom",
                  zorder=3)
    if harmless is not None:
        axes.annotate(f"harmless: within {harmless:g} {unit}".rstrip(), (_clear_of_count(axes, result, of), harmless),
                      fontsize=7.5, va="bottom",
                      xycoords=axes.get_yaxis_transform(), color=GREEN, xytext=(0, 2), textcoords="offset points")
        _crossings(axes, result, of, harmless)
    axes.set_xlabel(_exposure(table))
    axes.set_ylabel(_label(result, table), fontsize=8.5)
    look.end_labels(axes, [float(use[-1])] * 3, [v for v, _ in ends], [w for _, w in ends], colour=look.INK, size=8)


def _within(axes: Axes, table: ResultTable, keep: NDArray[np.bool_], result: Result, of: Mapping[str, str],
            harmless: float | None) -> None:
    """Choose the span of differences: the points, the lines and the harmless band; wide bands may run out of it."""
    pairs = result.table("pairs")
    points = pairs["difference"][rows_of(pairs, of)]
    lines = np.concatenate([table[c][keep] for c in ("bias low", "bias high", "lower limit", "upper limit")])
    low, high = (float(f([f(points), f(lines)])) for f in (np.min, np.max))
    if harmless is not None:
        low, high = min(low, -1.25 * harmless), max(high, 1.45 * harmless)
    room = 0.05 * (high - low)
    axes.set_ylim(low - room, high + room)


def _crossings(axes: Axes, result: Result, of: Mapping[str, str], harmless: float) -> None:
    """Mark where a limit leaves the harmless difference with its interval, and the protocol limit."""
    left = result.table(LEFT)
    rows = {str(w): i for i, w in enumerate(left["what"]) if rows_of(left, of)[i]}
    limit = rows.get("a limit leaves")
    if limit is not None and math.isfinite(float(left["use"][limit])):
        at, low, high = (float(left[c][limit]) for c in ("use", "low", "high"))
        side = -harmless if _lower_leaves(result, of, at, harmless) else harmless
        right = high if math.isfinite(high) else axes.get_xlim()[1]
        axes.hlines(side, low, right, color=look.INK, linewidth=2.2, zorder=4)
        axes.plot([at], [side], "D", color=look.INK, markersize=5.5, markerfacecolor="white", zorder=5)
        left_end, right_end = axes.get_xlim()
        turn = (at - left_end) / (right_end - left_end) > 0.6
        axes.annotate("a limit leaves here", (at, side), xytext=(-6 if turn else 6, -5), textcoords="offset points",
                      fontsize=7.5, va="top", ha="right" if turn else "left", color=look.INK, zorder=5,
                      bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8})
    count = _count(result, of)
    if count is not None:
        look.note_count(axes, count, f"interchangeable up to {count:g}")


def _count(result: Result, of: Mapping[str, str]) -> float | None:
    """Return the protocol limit that is drawn."""
    e = find(result, "protocol limit", **of)
    return e.value if e is not None and math.isfinite(e.value) and e.bound == "exact" else None


def _clear_of_count(axes: Axes, result: Result, of: Mapping[str, str]) -> float:
    """Return where words at the left begin, in shares of the width: right of a count that would run through them."""
    count = _count(result, of)
    left, right = axes.get_xlim()
    at = -1.0 if count is None else (count - left) / (right - left)
    return at + 0.01 if 0 <= at < ROOM else 0.01


def _lower_leaves(result: Result, of: Mapping[str, str], at: float, harmless: float) -> bool:
    """Tell which limit is the one that leaves the harmless difference at a use: the further out of it there."""
    table = result.table(ALONG)
    keep = rows_of(table, of)
    lower, upper = (float(np.interp(at, table["use"][keep], table[c][keep])) for c in ("lower limit", "upper limit"))
    return -harmless - lower > upper - harmless


def _caption(result: Result, of: Mapping[str, str], sensors: list[str]) -> str:
    slope, protocol = find(result, "trend of difference with use", **of), find(result, "protocol limit", **of)
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    said = ""
    if slope is not None:
        clear = slope.low > 0 or slope.high < 0
        said = (f"the difference changes by {format_interval(slope.value, slope.low, slope.high)} {slope.unit}"
                f"{'' if clear else ', no certain change'}")
    if protocol is not None:
        left = result.table(LEFT)
        row = next(i for i, w in enumerate(left["what"]) if w == "protocol limit" and rows_of(left, of)[i])
        words = str(left["in words"][row])
        said += f"; {words[:1].lower()}{words[1:]}"
    level = f"{100 * result.provenance.level:g} %"
    panels = ("; small panels: each sensor's differences with its own line"
              + (f" ({len(sensors) - MOST} more are not drawn)" if len(sensors) > MOST else "")
              if len(sensors) > 1 else "")
    cut = "; a band that runs out of the picture is wider still" if _cut(result, of) else ""
    return sentence(f"{lead}: {said}. Bias and limits are for a new target and a new sensor, bands are {level} "
                    f"intervals{cut}{panels}.")


def _cut(result: Result, of: Mapping[str, str]) -> bool:
    """Tell whether a band runs out of the picture."""
    table, pairs = result.table(ALONG), result.table("pairs")
    keep, points = rows_of(table, of), pairs["difference"][rows_of(pairs, of)]
    room = 0.5 * float(np.ptp(points))
    return bool(np.max(table["upper limit high"][keep]) > points.max() + room
                or np.min(table["lower limit low"][keep]) < points.min() - room)
