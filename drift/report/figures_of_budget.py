"""Figures of an uncertainty budget: contributions as bars, and expanded uncertainty over uses since the calibration."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.report import drawing as look
from drift.report.budget_tables import groups
from drift.report.gauge_tables import number, rows_of
from drift.results import Result, join_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
ROW = 0.23


def budget_drawings(part: Result) -> list[Drawing]:
    """Return the figures of every budget of a part."""
    drawn: list[Drawing] = []
    for name, rows in groups(rows_of(part.table("budget"))).items():
        of = f", {name}" if name else ""
        drawn.append((f"contributions {name}", f"Contributions to the uncertainty{of}",
                      partial(contributions_figure, part, who=name), (4.9, 1.1 + ROW * len(rows))))
        if name in groups(rows_of(part.table("along use"))):
            drawn.append((f"uncertainty along use {name}", f"Uncertainty over uses since the calibration{of}",
                          partial(along_figure, part, who=name), (4.9, 3.4)))
    return drawn


def _unit(part: Result, table: str, column: str) -> str:
    return next((c.unit for c in part.table(table).columns if c.name == column), "")


def contributions_figure(part: Result, axes: Axes, *, who: str = "") -> str:
    """Draw |c| u of every quantity, the largest on top, type A filled and type B hatched.

    Parameters
    ----------
    part : Result
        Of ``drift budget``; table "budget".
    axes : Axes
    who : str
        Sensor or construction, as :func:`drift.report.budget_tables.who` names it.

    Returns
    -------
    str
        The caption.
    """
    rows = sorted(groups(rows_of(part.table("budget")))[who], key=lambda r: float(r["contribution"]))
    unit = _unit(part, "budget", "contribution")
    sizes = [float(r["contribution"]) for r in rows]
    for y, r in enumerate(rows):
        a = r["type"] == "A"
        axes.barh(y, sizes[y], height=0.66, color=look.DATA if a else "white", edgecolor=look.INK, linewidth=0.7,
                  hatch=None if a else "////")
        axes.annotate(f"{number(sizes[y], max(sizes))} ({number(float(r['share']), 10.0)} %)", (sizes[y], y),
                      xytext=(4, 0), textcoords="offset points", va="center", fontsize=7.5)
    axes.set_yticks(range(len(rows)), [f"{r['quantity']} ({r['type']})" for r in rows], fontsize=8)
    axes.set_xlim(0, 1.38 * max(sizes))
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel(f"contribution |c| u [{unit}]" if unit else "contribution |c| u")
    top = list(reversed(rows))[:2]
    shares = join_words(f"{r['quantity']} {float(r['share']):.0f} %" for r in top)
    of = f" of {who}" if who else ""
    return (f"What makes the uncertainty{of}: of the variance, {shares}. Type A (from readings) filled, type B "
            "(stated) hatched; in brackets the share of the variance, with half of each covariance.")


def along_figure(part: Result, axes: Axes, *, who: str = "") -> str:
    """Draw the expanded uncertainty over uses since the calibration, corrected and not.

    Parameters
    ----------
    part : Result
        Of ``drift budget``; table "along use".
    axes : Axes
    who : str

    Returns
    -------
    str
        The caption.
    """
    rows = groups(rows_of(part.table("along use")))[who]
    unit, per = _unit(part, "along use", "bias if not corrected"), _unit(part, "along use", "uses since calibration")
    x, good, bad = (np.array([float(r[k]) for r in rows]) for k in (
        "uses since calibration", "expanded uncertainty, corrected", "enlarged uncertainty, not corrected"))
    axes.plot(x, bad, color=look.LIMIT, linestyle="--", linewidth=1.8)
    axes.plot(x, good, color=look.MODEL, linewidth=1.8)
    axes.set_ylim(0, 1.12 * float(max(bad.max(), good.max())))
    axes.set_xlim(float(x.min()), max(float(x.max()), 1.0))
    look.end_labels(axes, [float(x[-1])] * 2, [float(good[-1]), float(bad[-1])],
                    ["corrected: U", "not corrected:\n|bias| + U"], colour=look.INK, size=8.0, lines=2)
    axes.set_xlabel(f"{per}s since the calibration")
    axes.set_ylabel(f"expanded uncertainty [{unit}]" if unit else "expanded uncertainty")
    of = f" of {who}" if who else ""
    return (f"After {x[-1]:g} {per}s the expanded uncertainty{of} is {number(float(good[-1]), digits=2)} {unit} with "
            f"the drift corrected, and {number(float(bad[-1]), digits=2)} {unit} if it is left in, against "
            f"{number(float(good[0]), digits=2)} {unit} on the day of the calibration.")
