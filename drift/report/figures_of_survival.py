"""Agreement survival plot: which share of differences is larger than a distance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, find, sentence, table_of, unit_of
from drift.report.figures_of_agreement import GREEN, HARMLESS_DASHES, Drawing
from drift.report.figures_of_trials import compared, harmless_of, rows_of
from drift.results import Estimate, Result, decimals_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
TABLE = "agreement survival"
SIZE = (4.9, 3.3)
FAR_OFF = 5.0  # percentage points by which the counted share may lie outside the interval of the model's
UNFIT = " The steps leave the interval, so the normal model does not describe these differences: trust the count."


def survival_drawing(result: Result, of: Mapping[str, str], words: str, title: str) -> list[Drawing]:
    """Return the drawing of one group, where there is a table to draw from."""
    table = table_of(result, TABLE)
    if table is None or not rows_of(table, of).any():
        return []
    return [(f"agreement survival {words} {result.question}", f"Share of differences beyond a distance, {title}",
             partial(survival_figure, result, of=dict(of)), SIZE)]


def survival_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw the share of differences larger than a distance: counted, and by the normal model with its interval.

    Marked are the harmless difference with the share inside, and the distance that holds 95 % of differences.

    Parameters
    ----------
    result : Result
        Of an agreement question with the table "agreement survival".
    axes : Axes
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption, a sentence with the finding.

    References
    ----------
    Luiz RR, Costa AJL, Kale PL, Werneck GL (2003), Journal of Clinical Epidemiology 56:963-967.
    """
    of = dict(of or {})
    table = result.table(TABLE)
    own = rows_of(table, of)
    at, counted, model, low, high = (np.asarray(table[c][own], float) for c in (
        "distance", "share of pairs beyond", "share beyond", "share beyond low", "share beyond high"))
    unit, harmless = unit_of(table, "distance"), harmless_of(result, of)
    axes.fill_between(at, low, high, facecolor=(look.MODEL, 0.3), linewidth=0, zorder=1)
    axes.plot(at, model, color=look.MODEL, linestyle="--", linewidth=1.8, zorder=3)
    axes.step(at, counted, where="post", color=look.INK, linewidth=1.1, zorder=2.5)
    axes.set_xlim(0, float(at[-1]))
    axes.set_ylim(0, 103)
    a, b = compared(result)
    axes.set_xlabel(axis_label(f"size of the difference {a} {MINUS} {b}", unit))
    axes.set_ylabel(axis_label("share of larger differences", "%"))
    index, share = find(result, "total deviation index", **of), find(result, "share of differences inside", **of)
    if index is not None and index.unit != unit:  # of percent, where a share of the reading is harmless
        index = None
    if harmless is not None:
        _mark_harmless(axes, harmless, share, unit)
    if index is not None and math.isfinite(index.value):
        _mark_index(axes, index, unit)
    _name_curves(axes, at, counted, model)
    off = float(np.max(np.maximum(low - counted, counted - high)))
    unfit = off > FAR_OFF and _not_normal(result, of)
    return _caption(result, of, at, counted, unit, harmless, share, index) + (UNFIT if unfit else "")


def _not_normal(result: Result, of: Mapping[str, str]) -> bool:
    """Tell whether a check of normality failed; steps of few pairs leave the interval by chance too."""
    table = table_of(result, "checks")
    if table is None:
        return False
    own = np.flatnonzero(rows_of(table, of))
    return any(str(table["check"][i]).startswith("normality") and table["holds"][i] == "no" for i in own)


def _name_curves(axes: Axes, at: Floats, counted: Floats, model: Floats) -> None:
    """Write the names of both curves beside them, where they have fallen to two thirds and to less than half."""
    right = float(axes.get_xlim()[1])
    for curve, level, words in ((counted, 72.0, "counted"), (model, 42.0, "normal model\n(dashed) and interval")):
        i = int(np.argmax(curve <= level)) if (curve <= level).any() else len(at) - 1
        axes.annotate(words, (float(at[i]), level), xytext=(min(float(at[i]) + 0.13 * right, 0.7 * right), level + 9),
                      fontsize=8, color=look.INK, va="center", zorder=4,
                      bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
                      arrowprops={"arrowstyle": "-", "color": look.FAINT, "lw": 0.6, "shrinkA": 0, "shrinkB": 1})


def _mark_harmless(axes: Axes, harmless: float, share: Estimate | None, unit: str) -> None:
    """Shade what was declared harmless and write which share lies inside, on the side where there is room."""
    right = float(axes.get_xlim()[1])
    axes.axvspan(0, harmless, color=look.SAFE, zorder=0, linewidth=0)
    axes.axvline(harmless, color=GREEN, linestyle=HARMLESS_DASHES, linewidth=1.1, zorder=2)
    words = f"harmless: within {harmless:g} {unit}".rstrip()
    if share is not None and math.isfinite(share.value):
        words += f"\n{_percent(share.value)} inside"
        if math.isfinite(share.low):
            words += f", at least {_percent(share.low, bound=True)}"
    turn = harmless > 0.55 * right
    axes.annotate(words, (harmless, 0.98), xycoords=axes.get_xaxis_transform(), xytext=(-5 if turn else 5, 0),
                  textcoords="offset points", ha="right" if turn else "left", va="top", fontsize=8, color=GREEN,
                  zorder=4, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6})


def _mark_index(axes: Axes, index: Estimate, unit: str) -> None:
    """Mark the distance that holds 95 % of differences, with its bound."""
    right = float(axes.get_xlim()[1])
    axes.axhline(5, color=look.FAINT, linestyle=":", linewidth=0.9, zorder=1.5)
    reach = index.high if math.isfinite(index.high) else index.value
    axes.plot([index.value, min(reach, right)], [5, 5], color=look.LIMIT, linewidth=1.6, zorder=3.5)
    axes.plot([min(reach, right)], [5], "|" if reach <= right else ">", color=look.LIMIT, markersize=7,
              markeredgewidth=1.4, zorder=3.5, clip_on=False)
    axes.plot([index.value], [5], "D", color=look.LIMIT, markersize=5, markerfacecolor="white", zorder=3.6)
    turn = index.value > 0.5 * right
    axes.annotate(index_words(index, unit), (index.value, 5), xytext=(0, 9), textcoords="offset points",
                  ha="right" if turn else "left", va="bottom", fontsize=8, color=look.LIMIT, zorder=4,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5})


def index_words(index: Estimate, unit: str) -> str:
    """Return the total deviation index in words, with its bound."""
    d = decimals_for(index.value, index.high, index.value) if math.isfinite(index.high) else 1
    bound = f" (at most {index.high:.{d}f})" if math.isfinite(index.high) else ""
    return f"95 % lie within {index.value:.{d}f} {unit}".rstrip() + bound


def _percent(share: float, *, bound: bool = False) -> str:
    """Return a share in percent: one decimal above 95 and below 5 %, never rounded up to 100."""
    value = 100 * share
    if value > 99.9:
        return "99.9 %" if bound else "over 99.9 %"
    return f"{value:.1f} %" if value > 95 or value < 5 else f"{value:.0f} %"


def _caption(result: Result, of: Mapping[str, str], at: Floats, counted: Floats, unit: str, harmless: float | None,
             share: Estimate | None, index: Estimate | None) -> str:
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    level = f"{100 * result.provenance.level:g} %"
    legend = (f" The steps count pairs; the dashed curve is the normal model for a new target, with its {level} "
              "interval at each distance.")
    if harmless is not None and share is not None and math.isfinite(share.value):
        within = f"{harmless:g} {unit}".rstrip()
        bound = f" (at least {_percent(share.low, bound=True)})" if math.isfinite(share.low) else ""
        inside = 100 - float(counted[int(np.argmin(np.abs(at - harmless)))])
        said = f"{_percent(share.value)} of differences are expected within {within}{bound}, {inside:.0f} % were"
        if index is not None and math.isfinite(index.value):
            said += f"; {index_words(index, unit)}"
        said += ". Bounds in brackets are one-sided, at 95 % confidence"
    else:
        j = int(np.argmax(counted <= 5.0))
        said = f"19 of 20 pairs differ by no more than {at[j]:.3g} {unit}".rstrip()
    return sentence(f"{lead}: {said}.{legend}")
