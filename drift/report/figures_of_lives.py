"""Figures of lives: share failed with and without a model, and the causes by which units failed."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.report import drawing as look
from drift.report.figures import table_of
from drift.results import Estimate, Result, ResultTable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
SIZE = (4.9, 3.5)


def life_drawings(part: Result) -> list[Drawing]:
    """Return the drawings of a question about lives, or of what stands beside a retire-after count."""
    drawn: list[Drawing] = []
    if part.command == "lifetimes" and table_of(part, "survival") is not None:
        drawn.append(("survival", "Share failed", partial(survival_figure, part), SIZE))
        if table_of(part, "cumulative incidence") is not None:
            drawn.append(("causes", "Share failed of each cause", partial(causes_figure, part), SIZE))
    if part.command == "retire":
        for c in _constructions(table_of(part, "survival of sensors")):
            drawn.append((f"lives {c}", f"Crossings as lives{f', {c}' if c else ''}",
                          partial(sensors_figure, part, construction=c), SIZE))
        for c in _constructions(table_of(part, "cumulative incidence seen")):
            if _several(part, c):
                drawn.append((f"first limit {c}", f"Which limit comes first{f', {c}' if c else ''}",
                              partial(first_limit_figure, part, construction=c), SIZE))
        table = table_of(part, "first passage")
        pairs = dict.fromkeys((str(c), str(k)) for c, k in zip(table["construction"], table["limit"], strict=True)
                              ) if table is not None else {}
        drawn += [(f"families {k} {c}", f"Ways of wearing, {k.replace('_', ' ')}{f', {c}' if c else ''}",
                   partial(families_figure, part, construction=c, limit=k), SIZE) for c, k in pairs]
    return drawn


def _constructions(table: ResultTable | None) -> list[str]:
    return list(dict.fromkeys(str(c) for c in table["construction"])) if table is not None else []


def _several(part: Result, construction: str) -> bool:
    table = part.table("cumulative incidence seen")
    return len({str(x) for x, c in zip(table["first limit"], table["construction"], strict=True)
                if c == construction}) > 1


def _steps(axes: Axes, left: Floats, right: Floats, share: Floats, *, colour: str) -> None:
    """Draw steps; inside an interval, where the estimate is not defined, a shaded box in place of a line."""
    level, at = 0.0, 0.0
    for a, b, s in zip(left, right, share, strict=True):
        axes.plot([at, a], [level, level], color=colour, linewidth=1.7, solid_capstyle="butt")
        if b > a:
            axes.fill_between([a, b], level, s, color=colour, alpha=0.25, linewidth=0)
            axes.plot([a, b, b], [level, level, s], color=colour, linewidth=0.6)
            axes.plot([a, a, b], [level, s, s], color=colour, linewidth=0.6)
        else:
            axes.plot([a, a], [level, s], color=colour, linewidth=1.7)
        level, at = float(s), float(b)
    return None


def _two_curves(axes: Axes, steps: dict[str, Floats], fitted: dict[str, Floats] | None, *, unit: str,
                share: float | None = None, low: Estimate | None = None) -> None:
    if fitted is not None and len(fitted["t"]):
        axes.fill_between(fitted["t"], 100 * fitted["low"], 100 * fitted["high"], color=look.BAND, linewidth=0,
                          alpha=0.7)
        axes.plot(fitted["t"], 100 * fitted["share"], color=look.MODEL, linestyle="--", linewidth=1.5)
        axes.annotate("Weibull", (fitted["t"][-1], 100 * fitted["share"][-1]), xytext=(3, 0),
                      textcoords="offset points",
                      fontsize=8, color=look.MODEL, va="center", annotation_clip=False)
    for e in ("low", "high"):
        axes.plot(steps["right"], 100 * steps[e], color=look.LIMIT, linestyle="none", marker="_", markersize=6)
    axes.vlines(steps["right"], 100 * steps["low"], 100 * steps["high"], color=look.LIMIT, linewidth=0.8)
    _steps(axes, steps["left"], steps["right"], 100 * steps["share"], colour=look.LIMIT)
    axes.set_ylim(0, 102)
    axes.set_xlim(left=0)
    if share is not None and low is not None and np.isfinite(low.value):
        axes.plot([0, low.value, low.value], [100 * share, 100 * share, 0], color=look.INK, linewidth=0.9,
                  linestyle=":")
        axes.annotate(f"{100 * (1 - share):g} % last {low.value:,.4g} at least", (low.value, 100 * share), xytext=(4,
                                                                                                                   4),
                      textcoords="offset points", fontsize=8, color=look.INK,
                      bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5})
    axes.set_xlabel(unit)
    axes.set_ylabel("share failed [%]")


def survival_figure(part: Result, axes: Axes) -> str:
    """Draw the share failed by each time: steps without a model with their intervals, and the Weibull with its band.

    Returns
    -------
    str
        The caption: the answer.
    """
    t = part.table("survival")
    steps = {"left": t["from"], "right": t["to"], "share": t["share failed"], "low": t["low"], "high": t["high"]}
    f = table_of(part, "fitted survival")
    fitted = ({"t": f["time"], "share": f["share failed"], "low": f["low"], "high": f["high"]}
              if f is not None and len(f) else None)
    share = float(str(part.provenance.settings.get("share", "0.1")))
    low = next((e for e in part.estimates if e.name.startswith("lower bound of the life")
                and not e.name.endswith(("lognormal", "shape given"))), None)
    _two_curves(axes, steps, fitted, unit=t.columns[0].unit, share=share, low=low)
    return f"{part.answer} Steps: without a model; boxes where a failure lies between two checks. Dashes: Weibull."


def sensors_figure(part: Result, axes: Axes, *, construction: str) -> str:
    """Draw the share of sensors past any limit, as seen and by the fitted Weibull."""
    t = part.table("survival of sensors")

    def of(curve: str) -> dict[str, Any]:
        keep = (t["construction"] == construction) & (t["curve"] == curve)
        return {n: np.asarray(t[k][keep], np.float64) for n, k in (("left", "from"), ("right", "to"), ("t", "to"),
                                                                   ("share", "share past"), ("low", "low"),
                                                                   ("high", "high"))}

    steps, fitted = of("steps"), of("Weibull")
    _two_curves(axes, steps, fitted, unit=_unit(t, "from"))
    axes.set_ylabel("share of sensors past any limit [%]")
    count = next((e for e in part.estimates if e.name == "retire after" and "limit" not in e.of
                  and e.of.get("construction", "") == construction), None)
    if count is not None and np.isfinite(count.value):
        look.note_count(axes, count.value, f"retire after {count.value:g}")
    seen = next(e for e in part.estimates if e.name == "sensors seen past a limit"
                and e.of.get("construction", "") == construction)
    name = f"{construction} sensors" if construction else "sensors"
    return (f"{seen.value:.0f} of {seen.n} {name} were seen past any limit. Boxes: between which checks; dashes: the "
            f"Weibull "
            "fitted to these crossings, with its band.")


def _unit(table: ResultTable, column: str) -> str:
    return next(c.unit for c in table.columns if c.name == column)


def causes_figure(part: Result, axes: Axes) -> str:
    """Draw the share failed of each cause."""
    t = part.table("cumulative incidence")
    return _incidences(axes, t, "cause", "time", "share failed", unit=_unit(t, "time"))


def first_limit_figure(part: Result, axes: Axes, *, construction: str) -> str:
    """Draw of which share of sensors each limit was the first to be passed."""
    t = part.table("cumulative incidence seen")
    keep = t["construction"] == construction
    picked = ResultTable.build("picked", {c.name: c.values[keep] for c in t.columns})
    name = f" of {construction} sensors" if construction else ""
    return _incidences(axes, picked, "first limit", "use", f"share{name} past it first", unit=_unit(t, "use"))


def _incidences(axes: Axes, t: ResultTable, label: str, time: str, words: str, *, unit: str) -> str:
    told, ends = [], []
    share = "share failed" if "share failed" in {c.name for c in t.columns} else "share past"
    for j, cause in enumerate(dict.fromkeys(str(c) for c in t[label])):
        keep = t[label] == cause
        x, y = np.asarray(t[time][keep], float), 100 * np.asarray(t[share][keep], float)
        low, high = 100 * np.asarray(t["low"][keep], float), 100 * np.asarray(t["high"][keep], float)
        colour = look.SERIES[j % len(look.SERIES)]
        xs, ys = np.concatenate([[0.0], x]), np.concatenate([[0.0], y])
        axes.step(xs, ys, where="post", color=colour, linestyle=look.DASHES[j % len(look.DASHES)], linewidth=1.7)
        axes.errorbar(x[-1] * (1 - 0.012 * j), y[-1], [[max(y[-1] - low[-1], 0)], [max(high[-1] - y[-1], 0)]],
                      color=colour, marker=look.MARKERS[j % len(look.MARKERS)], markersize=4, capsize=2.5, linewidth=1)
        ends.append((float(x[-1]), float(y[-1]), cause.replace("_", " ")))
        told.append(f"{y[-1]:.0f} % ({low[-1]:.0f} to {high[-1]:.0f}) {cause.replace('_', ' ')}")
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    look.end_labels(axes, [e[0] for e in ends], [e[1] for e in ends], [e[2].replace(' and ', '\nand ') for e in ends],
                    colour=look.INK, size=8)
    axes.set_xlabel(unit)
    axes.set_ylabel(f"{words} [%]")
    return f"By {ends[0][0]:,g} {unit}: {'; '.join(told)}. Each share allows for units that another cause took first."


def families_figure(part: Result, axes: Axes, *, construction: str, limit: str) -> str:
    """Draw the share past one limit by each family, with the crossings that were seen."""
    t, seen, rows = part.table("first passage"), part.table("crossings"), part.table("first-passage families")
    ends = []
    mine = (t["construction"] == construction) & (t["limit"] == limit)
    for j, family in enumerate(dict.fromkeys(str(f) for f in t["family"][mine])):
        keep = mine & (t["family"] == family)
        x, y = np.asarray(t["use"][keep], float), 100 * np.asarray(t["share past"][keep], float)
        axes.plot(x, y, color=look.SERIES[j % len(look.SERIES)], linestyle=look.DASHES[j % len(look.DASHES)])
        ends.append((float(x[-1]), float(y[-1]), family.replace(", ", ",\n")))
    own = (seen["construction"] == construction) & (seen["limit"] == limit)
    low, high = (np.asarray(seen[k][own], float) for k in ("last seen inside", "first seen past"))
    crossed = np.flatnonzero(np.isfinite(high))
    for rank, i in enumerate(crossed[np.argsort(high[crossed], kind="stable")], 1):
        at = 100 * rank / len(high)
        axes.plot([low[i], high[i]], [at, at], color=look.LIMIT, linewidth=2.2, solid_capstyle="butt")
    axes.set_xlim(left=0)
    axes.set_ylim(0, 102)
    axes.set_xlabel(_unit(t, "use"))
    words = limit.replace("_", " ")
    axes.set_ylabel(f"share past the limit on\n{words} [%]")
    look.end_labels(axes, [e[0] for e in ends], [e[1] for e in ends], [e[2] for e in ends], colour=look.INK, lines=2)
    uses = np.asarray(rows["use"][(rows["construction"] == construction) & (rows["limit"] == limit)], float)
    name = f"{construction} sensors" if construction else "sensors"
    return (f"{len(crossed)} of {len(high)} {name} were seen to pass the limit on {words} (bars, between which checks, "
            f"at their rank). The share that the count guards against is reached at {np.nanmin(uses):.0f} to "
            f"{np.nanmax(uses):.0f} uses, by the way in which sensors are taken to wear.")
