"""The figure of a plan: what is expected against the size of the study, with the goal."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.report import drawing as look
from drift.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]


def plan_drawings(part: Result) -> list[Drawing]:
    """Return the one figure of a plan."""
    return [("size", "Expected result against the size of the study", partial(size_figure, part), (4.9, 3.2))]


def size_figure(part: Result, axes: Axes) -> str:
    """Draw the expected value of the goal's quantity against the searched number, the goal and the simulated check.

    Parameters
    ----------
    part : Result
        Of ``drift plan``; table "size curve".
    axes : Axes

    Returns
    -------
    str
        The caption.
    """
    table = part.table("size curve")
    first = table.columns[0].name
    x = np.asarray(table[first], dtype=np.float64)
    y, goal = np.asarray(table["expected"], dtype=np.float64), float(table["target"][0])
    simulated = next(e for e in part.estimates if e.name == "simulated")
    planned = next((e.value for e in part.estimates if e.name == f"planned {first}"), float("nan"))
    at = planned if planned == planned else float(_looked_at(part, first))
    axes.plot(x, y, color=look.DATA, marker="o", markersize=3.5, linewidth=1.2)
    axes.errorbar([at], [simulated.value], yerr=[[simulated.value - simulated.low], [simulated.high - simulated.value]],
                  fmt="s", color=look.INK, markersize=5, capsize=3, markerfacecolor="white")
    axes.annotate("simulated", (at, simulated.value), xytext=(7, 7), textcoords="offset points", fontsize=8)
    if goal == goal:
        axes.axhline(goal, color=look.INK, linestyle="--", linewidth=0.9)
        axes.annotate("goal", (float(x.max()), goal), xytext=(0, 3), textcoords="offset points", fontsize=8, ha="right")
    axes.set_xscale("log")
    axes.set_xticks(x, [f"{v:g}" for v in x])
    axes.minorticks_off()
    axes.set_xlabel(first)
    what = table.caption.split(", mean over studies")[0]
    unit = next(c.unit for c in table.columns if c.name == "expected")
    axes.set_ylabel(f"{what}{f' [{unit}]' if unit else ''}", fontsize=8, wrap=True)
    others = ", ".join(f"{float(c.values[0]):g} {c.name}" for c in table.columns[1:-2])
    return (f"With {at:g} {first}{f' ({others})' if others else ''}: {what} {simulated.value:.3g}"
            f"{f' {unit}' if unit else ''} in simulated studies (square, with its Monte-Carlo interval); the line is "
            "what is expected of other sizes.")


def _looked_at(part: Result, first: str) -> float:
    table = part.table("designs")
    rows = [i for i, note in enumerate(table["note"]) if note]
    return float(table[first][rows[0]])
