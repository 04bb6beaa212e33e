"""Figures of calibrations: the curve with its bands, what is left over, and gains of cells as a labelled table."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.report import drawing as look
from drift.report.figures import axis_label, sentence, table_of, unit_of
from drift.results import Estimate, Result, ResultTable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import Rectangle

Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
LABELS = ("sensor", "use", "cal_id")
MOST, MOST_CELLS = 6, 60
MARK = {"in the curve": ("o", look.DATA), "unloading": ("v", look.BOUND), "held longer": ("x", look.FAINT),
        "at least": ("^", look.LIMIT), "at most": ("v", look.LIMIT)}


def calibration_drawings(part: Result) -> list[Drawing]:
    """Return the figures of calibration curves (two for each of the first six), or of gains of cells."""
    if part.command == "cells":
        return [(f"gains {sensor} {part.question}", f"Gains of cells, sensor {sensor}",
                 partial(gains_figure, part, sensor=sensor), gains_size(part, sensor)) for sensor in _sensors(part)]
    drawn: list[Drawing] = []
    for of in groups_of(part)[:MOST]:
        said = ", ".join(f"{k} {v}" for k, v in of.items())
        drawn += [(f"curve {' '.join(of.values())} {part.question}", f"Calibration curve{f', {said}' if said else ''}",
                   partial(curve_figure, part, of=of), (4.9, 3.5)),
                  (f"residuals {' '.join(of.values())} {part.question}", f"Residuals{f', {said}' if said else ''}",
                   partial(residual_figure, part, of=of), (4.9, 2.8))]
    return drawn


def groups_of(part: Result) -> list[dict[str, str]]:
    """Return the labels of every calibration that has a curve."""
    table = table_of(part, "curve lines")
    if table is None:
        return []
    names = [n for n in LABELS if any(c.name == n for c in table.columns)]
    return [dict(zip(names, key, strict=True))
            for key in dict.fromkeys(tuple(str(table[n][i]) for n in names) for i in range(len(table)))]


def _rows(table: ResultTable, of: dict[str, str]) -> np.ndarray:
    keep = np.ones(len(table), dtype=np.bool_)
    for name, value in of.items():
        if any(c.name == name for c in table.columns):
            keep &= np.array([str(v) == value for v in table[name]])
    return np.flatnonzero(keep)


def curve_figure(part: Result, axes: Axes, *, of: dict[str, str]) -> str:
    """Draw readings, curve, band of the mean and band of one new reading; return the caption.

    Parameters
    ----------
    part : Result
        Of a calibration; tables "curve lines", "calibration points", "calibration curves".
    axes : Axes
    of : dict
        Labels of the calibration drawn.
    """
    lines, points, chosen = (part.table(n) for n in ("curve lines", "calibration points", "calibration curves"))
    at, rows, one = _rows(lines, of), _rows(points, of), int(_rows(chosen, of)[0])
    x = lines["load"][at]
    end = float(chosen["to"][one])
    known = np.isfinite(lines["prediction low"][at])
    axes.fill_between(x[known], lines["prediction low"][at][known], lines["prediction high"][at][known],
                      color=look.BAND, alpha=0.5, linewidth=0)
    axes.fill_between(x[known], lines["band low"][at][known], lines["band high"][at][known], color=look.DATA, alpha=0.5,
                      linewidth=0)
    inside = x <= end
    axes.plot(x[inside], lines["curve"][at][inside], color=look.MODEL)
    axes.plot(x[x >= end], lines["curve"][at][x >= end], color=look.MODEL, linestyle=":")
    _points(axes, points, rows, "reading")
    estimates = [e for e in part.estimates if e.name == "saturation pressure"
                 and all(e.of.get(k, "") == v for k, v in of.items())]
    unit = unit_of(points, "load")
    told = ""
    if estimates:
        e = estimates[0]
        top = float(lines["curve"][at][-1])
        if math.isfinite(e.value):
            look.note_line(axes, top, "full scale", dashes="--")
        told = _full_scale(axes, e, top, end)
    axes.set_xlabel(axis_label("load", unit))
    axes.set_ylabel(axis_label("reading", unit_of(points, "reading")))
    axes.legend(loc="lower right", fontsize=7.5)
    bands = (f" Bands at {100 * part.provenance.level:g} %: of the mean (dark), of one new reading (light)."
             if known.any() else "")
    return sentence(f"{chosen['curve'][one]}, {chosen['model'][one]}, from {chosen['from'][one]:.4g} to "
                    f"{end:.4g}{f' {unit}' if unit else ''}.{told}{bands}")


def _full_scale(axes: Axes, e: Estimate, top: float, end: float) -> str:
    """Draw the interval of the saturation pressure, an arrow where it is open above; return the sentence about it."""
    if not math.isfinite(e.value):
        least = f"; other curves that the readings allow: {e.low:.4g} {e.unit}".rstrip() + " or more"
        return f" The curve never reaches full scale{least if math.isfinite(e.low) else ''}."
    if math.isfinite(e.low) and math.isfinite(e.high):
        axes.plot([e.low, e.high], [top, top], color=look.BOUND, linewidth=3, solid_capstyle="butt")
    elif math.isfinite(e.low):
        far = max(e.value, e.low) + 0.08 * end
        axes.annotate("", xy=(far, top), xytext=(e.low, top), annotation_clip=False,
                      arrowprops={"arrowstyle": "->", "color": look.BOUND, "linewidth": 2.5})
        axes.set_xlim(right=max(axes.get_xlim()[1], far))
    return f" Full scale is reached at {e.text()}{', beyond the levels (dotted)' if e.value > end else ''}."


def _points(axes: Axes, points: ResultTable, rows: np.ndarray, what: str) -> None:
    state = np.array([str(v) for v in points["state"][rows]])
    for name, (marker, colour) in MARK.items():
        here = rows[state == name]
        if len(here):
            axes.plot(points["load"][here], points[what][here], marker, color=colour, markersize=3.5, label=name,
                      alpha=0.8, markerfacecolor=colour if name == "in the curve" else "none")


def residual_figure(part: Result, axes: Axes, *, of: dict[str, str]) -> str:
    """Draw what is left of every reading over the curve, against the load; return the caption."""
    points, chosen = part.table("calibration points"), part.table("calibration curves")
    rows, one = _rows(points, of), int(_rows(chosen, of)[0])
    axes.axhline(0, color=look.MODEL, linewidth=1.0)
    _points(axes, points, rows, "residual")
    axes.set_xlabel(axis_label("load", unit_of(points, "load")))
    axes.set_ylabel(axis_label("reading less curve", unit_of(points, "residual")))
    axes.legend(loc="best", fontsize=7.5)
    return sentence(f"What is left over the curve ({chosen['model'][one]}): a pattern along the load would be lack of "
        f"fit. "
                    f"{str(chosen['why'][one])[:1].upper()}{str(chosen['why'][one])[1:]}.")


def _sensors(part: Result) -> list[str]:
    table = table_of(part, "cell gains")
    return list(dict.fromkeys(str(s) for s in table["sensor"])) if table is not None else []


def gains_size(part: Result, sensor: str) -> tuple[float, float]:
    """Return a size that gives every cell its number."""
    table = part.table("cell gains")
    rows = _rows(table, {"sensor": sensor})
    wide, high = len(np.unique(table["col"][rows])), len(np.unique(table["row"][rows]))
    return min(9.0, max(3.4, 0.42 * wide + 1.0)), min(9.0, max(2.4, 0.28 * high + 1.0))


def gains_figure(part: Result, axes: Axes, *, sensor: str) -> str:
    """Draw the shrunk gain of every cell in its place, grey by its size and written out; return the caption.

    Dead cells are crossed out, intermittent ones hatched, so that nothing hangs on the grey alone.
    """
    table = part.table("cell gains")
    rows = _rows(table, {"sensor": sensor})
    r, c, gain = table["row"][rows], table["col"][rows], table["shrunk gain"][rows]
    low, high = float(np.nanmin(gain)), float(np.nanmax(gain))
    written = len(np.unique(c)) * 0.42 < 8
    for at, (y, x, g) in enumerate(zip(r, c, gain, strict=True)):
        state = str(table["state"][rows[at]])
        share = (g - low) / (high - low) if math.isfinite(g) and high > low else 0.0
        grey = str(0.96 - 0.5 * share)
        axes.add_patch(_square(x, y, "white" if state != "live" else grey, state))
        if state == "dead":
            axes.plot([x - 0.3, x + 0.3], [y - 0.3, y + 0.3], color=look.INK, linewidth=0.8)
            axes.plot([x - 0.3, x + 0.3], [y + 0.3, y - 0.3], color=look.INK, linewidth=0.8)
        elif state == "live" and written:
            axes.text(x, y, f"{g:.2f}", ha="center", va="center", fontsize=6, color=look.INK)
    axes.set_xlim(float(c.min()) - 0.6, float(c.max()) + 0.6)
    axes.set_ylim(float(r.max()) + 0.6, float(r.min()) - 0.6)
    axes.set_xticks(np.unique(c))
    axes.set_yticks(np.unique(r))
    axes.tick_params(labelsize=6.5, length=0)
    axes.grid(visible=False)
    axes.set_xlabel("column of cells")
    axes.set_ylabel("row of cells")
    dead = int(sum(str(s) == "dead" for s in table["state"][rows]))
    return sentence(f"Gains of the cells of sensor {sensor}, mean 1, from {low:.2f} (light) to {high:.2f} (dark). "
                    f"{dead} dead cells are crossed out; hatched cells are intermittent.")


def _square(x: float, y: float, colour: str, state: str) -> Rectangle:
    from matplotlib.patches import Rectangle

    return Rectangle((x - 0.48, y - 0.48), 0.96, 0.96, facecolor=colour, edgecolor=look.FAINT, linewidth=0.5,
                     hatch="////" if state == "intermittent" else None)
