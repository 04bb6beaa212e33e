"""Figures of the questions about trials: agreement, and where the variance of a reading comes from."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, table_of, unit_of
from drift.results import Estimate, Result, ResultTable, decimals_for, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHARE_MEASURES = ("component", "variance", "SD", "SD low", "SD high", "share", "method")
ROW_HEIGHT = 0.19


def agreement_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw differences against means with bias, limits of agreement, their intervals and the harmless band.

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
    pairs = result.table("pairs")
    keep = rows_of(pairs, of)
    unit = unit_of(pairs, "difference")
    harmless = harmless_of(result, of)
    if harmless is not None:
        axes.axhspan(-harmless, harmless, color=look.SAFE, zorder=0)
    axes.plot(pairs["mean"][keep], pairs["difference"][keep], "o", color=look.DATA, markersize=2.8, alpha=0.6)
    ends: list[tuple[float, str]] = []
    for name, colour, dashes in (("bias", look.MODEL, "-"), ("lower limit", look.LIMIT, "--"),
                                 ("upper limit", look.LIMIT, "--")):
        e = find(result, name, **of)
        if e is None or not math.isfinite(e.value):
            continue
        axes.axhline(e.value, color=colour, linestyle=dashes, linewidth=1.5)
        if math.isfinite(e.low) and math.isfinite(e.high):
            axes.axhspan(e.low, e.high, color=colour, alpha=0.16, linewidth=0)
        ends.append((e.value, f"{name}\n{format_interval(e.value, e.low, e.high)}"))
    axes.axhline(0, color=look.FAINT, linewidth=0.8)
    axes.set_xlabel(axis_label("mean of the two", unit))
    a, b = compared(result)
    axes.set_ylabel(axis_label(f"difference {a} \N{MINUS SIGN} {b}", unit))
    axes.margins(x=0.04, y=0.08)
    right = axes.get_xlim()[1]
    if harmless is not None:
        axes.annotate(f"harmless: within {harmless:g} {unit}".rstrip(), (0.01, harmless), fontsize=7.5, va="bottom",
                      xycoords=axes.get_yaxis_transform(), color="#4a6b3a", xytext=(0, 2), textcoords="offset points")
    look.end_labels(axes, [right] * len(ends), [v for v, _ in ends], [w for _, w in ends], colour=look.INK, size=8,
                    lines=2)
    return _agreement_caption(result, of, harmless, unit, int(keep.sum()))


def compared(result: Result) -> tuple[str, str]:
    """Return the names of the two that were compared, ``a`` and ``b`` where the result does not hold the study."""
    study = json.loads(str(result.provenance.settings.get("study", "{}")))
    asked: Mapping[str, str] = next((q for q in study.get("agreement", ()) if q.get("name") == result.question), {})
    return str(asked.get("a", "a")), str(asked.get("b", "b"))


def rows_of(table: ResultTable, of: Mapping[str, str]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which rows of a table carry these labels; columns it lacks do not matter."""
    keep = np.ones(len(table), dtype=bool)
    names = {c.name for c in table.columns}
    for column, value in of.items():
        if column in names:
            keep &= np.array([str(v) == value for v in table[column]], dtype=bool)
    return keep


def harmless_of(result: Result, of: Mapping[str, str]) -> float | None:
    """Return the largest harmless difference, as the verdict was reached with."""
    table = table_of(result, "verdict")
    if table is None or not len(table):
        return None
    values = table["harmless"][rows_of(table, of)]
    return float(values[0]) if len(values) and math.isfinite(values[0]) else None


def _agreement_caption(result: Result, of: Mapping[str, str], harmless: float | None, unit: str, n: int) -> str:
    bias = find(result, "bias", **of)
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    if bias is None or not math.isfinite(bias.value):
        return sentence(f"{lead}: no limits of agreement can be given from these {n} pairs.")
    low, high = find(result, "lower limit", **of), find(result, "upper limit", **of)
    limits = ""
    if low is not None and high is not None and math.isfinite(low.value) and math.isfinite(high.value):
        limits = f", and 95 % of differences lie between {_end(low)} and {_end(high)} {unit}".rstrip()
    band = f" The shaded middle holds differences up to {harmless:g} {unit}, declared harmless." if harmless else ""
    return sentence(f"{lead}: the difference is {format_interval(bias.value, bias.low, bias.high)} {unit} on "
                    f"average{limits} ({n} pairs). Bands are {100 * bias.level:g} % intervals.{band}")


def _end(e: Estimate) -> str:
    return f"{e.value:.{decimals_for(e.low, e.high, e.value)}f}".replace("-", MINUS)


def shares_size(result: Result) -> tuple[float, float]:
    """Return a size of the figure that gives every row of "variance shares" its line."""
    table = result.table("variance shares")
    names = {str(c) for c in table["component"]}
    # A component's name takes a line for each of its factors.
    tall = 0.15 * max((c.count(" x ") + 1 for c in names), default=1) * (len(names) + 1) + 0.6
    return 4.9, max(1.9, 1.0 + ROW_HEIGHT * len(table) + 0.12 * len(names), tall)


def shares_figure(result: Result, axes: Axes) -> str:
    """Draw the SD of each source of variance with its interval, and its share of the variance of one reading.

    Parameters
    ----------
    result : Result
        Of a reliability question; table "variance shares".
    axes : Axes

    Returns
    -------
    str
        The caption.
    """
    table = result.table("variance shares")
    groups = [c.name for c in table.columns if c.name not in SHARE_MEASURES]
    series = list(dict.fromkeys(_series(table, groups, i) for i in range(len(table))))
    components = list(dict.fromkeys(str(c) for c in table["component"]))
    middle: dict[str, list[float]] = {c: [] for c in components}
    y = 0.0
    for component in components:
        for s, which in enumerate(series):
            for i in range(len(table)):
                if str(table["component"][i]) == component and _series(table, groups, i) == which:
                    _one_share(axes, table, i, y, s, which if component == components[0] else "")
                    middle[component].append(y)
                    y += 1.0
        y += 0.6
    axes.set_yticks([float(np.mean(m)) for m in middle.values()], [c.replace(" x ", "\n\N{MULTIPLICATION SIGN} ")
                                                                     for c in components])
    axes.set_ylim(y - 0.4, -0.8)
    axes.set_xlim(left=0)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel(axis_label("SD", unit_of(table, "SD")))
    axes.annotate("share", (1.02, 1.0), xycoords="axes fraction", fontsize=8, color=look.FAINT, va="bottom")
    if len(series) > 1:
        axes.legend(loc="lower right", fontsize=8, frameon=True, framealpha=0.9, edgecolor="none")
    return _shares_caption(result, table, groups)


def _series(table: ResultTable, groups: list[str], i: int) -> str:
    return ", ".join(str(table[g][i]) for g in groups)


def _one_share(axes: Axes, table: ResultTable, i: int, y: float, s: int, label: str) -> None:
    colour, marker = look.SERIES[s % len(look.SERIES)], look.MARKERS[s % len(look.MARKERS)]
    sd, low, high = (float(table[c][i]) for c in ("SD", "SD low", "SD high"))
    if math.isfinite(low) and math.isfinite(high):
        axes.hlines(y, low, high, color=colour, linewidth=1.3)
    axes.plot([sd], [y], marker, color=colour, markersize=4.5, linestyle="none", label=label or None)
    share = float(table["share"][i])
    if math.isfinite(share):
        axes.annotate(f"{share:.0f} %" if share >= 0.5 or share == 0 else "< 1 %", (1.02, y),
                      xycoords=axes.get_yaxis_transform(), fontsize=7.5, va="center", color=look.INK)


def _shares_caption(result: Result, table: ResultTable, groups: list[str]) -> str:
    shares = np.asarray(table["share"], dtype=np.float64)
    if not np.isfinite(shares).any():
        return sentence(f"{result.question}: shares of variance cannot be estimated from these data.")
    components = np.array([str(c) for c in table["component"]], dtype=object)
    largest = max(dict.fromkeys(components), key=lambda c: float(np.nanmean(shares[components == c])))
    own = shares[components == largest]
    low, high = float(np.nanmin(own)), float(np.nanmax(own))
    shown = f"{low:.0f} %" if f"{low:.0f}" == f"{high:.0f}" else f"{low:.0f} to {high:.0f} %"
    where = f" (by {' and '.join(groups)})" if groups else ""
    return sentence(f"{result.question}: {shown} of the variance of one reading comes from {largest}{where}. "
                    f"Points are "
                    f"SDs with {100 * result.provenance.level:g} % intervals; shares stand on the right.")
