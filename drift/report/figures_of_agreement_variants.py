"""Figures of variants that a failed check proposes: ratio limits on a ratio axis, limits that follow the reading."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.agreement_points import draw_points, how_drawn, name_outliers, points_of
from drift.report.figures import axis_label, sentence, table_of, unit_of
from drift.report.figures_of_agreement import (
    GREEN,
    HARMLESS_DASHES,
    LINES,
    SIZE,
    Drawing,
    band_style,
    harmless_band,
    harmless_percent,
    interval_band,
    proposed_rows,
)
from drift.report.figures_of_trials import compared, harmless_of, rows_of
from drift.results import Result, decimals_for, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
RATIO, REGRESSION, PATH = "ratio limits", "regression limits", "regression limits"
STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5)
WIDE = (0.1, 0.2, 0.25, 0.33, 0.5, 0.67, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 10.0)


def variant_drawings(result: Result, of: Mapping[str, str], words: str, title: str) -> list[Drawing]:
    """Return the figures of one group's proposed variants."""
    made: list[Drawing] = []
    if proposed_rows(result, RATIO, of):
        made.append((f"agreement ratio {words} {result.question}", f"Ratio limits, {title}",
                     partial(ratio_figure, result, of=dict(of)), SIZE))
    if proposed_rows(result, REGRESSION, of) and regression_path(result, of) is not None:
        made.append((f"agreement regression {words} {result.question}", f"Limits that follow the reading, {title}",
                     partial(regression_figure, result, of=dict(of)), SIZE))
    return made


def ratio_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw ratios a / b against the geometric mean of the two, on a log scale with ratios as labels.

    Parameters
    ----------
    result : Result
        Of an agreement question for which ratio limits are proposed.
    axes : Axes
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption.
    """
    of = dict(of or {})
    points, unit = points_of(result, of), unit_of(result.table("pairs"), "difference")
    ratio, middle = points.a / points.b, np.sqrt(points.a * points.b)
    rows = proposed_rows(result, RATIO, of)
    axes.set_yscale("log")
    if middle.max() > 5 * middle.min():
        axes.set_xscale("log")
    draw_points(axes, points, middle, ratio)
    _ratio_axis(axes, [*ratio, *(v for r in rows.values() for v in r if math.isfinite(v)), 1.0])
    _harmless_ratios(axes, harmless_percent(result, of))
    axes.axhline(1, color=look.INK, linewidth=0.6, zorder=1)
    ends = []
    for name, row in rows.items():
        colour, dashes, hatch = LINES[name]
        axes.axhline(row[0], color=colour, linestyle=dashes, linewidth=1.6, zorder=2)
        if math.isfinite(row[1]) and math.isfinite(row[2]):
            interval_band(axes, row[1], row[2], colour=colour, hatch=hatch)
        ends.append((row[0], f"{'mean ratio' if name == 'bias' else name}\n{format_interval(*row)}"))
    a, b = compared(result)
    axes.set_ylabel(axis_label(f"ratio {a} / {b}", ""))
    axes.set_xlabel(axis_label("geometric mean of the two", unit))
    look.end_labels(axes, [axes.get_xlim()[1]] * len(ends), [v for v, _ in ends], [w for _, w in ends], colour=look.INK,
                    size=8, lines=2.5)
    name_outliers(axes, points, middle, ratio)
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    bias, low, high = (format_interval(*rows[name]) for name in LINES)
    counted = f"{len(ratio):,} {'targets' if points.are_means else 'pairs'}"
    return sentence(f"{lead}: ratios have one spread where differences grow with the reading. On average {a} reads "
                    f"{bias} times {b}, and 95 % of ratios lie between {low} and {high} ({counted}). The axis is "
                    f"logarithmic; bands are {100 * result.provenance.level:g} % intervals.{how_drawn(points)}")


def _harmless_ratios(axes: Axes, percent: float | None) -> None:
    """Shade the ratios of two readings that differ by no more than a harmless share of their mean."""
    if percent is None or percent >= 200:
        return
    edge = (200 + percent) / (200 - percent)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, 0.98 / edge), max(high, 1.02 * edge))
    axes.axhspan(1 / edge, edge, color=look.SAFE, zorder=0, linewidth=0)
    for y in (1 / edge, edge):
        axes.axhline(y, color=GREEN, linestyle=HARMLESS_DASHES, linewidth=0.9, zorder=1)
    axes.annotate(f"harmless: within {percent:g} % of the mean", (0.01, edge), fontsize=7.5, va="bottom", color=GREEN,
                  xycoords=axes.get_yaxis_transform(), xytext=(0, 2), textcoords="offset points", zorder=3,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.4})


def _ratio_axis(axes: Axes, values: list[float]) -> None:
    """Put five or so ratios on the vertical axis, evenly spaced ones where the range is narrow."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = min(values), max(values)
    room = (high / low) ** 0.06
    low, high = low / room, high * room
    step = next((s for s in STEPS if (high - low) / s <= 7), None)
    ticks = [t for t in (np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step if step else WIDE)
             if low <= t <= high]
    if high / low > 3:
        ticks = [t for t in WIDE if low <= t <= high]
    axes.set_ylim(low, high)
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.2g}" if v >= 0.1 and round(v, 1) == round(v, 3)
                                                 else f"{v:.2f}"))
    if axes.get_xscale() == "log":
        from matplotlib.ticker import LogLocator

        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """Bias and limits along the mean, each with its ends: value, low and high of shape (n_at,)."""

    at: Floats
    lines: dict[str, tuple[Floats, Floats, Floats]]


def regression_path(result: Result, of: Mapping[str, str]) -> Path | None:
    """Return bias and limits along the mean from the table "regression limits"; None where it has none."""
    table = table_of(result, PATH)
    if table is None or not rows_of(table, of).any():
        return None
    own = rows_of(table, of)

    def column(name: str) -> Floats:
        return np.asarray(table[name][own], float)

    return Path(at=column("mean"), lines={n: (column(n), column(f"{n} low"), column(f"{n} high")) for n in LINES})


def regression_figure(result: Result, axes: Axes, *, of: Mapping[str, str] | None = None) -> str:
    """Draw differences against means with bias and limits that change with the mean, and their bands.

    Parameters
    ----------
    result : Result
        Of an agreement question with the table "regression limits".
    axes : Axes
    of : mapping, optional
        Labels of one group.

    Returns
    -------
    str
        The caption.
    """
    of = dict(of or {})
    points, unit = points_of(result, of), unit_of(result.table("pairs"), "difference")
    path = regression_path(result, of)
    assert path is not None
    harmless = harmless_of(result, of)
    draw_points(axes, points, points.mean, points.difference)
    core = np.concatenate([points.difference, *(line[0] for line in path.lines.values()), [0.0],
                           [-harmless, harmless] if harmless else []])
    size = float(np.ptp(core)) or 1.0
    axes.set_ylim(float(core.min()) - 0.25 * size, float(core.max()) + 0.25 * size)
    room = 0.04 * float(np.ptp(points.mean))
    axes.set_xlim(float(points.mean.min()) - room, float(points.mean.max()) + room)
    harmless_band(axes, harmless, unit)
    axes.axhline(0, color=look.INK, linewidth=0.6, zorder=1)
    cut = False
    for name, (value, low, high) in path.lines.items():
        colour, dashes, hatch = LINES[name]
        axes.fill_between(path.at, low, high, **band_style(colour, hatch), zorder=0.5)
        axes.plot(path.at, value, color=colour, linestyle=dashes, linewidth=1.7, zorder=2)
        cut |= bool(low.min() < axes.get_ylim()[0] or high.max() > axes.get_ylim()[1])
    axes.set_xlabel(axis_label("mean of the two", unit))
    a, b = compared(result)
    axes.set_ylabel(axis_label(f"difference {a} {MINUS} {b}", unit))
    look.end_labels(axes, [float(path.at[-1])] * len(path.lines), [float(v[0][-1]) for v in path.lines.values()],
                    list(path.lines), colour=look.INK, size=8)
    name_outliers(axes, points, points.mean, points.difference)
    return _regression_caption(result, of, path, unit, len(points.mean), cut=cut) + how_drawn(points)


def _regression_caption(result: Result, of: Mapping[str, str], path: Path, unit: str, n: int, *, cut: bool) -> str:
    lead = ", ".join([result.question, *(f"{k} {v}" for k, v in of.items())])
    low, high = path.lines["lower limit"], path.lines["upper limit"]

    def limits(i: int) -> str:
        d = decimals_for(float(low[1][i]), float(low[2][i]), float(low[0][i]))
        return (f"{low[0][i]:.{d}f} to {high[0][i]:.{d}f} {unit}".rstrip().replace("-", MINUS)
                + f" where the mean is {path.at[i]:.3g}")

    wider = "; one that runs out of the picture is wider still" if cut else ""
    return sentence(f"{lead}: 95 % of differences lie between limits that follow the reading, {limits(0)} and "
                    f"{limits(-1)} ({n:,} pairs). Bands are {100 * result.provenance.level:g} % intervals{wider}.")
