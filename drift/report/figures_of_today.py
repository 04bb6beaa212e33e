"""Figures of one sensor's path with the fan of its forecast, and of a control chart with its signals."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.report import drawing as look
from drift.results import Result, ResultTable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Drawing = tuple[str, str, Callable[..., str], tuple[float, float]]
NEAR = 6  # occasions within which a further signal is taken for the same story
FAN_SIZE, CHART_SIZE = (4.9, 3.5), (8.4, 3.4)


def today_drawings(part: Result) -> list[Drawing]:
    """Return what there is to draw of a result: the forecast of one sensor, and a chart of each check standard."""
    tables = {t.name: t for t in part.tables}
    drawn: list[Drawing] = []
    if "forecast" in tables and len(tables["forecast"]):
        sensor = str(tables["forecast"]["sensor"][0])
        drawn.append((f"forecast {sensor}", f"Path and forecast of {sensor}", partial(forecast_figure, part), FAN_SIZE))
    if "control chart" in tables:
        for name in dict.fromkeys(str(s or "") for s in tables["control chart"]["standard"]):
            drawn.append((f"chart {name}".strip(), f"Control chart{f' of {name}' if name else ''}",
                          partial(chart_figure, tables["control chart"], standard=name), CHART_SIZE))
    return drawn


def forecast_figure(part: Result, axes: Axes) -> str:
    """Draw the checks of a sensor, its forecast with bands of 50 and 90 %, its limit and where it stands now."""
    fan, checks = part.table("forecast"), part.table("checks of the sensor")
    sensor, unit = str(fan["sensor"][0]), next(c.unit for c in fan.columns if c.name == "limit")
    use, now, limit = fan["use"], float(fan["now"][0]), float(fan["limit"][0])
    axes.fill_between(use, fan["5 %"], fan["95 %"], color=look.BAND, alpha=0.55, linewidth=0)
    axes.fill_between(use, fan["25 %"], fan["75 %"], color=look.BAND, linewidth=0)
    axes.plot(use, fan["50 %"], color=look.MODEL)
    again = np.array([bool(r) for r in checks["repeat"]])
    axes.plot(checks["use"][~again], checks["value"][~again], look.MARKERS[0], color=look.INK, markersize=4)
    axes.plot(checks["use"][again], checks["value"][again], look.MARKERS[2], color=look.INK, markersize=5,
              markerfacecolor="none")
    axes.set_xlim(0, float(use[-1]))
    look.note_line(axes, limit, f"limit {limit:.4g} {unit}".strip())
    look.note_count(axes, now, f"now, use {now:g}")
    axes.annotate("bands: 50 % and 90 %", (0.02, 0.03), xycoords="axes fraction", fontsize=8, color=look.MODEL)
    axes.set_xlabel("uses")
    axes.set_ylabel(f"sensitivity [{unit}]" if unit == "% of fresh" else f"value [{unit}]" if unit else "value")
    left = next((e for e in part.estimates if e.name == "remaining uses" and e.of.get("sensor") == sensor), None)
    worst = min((e for e in part.estimates if e.name == "remaining uses" and e.of.get("sensor") == sensor),
                key=lambda e: (e.low, e.value), default=left)
    told = (f"it reaches its limit after {worst.value:.0f} more uses (median), and not before {worst.low:.0f} more "
            f"with {100 * worst.level:g} % probability" if worst is not None and np.isfinite(worst.value) else
            "its forecast against its limit")
    return (f"{sensor}: checks (dots{', repeats open' if again.any() else ''}), its own line given all other sensors "
            f"and its bands; {told}.")


def chart_figure(table: ResultTable, axes: Axes, *, standard: str) -> str:
    """Draw the occasions of one check standard with their limits, and name every signal where it stands."""
    mine = np.array([str(s or "") == standard for s in table["standard"]])
    value, part = table["charted"][mine], table["part"][mine]
    label, signals = table["occasion"][mine], table["signals"][mine]
    x = np.arange(len(value))
    low, high = float(table["lower"][mine][0]), float(table["upper"][mine][0])
    centre, unit = (low + high) / 2, next(c.unit for c in table.columns if c.name == "mean")
    base = np.array([p == "baseline" for p in part])
    axes.axhline(centre, color=look.FAINT, linewidth=1)
    look.note_line(axes, high, "upper limit", at=0.99, align="right")
    look.note_line(axes, low, "lower limit", at=0.99, align="right", above=False)
    axes.plot(x, value, color=look.DATA, linewidth=0.8, zorder=1)
    axes.plot(x[base], value[base], look.MARKERS[0], color=look.DATA, markersize=4, markerfacecolor="white")
    out = np.array([bool(s) for s in signals])
    fine = ~base & ~out
    axes.plot(x[fine], value[fine], look.MARKERS[0], color=look.MODEL, markersize=4)
    axes.plot(x[out], value[out], look.MARKERS[3], color=look.LIMIT, markersize=6)
    smooth = table["EWMA"][mine]
    judged = np.isfinite(smooth)
    if judged.any():
        axes.plot(x[judged], smooth[judged], color=look.BOUND, linewidth=1.2, linestyle="--")
        axes.annotate("EWMA", (x[judged][-1], smooth[judged][-1]), xytext=(4, 0), textcoords="offset points",
                      fontsize=8, color=look.BOUND, va="center", annotation_clip=False)
    # One word a run of signals, at its first occasion: the others follow from it.
    starts = [i for i in np.flatnonzero(out) if i == 0 or not out[i - 1]]
    for i in [i for k, i in enumerate(starts) if k == 0 or i - starts[k - 1] > NEAR][:6]:
        above = value[i] > centre
        axes.annotate(f"{label[i]}: {signals[i]}", (x[i], value[i]), xytext=(-5, 3 if above else -3), fontsize=7.5,
                      textcoords="offset points", ha="right", va="bottom" if above else "top", color=look.LIMIT)
    if base.any() and not base.all():
        axes.axvline(x[base][-1] + 0.5, color=look.FAINT, linewidth=0.8, linestyle=":")
        axes.annotate("baseline", (x[base][-1] + 0.4, 0.02), xycoords=("data", "axes fraction"), ha="right",
                      fontsize=8, color=look.FAINT)
    # As many labels as stand beside each other without touching.
    most = max(2, min(8, 96 // (max(len(str(t)) for t in label) + 2)))
    ticks = np.unique(np.linspace(0, len(x) - 1, min(most, len(x))).round().astype(int))
    axes.set_xticks(ticks, [str(label[i]) for i in ticks], fontsize=8)
    axes.margins(y=0.15)
    axes.set_ylabel(f"occasion mean [{unit}]" if unit else "occasion mean")
    name = standard or "the check standard"
    if not out.any():
        return f"{name}: all {int((~base).sum())} occasions after the baseline (open dots) are within their limits."
    return (f"{name}: {int(out.sum())} of {int((~base).sum())} occasions after the baseline (open dots) give a "
            f"signal (red diamonds), first {label[starts[0]]}: {signals[starts[0]]}.")
