"""Figures of several methods: each against the mean of all, and the limits of every pair against the harmless band."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, table_of, unit_of
from drift.report.figures_of_agreement import GREEN, HARMLESS_DASHES, interval_band
from drift.report.figures_of_trials import groups_of, rows_of
from drift.results import Result, ResultTable, decimals_for, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
PAIRS, MEANS, READINGS = "pairwise limits", "limits with the mean", "readings by method"
EVERYONE = "mean of all"
MOST, ACROSS, MOST_PAIRS = 9, 3, 30
NAMES = ("bias", "lower limit", "upper limit")
WORDS = {"interchangeable": "inside", "not interchangeable": "beyond", "not shown": "not shown",
         "not judged": "not judged"}
OWN = ("pair", "verdict", "pairs", "structure")


def several_groups(result: Result) -> list[dict[str, str]]:
    """Return the labels of every group with limits of several methods; empty without them."""
    return groups_of(result, PAIRS, lambda n: n in OWN or n.startswith(NAMES))


def several_drawings(result: Result) -> list[Drawing]:
    """Return name, title, function and size of both figures of every group."""
    made: list[Drawing] = []
    for of in several_groups(result):
        words, title = " ".join(of.values()), f"{result.question}{''.join(f', {k} {v}' for k, v in of.items())}"
        made += [(f"methods and mean {words} {result.question}", f"Each method against the mean of all, {title}",
                  partial(mean_figure, result, of=of), mean_size(result, of)),
                 (f"pairwise limits {words} {result.question}", f"Limits of agreement of every pair, {title}",
                  partial(pairs_figure, result, of=of), pairs_size(result, of))]
    return made


def _harmless(result: Result, of: Mapping[str, str]) -> float | None:
    """Return the largest harmless difference where it is one in the unit of the readings."""
    table = table_of(result, "verdict")
    if table is None or unit_of(table, "harmless") != unit_of(result.table(PAIRS), "bias"):
        return None
    values = table["harmless"][rows_of(table, of)]
    return float(values[0]) if len(values) else None


def _methods(result: Result, of: Mapping[str, str]) -> list[str]:
    """Return the methods drawn: all, or those with the widest limits, in the order of the question."""
    table = result.table(MEANS)
    keep = rows_of(table, {**of, "against": EVERYONE})
    names = [str(m) for m in table["method"][keep]]
    reach = np.maximum(-table["lower limit"][keep], table["upper limit"][keep])
    chosen = {names[i] for i in np.argsort(-np.nan_to_num(reach))[:MOST]}
    return [m for m in names if m in chosen]


def mean_size(result: Result, of: Mapping[str, str]) -> tuple[float, float]:
    """Return a size with a row of panels for every three methods."""
    return 5.4, 0.9 + 1.95 * math.ceil(len(_methods(result, of)) / ACROSS)


def mean_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw differences from the mean of all against that mean, a panel a method.

    In each panel the method's own limits with the mean (dashed, hatched intervals) and bias, the limits that hold for
    all methods taken together (dotted), and the harmless band.

    Parameters
    ----------
    result : Result
        Of an agreement question with several methods.
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
    methods = _methods(result, of)
    canvas: Any = axes.figure
    axes.remove()
    across = min(len(methods), ACROSS)
    grid = canvas.add_gridspec(math.ceil(len(methods) / across), across)
    span, unit = _span(result, of), unit_of(result.table(READINGS), "reading")
    panels: list[Any] = []
    for i, method in enumerate(methods):
        first = panels[0] if panels else None
        panel = canvas.add_subplot(grid[i // across, i % across], sharex=first, sharey=first)
        panels.append(panel)
        _panel(panel, result, of, method, number=i, span=span)
        below = i + across >= len(methods)
        panel.tick_params(labelleft=i % across == 0, labelbottom=below, labelsize=7.5)
    # One label for all panels: each would be longer than a panel is high.
    canvas.supylabel(axis_label(f"difference from the {EVERYONE}", unit), fontsize=9)
    canvas.supxlabel(axis_label(EVERYONE, unit), fontsize=9)
    return _mean_caption(result, of, methods, unit)


def _span(result: Result, of: Mapping[str, str]) -> tuple[float, float]:
    """Choose a span of differences that holds points, limits and harmless band of every panel."""
    table, means = result.table(READINGS), result.table(MEANS)
    d = table["difference from the mean"][rows_of(table, of)]
    keep = rows_of(means, {**of, "against": EVERYONE})
    harmless = _harmless(result, of)
    ends = [*d, *means["lower limit"][keep], *means["upper limit"][keep], 0.0,
            *((-1.1 * harmless, 1.1 * harmless) if harmless else ())]
    low, high = float(np.nanmin(ends)), float(np.nanmax(ends))
    room = 0.08 * ((high - low) or 1.0)
    return low - room, high + room


def _panel(axes: Any, result: Result, of: Mapping[str, str], method: str, *, number: int,
           span: tuple[float, float]) -> None:
    table, means = result.table(READINGS), result.table(MEANS)
    mine = rows_of(table, {**of, "method": method})
    x, d = table["mean of all"][mine], table["difference from the mean"][mine]
    axes.set_ylim(*span)
    harmless = _harmless(result, of)
    if harmless is not None:
        axes.axhspan(-harmless, harmless, color=look.SAFE, zorder=0, linewidth=0)
        for edge in (-harmless, harmless):
            axes.axhline(edge, color=GREEN, linestyle=HARMLESS_DASHES, linewidth=0.8, zorder=1)
    axes.axhline(0, color=look.INK, linewidth=0.6, zorder=1)
    row = int(np.flatnonzero(rows_of(means, {**of, "against": EVERYONE, "method": method}))[0])
    for name, colour, dashes, hatch in (("bias", look.MODEL, "-", ""), ("lower limit", look.LIMIT, "--", "////"),
                                        ("upper limit", look.LIMIT, "--", "////")):
        value, low, high = (float(means[c][row]) for c in (name, f"{name}, low", f"{name}, high"))
        axes.axhline(value, color=colour, linestyle=dashes, linewidth=1.6, zorder=2.5)
        if math.isfinite(low) and math.isfinite(high):
            interval_band(axes, low, high, colour=colour, hatch=hatch)
    whole = find(result, "limit of agreement with the mean", **{**of, "methods": "as they are"})
    if whole is not None:
        for sign in (-1, 1):
            axes.axhline(sign * whole.value, color=look.INK, linestyle=":", linewidth=1.2, zorder=2.4)
    many = len(d) > 300
    axes.plot(x, d, look.MARKERS[number % len(look.MARKERS)], color=look.DATA, markersize=1.8 if many else 3.0,
              markerfacecolor="none", markeredgewidth=0.6, alpha=0.4 if many else 0.85, zorder=2, linestyle="none")
    d_low, d_high = float(means["lower limit"][row]), float(means["upper limit"][row])
    decimals = decimals_for(d_low, d_low + max((d_high - d_low) / 4, 1e-12))
    axes.set_title(f"{method}: {_number(d_low, decimals)} to {_number(d_high, decimals)}", fontsize=8, pad=3)
    axes.spines[["top", "right"]].set_visible(False)


def _number(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def _mean_caption(result: Result, of: Mapping[str, str], methods: Sequence[str], unit: str) -> str:
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    whole = find(result, "limit of agreement with the mean", **{**of, "methods": "as they are"})
    table = result.table(MEANS)
    total = int(rows_of(table, {**of, "against": EVERYONE}).sum())
    said = "" if whole is None else (
        f"95 % of readings lie within {format_interval(whole.value, whole.low, whole.high)} {unit}".rstrip()
        + " of the mean of all methods (dotted)")
    harmless = _harmless(result, of)
    band = "" if harmless is None else f" The shaded middle holds differences up to {harmless:g} {unit}".rstrip() \
        + ", declared harmless between two methods."
    more = f" The {total - len(methods)} methods with narrower limits are not drawn." if total > len(methods) else ""
    return sentence(f"{lead}: {said}. Dashed: each method's own limits, in words above its panel; bands are "
                    f"{100 * result.provenance.level:g} % intervals that hold for all methods together.{band}{more}")


def pairs_size(result: Result, of: Mapping[str, str]) -> tuple[float, float]:
    """Return a size that gives every pair its two lines."""
    rows = min(int(rows_of(result.table(PAIRS), of).sum()), MOST_PAIRS)
    return 5.2, 1.1 + 0.42 * max(rows, 2)


def pairs_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw the limits of every pair with simultaneous intervals against the harmless band, the widest on top.

    Parameters
    ----------
    result : Result
        Of an agreement question with several methods; table "pairwise limits".
    axes : Axes
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption.
    """
    of = dict(of or {})
    table = result.table(PAIRS)
    rows = _ordered(table, of)
    shown, unit, harmless = rows[:MOST_PAIRS], unit_of(table, "bias"), _harmless(result, of)
    if harmless is not None:
        axes.axvspan(-harmless, harmless, color=look.SAFE, zorder=0, linewidth=0)
        for edge in (-harmless, harmless):
            axes.axvline(edge, color=GREEN, linestyle=HARMLESS_DASHES, linewidth=0.9, zorder=1)
    axes.axvline(0, color=look.INK, linewidth=0.6, zorder=1)
    for y, i in enumerate(shown):
        _one_pair(axes, table, i, y)
    axes.set_yticks(range(len(shown)), [str(table["pair"][i]) for i in shown])
    axes.set_ylim(len(shown) - 0.4, -0.6 - (0.35 if harmless is not None else 0))
    axes.grid(visible=False, axis="y")
    axes.set_xlabel(axis_label("difference", unit))
    _within(axes, table, shown, harmless)
    if harmless is not None:
        axes.annotate(f"harmless: within {harmless:g} {unit}".rstrip(), (0.0, 1.0), fontsize=7.5, color=GREEN,
                      xycoords=axes.get_xaxis_transform(), ha="center", va="top", xytext=(0, -1),
                      textcoords="offset points",
                      bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5}, zorder=5)
    if "verdict" in {c.name for c in table.columns}:
        for y, i in enumerate(shown):
            axes.annotate(WORDS.get(str(table["verdict"][i]), ""), (1.01, y),
                          xycoords=axes.get_yaxis_transform(), fontsize=7.5, va="center", color=look.INK,
                          annotation_clip=False)
    return _pairs_caption(result, table, of, rows, unit)


def _ordered(table: ResultTable, of: Mapping[str, str]) -> list[int]:
    """Return the rows of a group, pairs whose limits reach farthest first, those without limits last."""
    own = np.flatnonzero(rows_of(table, of))
    reach = np.where(np.isfinite(table["lower limit, low"][own]),
                     np.maximum(-table["lower limit"][own], table["upper limit"][own]), -np.inf)
    return [int(own[i]) for i in np.argsort(-reach, kind="stable")]


def _one_pair(axes: Axes, table: ResultTable, i: int, y: int) -> None:
    """Draw bias as a dot on a line from limit to limit, limits as bars on their intervals."""
    bias, low, high = (float(table[name][i]) for name in NAMES)
    if not math.isfinite(float(table["lower limit, low"][i])):
        if math.isfinite(bias):
            axes.plot([bias], [y], "x", color=look.INK, markersize=6)
        axes.annotate("no interval" if math.isfinite(bias) else "no limits", (bias if math.isfinite(bias) else 0.0, y),
                      xytext=(7, 0), textcoords="offset points", fontsize=7.5, va="center", color=look.INK)
        return
    axes.hlines(y, low, high, color=look.FAINT, linewidth=1.0, zorder=2)
    for name, marker in (("lower limit", "|"), ("upper limit", "|")):
        a, b = float(table[f"{name}, low"][i]), float(table[f"{name}, high"][i])
        axes.hlines(y, a, b, color=look.LIMIT, linewidth=3.2, alpha=0.55, zorder=3)
        axes.plot([float(table[name][i])], [y], marker, color=look.LIMIT, markersize=9, markeredgewidth=1.8, zorder=4)
    a, b = float(table["bias, low"][i]), float(table["bias, high"][i])
    axes.hlines(y, a, b, color=look.MODEL, linewidth=1.8, zorder=3)
    axes.plot([bias], [y], "o", color=look.MODEL, markersize=5, zorder=4)


def _within(axes: Axes, table: ResultTable, rows: Sequence[int], harmless: float | None) -> None:
    """Choose the span: limits and band always, intervals unless they are out of all proportion."""
    values = np.array([[float(table[n][i]) for n in ("lower limit", "upper limit")] for i in rows])
    core = [*values[np.isfinite(values)], 0.0, *((-harmless, harmless) if harmless else ())]
    low, high = float(np.min(core)), float(np.max(core))
    size = (high - low) or 1.0
    ends = np.array([[float(table[n][i]) for n in ("lower limit, low", "upper limit, high")] for i in rows])
    ends = ends[np.isfinite(ends)]
    far = (min(low, float(ends.min())), max(high, float(ends.max()))) if len(ends) else (low, high)
    axes.set_xlim(max(far[0], low - size) - 0.04 * size, min(far[1], high + size) + 0.04 * size)


def _pairs_caption(result: Result, table: ResultTable, of: Mapping[str, str], rows: Sequence[int],
                   unit: str) -> str:
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    first = rows[0]
    ends = [float(table[n][first]) for n in ("lower limit", "upper limit")]
    said = "no pair has limits"
    if all(math.isfinite(e) for e in ends):
        d = decimals_for(ends[0], ends[0] + max((ends[1] - ends[0]) / 4, 1e-12))
        between = f"{_number(ends[0], d)} to {_number(ends[1], d)} {unit}".rstrip()
        said = f"limits reach farthest in {table['pair'][first]}, {between}"
    if "verdict" in {c.name for c in table.columns}:
        within = str(result.table("verdict")["harmless in words"][0])
        words = [str(table["verdict"][i]) for i in rows]
        yes, no = words.count("interchangeable"), words.count("not interchangeable")
        said += (f"; of {len(rows)} pairs {yes} {'is' if yes == 1 else 'are'} shown to be interchangeable (inside) "
                 f"within {within}, {no} {'is' if no == 1 else 'are'} shown not to be (beyond)")
    more = f" The {len(rows) - MOST_PAIRS} pairs with narrower limits are not drawn." if len(rows) > MOST_PAIRS else ""
    level = f"{100 * result.provenance.level:g} %"
    return sentence(f"{lead}: {said}. Dots are biases, upright bars the limits; thick lines are intervals that hold "
                    f"for all pairs together with {level}.{more}")



