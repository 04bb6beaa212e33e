"""Figures: each function takes a result and an axes, draws, and returns the caption with the finding."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import MINUS
from drift.report import drawing as look
from drift.results import Estimate, Result, ResultTable, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]


def is_log(wear: Result) -> bool:
    """Tell whether the drift was fitted on the log scale."""
    return any(e.name == "drift per use, percent" for e in wear.estimates)


def labels_of(construction: str) -> dict[str, str]:
    """Return the labels an estimate of that construction carries."""
    return {"construction": construction} if construction else {}


def find(result: Result, name: str, **of: str) -> Estimate | None:
    """Return the estimate of that name with these labels and no sensor of its own, or None."""
    for e in result.estimates:
        if e.name == name and "sensor" not in e.of and all(e.of.get(k) == v for k, v in of.items()):
            return e
    return None


def table_of(result: Result, name: str) -> ResultTable | None:
    """Return a table, or None where the result has none of that name."""
    return next((t for t in result.tables if t.name == name), None)


def unit_of(table: ResultTable, column: str) -> str:
    """Return the unit of a column."""
    return next((c.unit for c in table.columns if c.name == column), "")


def axis_label(words: str, unit: str) -> str:
    """Return ``words [unit]``; a pure number says so."""
    return f"{words} [{unit or '1'}]"


def exposure_unit(wear: Result) -> str:
    """Return the unit of exposure: uses, or the unit of the column that counts it."""
    table = table_of(wear, "occasions")
    unit = unit_of(table, "use") if table is not None else ""
    return {"": "uses", "use": "uses"}.get(unit, unit)


def drift_figure(wear: Result, axes: Axes, *, construction: str = "", retired: Result | None = None) -> str:
    """Draw raw checks with intervals, each sensor's line, the population line with its band, limit and count.

    Parameters
    ----------
    wear : Result
        Of ``fit_wear``; tables "occasions", "sensor lines" and "population line".
    axes : Axes
    construction : str
        The construction drawn; ``""`` where none is recorded.
    retired : Result, optional
        Of ``retire``, for the limit on the fall of sensitivity and the retire-after count.

    Returns
    -------
    str
        The caption, a sentence with the finding.
    """
    log = is_log(wear)
    occasions, lines = wear.table("occasions"), wear.table("sensor lines")
    back = np.exp if log else (lambda v: v)
    mine = occasions["construction"] == construction
    use, middle, error = (occasions[c][mine] for c in ("use", "response", "response_se"))
    t = 1.959964
    with np.errstate(invalid="ignore"):
        low, high = back(middle - t * error), back(middle + t * error)
    drawn = np.isfinite(low) & np.isfinite(high)
    axes.vlines(use[drawn], low[drawn], high[drawn], color=look.DATA, linewidth=0.7, alpha=0.7)
    axes.plot(use, back(middle), "o", color=look.DATA, markersize=2.8, alpha=0.85)
    ends = _sensor_lines(axes, lines, construction, back)
    population = table_of(wear, "population line")
    if population is not None:
        own = population["construction"] == construction
        u = population["use"][own]
        axes.fill_between(u, back(population["low"][own]), back(population["high"][own]), color=look.BAND, alpha=0.75,
                          linewidth=0, zorder=0.8)
        axes.plot(u, back(population["fit"][own]), color=look.MODEL, linewidth=2.4, zorder=3)
    axes.set_xlabel(exposure_label(wear))
    axes.set_ylabel(axis_label(*_response_words(wear)))
    _same_axes(axes, wear, back)
    limits = _draw_decision(axes, wear, retired, construction, back) if retired is not None else []
    look.own_labels(axes, *ends, free_of=limits)
    return _drift_caption(wear, construction, log)


def exposure_label(wear: Result) -> str:
    """Return the words of the horizontal axis with their unit."""
    unit = exposure_unit(wear)
    return "completed uses" if unit == "uses" else axis_label("exposure", unit)


def _same_axes(axes: Axes, wear: Result, back: Any) -> None:
    """Give every construction the same axes, so that figures side by side can be compared."""
    occasions = wear.table("occasions")
    response, use = back(occasions["response"]), occasions["use"]
    there = np.isfinite(response) & np.isfinite(use)
    if not there.any():
        return
    band = table_of(wear, "population line")
    low, high, last = float(response[there].min()), float(response[there].max()), float(use[there].max())
    if band is not None and np.isfinite(band["low"]).any():
        low, high = min(low, float(np.nanmin(back(band["low"])))), max(high, float(np.nanmax(back(band["high"]))))
    room = 0.06 * (high - low or abs(high) or 1.0)
    axes.set_ylim(low - room, high + 2 * room)
    axes.set_xlim(-0.02 * last, 1.06 * last if last else 1.0)


def _draw_decision(axes: Axes, wear: Result, retired: Result, construction: str, back: Any) -> list[float]:
    """Draw the retire-after count and limits that can stand here; return their heights."""
    drawn: list[float] = []
    population, path = table_of(wear, "population line"), table_of(retired, "bound path")
    if path is not None and population is not None and is_log(wear):
        own = (path["construction"] == construction) & (path["limit"] == "sensitivity_change")
        start = population["fit"][population["construction"] == construction]
        if own.any() and len(start):
            fall = 1 - math.exp(float(path["limit_value"][own][0]))
            drawn += _limit_line(axes, float(back(start[0])) * (1 - fall), f"limit {100 * fall:.3g} % below mean new",
                                 _response_words(wear)[1])
    if path is not None:
        own = (path["construction"] == construction) & (path["limit"] == "reading")
        if own.any():
            at = float(_limit_scale("reading", wear, "")[0](path["limit_value"][own][0]))
            drawn.append(at)
            look.note_line(axes, at, f"limit {at:.4g} {unit_of(path, 'limit_value')}".rstrip())
            low, high = axes.get_ylim()
            room = 0.08 * (high - low)
            axes.set_ylim(min(low, at - room), max(high, at + room))
    count = find_whole(retired, construction)
    if count is not None and math.isfinite(count.value):
        look.note_count(axes, count.value, f"retire after {'at least ' if count.bound == 'at least' else ''}"
                                           f"{count.value:g}")
    return drawn


def _limit_line(axes: Axes, at: float, words: str, unit: str) -> list[float]:
    """Draw a limit as a line where it lies in the picture and return its height; else say where it is."""
    low, high = axes.get_ylim()
    if low <= at <= high:
        look.note_line(axes, at, words)
        return [at]
    below = at < low
    side = "below" if below else "above"
    axes.annotate(f"{words}: {at:.3g} {unit}, {side} this picture", (0.01, 0.02 if below else 0.9),
                  xycoords="axes fraction", fontsize=8, color=look.LIMIT,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8})
    return []


def find_whole(retired: Result, construction: str) -> Estimate | None:
    """Return the count over all limits of a construction."""
    return next((e for e in retired.estimates if e.name == "retire after" and "limit" not in e.of
                 and e.of.get("construction", "") == construction), None)


def _sensor_lines(axes: Axes, lines: ResultTable, construction: str, back: Any) -> tuple[list[float], list[float],
                                                                                        list[str]]:
    xs, ys, words = [], [], []
    for i in np.flatnonzero(lines["construction"] == construction):
        first, last, a, b = (float(lines[c][i]) for c in ("first_use", "last_use", "intercept", "slope"))
        if not all(math.isfinite(v) for v in (first, last, a, b)):
            continue
        u = np.linspace(first, last, 25)
        axes.plot(u, back(a + b * u), color=look.DATA, linewidth=0.8, alpha=0.8)
        xs.append(last)
        ys.append(float(back(a + b * last)))
        words.append(str(lines["sensor"][i]))
    return xs, ys, words


def _response_words(wear: Result) -> tuple[str, str]:
    table = wear.table("sensitivities")
    has_sensitivity = bool(np.isfinite(table["sensitivity"]).any()) if len(table) else False
    column = "sensitivity" if has_sensitivity else "reading"
    return column, unit_of(table, column)


def _drift_caption(wear: Result, construction: str, log: bool) -> str:
    name = "drift per use, percent" if log else "drift per use"
    found = find(wear, name, **labels_of(construction))
    lines = wear.table("sensor lines")
    n = int(np.sum(lines["construction"] == construction))
    unit = exposure_unit(wear)
    per = "use" if unit == "uses" else unit
    quantity = _response_words(wear)[0]
    lead = f"{construction} sensors: {quantity}" if construction else quantity
    legend = ("Points are checks with 95 % intervals, thin lines single sensors, the thick line their mean with its "
              f"{share_text(wear.provenance.level)} band.")
    if found is None or not math.isfinite(found.value):
        return sentence(f"{lead} of {n} sensors, each with its own line. {legend}")
    slope = found.unit if "per " in found.unit else f"{'%' if log else found.unit} per {per}"
    interval = f"{share_text(found.level)} interval" if math.isfinite(found.level) else "interval"
    if found.high < 0 or found.low > 0:
        ends = sorted((abs(found.low), abs(found.high)))
        shown = format_interval(abs(found.value), *ends)
        said = f"{'fell' if found.high < 0 else 'rose'} by {shown} {slope} on average"
    else:
        shown = format_interval(found.value, found.low, found.high)
        said = f"showed no certain change, {shown} {slope}"
    return sentence(f"{lead} {said} ({interval}, {n} sensors). {legend}")


def share_text(share: float) -> str:
    """Return a share in percent, ``95 %``."""
    return f"{100 * share:g} %"


def sentence(text: str) -> str:
    """Return the text with a capital first letter."""
    return text[:1].upper() + text[1:]


def limit_figure(retired: Result, wear: Result, axes: Axes, *, construction: str, limit: str) -> str:
    """Draw checks against a limit with mean, tolerance bound and the retire-after count."""
    path = retired.table("bound path")
    own = (path["construction"] == construction) & (path["limit"] == limit)
    use, bound, mean, line = (path[c][own] for c in ("use", "bound", "mean", "limit_value"))
    unit = unit_of(path, "bound")
    to_shown, words = _limit_scale(limit, wear, unit)
    points = _limit_points(wear, construction, limit)
    if points is not None:
        axes.plot(points[0], points[1], "o", color=look.DATA, markersize=2.8, alpha=0.7)
    axes.plot(use, to_shown(mean), color=look.MODEL, linewidth=2.2)
    axes.plot(use, to_shown(bound), color=look.BOUND, linewidth=2.0, linestyle=(0, (5, 2)))
    top = float(np.nanmax(to_shown(line)))
    axes.set_xlabel(exposure_label(wear))
    axes.set_ylabel(words)
    _same_limit_axes(axes, path, limit, to_shown)
    shown_unit = words[words.rindex("[") + 1:-1]
    look.note_line(axes, top, f"limit {top:.4g} {'' if shown_unit == '1' else shown_unit}".rstrip().replace(
        "-", MINUS))
    look.end_labels(axes, [float(use[-1])] * 2, [float(to_shown(mean)[-1]), float(to_shown(bound)[-1])],
                    ["mean of sensors", "tolerance bound"], colour=look.INK, size=8)
    return _limit_caption(retired, axes, construction, limit)


def _same_limit_axes(axes: Axes, path: ResultTable, limit: str, to_shown: Any) -> None:
    """Give every construction the same axes for one limit."""
    own = path["limit"] == limit
    ends = [(float(np.nanmin(v)), float(np.nanmax(v))) for v in (to_shown(path[c][own]) for c in
                                                                  ("bound", "limit_value", "mean"))]
    drawn = axes.dataLim
    low, high = min(e[0] for e in ends), max(e[1] for e in ends)
    if math.isfinite(drawn.y0) and math.isfinite(drawn.y1):
        low, high = min(low, drawn.y0), max(high, drawn.y1)
    room, last = 0.06 * (high - low or 1.0), float(np.nanmax(path["use"][own]))
    axes.set_ylim(low - room, high + 2 * room)
    axes.set_xlim(-0.02 * last, 1.02 * last if last else 1.0)


def _limit_scale(limit: str, wear: Result, unit: str) -> tuple[Any, str]:
    if limit == "sensitivity_change":
        return (lambda v: 100 * (np.exp(v) - 1)), "change of sensitivity since new [%]"
    if limit == "saturation_pressure":
        return (lambda v: np.exp(v)), "saturation pressure [kPa]"
    if is_log(wear):
        return (lambda v: np.exp(v)), axis_label("reading", unit)
    return (lambda v: v), axis_label("reading", unit)


def _limit_points(wear: Result, construction: str, limit: str) -> tuple[Floats, Floats] | None:
    table = wear.table("sensitivities")
    mine = table["construction"] == construction
    if limit == "sensitivity_change":
        occasions, lines = wear.table("occasions"), wear.table("sensor lines")
        start = dict(zip(lines["sensor"], lines["intercept"], strict=True))
        own = occasions["construction"] == construction
        fresh = np.array([start.get(s, math.nan) for s in occasions["sensor"][own]], dtype=np.float64)
        return occasions["use"][own], 100 * (np.exp(occasions["response"][own] - fresh) - 1)
    column = "saturation_pressure" if limit == "saturation_pressure" else "reading"
    return table["use"][mine], table[column][mine]


def _limit_caption(retired: Result, axes: Axes, construction: str, limit: str) -> str:
    labels = labels_of(construction)
    count = find(retired, "retire after", **{**labels, "limit": limit})
    words = limit.replace("_", " ")
    lead = f"{construction} sensors, {words}" if construction else words
    if count is None or not math.isfinite(count.value):
        return sentence(f"{lead}: no count can be given from these data.")
    shown = f"{'at least ' if count.bound == 'at least' else ''}{count.value:g}"
    look.note_count(axes, count.value, f"retire after {shown}")
    return sentence(f"{lead}: retire after {shown} {count.unit or 'uses'}. The dashed line bounds the share of sensors "
                    "that the study asks for; the count ends where it meets the limit, or earlier where its skew "
                    "companion "
                    "does.")
