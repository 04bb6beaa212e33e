"""Figures of an agreement question: differences against means with limits, and which figures stand beside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.agreement_points import Points, draw_points, how_drawn, name_outliers, points_of
from drift.report.figures import axis_label, find, sentence, table_of, unit_of
from drift.report.figures_of_trials import compared, harmless_is_share, harmless_of, rows_of
from drift.results import Estimate, Result, decimals_for, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
SIZE = (4.9, 3.7)
GREEN, PALE = "#4a6b3a", "#edd8d2"
MOST_SURVIVAL = 6  # groups; with more the plots would fill the page, and the table has their numbers
HARMLESS_DASHES = (0, (7, 2, 1, 2))
# Bias and limits: colour, dashes, hatching of the interval. Each differs from the others in more than its colour.
LINES = {"bias": (look.MODEL, "-", ""), "lower limit": (look.LIMIT, "--", "////"),
         "upper limit": (look.LIMIT, "--", "////")}
PROPOSED, NONPARAMETRIC = "limits, plain and proposed", "nonparametric limits"
Ends = tuple[float, float, float]  # value, low, high


def agreement_drawings(result: Result) -> list[Drawing]:
    """Return name, title, drawing and size of the figures of every group: differences, variants proposed, survival."""
    from drift.report.figures_of_agreement_variants import variant_drawings
    from drift.report.figures_of_recalculated import recalculated_drawings
    from drift.report.figures_of_survival import survival_drawing

    if table_of(result, "pairs") is None:
        return []
    made: list[Drawing] = list(recalculated_drawings(result))
    of_lines, groups = bool(made), agreement_groups(result)  # lines of sensors say more than points that lie on them
    for of in groups:
        words = " ".join(of.values())
        title = f"{result.question}{''.join(f', {k} {v}' for k, v in of.items())}"
        if not of_lines:
            made.append((f"agreement {words} {result.question}", f"Agreement, {title}",
                         partial(agreement_figure, result, of=of), SIZE))
        made += variant_drawings(result, of, words, title)
        if len(groups) <= MOST_SURVIVAL:
            made += survival_drawing(result, of, words, title)
    return made


def agreement_groups(result: Result) -> list[dict[str, str]]:
    """Return the labels of every group that was asked about, in the order of the question."""
    apart = ("question", "scale", "method")
    keys = dict.fromkeys(tuple((k, v) for k, v in e.of.items() if k not in apart) for e in result.estimates
                         if e.name == "bias")
    return [dict(k) for k in keys]


def agreement_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw differences against means with bias, limits of agreement, their intervals and the harmless band.

    Pairs of one target are joined, or stand as a mean with its range where there are many; sensors differ by the shape
    of their points, outliers carry their name, and thousands of pairs become shaded cells.

    Parameters
    ----------
    result : Result
        Of an agreement question; tables "pairs" and, where a harmless difference is declared, "verdict".
    axes : Axes
    of : mapping, optional
        Labels of one group of a question asked ``by`` columns.

    Returns
    -------
    str
        The caption.
    """
    of = dict(of or {})
    points, unit = points_of(result, of), unit_of(result.table("pairs"), "difference")
    harmless, found = harmless_of(result, of), _finite(result, of)
    draw_points(axes, points, points.mean, points.difference)
    cut = _span(axes, points, found, harmless)
    harmless_band(axes, harmless, unit)
    percent = harmless_percent(result, of)
    if percent is not None:
        harmless_wedge(axes, percent)
    axes.axhline(0, color=look.INK, linewidth=0.6, zorder=1)
    for e in found:
        colour, dashes, hatch = LINES[e.name]
        axes.axhline(e.value, color=colour, linestyle=dashes, linewidth=1.6, zorder=2)
        if math.isfinite(e.low) and math.isfinite(e.high):
            interval_band(axes, e.low, e.high, colour=colour, hatch=hatch)
    axes.set_xlabel(axis_label("mean of the two", unit))
    a, b = compared(result)
    axes.set_ylabel(axis_label(f"difference {a} {MINUS} {b}", unit))
    ends = [(e.value, f"{e.name}\n{format_interval(e.value, e.low, e.high)}") for e in found]
    _nonparametric(axes, result, of)
    look.end_labels(axes, [axes.get_xlim()[1]] * len(ends), [v for v, _ in ends], [w for _, w in ends],
                    colour=look.INK, size=8, lines=2.5)
    name_outliers(axes, points, points.mean, points.difference)
    within = f"{harmless:g} {unit}".rstrip() if harmless is not None else (
        f"{percent:g} % of their mean" if percent is not None else "")
    return _caption(result, of, within, unit, points, cut=cut)


def _finite(result: Result, of: Mapping[str, str]) -> list[Estimate]:
    """Return bias and limits, those that have a value."""
    found = [find(result, name, **of) for name in LINES]
    return [e for e in found if e is not None and math.isfinite(e.value)]


def _span(axes: Axes, points: Points, found: Sequence[Estimate], harmless: float | None) -> bool:
    """Choose the span of differences; return whether an interval runs out of it, as few pairs make it do."""
    core = [*points.difference, *(e.value for e in found), 0.0, *((-harmless, harmless) if harmless else ())]
    low, high = float(np.min(core)), float(np.max(core))
    size = (high - low) or max(abs(high), 1.0)
    ends = [v for e in found for v in (e.low, e.high) if math.isfinite(v)]
    far_low, far_high = min([low, *ends]), max([high, *ends])
    shown_low, shown_high = max(far_low, low - size), min(far_high, high + size)
    axes.set_ylim(shown_low - 0.05 * size, shown_high + 0.08 * size)
    left, right = float(points.mean.min()), float(points.mean.max())
    room = 0.05 * ((right - left) or max(abs(right), 1.0))
    axes.set_xlim(left - room, right + room)
    return far_low < shown_low or far_high > shown_high


def harmless_band(axes: Axes, harmless: float | None, unit: str) -> None:
    """Shade what was declared harmless between two long-dashed edges, with its words."""
    if harmless is None:
        return
    axes.axhspan(-harmless, harmless, color=look.SAFE, zorder=0, linewidth=0)
    for edge in (-harmless, harmless):
        axes.axhline(edge, color=GREEN, linestyle=HARMLESS_DASHES, linewidth=0.9, zorder=1)
    # Below the upper edge where the axes end just above it.
    low, high = axes.get_ylim()
    above = high - harmless > 0.07 * (high - low)
    axes.annotate(f"harmless: within {harmless:g} {unit}".rstrip(), (0.01, harmless), fontsize=7.5,
                  va="bottom" if above else "top", xycoords=axes.get_yaxis_transform(), color=GREEN, zorder=3,
                  xytext=(0, 2 if above else -2), textcoords="offset points",
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.4})


def harmless_percent(result: Result, of: Mapping[str, str]) -> float | None:
    """Return the share of the mean that was declared harmless, in percent; None where a difference was."""
    table = table_of(result, "verdict")
    if table is None or not harmless_is_share(result):
        return None
    values = table["harmless"][rows_of(table, of)]
    return float(values[0]) if len(values) and math.isfinite(values[0]) else None


def harmless_wedge(axes: Axes, percent: float) -> None:
    """Shade what lies within a share of the mean of the two, which opens with the reading."""
    x = np.array(axes.get_xlim())
    edge = np.abs(x) * percent / 100
    axes.fill_between(x, -edge, edge, color=look.SAFE, zorder=0, linewidth=0)
    for sign in (-1, 1):
        axes.plot(x, sign * edge, color=GREEN, linestyle=HARMLESS_DASHES, linewidth=0.9, zorder=1)
    axes.annotate(f"harmless: within {percent:g} % of the mean", (0.015, 0.985), fontsize=7.5, va="top",
                  xycoords="axes fraction", color=GREEN, zorder=3,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.4})


def interval_band(axes: Axes, low: float, high: float, *, colour: str, hatch: str) -> None:
    """Shade the interval of a horizontal line; those of limits are hatched, so that grey keeps them apart."""
    axes.axhspan(low, high, **band_style(colour, hatch), zorder=0.5)


def band_style(colour: str, hatch: str) -> dict[str, Any]:
    """Return how an interval is filled: light and hatched for a limit, darker and plain for a bias."""
    if not hatch:
        return {"facecolor": (colour, 0.28), "linewidth": 0}
    # One opacity for both: an SVG knows no other for a pattern.
    return {"facecolor": PALE, "edgecolor": colour, "hatch": hatch, "alpha": 0.6, "linewidth": 0}


def _nonparametric(axes: Axes, result: Result, of: Mapping[str, str]) -> None:
    """Mark nonparametric limits with their intervals inside the right edge, where they are proposed."""
    rows = [e for name, e in proposed_rows(result, NONPARAMETRIC, of).items() if name in LINES]
    low, high = axes.get_ylim()
    for value, a, b in rows:
        ends = (a if math.isfinite(a) else low, b if math.isfinite(b) else high)
        axes.plot([0.975] * 2, ends, color=look.INK, linewidth=1.1, zorder=3, transform=axes.get_yaxis_transform())
        for end, there, arrow in ((low, math.isfinite(a), "v"), (high, math.isfinite(b), "^")):
            if not there:  # too few pairs for an end
                axes.plot([0.975], [end], arrow, color=look.INK, markersize=5, zorder=3, clip_on=False,
                          transform=axes.get_yaxis_transform())
        axes.plot([0.975], [value], "s", color=look.INK, markersize=5, markerfacecolor="white", zorder=3.1,
                  transform=axes.get_yaxis_transform())


def proposed_rows(result: Result, variant: str, of: Mapping[str, str]) -> dict[str, Ends]:
    """Return value, low and high of each limit of a variant that a check proposes; empty where it is not proposed."""
    table = table_of(result, PROPOSED)
    if table is None:
        return {}
    own = np.flatnonzero(rows_of(table, of) & np.array([str(v) == variant for v in table["variant"]], dtype=bool))
    return {str(table["limit"][i]): (float(table["value"][i]), float(table["low"][i]), float(table["high"][i]))
            for i in own}


def _caption(result: Result, of: Mapping[str, str], within: str, unit: str, points: Points, *, cut: bool) -> str:
    bias, n = find(result, "bias", **of), len(points.mean)
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    if bias is None or not math.isfinite(bias.value):
        return sentence(f"{lead}: no limits of agreement can be given from "
                        f"{'this one pair' if n == 1 else f'these {n} pairs'}.")
    low, high = find(result, "lower limit", **of), find(result, "upper limit", **of)
    limits = ""
    if low is not None and high is not None and math.isfinite(low.value) and math.isfinite(high.value):
        limits = f", and 95 % of differences lie between {_end(low)} and {_end(high)} {unit}".rstrip()
    band = f" The shaded middle holds differences up to {within}, declared harmless." if within else ""
    bands = ""
    if math.isfinite(bias.level):
        wider = "; one that runs out of the picture is wider still" if cut else ""
        bands = f" Bands are {100 * bias.level:g} % intervals{wider}."
    quantiles = (" Squares are the nonparametric limits with their intervals, an arrow where one has no end."
                 if proposed_rows(result, NONPARAMETRIC, of) else "")
    repeat = 1 < points.n_targets < n
    counted = (f"{n:,} targets" if points.are_means else
               f"{n:,} pairs{f' on {points.n_targets} levels of {points.target_name}' if repeat else ''}")
    shown = f"{format_interval(bias.value, bias.low, bias.high)} {unit}".rstrip()
    return sentence(f"{lead}: the difference is {shown} on average{limits} ({counted}).{bands}{band}{quantiles}"
                    f"{how_drawn(points)}")


def _end(e: Estimate) -> str:
    return f"{e.value:.{decimals_for(e.low, e.high, e.value)}f}".replace("-", MINUS)
