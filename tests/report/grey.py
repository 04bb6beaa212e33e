"""Read a figure as a grey print does: what differs in colour must differ in shape or in lightness too."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex, to_rgba

WEIGHTS = np.array([0.2126, 0.7152, 0.0722])  # luminance of red, green, blue
APART = 0.12  # of the scale from black to white


def grey(colour: Any, alpha: float | None = None) -> float:
    """Return the lightness of a colour on white paper, 0 to 1."""
    *rgb, own = to_rgba(colour)
    a = own if alpha is None else alpha * own
    return float(a * np.dot(rgb, WEIGHTS) + 1 - a)


def _lines(axes: Axes) -> Iterator[tuple[str, str, float]]:
    for line in axes.lines:
        marker, dashes = str(line.get_marker()), repr(getattr(line, "_unscaled_dash_pattern", line.get_linestyle()))
        drawn = line.get_linestyle() not in ("None", "none", "")
        face = "" if marker in ("None", "none") else to_hex(line.get_markerfacecolor()) == "#ffffff"
        stroke = f"line {dashes} {round(line.get_linewidth())} " if drawn else ""
        shape = f"{stroke}marker {marker} open {face}"
        yield shape, to_hex(line.get_color()), grey(line.get_color(), line.get_alpha())


def _areas(axes: Axes) -> Iterator[tuple[str, str, float]]:
    for area in [*axes.patches, *(c for c in axes.collections if type(c).__name__ in ("FillBetweenPolyCollection",
                                                                                    "PolyCollection"))]:
        face = np.atleast_2d(area.get_facecolor())
        if not len(face) or len(face) > 1:
            continue
        hatch = area.get_hatch() or ""
        colour = area.get_edgecolor() if hatch else face[0]
        colour = np.atleast_2d(colour)[0]
        if colour[3] > 0:
            yield f"area hatch {hatch}", to_hex(colour[:3]), grey(colour)


def elements(axes: Axes) -> set[tuple[str, str, float]]:
    """Return shape, colour and lightness of every line, series of points and area."""
    return {(shape, colour, round(light, 3)) for shape, colour, light in [*_lines(axes), *_areas(axes)]}


def told_apart_by_hue_alone(axes: Axes) -> list[str]:
    """Return pairs of elements that have one shape and one lightness but two colours; a good figure has none."""
    return [f"{a} and {b}" for a, b in combinations(sorted(elements(axes)), 2)
            if a[0] == b[0] and a[1] != b[1] and abs(a[2] - b[2]) < APART]


def in_grey(axes: Axes) -> np.ndarray:
    """Return the figure as it comes out of a grey printer, shape (height, width), 0 black to 1 white."""
    canvas = FigureCanvasAgg(axes.figure)
    canvas.draw()
    rgb = np.asarray(canvas.buffer_rgba(), float)[..., :3] / 255
    return rgb @ WEIGHTS


def overlapping_words(axes: Axes) -> list[str]:
    """Return pairs of words in a figure that lie on each other by more than a tenth of the smaller one."""
    FigureCanvasAgg(axes.figure).draw()
    words = [t for t in axes.texts if t.get_text().strip() and t.get_visible()]
    boxes = [t.get_window_extent() for t in words]
    found = []
    for (s, a), (t, b) in combinations(zip(words, boxes, strict=True), 2):
        width = min(a.x1, b.x1) - max(a.x0, b.x0)
        height = min(a.y1, b.y1) - max(a.y0, b.y0)
        if width > 0 and height > 0 and width * height > 0.1 * min(a.width * a.height, b.width * b.height):
            found.append(f"{s.get_text()!r} on {t.get_text()!r}")
    return found
