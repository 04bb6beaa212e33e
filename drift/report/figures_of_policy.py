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
    look.note_line(axes, tolerance, f"tolerance {_signed(tolerance)} %", above=tolerance > 0)
    e = next(e for e in part.estimates if e.name == "recalibrate every"
             and e.of.get("construction", "") == construction)
    look.note_count(axes, e.value, f"recalibrate every {e.value:g}")
    for name, colour in (("mean", look.MODEL), ("bound", look.BOUND)):
        y = path[name][mine]
        shown = np.flatnonzero(np.abs(y) <= abs(low) * 0.98)
        if len(shown) and math.isfinite(float(y[shown[-1]])):
            axes.annotate({"mean": "mean sensor", "bound": "bound"}[name], (float(x[shown[-1]]), float(y[shown[-1]])),
                          xytext=(-3, 3), textcoords="offset points", fontsize=8, color=colour, ha="right",
                          bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5})
    axes.set_xlabel(f"{unit} since the last calibration")
    axes.set_ylabel("change of sensitivity [%]")
    whose = f"{construction} sensors" if construction else "sensors"
    least = "at least " if e.bound == "at least" else ""
    return (f"Change of sensitivity since the last calibration: thin lines are the {int(sensors.sum())} {whose}, "
            f"dashed their mean. The bound leaves the tolerance of {_signed(tolerance)} % after {least}{e.value:g} {unit}.")


def _unit(table: Any, column: str) -> str:
    return next(c.unit for c in table.columns if c.name == column) or "uses"


def _signed(value: float) -> str:
    return f"{value:.3g}".replace("-", MINUS)
