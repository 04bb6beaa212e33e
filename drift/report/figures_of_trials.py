"""Figures of questions about trials: what agreement figures share, and where the variance of a reading comes from."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from drift.report import drawing as look
from drift.report.figures import axis_label, sentence, table_of, unit_of
from drift.results import Result, ResultTable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHARE_MEASURES = ("component", "variance", "SD", "SD low", "SD high", "share", "method")
ROW_HEIGHT = 0.19


def compared(result: Result) -> tuple[str, str]:
    """Return the names of the two that were compared, ``a`` and ``b`` where the result does not hold the study."""
    study = json.loads(str(result.provenance.settings.get("study", "{}")))
    asked: Mapping[str, str] = next((q for q in study.get("agreement", ()) if q.get("name") == result.question), {})
    own = result.provenance.settings  # of a question that was asked by itself
    return str(asked.get("a", own.get("a", "a"))), str(asked.get("b", own.get("b", "b")))


def rows_of(table: ResultTable, of: Mapping[str, str]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which rows of a table carry these labels; columns it lacks do not matter."""
    keep = np.ones(len(table), dtype=bool)
    names = {c.name for c in table.columns}
    for column, value in of.items():
        if column in names:
            keep &= np.array([str(v) == value for v in table[column]], dtype=bool)
    return keep


def groups_of(result: Result, name: str, own: Callable[[str], bool]) -> list[dict[str, str]]:
    """Return the labels of every group in a table, in order: its columns that are not its ``own``."""
    table = table_of(result, name)
    if table is None or not len(table):
        return []
    names = [c.name for c in table.columns if not own(c.name)]
    keys = dict.fromkeys(tuple(str(table[n][i]) for n in names) for i in range(len(table)))
    return [dict(zip(names, key, strict=True)) for key in keys]


def harmless_of(result: Result, of: Mapping[str, str]) -> float | None:
    """Return the largest harmless difference, as the verdict was reached with; None where it is a share."""
    table = table_of(result, "verdict")
    if table is None or not len(table) or harmless_is_share(result):
        return None
    values = table["harmless"][rows_of(table, of)]
    return float(values[0]) if len(values) and math.isfinite(values[0]) else None


def harmless_is_share(result: Result) -> bool:
    """Tell whether the verdict was reached within a share of the mean of the two, not within a difference."""
    verdict, pairs = table_of(result, "verdict"), table_of(result, "pairs")
    return (verdict is not None and pairs is not None and "harmless in words" in {c.name for c in verdict.columns}
            and bool(len(verdict)) and str(verdict["harmless in words"][0]).endswith("of the mean of the two"))


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
