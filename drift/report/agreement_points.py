"""Points of an agreement figure: pairs of one target joined, sensors by shape, outliers by name, many as grey cells."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.report import drawing as look
from drift.report.figures_of_trials import rows_of
from drift.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
Labels = NDArray[np.object_]
DENSE = 1500  # pairs from which on cells are shaded by their number
JOINED_PAIRS, JOINED_EACH, RANGED_TARGETS = 320, 5.0, 60
SHAPED_SENSORS, SHAPED_PAIRS = len(look.MARKERS), 700
NAMED_OUTLIERS = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """The pairs of one group: means, differences, labels, and which stand out under which name."""

    mean: Floats
    difference: Floats
    target: Labels
    sensor: Labels
    outlying: dict[str, NDArray[np.int64]]
    target_name: str
    are_means: bool = False

    @property
    def n_targets(self) -> int:
        """Number of targets."""
        return len(set(self.target))

    @property
    def way(self) -> str:
        """How pairs of one target are shown: "alone", "joined", "ranges", or "cells" where there are many pairs."""
        n, k = len(self.mean), self.n_targets
        if n > DENSE:
            return "cells"
        if k in (1, n):
            return "alone"
        if n <= JOINED_PAIRS and n / k <= JOINED_EACH:
            return "joined"
        return "ranges" if k <= RANGED_TARGETS else "alone"

    @property
    def sensors(self) -> list[str]:
        """Sensors that get a shape of their own; none where there are too many to tell apart."""
        names = sorted({str(s) for s in self.sensor if s})
        few = 2 <= len(names) <= SHAPED_SENSORS and len(self.mean) <= SHAPED_PAIRS
        return names if few and set(names) != {str(t) for t in self.target} else []

    @property
    def a(self) -> Floats:
        """Readings of the first of the two."""
        return self.mean + 0.5 * self.difference

    @property
    def b(self) -> Floats:
        """Readings of the second."""
        return self.mean - 0.5 * self.difference


def points_of(result: Result, of: Mapping[str, str]) -> Points:
    """Return the pairs of one group of an agreement result."""
    table = result.table("pairs")
    keep = rows_of(table, of)
    names = {c.name for c in table.columns}

    def words(column: str) -> Labels:
        return np.array([str(v or "") for v in table[column][keep]] if column in names else [""] * int(keep.sum()),
                        dtype=object)

    target, sensor = words("target"), words("sensor")
    are_means = table.caption.endswith("means of each target")
    asked: Mapping[str, Any] = result.provenance.settings
    if "study" in asked:
        asked = next((q for q in json.loads(str(asked["study"])).get("agreement", ())
                      if q.get("name") == result.question), {})
    return Points(mean=np.asarray(table["mean"][keep], float), difference=np.asarray(table["difference"][keep], float),
                  target=target, sensor=sensor, target_name=str(asked.get("target") or "target"), are_means=are_means,
                  outlying=_outlying(result, words("pair"), target, sensor))


def _outlying(result: Result, pair: Labels, target: Labels, sensor: Labels) -> dict[str, NDArray[np.int64]]:
    """Return what stands out, by a short name, with the pairs it consists of."""
    found: dict[str, NDArray[np.int64]] = {}
    for f in result.findings:
        if f.code != "outlier" or " stands out among " not in f.message or len(found) == NAMED_OUTLIERS:
            continue
        name = f.message.split(" stands out among ")[0]
        own = np.flatnonzero(pair == name)
        if len(own):
            repeats = len(set(target)) < len(target)
            short = ", ".join(x for x in (str(target[own[0]]), str(sensor[own[0]]) if repeats else "") if x)
            found.setdefault(short or name, own)
            continue
        level = name.split(" ", 1)[-1]
        own = next((w for labels in (target, sensor) if len(w := np.flatnonzero(labels == level))), own)
        if len(own):
            found[level] = own
    return found


def draw_points(axes: Axes, points: Points, x: Floats, y: Floats) -> None:
    """Draw the pairs at ``x`` and ``y``, which may be means and differences or what a scale makes of them."""
    n = len(x)
    if points.way == "cells":
        _cells(axes, x, y)
    else:
        if points.way == "joined":
            _join(axes, points, x, y)
        size = 4.0 if n <= 60 else 3.4 if n <= 200 else 2.9
        faint = 0.55 if points.way == "ranges" else 0.85
        groups = points.sensors or [""]
        for i, sensor in enumerate(groups):
            own = points.sensor == sensor if sensor else np.ones(n, dtype=bool)
            colour = look.SERIES[i] if sensor else look.MODEL if n <= 60 else look.DATA
            axes.plot(x[own], y[own], look.MARKERS[i], color=colour, markersize=size, linestyle="none", alpha=faint,
                      markerfacecolor=colour if i % 2 == 0 else "white", markeredgewidth=0.7, label=sensor or None,
                      zorder=1.6)
        if points.way == "ranges":
            _ranges(axes, points, x, y)
        if points.sensors:
            axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.995), ncols=len(groups), fontsize=8, frameon=False,
                        borderpad=0.1, handletextpad=0.1, columnspacing=1.0, markerscale=1.3)


def _cells(axes: Axes, x: Floats, y: Floats) -> None:
    """Shade cells by their number of pairs, one pair light grey and not white."""
    from matplotlib import colormaps
    from matplotlib.colors import LinearSegmentedColormap

    greys = LinearSegmentedColormap.from_list("cells", colormaps["Greys"](np.linspace(0.32, 1.0, 64)))
    axes.hexbin(x, y, gridsize=(36, 22), cmap=greys, mincnt=1, bins="log", linewidths=0.1, zorder=1.5,
                xscale="log" if axes.get_xscale() == "log" else "linear",
                yscale="log" if axes.get_yscale() == "log" else "linear")


def _join(axes: Axes, points: Points, x: Floats, y: Floats) -> None:
    """Join the pairs of each target, in the order of their means."""
    for target in dict.fromkeys(points.target):
        own = np.flatnonzero(points.target == target)
        own = own[np.argsort(x[own], kind="stable")]
        if len(own) > 1:
            axes.plot(x[own], y[own], color=look.DATA, linewidth=0.6, alpha=0.75, zorder=1.5)


def _ranges(axes: Axes, points: Points, x: Floats, y: Floats) -> None:
    """Draw the mean of each target as an open diamond on the range of its pairs."""
    for target in dict.fromkeys(points.target):
        own = points.target == target
        at, middle = float(np.mean(x[own])), float(np.mean(y[own]))
        axes.vlines(at, float(y[own].min()), float(y[own].max()), color=look.INK, linewidth=0.8, zorder=1.8)
        axes.plot([at], [middle], "D", color=look.INK, markersize=3.6, markerfacecolor="white", markeredgewidth=0.9,
                  linestyle="none", zorder=1.9)


# Where a name may stand beside its ring [pt], and how it is aligned there; the first that is free is taken.
PLACES = ((8, 0, "left", "center"), (-8, 0, "right", "center"), (0, 7, "center", "bottom"), (0, -7, "center", "top"),
          (7, 9, "left", "bottom"), (-7, 9, "right", "bottom"), (7, -9, "left", "top"), (-7, -9, "right", "top"))


def name_outliers(axes: Axes, points: Points, x: Floats, y: Floats) -> None:
    """Put a ring and a name to what stands out, names beside one another; the limits of the axes must be settled."""
    taken = [t.get_window_extent() for t in axes.texts]
    inside, scale = axes.get_window_extent(), axes.figure.dpi / 72
    for name, own in points.outlying.items():
        at = float(np.mean(x[own])), float(np.mean(y[own]))
        axes.plot([at[0]], [at[1]], "o", color=look.INK, markersize=9, markerfacecolor="none", markeredgewidth=0.9,
                  zorder=4)
        for dx, dy, ha, va in PLACES:
            word = axes.annotate(name, at, xytext=(dx, dy), textcoords="offset points", fontsize=7.5, va=va, ha=ha,
                                 color=look.INK, zorder=4,
                                 bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.4})
            box = word.get_window_extent().padded(2 * scale)
            if inside.x0 <= box.x0 and box.x1 <= inside.x1 and not any(box.overlaps(t) for t in taken):
                break
            if (dx, dy) != PLACES[-1][:2]:
                word.remove()
        taken.append(box)


def how_drawn(points: Points) -> str:
    """Return the words of a caption that say how repeated pairs and sensors are drawn."""
    said = []
    if points.are_means:
        said.append(f"points are means of one {points.target_name}, limits are for single readings")
    elif points.way == "joined":
        said.append(f"lines join the pairs of one {points.target_name}")
    elif points.way == "ranges":
        said.append(f"a diamond is the mean of one {points.target_name}, its line the range of its pairs")
    elif points.way == "cells":
        said.append("the darker a cell, the more pairs")
    if points.outlying:
        said.append(f"{'rings mark' if len(points.outlying) > 1 else 'a ring marks'} what stands out, all of it kept")
    text = "; ".join(said)
    return f" {text[:1].upper()}{text[1:]}." if text else ""
