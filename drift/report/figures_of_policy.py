"""Figures of the recalibration interval and of policies: change since a calibration, costs, and the frontier."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import table_of
from drift.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE = (4.9, 3.5)


def recalibration_drawings(part: Result) -> list[tuple[str, str, Any, tuple[float, float]]]:
    """List the figures of a recalibration result, one a construction."""
    path = table_of(part, "change since calibration")
    if path is None:
        return []
    return [(f"recalibration {c}", f"Change since the last calibration{f', {c}' if c else ''}",
             partial(recalibration_figure, part, construction=c), SIZE)
            for c in dict.fromkeys(str(c) for c in path["construction"])]


def recalibration_figure(part: Result, axes: Axes, *, construction: str = "") -> str:
    """Draw the change of each sensor since its last calibration, the bound and the tolerance.

    Returns
    -------
    str
        The caption.
    """
    path, own = part.table("change since calibration"), part.table("own changes")
    mine, sensors = path["construction"] == construction, own["construction"] == construction
    x, unit = path["use since calibration"][mine], _unit(path, "use since calibration")
    tolerance = float(path["tolerance"][mine][0])
    for b in own["change per use"][sensors]:
        axes.plot(x, 100 * np.expm1(np.log1p(b / 100) * x), color=look.DATA, linewidth=0.7, alpha=0.7)
    axes.plot(x, path["mean"][mine], color=look.MODEL, linestyle="--")
    axes.plot(x, path["bound"][mine], color=look.BOUND)
    low = 1.35 * tolerance
    axes.set_ylim(*((low, -0.05 * low) if low < 0 else (-0.05 * low, low)))
    axes.set_xlim(0, float(x[-1]))
    # A fall of 4.76 % makes readings 5 % smaller than the last calibration's: the study declares the 5 %.
    declared = f"{100 * (-tolerance / (100 + tolerance) if tolerance < 0 else tolerance / 100):.3g} %"
    look.note_line(axes, tolerance, f"readings {declared} off (sensitivity {_signed(tolerance)} %)",
                   above=tolerance > 0)
    e = next(e for e in part.estimates if e.name == "recalibrate every"
             and e.of.get("construction", "") == construction)
    look.note_count(axes, e.value, f"recalibrate every {e.value:g}")
    gap = look.label_gap(axes, 11)
    for name, colour in (("mean", look.MODEL), ("bound", look.BOUND)):
        y = path[name][mine]
        shown = np.flatnonzero(np.abs(y) <= abs(low) * 0.98)
        clear = shown[np.abs(y[shown] + 0.5 * gap - tolerance) > gap]  # its words then stand off the tolerance's line
        shown = clear if len(clear) else shown
        if len(shown) and math.isfinite(float(y[shown[-1]])):
            axes.annotate({"mean": "mean sensor", "bound": "bound"}[name], (float(x[shown[-1]]), float(y[shown[-1]])),
                          xytext=(-3, 3), textcoords="offset points", fontsize=8, color=colour, ha="right",
                          bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5})
    axes.set_xlabel(f"{unit} since the last calibration")
    axes.set_ylabel("change of sensitivity [%]")
    whose = f"{construction} sensors" if construction else "sensors"
    least = "at least " if e.bound == "at least" else ""
    return (f"Change of sensitivity since the last calibration: thin lines are the {int(sensors.sum())} {whose}, "
            f"dashed their mean. The bound leaves the tolerance of {declared} of a reading (a sensitivity changed by "
            f"{_signed(tolerance)} %) after {least}{e.value:g} {unit}.")


def _unit(table: Any, column: str) -> str:
    return next(c.unit for c in table.columns if c.name == column) or "uses"


def _signed(value: float) -> str:
    return f"{value:.3g}".replace("-", MINUS)


def policy_drawings(part: Result) -> list[tuple[str, str, Any, tuple[float, float]]]:
    """List the figures of compared policies: the frontier and the cost curve of each construction."""
    table, curve = table_of(part, "policies"), table_of(part, "cost curve")
    if table is None or not np.isfinite(table["cost per use"]).any():
        return []
    made = []
    for c in dict.fromkeys(str(c) for c in table["construction"]):
        of = f", {c}" if c else ""
        made.append((f"frontier {c}", f"Cost per use against spoilt sessions{of}",
                     partial(frontier_figure, part, construction=c), WIDE))
        if curve is not None:
            made.append((f"cost curve {c}", f"Cost per use over the count{of}",
                         partial(curve_figure, part, construction=c), SIZE))
    return made


WIDE = (5.4, 3.7)
DEAREST = 4.0
KINDS = {"fixed count": "o", "check and retire": "s", "run to failure": "D", "recalibrate and retire": "^",
         "check, recalibrate and retire": "v"}


def frontier_figure(part: Result, axes: Axes, *, construction: str = "") -> str:
    """Draw every policy by its spoilt sessions and its cost, those beaten by none filled and named."""
    from matplotlib.ticker import NullLocator

    t = part.table("policies")
    every = (t["construction"] == construction) & np.isfinite(t["cost per use"])
    least_cost = float(np.min(t["cost per use"][every]))
    mine = np.flatnonzero(every & (t["cost per use"] <= DEAREST * least_cost))
    beyond = int(every.sum()) - len(mine)
    unit = next(c.unit for c in t.columns if c.name == "cost per use")
    least = 0.001
    x, y = np.maximum(t["spoilt per 100"][mine], least), t["cost per use"][mine]
    best, chosen = t["beaten by none"][mine] == "yes", t["chosen"][mine] == "yes"
    for i in np.flatnonzero(best | chosen):
        axes.plot([x[i]] * 2, [t["cost, low"][mine[i]], t["cost, high"][mine[i]]], color=look.BAND, linewidth=2.5,
                  solid_capstyle="butt", zorder=1)
    for i in np.arange(len(mine)):
        filled = bool(best[i] or chosen[i])
        axes.plot(x[i], y[i], KINDS[str(t["kind"][mine[i]])], markersize=8 if chosen[i] else 5,
                  color=look.LIMIT if chosen[i] else look.MODEL if filled else look.FAINT,
                  markerfacecolor=None if filled else "none", linestyle="none", zorder=3)
    axes.set_xscale("log")
    axes.set_yscale("log")
    left, right = float(x.min()) / 1.5, float(x.max()) * 1.5
    axes.set_xlim(left, right * (right / left) ** 0.85)
    axes.set_ylim(float(y.min()) / 1.3, float(y.max()) * 1.3)
    axes.yaxis.set_major_formatter(lambda v, _: f"{v:g}")
    axes.yaxis.set_minor_formatter(lambda v, _: f"{v:g}" if f"{v:.0e}"[0] in "25" else "")
    # Right of the points there is room for their names alone; what spoils less than can be counted stands at the left.
    ticks = [10.0**k for k in range(math.ceil(math.log10(left)), math.floor(math.log10(right)) + 1)]
    axes.set_xticks(ticks, ["none" if v <= least else f"{v:g}" for v in ticks])
    axes.xaxis.set_minor_locator(NullLocator())
    named = [i for i in np.argsort(y) if best[i] or chosen[i]][:7]
    gap = look.label_gap(axes, 10.5)
    places = np.exp(look.spread([math.log(float(y[i])) for i in named], gap))
    for i, at in zip(named, places, strict=True):
        axes.annotate(_short(str(t["policy"][mine[i]])), (float(x[i]), float(y[i])), xytext=(right * 1.3, float(at)),
                      textcoords="data", fontsize=8, va="center", color=look.LIMIT if chosen[i] else look.INK,
                      fontweight="bold" if chosen[i] else "normal",
                      arrowprops={**look.HAIR, "relpos": (0, 0.5), "color": "#c9d0d6", "lw": 0.6}, zorder=1)
    axes.set_xlabel("spoilt sessions per 100 uses")
    axes.set_ylabel(f"cost [{unit}]")
    words = next((str(t["policy"][mine[i]]) for i in np.flatnonzero(chosen)), "")
    lead = f"Chosen (large): {words}. " if words else "No policy is chosen. "
    whose = f" of {construction} sensors" if construction else ""
    off = f" {beyond} more that cost over {DEAREST:g} times the cheapest are not shown." if beyond else ""
    return (f"{len(mine)} policies{whose} by spoilt sessions and cost. {lead}Filled ones are beaten by none in both; "
            "bars are the bands of what the study leaves uncertain. Circles: fixed count; squares: checks; triangles: "
            "recalibration, pointing down with checks; diamond: run to failure." + off)


def _short(words: str) -> str:
    """Shorten the words of a policy to what tells it from others."""
    return words.replace(", retire past the guard band", ", guard band").replace("recalibrate every", "recalibrate")


def curve_figure(part: Result, axes: Axes, *, construction: str = "") -> str:
    """Draw the cost per use over the retire-after count, with its band and the two counts."""
    t = part.table("cost curve")
    mine = t["construction"] == construction
    ways = list(dict.fromkeys(str(w) for w in t["way of working"][mine]))
    way = next((w for w in ways if w.startswith("recalibrated")), ways[0])
    at = mine & (t["way of working"] == way)
    x, y = t["retire after"][at], t["cost per use"][at]
    unit = next(c.unit for c in t.columns if c.name == "cost per use")
    axes.fill_between(x, t["cost, low"][at], t["cost, high"][at], color=look.BAND, linewidth=0)
    axes.plot(x, y, color=look.MODEL)
    i = np.argmin(y)
    top = min(float(np.nanmax(t["cost, high"][at])), 4 * float(y[i]))
    axes.set_ylim(0, top)
    axes.set_xlim(0, float(x[-1]))
    p = part.table("policies")
    retire = next((float(n) for c, w, n in zip(p["construction"], p["count"], p["retire after"], strict=True)
                   if c == construction and w == "retire-after count"), math.nan)
    axes.plot(x[i], y[i], "o", color=look.LIMIT, markersize=6)
    axes.annotate(f"cheapest {x[i]:g}", (float(x[i]), float(y[i])), xytext=(4, -13), textcoords="offset points",
                  fontsize=8.5, color=look.LIMIT)
    if math.isfinite(retire):
        look.note_count(axes, retire, f"statement {retire:g}")
    axes.set_xlabel("retire after [uses]")
    axes.set_ylabel(f"cost [{unit}]")
    good = x[y <= 1.05 * y[i]]
    said = f"; what the statement promises ends at {retire:g} uses" if math.isfinite(retire) else ""
    tail = " and still falls there" if i == len(x) - 1 else ""
    whose = f" for {construction} sensors" if construction else ""
    return (f"Cost per use of a fixed count{whose}, {way}: least at {x[i]:g} uses{tail}, at most 5 % dearer from "
            f"{good[0]:g} to {good[-1]:g} uses{said}. The band is what the study leaves uncertain.")
