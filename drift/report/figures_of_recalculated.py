"""Figure of two calibrations on the same raw readings: each sensor's line of the difference, bias and limits of all."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, unit_of
from drift.report.figures_of_trials import compared, groups_of, harmless_of, rows_of
from drift.results import Result, ResultTable, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CURVES, LINES, READINGS = "along pressure", "difference lines", "recalculated readings"
OWN = ("pressure", "bias", "lower limit", "upper limit")
SIZE = (4.9, 3.7)
MOST_NAMED = 6
GREEN = "#4a6b3a"


def recalculated_groups(result: Result) -> list[dict[str, str]]:
    """Return the groups of ``by`` columns that have curves along the pressure; empty without them."""
    return groups_of(result, CURVES, lambda n: n in OWN or n.endswith((" low", " high")))


def recalculated_drawings(result: Result) -> list[tuple[str, str, Callable[..., str], tuple[float, float]]]:
    """Return name, title, drawing and size of the figure of each group."""
    return [(f"recalculated {' '.join(g.values())} {result.question}", f"Two calibrations, {result.question}"
             f"{''.join(f', {k} {v}' for k, v in g.items())}", partial(recalculated_figure, result, of=g), SIZE)
            for g in recalculated_groups(result)]


def recalculated_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw the difference of two calibrations against the pressure by b.

    A thin line is one sensor over the pressures it met; bias and limits for a new sensor have bands up to the far ends
    of their intervals; ticks at the foot are the readings; the thick bar says where one may replace the other.

    Parameters
    ----------
    result : Result
        Of an agreement question with ``recalculate``; tables "along pressure", "difference lines",
        "recalculated readings".
    axes : Axes
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption, a sentence with the finding.
    """
    of = dict(of or {})
    a, b = compared(result)
    table, lines = result.table(CURVES), result.table(LINES)
    at = rows_of(table, of)
    unit, harmless = unit_of(table, "bias"), harmless_of(result, of)
    if harmless is not None:
        axes.axhspan(-harmless, harmless, color=look.SAFE, zorder=0, linewidth=0)
    axes.axhline(0, color=look.INK, linewidth=0.6, zorder=1)
    n = _sensor_lines(axes, lines, rows_of(lines, of))
    x = np.asarray(table["pressure"][at], dtype=float)
    ends = _curves(axes, table, at, x)
    _foot(axes, result, of, b)
    low, high = find(result, "interchangeable from pressure", **of), find(result, "interchangeable to pressure", **of)
    if low is not None and high is not None:
        axes.plot([low.value, high.value], [0.045] * 2, transform=axes.get_xaxis_transform(), color=GREEN,
                  linewidth=4.5, solid_capstyle="butt", zorder=4)
        axes.annotate(f"{a} may replace {b}", (low.value, 0.055), xycoords=axes.get_xaxis_transform(),
                      xytext=(0, 3), textcoords="offset points", ha="left",
                      va="bottom", fontsize=7.5, color=GREEN, zorder=5,
                      bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6})
    axes.margins(x=0.02)
    axes.set_xlabel(axis_label(f"pressure by {b}", unit))
    axes.set_ylabel(axis_label(f"difference {a} {MINUS} {b}", unit))
    if harmless is not None:
        axes.annotate(f"harmless: \N{PLUS-MINUS SIGN}{harmless:g} {unit}", (0.01, harmless),
                      xycoords=axes.get_yaxis_transform(), xytext=(0, -3), textcoords="offset points", fontsize=7.5,
                      color=GREEN, va="top")
    if ends:
        look.end_labels(axes, [x[-1]] * len(ends), [v for v, _ in ends], [w for _, w in ends], colour=look.INK, size=8)
    return _caption(result, of, a, b, unit, n)


def _sensor_lines(axes: Axes, lines: ResultTable, here: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    """Draw each sensor over the pressures it met; name them where they are few."""
    sensors = [str(s) for s in lines["sensor"][here]]
    c, e = (np.asarray(lines[n][here], dtype=float) for n in ("difference at zero", "slope"))
    low, high = (np.asarray(lines[n][here], dtype=float) for n in ("pressure from", "pressure to"))
    for i in range(len(sensors)):
        x = np.array([low[i], high[i]])
        axes.plot(x, c[i] + e[i] / 100 * x, color=look.DATA, linewidth=0.9, marker="|", markersize=4, zorder=2)
    if len(sensors) <= MOST_NAMED:
        look.own_labels(axes, high.tolist(), (c + e / 100 * high).tolist(), sensors, size=7)
    return len(set(sensors))


def _curves(axes: Axes, table: ResultTable, at: np.ndarray[tuple[int], np.dtype[np.bool_]],
            x: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[tuple[float, str]]:
    """Draw bias and limits with their bands; return where they end and what they are."""
    got = {n: np.asarray(table[n][at], dtype=float) for n in
           ("bias", "bias low", "bias high", "lower limit", "lower limit low", "upper limit", "upper limit high")}
    ends = []
    if np.isfinite(got["bias low"]).all():
        axes.fill_between(x, got["bias low"], got["bias high"], color=look.BAND, alpha=0.7, linewidth=0, zorder=1.5)
    axes.plot(x, got["bias"], color=look.MODEL, linewidth=1.8, zorder=3)
    ends.append((float(got["bias"][-1]), "bias"))
    for name, far in (("lower limit", "lower limit low"), ("upper limit", "upper limit high")):
        if not np.isfinite(got[name]).all():
            continue
        axes.plot(x, got[name], color=look.LIMIT, linestyle="--", linewidth=1.5, zorder=3)
        axes.fill_between(x, got[name], got[far], facecolor="none", edgecolor=look.LIMIT, hatch="////", linewidth=0,
                          alpha=0.45, zorder=1.2)
        ends.append((float(got[name][-1]), name))
    return ends


def _foot(axes: Axes, result: Result, of: Mapping[str, str], b: str) -> None:
    """Mark the pressures of all readings at the foot."""
    table = result.table(READINGS)
    x = np.asarray(table[f"pressure by {b}"][rows_of(table, of)], dtype=float)
    if len(x) > 400:
        x = np.quantile(x, np.linspace(0, 1, 400))
    axes.plot(x, np.zeros(len(x)), "|", transform=axes.get_xaxis_transform(), color=look.INK, markersize=5,
              markeredgewidth=0.5, alpha=0.6, clip_on=False, zorder=3)


def _caption(result: Result, of: Mapping[str, str], a: str, b: str, unit: str, n: int) -> str:
    bias, change = find(result, "bias", **of), find(result, "change of difference with pressure", **of)
    label = "".join(f" ({k} {v})" for k, v in of.items())
    if change is None or not math.isfinite(change.value):
        return sentence(f"{result.question}{label}: difference of pressures through {a} and {b} of the same raw "
                        f"readings on {n} sensor{'s' if n > 1 else ''}, against the pressure by {b}.")
    assert bias is not None
    by, of_level = (format_interval(v.value, v.low, v.high).replace("-", MINUS) for v in (bias, change))
    words = (f"the same raw readings differ by {by} {unit} through {a} and {b} ({a} {MINUS} {b}) over the pressures "
             f"met, and the difference changes by {of_level} % of the pressure")
    return sentence(f"{result.question}{label}: {words}. Thin lines are the {n} sensors over the pressures they met; "
                    f"bias and limits are those of a new sensor, hatched out to the far end of their "
                    f"{100 * result.provenance.level:g} % intervals; ticks at the foot are the readings.")
