"""Figure of concordance: the same two methods among all targets and among targets that are alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.errors import MINUS
from drift.report import drawing as look
from drift.results import Estimate, Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def spread_figure(everyone: Result, alike: Result, axes: Axes, *, a: str, b: str, unit: str) -> str:
    """Draw pairs of all targets, those of the alike ones filled, about the line of equal readings.

    Parameters
    ----------
    everyone, alike : AgreementResult
        Of all targets, and of some of them.
    axes : matplotlib.axes.Axes
    a, b, unit : str
        Names of the two methods and the unit of their readings.

    Returns
    -------
    str
        The caption: CCC and limits of both.
    """
    inside = set(alike.table("pairs")["target"])
    pairs = everyone.table("pairs")
    x, y = pairs["mean"] - pairs["difference"] / 2, pairs["mean"] + pairs["difference"] / 2
    some = np.array([t in inside for t in pairs["target"]])
    low, high = float(min(x.min(), y.min())), float(max(x.max(), y.max()))
    edge = 0.03 * (high - low)
    axes.plot([low - edge, high + edge], [low - edge, high + edge], color=look.INK, linewidth=0.9, linestyle="--")
    axes.plot(x[~some], y[~some], look.MARKERS[1], color=look.FAINT, markersize=3.2, linestyle="none",
              markerfacecolor="none")
    axes.plot(x[some], y[some], look.MARKERS[0], color=look.MODEL, markersize=2.8, linestyle="none")
    axes.annotate("equal readings", (high, high), xytext=(0, 7), textcoords="offset points", ha="right", va="bottom",
                  fontsize=8, color=look.INK)
    told = []
    for result, colour, at, words in ((everyone, look.INK, 0.98, "all"), (alike, look.MODEL, 0.87, "the middle")):
        n = len(set(result.table("pairs")["target"]))
        axes.annotate(f"{words} {n}: CCC {result.estimate('CCC').value:.2f}, limits {_limits(result)} {unit}",
                      (0.02, at), xycoords="axes fraction", va="top", fontsize=8.5, color=colour, fontweight="bold")
        told.append((n, result.estimate("CCC"), _limits(result)))
    axes.set_xlim(low - edge, high + edge)
    axes.set_ylim(low - edge, high + 0.3 * (high - low))
    axes.set_xlabel(f"{b} [{unit}]")
    axes.set_ylabel(f"{a} [{unit}]")
    (n, one, limits), (m, two, narrower) = told
    return (f"{a} against {b}: among all {n} participants CCC is {_shown(one)}, among the {m} in the middle (filled) "
            f"{_shown(two)}, with limits of agreement of {limits} and {narrower} {unit}. The methods are the same; the "
            "people differ less.")


def _limits(result: Result) -> str:
    low, high = (result.estimate(f"{side} limit").value for side in ("lower", "upper"))
    return f"{low:.0f} to {high:.0f}".replace("-", MINUS)


def _shown(e: Estimate) -> str:
    return f"{e.value:.2f}"
